"""A ring-out, led step by step: raise, pull down, dial in, raise again, until it is quiet enough.

It plays nothing and moves no fader: it says what to do, and a person does it. Each round from the
raising to the pulling down is a ring-out recording of its own, with the settings of the rounds
before in place; the plan of the last one that rang is the plan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shaping.capture.quality import judge
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits import Limits
from shaping.errors import ShapingError
from shaping.filters.kinds import Filter
from shaping.live.watch.cutting import Cutting, cuttings_of, ring_of
from shaping.live.watch.watcher import SAME_TONE_RATIO, GrowingRing
from shaping.plan.loop.wishes import Wishes
from shaping.plan.plan import CaptureSummary, Plan
from shaping.plan.ring_out.near_cuts import NearAsked
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.suggest import suggest
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.text.frequency import frequency_text, hertz_text
from shaping.text.sentences import listing

MOST_ROUNDS: Final = 7
"""Five to seven rounds, then the wedge is as good as it gets. Common practice, no published
source."""

SEVERAL: Final = 3
"""Several tones at once say that the whole loop is at its end. Common practice, no published
source: stop at more than two or three."""

KEPT_S: Final = 30.0
"""Of each round: raising slowly takes no longer from the first ringing on."""


class Step(StrEnum):
    """What is to be done now."""

    RAISE = "raise"
    PULL = "pull"
    DIAL = "dial"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Round:
    """One round that rang.

    Attributes
    ----------
    rings : tuple of GrowingRing
        What rang, the first one first.
    cuts : tuple of Cutting
        All settings after it.
    send_db : float or None
        Where the send stood when it rang, if somebody said so.
    """

    rings: tuple[GrowingRing, ...]
    cuts: tuple[Cutting, ...]
    send_db: float | None = None


@dataclass(frozen=True, eq=False)
class Progress:
    """How far a ring-out has come.

    Attributes
    ----------
    step : Step
        What is to be done now.
    rounds : tuple of Round
        What rang so far.
    rings : tuple of GrowingRing
        What rings in this round.
    suggestion : Suggestion or None
        The plan so far.
    why_done : str
        Why it is over.
    end_send_db : float or None
        Where the send stood at the end, if somebody said so.
    """

    step: Step = Step.RAISE
    rounds: tuple[Round, ...] = ()
    rings: tuple[GrowingRing, ...] = ()
    suggestion: Suggestion | None = None
    why_done: str = ""
    end_send_db: float | None = None

    @property
    def in_place(self) -> tuple[Filter, ...]:
        """What is dialled in while this round goes on."""
        return tuple(cut.filter for cut in self.rounds[-1].cuts) if self.rounds else ()

    @property
    def won_db(self) -> float | None:
        """How far the send stands over where it first rang, where both are known."""
        first = self.rounds[0].send_db if self.rounds else None
        if first is None or self.end_send_db is None:
            return None
        return self.end_send_db - first


Planner = Callable[[Progress], Suggestion]


def advanced(
    now: Progress,
    standing: Sequence[GrowingRing],
    *,
    entered: str | None,
    ended: bool,
    plan: Planner,
) -> Progress:
    """Return how far it has come once this was seen.

    Parameters
    ----------
    now : Progress
        So far.
    standing : sequence of GrowingRing
        Certain rings that stand now.
    entered : str or None
        What was typed before Return, "" for nothing; None where Return was not pressed.
    ended : bool
        Whether somebody ended it.
    plan : callable
        Makes the plan of a round that rang.
    """
    if ended:
        return replace(now, step=Step.DONE, why_done="ended by hand", end_send_db=_number(entered))
    if now.step is Step.RAISE and standing:
        return replace(now, step=Step.PULL, rings=tuple(standing))
    if now.step is Step.PULL:
        rings = _joined(now.rings, standing)
        if standing:
            return replace(now, rings=rings)
        suggestion = plan(replace(now, rings=rings))
        done = Round(rings, cuttings_of(suggestion.plan))
        return replace(
            now, step=Step.DIAL, rounds=(*now.rounds, done), rings=(), suggestion=suggestion
        )
    if now.step is Step.DIAL and entered is not None:
        last = replace(now.rounds[-1], send_db=_number(entered))
        fresh = replace(now, step=Step.RAISE, rounds=(*now.rounds[:-1], last))
        if len(now.rounds) >= MOST_ROUNDS:
            return replace(fresh, step=Step.DONE, why_done=f"{MOST_ROUNDS} rounds are enough")
        if len(last.rings) >= SEVERAL:
            why = "several tones rang at once: more cuts would only turn the wedge down"
            return replace(fresh, step=Step.DONE, why_done=why)
        return fresh
    return now


def told(now: Progress) -> str:
    """Return what a person is to do now."""
    if now.step is Step.RAISE:
        again = " again" if now.rounds else ""
        return f"Raise the send slowly{again}, hand on the fader. Loud enough? Press e."
    if now.step is Step.PULL:
        return f"Pull the send down: {listing([hertz_text(r.frequency_hz) for r in now.rings])}!"
    if now.step is Step.DIAL:
        cuts = "; ".join(cut.text for cut in now.rounds[-1].cuts) or "no band helps"
        return f"Dial in: {cuts}. Then Return (the send's dB before it, if you like)."
    return f"Done: {now.why_done}."


def summary(now: Progress) -> tuple[str, ...]:
    """Return how it went, in sentences."""
    if not now.rounds:
        return ("Nothing rang for certain; nothing needs to be cut.",)
    lines = [
        f"Round {number}: {listing([frequency_text(ring.frequency_hz) for ring in one.rings])}"
        for number, one in enumerate(now.rounds, 1)
    ]
    if now.won_db is not None:
        lines.append(
            f"The send stands {now.won_db:+.1f} dB over where it first rang, and does not ring."
        )
    else:
        lines.append("How far the send went up is not known: its dB were not typed in.")
    plan = None if now.suggestion is None else now.suggestion.plan
    if plan is not None and plan.ring_out is not None:
        lines.append(
            f"With the settings about {plan.ring_out.margin_db:.1f} dB are left over the highest "
            "send of the last round that rang: an estimate."
        )
    return tuple(lines)


def plan_of_round(
    recorded: NDArray[np.float32],
    now: Progress,
    limits: Limits,
    *,
    sample_rate_hz: int,
    name: str,
) -> Suggestion:
    """Plan from the recording of one round; from its rings alone where it tells no more.

    Parameters
    ----------
    recorded : ndarray of float32, shape (n, channels)
        The last `KEPT_S` of the watch.
    now : Progress
        With the rings of this round.
    limits : Limits
        The equaliser.
    sample_rate_hz : int
        Sample rate.
    name : str
        What the recording is called.
    """
    loudest = max(now.rings, key=lambda ring: ring.peak_dbfs)
    samples = np.ascontiguousarray(recorded[:, loudest.channel])
    kind = CaptureKind.RING_OUT
    capture = Capture(
        name,
        sample_rate_hz,
        loudest.channel + 1,
        samples,
        kind,
        tuple(judge(samples, sample_rate_hz, kind)),
    )
    try:
        made = suggest(
            [capture],
            limits,
            thinning=ThinningAmount.NONE,
            wishes=Wishes(in_place=now.in_place),
        )
        if made.plan.filters and made.plan.rings:
            return made
    except ShapingError:
        pass  # too short or too loud to tell more than its rings
    return Suggestion(_from_rings(capture, now, limits), (capture,), ())


def _from_rings(capture: Capture, now: Progress, limits: Limits) -> Plan:
    summary_of = CaptureSummary(
        capture.path,
        capture.sample_rate_hz,
        capture.channel,
        capture.duration_s,
        capture.kind,
        capture.quality,
    )
    every = [ring for one in now.rounds for ring in one.rings] + list(now.rings)
    rings = [ring_of(ring) for ring in every]
    return plan_from_rings(
        [summary_of], rings, limits, thinning=ThinningAmount.NONE, asked=NearAsked()
    )


def _joined(
    known: Sequence[GrowingRing], standing: Sequence[GrowingRing]
) -> tuple[GrowingRing, ...]:
    """Return each frequency once, as it was at its loudest."""
    found = list(known)
    for ring in standing:
        for at, one in enumerate(found):
            if 1 / SAME_TONE_RATIO < one.frequency_hz / ring.frequency_hz < SAME_TONE_RATIO:
                if ring.peak_dbfs >= one.peak_dbfs:
                    found[at] = ring
                break
        else:
            found.append(ring)
    return tuple(found)


def _number(text: str | None) -> float | None:
    try:
        return float((text or "").replace(",", "."))
    except ValueError:
        return None
