"""Feeds as JSON: schema ``shaping.feeds/1``. What is not known is null."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from msgspec import to_builtins

from shaping.analysis.feeds.files.feeds_form import FEEDS_SCHEMA
from shaping.analysis.feeds.findings import Feed, FeedSide
from shaping.analysis.feeds.measure import Signal
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.siblings import polarity


def feeds_to_json(
    feeds: Sequence[Feed],
    *,
    reference: str,
    signal: Signal,
    thresholds: Thresholds,
    cautions: Sequence[str],
) -> str:
    """Return feeds as JSON text, ending in a newline.

    Parameters
    ----------
    feeds : sequence of Feed
        The worst first.
    reference : str
        The file that was played.
    signal : Signal
        What it holds.
    thresholds : Thresholds
        From where on a finding was a fault.
    cautions : sequence of str
        What to mind, and what this cannot tell.

    Returns
    -------
    str
    """
    values = feeds_to_dict(
        feeds, reference=reference, signal=signal, thresholds=thresholds, cautions=cautions
    )
    return json.dumps(values, indent=2, allow_nan=False) + "\n"


def feeds_to_dict(
    feeds: Sequence[Feed],
    *,
    reference: str,
    signal: Signal,
    thresholds: Thresholds,
    cautions: Sequence[str],
) -> dict[str, Any]:
    """Return feeds as plain values; parameters as of `feeds_to_json`."""
    return {
        "schema": FEEDS_SCHEMA,
        "reference": {
            "path": reference,
            "sample_rate_hz": signal.sample_rate_hz,
            "level_dbfs": _number(signal.level_dbfs),
        },
        "thresholds": to_builtins(thresholds),
        "bands_hz": list(RESPONSE_BANDS_HZ),
        "feeds": [feed_to_dict(one) for one in feeds],
        "cautions": list(cautions),
    }


def feed_to_dict(feed: Feed) -> dict[str, Any]:
    """Return one feed as plain values."""
    pack = feed.measure.pack
    return {
        "name": pack.name,
        "path": pack.path,
        "channels": list(pack.channels),
        "mono": pack.mono,
        "verdict": feed.verdict,
        "level_db": _number(feed.level_db),
        "change_db": _number(feed.change_db),
        "gain_db": _number(feed.gain_db),
        "delay_ms": _number(feed.delay_ms),
        "sides": [_side(one) for one in feed.sides],
        "faults": [
            {
                "code": str(one.code),
                "severity": str(one.severity),
                "message": one.message,
                "action": one.action,
            }
            for one in feed.faults
        ],
    }


def _side(side: FeedSide) -> dict[str, Any]:
    out = side.output
    lives = side.carries is not None
    found = out.dynamics
    limiter = None
    if lives and found.knee_db is not None:
        ratio = found.ratio if found.ratio is not None and math.isfinite(found.ratio) else None
        limiter = {
            "knee_db": _number(found.knee_db),
            "ratio": _number(ratio),
            "loss_db": _number(found.loss_db),
        }
    return {
        "side": side.side,
        "level_db": _number(side.level_db),
        "gain_db": _number(out.level_db) if lives else None,
        "carries": side.carries,
        "polarity": polarity(out) if lives else 0,
        "crosstalk_db": _number(side.crosstalk_db),
        "delay_ms": _number(1e3 * out.delay_s) if lives else None,
        "distortion_db": _number(out.distortion_db) if lives else None,
        "noise_db": _number(out.quiet.noise_dbfs - out.hold_dbfs) if lives else None,
        "hum_db": _number(out.quiet.hum_dbfs - out.hold_dbfs) if lives else None,
        "mains_hz": out.quiet.mains_hz,
        "limiter": limiter,
        "dropouts_s": [round(one, 3) for one in out.dropouts_s] if lives else [],
        "bands_db": [_number(float(one)) for one in out.bands_db] if lives else [],
    }


def _number(value: float | None) -> float | None:
    """Return a value with few digits; null for what is not known."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, 3) + 0.0
