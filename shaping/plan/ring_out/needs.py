"""How deep a cut each ring asks for, and over what range of frequency: the decision rule.

A howl grows by its excess loop gain once per trip round the loop, so growth (dB/s) times the time
of a trip (s) is the excess (dB) that a cut must take away. A ring-out does not tell the time of a
trip, nor how far the send was raised after a ring had been cut, so the rule allows for both.

The constants were chosen on 84 virtual stages (rooms of 80 to 2500 cubic metres, loops of 3 to
20 ms, one to six rings): the gentlest that left the closed loop stable on as many of them as any
did. With an equaliser without limits and no thinning that is 72 of the 78 that howled, at the
highest gain that made them howl and with 2.7 dB to spare in the median. Deeper cuts help none of
the others: four had a ring that was not found in the capture, two a neighbour of a ring, or a
mode never loud enough to hear, that the engineer's wider cuts had held down.

References
----------
.. [1] Growth = excess gain / loop delay: follows from one trip round a loop of delay tau that
   multiplies the level by the excess gain; 0.5 dB at 10 ms grow by 50 dB/s.
.. [2] Resonances follow the speed of sound, which moves by 0.17-0.18 % per kelvin.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from shaping.analysis.findings import Recurring, Ring

LOOP_DELAY_S = 0.025
"""Assumed time of a trip round the loop: a digital desk with its converters (up to 10 ms), 2 m of
air (6 ms), and the ringing of the resonance and of the room, which slows growth further. On the
virtual stages excess over growth lay between 14 and 150 ms, in half of them below 40 ms."""

TRIP_S = (0.016, 0.034, 0.095)
"""Excess over growth, 5, 50 and 95 % of the dominant howls of 60 ring-outs in measured rooms: what
people are told. Depths rest on `LOOP_DELAY_S` and a margin that allows for the rest."""

FIRST_CUT_DB = 3.0
"""Where a cut starts. Common practice: cut about 3 dB, more only if it comes back."""

MARGIN_DB = 4.0
"""Added to the excess gain of a ring that was seen growing: slow growers have more excess than
their growth betrays, and a loop that is merely stable still rings and sounds hollow (at 3 dB its
ripple is +10.7/-4.6 dB). The rest of the usual 6 dB is the fader's, after ringing out."""

LATER_DB = 0.5
"""Added for each ring that first rang after this one, up to `MOST_LATER_DB`: the send went on
rising meanwhile, past the gain at which this one howled."""

MOST_LATER_DB = 3.0  # a choice: with more the send was too high, and cuts are no answer

RETURN_DB = 0.5
"""Added each time the ring came back, up to `MOST_RETURNS` times."""

MOST_RETURNS = 2
"""A choice: a ring that comes back a third time asks for another place, not more depth."""

CLIPPED_DB = 1.0
"""Added where the howl ran into clipping or a limiter: it may have grown faster unseen."""

DEEPEST_DB = 9.0
"""No cut is asked to go deeper. Common practice: a ring that needs 10 dB has another cause."""

HARD_LIMIT_DB = 10.0
"""Where steps or centres are coarse, a filter may go this deep to have `DEEPEST_DB` effect."""

DRIFT_RATIO = 0.015
"""How far a ring moves to either side: 0.9 % for 5 K at 0.18 %/K, and 0.6 % for a mic that moves
by a few centimetres (inference)."""

EDGE_LOSS_DB = 1.0
"""How much of the depth may be lost at the edges of that range. It leads to a Q of 10 to 15."""

POSSIBLE_CONFIDENCE = 0.25
"""A possible ring of less confidence gets no cut. A needless cut of 3 dB costs little tone, a
missed ring a howl; but three wrong cuts for one right are enough."""

MOST_POSSIBLE = 3
"""No more possible rings get a cut, the most confident first."""

_LATER_S = 0.5  # onsets closer than this count as one time


@dataclass(frozen=True, slots=True)
class Need:
    """What one ring asks of the plan.

    Attributes
    ----------
    finding : Ring or Recurring
        What asks: a ring of a ring-out, or a frequency that recurs over rehearsals.
    depth_db : float
        Cut wanted at its frequency, positive, in dB.
    low_hz, high_hz : float
        Range over which it can drift; `EDGE_LOSS_DB` less is enough there.
    sure : bool
        False for a possible ring.
    why : str
        The evidence behind the depth, as part of a sentence.
    """

    finding: Ring | Recurring
    depth_db: float
    low_hz: float
    high_hz: float
    sure: bool
    why: str

    @property
    def frequency_hz(self) -> float:
        """Frequency of the ring in Hz."""
        return self.finding.frequency_hz


def needs_of(rings: Sequence[Ring], *, loop_delay_s: float = LOOP_DELAY_S) -> list[Need]:
    """Return what rings ask for: sure rings in the given order, then possible ones.

    Parameters
    ----------
    rings : sequence of Ring
        All rings, most urgent first.
    loop_delay_s : float
        Time of a trip round the loop in seconds.

    Returns
    -------
    list of Need
        At most `MOST_POSSIBLE` possible rings among them, the most confident first.
    """
    sure = [ring for ring in rings if ring.certain]
    needs = [
        need_of(
            ring,
            loop_delay_s=loop_delay_s,
            later=sum(
                other.capture == ring.capture and other.onset_s > ring.onset_s + _LATER_S
                for other in sure
            ),
        )
        for ring in rings
    ]
    asking = [need for need in needs if need]
    possible = sorted((n for n in asking if not n.sure), key=lambda need: -need.finding.confidence)
    return [need for need in asking if need.sure] + possible[:MOST_POSSIBLE]


def need_of(ring: Ring, *, loop_delay_s: float = LOOP_DELAY_S, later: int = 0) -> Need | None:
    """Return what a ring asks for; None where it asks for no cut.

    A sure ring asks for the first cut of 3 dB, and for more where its growth, its coming back, its
    clipping or the rings after it ask for it. A possible ring asks for the first cut alone, and
    only with fair confidence and if it was seen growing or came back: otherwise there is too
    little to cut tone for.

    Parameters
    ----------
    ring : Ring
        The ring.
    loop_delay_s : float
        Time of a trip round the loop in seconds.
    later : int
        How many sure rings first rang after this one.

    Returns
    -------
    Need or None
        What it asks for.
    """
    growth, returns = max(ring.growth_db_per_s, 0.0), max(ring.occurrences - 1, 0)
    sure = ring.certain
    if not sure and (ring.confidence < POSSIBLE_CONFIDENCE or not (growth or returns)):
        return None
    excess_db = growth * loop_delay_s
    depth_db = FIRST_CUT_DB
    if sure:
        depth_db = max(FIRST_CUT_DB, excess_db + MARGIN_DB if growth else 0.0)
        depth_db += RETURN_DB * min(returns, MOST_RETURNS)
        depth_db += CLIPPED_DB if ring.clipped else 0.0
        depth_db += min(LATER_DB * later, MOST_LATER_DB)
    low_hz, high_hz = _range_hz(
        ring.frequency_hz, ring.width_hz / 2.0 + 2.0 * ring.frequency_error_hz
    )
    return Need(
        finding=ring,
        depth_db=min(depth_db, DEEPEST_DB),
        low_hz=low_hz,
        high_hz=high_hz,
        sure=sure,
        why=", ".join(_why(ring, growth, returns, later if sure else 0)),
    )


def need_of_recurring(recurring: Recurring, *, loop_delay_s: float = LOOP_DELAY_S) -> Need:
    """Return what a frequency that recurs over rehearsals asks for.

    Its growth counts as in a ring-out. How often it came back counts for nothing: no hand was
    raising the send after each cut, and the dates are days apart.

    Parameters
    ----------
    recurring : Recurring
        What recurs.
    loop_delay_s : float
        Time of a trip round the loop in seconds.

    Returns
    -------
    Need
        What it asks for.
    """
    growth = max(recurring.worst_growth_db_per_s, 0.0)
    depth_db = max(FIRST_CUT_DB, growth * loop_delay_s + MARGIN_DB if growth else 0.0)
    depth_db += CLIPPED_DB if recurring.clipped else 0.0
    error_hz = recurring.spread_hz / max(recurring.events, 1) ** 0.5
    low_hz, high_hz = _range_hz(recurring.frequency_hz, recurring.spread_hz + 2.0 * error_hz)
    days = len(recurring.dates)
    return Need(
        finding=recurring,
        depth_db=min(depth_db, DEEPEST_DB),
        low_hz=low_hz,
        high_hz=high_hz,
        sure=recurring.sure > 0,
        why=(
            f"howled {recurring.events} times on {days} {'date' if days == 1 else 'dates'}"
            + (f", growing by up to {growth:.0f} dB/s" if growth else "")
        ),
    )


def _range_hz(frequency_hz: float, half_width_hz: float) -> tuple[float, float]:
    """Return how far a ring can drift down and up, at most an octave."""
    return (
        max(frequency_hz * (1.0 - DRIFT_RATIO) - half_width_hz, frequency_hz / 2.0),
        min(frequency_hz * (1.0 + DRIFT_RATIO) + half_width_hz, frequency_hz * 2.0),
    )


def _why(ring: Ring, growth_db_per_s: float, returns: int, later: int) -> Iterator[str]:
    if growth_db_per_s:
        low_db, _, high_db = (trip_s * growth_db_per_s for trip_s in TRIP_S)
        yield f"grew {growth_db_per_s:.0f} dB/s ({low_db:.1f} to {high_db:.1f} dB too much)"
    else:
        yield "rang on, not seen growing"
    if returns:
        yield "came back once" if returns == 1 else f"came back {returns} times"
    if ring.clipped:
        yield "ran into clipping"
    if later:
        yield f"{later} more rang after it"
