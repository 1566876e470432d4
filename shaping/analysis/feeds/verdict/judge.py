"""From measurements of all packs to what is wrong with each, the worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from shaping.analysis.feeds.findings import (
    Fault,
    FaultSeverity,
    Feed,
    FeedCode,
    FeedSide,
    KnownFeed,
    PackMeasure,
)
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.faults_of_levels import level_faults
from shaping.analysis.feeds.verdict.faults_of_sides import side_faults
from shaping.analysis.feeds.verdict.faults_of_sound import sound_faults
from shaping.analysis.feeds.verdict.siblings import Standing, carries, stand

_RANK = {code: rank for rank, code in enumerate(FeedCode)}


def judge(
    measures: Sequence[PackMeasure],
    thresholds: Thresholds,
    *,
    known: Mapping[str, KnownFeed] | None = None,
) -> tuple[Feed, ...]:
    """Say what is wrong with every feed.

    Parameters
    ----------
    measures : sequence of PackMeasure
        All packs that heard the signal at the same gains: they are each other's siblings.
    thresholds : Thresholds
        From where on a finding is a fault.
    known : mapping of str to KnownFeed, optional
        The last good state by name: what is as it was then is right, whatever its siblings do.

    Returns
    -------
    tuple of Feed
        The worst first.
    """
    standings = stand(measures, thresholds, known or {})
    feeds = [
        _feed(one, standing, thresholds) for one, standing in zip(measures, standings, strict=True)
    ]
    return tuple(sorted(feeds, key=_worst))


def _feed(measure: PackMeasure, standing: Standing, thresholds: Thresholds) -> Feed:
    faults = sorted(_faults(measure, standing, thresholds), key=_order)
    names = ("left", "right") if len(measure.outputs) == 2 else ("only",)
    sides = tuple(
        FeedSide(
            side=name,
            output=output,
            level_db=_level(output.level_db, standing) if lives else None,
            carries=carries(output) if lives else None,
            crosstalk_db=_crosstalk(output.from_db) if lives else None,
        )
        for name, output, lives in zip(names, measure.outputs, standing.alive, strict=False)
    )
    return Feed(
        measure=measure,
        level_db=standing.level_db,
        gain_db=standing.gain_db,
        change_db=standing.change_db,
        delay_ms=standing.delay_ms,
        sides=sides,
        faults=tuple(faults),
    )


def _faults(measure: PackMeasure, standing: Standing, thresholds: Thresholds) -> Iterator[Fault]:
    yield from level_faults(measure, standing, thresholds)
    if any(standing.alive):
        yield from side_faults(measure, standing, thresholds)
        yield from sound_faults(measure, standing, thresholds)


def _level(level_db: float, standing: Standing) -> float | None:
    if standing.gain_db is None or standing.level_db is None:
        return None
    return level_db - standing.gain_db + standing.level_db


def _crosstalk(from_db: Mapping[str, float]) -> float | None:
    high, low = sorted(from_db.values(), reverse=True)
    return low - high if math.isfinite(low) else None


def _order(fault: Fault) -> tuple[bool, int, float]:
    return fault.severity is FaultSeverity.NOTE, _RANK[fault.code], -fault.size


def _worst(feed: Feed) -> tuple[int, float, str]:
    if not feed.failing:
        return len(_RANK), 0.0, feed.name
    worst = feed.failing[0]
    return _RANK[worst.code], -worst.size, feed.name
