"""Rings of several captures of one wedge, seen together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from shaping.analysis.findings import Ring

SAME_RATIO = 0.005
"""Rings closer than this, relative to their frequency, are one: a mic position moves a ring about
as far."""


def rings_across(found: Sequence[Sequence[Ring]]) -> tuple[Ring, ...]:
    """Merge the rings of several captures of one wedge, most urgent first.

    Parameters
    ----------
    found : sequence of sequences of Ring
        The rings of each capture.

    Returns
    -------
    tuple of Ring
        One ring per frequency. A ring of several captures keeps the steepest one's facts, spans
        their frequencies with its width, and counts all occurrences. The certain come first, and
        among them the fastest growing.
    """
    if len(found) == 1:
        return tuple(found[0])
    ordered = sorted((ring for rings in found for ring in rings), key=lambda r: r.frequency_hz)
    groups: list[list[Ring]] = []
    for ring in ordered:
        if groups and ring.frequency_hz <= groups[-1][-1].frequency_hz * (1 + SAME_RATIO):
            groups[-1].append(ring)
        else:
            groups.append([ring])
    merged = [_merged(group, len(found)) for group in groups]
    return tuple(sorted(merged, key=lambda r: (not r.certain, -r.growth_db_per_s)))


def _merged(group: Sequence[Ring], captures: int) -> Ring:
    if len(group) == 1:
        return group[0]
    worst = max(group, key=lambda r: (r.certain, r.growth_db_per_s))
    spread_hz = group[-1].frequency_hz - group[0].frequency_hz
    return replace(
        worst,
        frequency_hz=math.sqrt(group[0].frequency_hz * group[-1].frequency_hz),
        width_hz=max(spread_hz, *(ring.width_hz for ring in group)),
        duration_s=sum(ring.duration_s for ring in group),
        peak_dbfs=max(ring.peak_dbfs for ring in group),
        occurrences=sum(ring.occurrences for ring in group),
        clipped=any(ring.clipped for ring in group),
        confidence=1 - math.prod(1 - ring.confidence for ring in group),
        evidence=f"{worst.evidence}; found in {len(group)} places over {captures} captures",
    )
