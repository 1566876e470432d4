"""Measurements of packs for tests, without recordings: records in, verdict out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from shaping.analysis.feeds.findings import Feed, KnownFeed, KnownSide, Pack, PackMeasure
from shaping.analysis.feeds.line_up import Place
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ, Output
from shaping.analysis.feeds.played import STEPS_DB
from shaping.analysis.feeds.quiet import Quiet
from shaping.analysis.feeds.steps import Dynamics
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.judge import judge

SOUND_OUTPUT = Output(
    from_db={"left": 0.0, "right": -60.0},
    least_db=-90.0,
    main="left",
    level_db=0.0,
    loud_db=0.0,
    bands_db=np.zeros(len(RESPONSE_BANDS_HZ)),
    delay_s=0.0,
    signs={"left": 1, "right": 1},
    hold_dbfs=-24.0,
    distortion_db=-60.0,
    steps_db=np.zeros(len(STEPS_DB)),
    dynamics=Dynamics(0.0, 0.0, None, None),
    quiet=Quiet(-100.0, -math.inf, None),
    dropouts_s=(),
    clipped=False,
)
LEFT = SOUND_OUTPUT
RIGHT = replace(LEFT, from_db={"left": -60.0, "right": 0.0}, main="right")
NOTHING = replace(
    LEFT, from_db={"left": -math.inf, "right": -math.inf}, main=None, level_db=-math.inf
)


def pack(
    name: str,
    outputs: Sequence[Output] = (LEFT, RIGHT),
    *,
    offset_s: float = 0.5,
    mono: bool = False,
    take: str = "take.wav",
    peak_dbfs: float = -10.0,
) -> PackMeasure:
    """Return what a pack's recording told."""
    place = Place(offset_s, 0.0) if outputs else None
    channels = tuple(range(1, len(outputs) + 1)) or (1, 2)
    return PackMeasure(Pack(name, take, channels, mono, take), place, tuple(outputs), peak_dbfs)


def louder(outputs: Sequence[Output], by_db: float) -> tuple[Output, ...]:
    """Return outputs with another gain."""
    return tuple(
        replace(one, level_db=one.level_db + by_db, loud_db=one.loud_db + by_db) for one in outputs
    )


def judged(
    one: PackMeasure,
    *,
    siblings: int = 4,
    thresholds: Thresholds | None = None,
    known: dict[str, KnownFeed] | None = None,
) -> Feed:
    """Return the verdict on one pack among sound ones."""
    others = [pack(f"sound {i}") for i in range(siblings)]
    feeds = judge([one, *others], thresholds or Thresholds(), known=known)
    (found,) = (feed for feed in feeds if feed.name == one.pack.name)
    return found


def codes(feed: Feed) -> list[str]:
    """Return the codes by which a feed fails."""
    return [str(one.code) for one in feed.failing]


def known_state(
    gain_db: float = 0.0, *, carries: Sequence[str] = ("left", "right"), polarity: int = 1
) -> KnownFeed:
    """Return a last good state."""
    return KnownFeed(
        gain_db,
        tuple(
            KnownSide(gain_db, one, polarity, (0.0,) * len(RESPONSE_BANDS_HZ)) for one in carries
        ),
    )
