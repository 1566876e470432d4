"""Swapped, mono, polarity turned, crosstalk, late: what the two sides do, and when."""

from __future__ import annotations

from collections.abc import Iterator

from shaping.analysis.feeds.findings import Fault, FaultSeverity, FeedCode, PackMeasure
from shaping.analysis.feeds.outputs import Output
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.siblings import ENOUGH, Standing, carries

_SIDES = ("left", "right")
_OTHER = {"left": "right", "right": "left"}


def side_faults(
    measure: PackMeasure, standing: Standing, thresholds: Thresholds
) -> Iterator[Fault]:
    """Yield what is wrong with the sides of a feed that is alive."""
    if len(measure.outputs) == 2:
        yield from _sides(measure, standing, thresholds)
    yield from _turned(standing)
    yield from _late(measure, standing, thresholds)


def _sides(measure: PackMeasure, standing: Standing, thresholds: Thresholds) -> Iterator[Fault]:
    alive = [
        (side, out)
        for side, out, lives in zip(_SIDES, measure.outputs, standing.alive, strict=True)
        if lives
    ]
    carried = [carries(out) for _, out in alive]
    if len(alive) == 2 and (carried[0] == carried[1]):
        if not _mono_is_meant(measure, standing):
            yield _mono(carried[0])
        return
    if measure.pack.mono:
        return
    if all(got == _OTHER[side] for (side, _), got in zip(alive, carried, strict=True)):
        yield _fault(
            FeedCode.SWAPPED,
            "Left comes out on the right and right on the left."
            if len(alive) == 2
            else f"Its {alive[0][0]} carries what belongs to the {_OTHER[alive[0][0]]}.",
            "Swap the two sides at the output of its mix or at the transmitter.",
            1.0,
        )
    worst: tuple[float, str] | None = None
    for side, out in alive:
        got = _crosstalk_db(out)
        if got is not None and got > thresholds.crosstalk_db and (worst is None or got > worst[0]):
            worst = got, side
    if worst is not None:
        yield _fault(
            FeedCode.CROSSTALK,
            f"The other side is heard on the {worst[1]}, {-worst[0]:.0f} dB below its own.",
            "Check for a half-inserted plug, a wrong adapter, or a mix whose panning is not wide.",
            1 + (worst[0] - thresholds.crosstalk_db) / 10,
        )


def _mono_is_meant(measure: PackMeasure, standing: Standing) -> bool:
    if measure.pack.mono:
        return True
    known = standing.known
    return known is not None and {one.carries for one in known.sides} == {"both"}


def _mono(carried: str | None) -> Fault:
    told = (
        "Both ears get the same, left and right together, where stereo should be."
        if carried == "both"
        else f"Both ears get the {carried} side alone; the other is in neither."
    )
    return _fault(
        FeedCode.MONO,
        told,
        "Set pack and transmitter to stereo and check both cables of its mix; if one mix for both "
        "ears is meant, say so with mono = true in the packs file.",
        1.0,
    )


def _crosstalk_db(output: Output) -> float | None:
    if output.main is None:
        return None
    own, other = output.from_db[output.main], output.from_db[_OTHER[output.main]]
    return other - own


def _turned(standing: Standing) -> Iterator[Fault]:
    turned = [side for side, is_so in zip(_SIDES, standing.turned, strict=False) if is_so]
    if not turned:
        return
    where = "Its polarity is"
    if len(standing.turned) == 2:
        where = "Both sides are" if len(turned) == 2 else f"Its {turned[0]} is"
    against = "the last good state" if standing.known else "the others"
    if not standing.known and standing.siblings < ENOUGH:
        against = "the signal"
    yield _fault(
        FeedCode.INVERTED,
        f"{where} turned in polarity against {against}.",
        "Check for a polarity switch at the output of its mix and for a cable wired crosswise.",
        float(len(turned)),
    )


def _late(measure: PackMeasure, standing: Standing, thresholds: Thresholds) -> Iterator[Fault]:
    action = "Look for a delay, a plug-in or another way round through the network in its mix."
    if standing.delay_ms is not None and standing.delay_ms > thresholds.late_ms:
        yield _fault(
            FeedCode.LATE,
            f"It is {standing.delay_ms:.1f} ms later than the packs recorded with it.",
            action,
            standing.delay_ms / thresholds.late_ms,
        )
        return
    if len(standing.alive) == 2 and all(standing.alive):
        left, right = (out.delay_s for out in measure.outputs)
        apart = 1e3 * (left - right)
        if abs(apart) > thresholds.side_late_ms:
            later, sooner = _SIDES if apart > 0 else _SIDES[::-1]
            yield _fault(
                FeedCode.LATE,
                f"Its {later} is {abs(apart):.1f} ms later than its {sooner}.",
                action,
                abs(apart) / thresholds.side_late_ms,
            )


def _fault(code: FeedCode, message: str, action: str, size: float) -> Fault:
    return Fault(code, FaultSeverity.FAULT, message, action, size)
