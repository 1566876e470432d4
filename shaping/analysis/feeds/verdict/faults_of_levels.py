"""Silent, dead on one side, too low, too high."""

from __future__ import annotations

from collections.abc import Iterator

from shaping.analysis.feeds.findings import Fault, FaultSeverity, FeedCode, PackMeasure
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.siblings import ENOUGH, Standing
from shaping.text.quantities import gain_text

_SOMETHING_DBFS = -50.0
"""A recording without the signal that peaks above this holds something else."""

_SIDES = ("left", "right")


def level_faults(
    measure: PackMeasure, standing: Standing, thresholds: Thresholds
) -> Iterator[Fault]:
    """Yield what is wrong with the level of a feed and of its sides."""
    if not any(standing.alive):
        yield _silent(measure)
        return
    if len(standing.alive) == 2 and not all(standing.alive):
        dead = standing.alive.index(False)
        yield _fault(
            (FeedCode.LEFT_DEAD, FeedCode.RIGHT_DEAD)[dead],
            f"Nothing of the signal comes out on the {_SIDES[dead]}.",
            f"Check the plug, the cable and the {_SIDES[dead]} output of its mix.",
            10.0,
        )
    whole = _whole(standing, thresholds)
    if whole is not None:
        yield whole
    elif len(standing.alive) == 2 and all(standing.alive):
        yield from _one_side(measure, standing, thresholds)


def _silent(measure: PackMeasure) -> Fault:
    if measure.peak_dbfs > _SOMETHING_DBFS:
        told = "Something plays, but the test signal is not in it."
        action = "Route the test signal to its mix; check that this is the recording of this pack."
    else:
        told = "Nothing of the signal comes out."
        action = "Check power, mute, channel and cable of pack and transmitter."
    return _fault(FeedCode.SILENT, told, action, 10.0)


def _whole(standing: Standing, thresholds: Thresholds) -> Fault | None:
    """Return whether the feed as a whole is too low or too high.

    Of two packs without a known state the lower one is named: nobody can tell which is off, and
    turning the louder one up would be the dangerous mistake.
    """
    off, since = standing.change_db, "than in the last good state"
    if off is None:
        off, since = standing.level_db, "than its siblings"
        if standing.siblings < ENOUGH:
            since = "than the other pack; or that one is too high"
            if off is not None and off > 0:
                return None
    loud = standing.loud_db
    if standing.change_db is None and off is not None and loud is not None:
        # What rides the gain may lower loud sound, and make up for it on soft: that is told by its
        # own name. A level is off where both are.
        off = 0.0 if off * loud < 0 else min(off, loud, key=abs)
    if off is None or abs(off) <= thresholds.level_db:
        return None
    size = abs(off) / thresholds.level_db
    if off < 0:
        return _fault(
            FeedCode.LOW,
            f"It is {gain_text(-off).lstrip('+')} lower {since}.",
            "Compare the level of its mix and the input gain of its transmitter; pack off the "
            "ears while you turn up.",
            size,
        )
    return _fault(
        FeedCode.HIGH,
        f"It is {gain_text(off).lstrip('+')} louder {since}.",
        "Turn it down before anybody puts it on: the level of its mix, then its transmitter.",
        size,
    )


def _one_side(measure: PackMeasure, standing: Standing, thresholds: Thresholds) -> Iterator[Fault]:
    left, right = (out.level_db for out in measure.outputs)
    usual = 0.0
    known = standing.known
    if known is not None and len(known.sides) == 2:
        usual = known.sides[0].gain_db - known.sides[1].gain_db
    off = left - right - usual
    if abs(off) <= thresholds.level_db:
        return
    lower, higher = ("right", "left") if off > 0 else ("left", "right")
    size = abs(off) / thresholds.level_db
    told = gain_text(abs(off)).lstrip("+")
    # The side that stands further from the siblings is the one that is off.
    middle = standing.change_db if known is not None else standing.level_db
    if middle is not None and standing.siblings >= ENOUGH:
        gain = standing.gain_db or 0.0
        sides = (left - gain - usual / 2 + middle, right - gain + usual / 2 + middle)
        if max(sides) > -min(sides):
            yield _fault(
                FeedCode.HIGH,
                f"Its {higher} is {told} louder than its {lower}.",
                f"Turn the {higher} side down, or set the balance of its mix to the middle.",
                size,
            )
            return
    yield _fault(
        FeedCode.LOW,
        f"Its {lower} is {told} lower than its {higher}.",
        f"Check the {lower} output of its mix, the balance, and the plug.",
        size,
    )


def _fault(code: FeedCode, message: str, action: str, size: float) -> Fault:
    return Fault(code, FaultSeverity.FAULT, message, action, size)
