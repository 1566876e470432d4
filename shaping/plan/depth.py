"""How deep a cut each ring asks for, and over what range of frequency: the decision rule.

A howl grows by its excess loop gain once per loop delay, so growth (dB/s) times delay (s) is the
excess (dB) that a cut must take away. The delay of a loop is not known from a ring-out; the
default is the longest to be expected, so the excess is not underestimated.

References
----------
.. [1] Growth = excess gain / loop delay: follows from one trip round a loop of delay tau that
   multiplies the level by the excess gain; 0.5 dB at 10 ms grow by 50 dB/s.
.. [2] Resonances follow the speed of sound, which moves by 0.17-0.18 % per kelvin.
"""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.findings import Ring
from shaping.analysis.rings import CERTAIN

LOOP_DELAY_S = 0.020
"""Assumed loop delay: the worst case of a digital desk with its converters and insert effects
(about 10 ms), 2 m of air (6 ms) and the ringing of the resonance itself."""

FIRST_CUT_DB = 3.0
"""Where a cut starts. Common practice: cut about 3 dB, more only if it comes back."""

MARGIN_DB = 3.0
"""Added to the excess gain: a loop that is merely stable still rings and sounds hollow. At 3 dB
its ripple is +10.7/-4.6 dB; the rest of the usual 6 dB is the fader's, after ringing out."""

RETURN_DB = 1.0
"""Added each time the ring came back, up to `MOST_RETURNS` times."""

MOST_RETURNS = 2

CLIPPED_DB = 2.0
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


@dataclass(frozen=True, slots=True)
class Need:
    """What one ring asks of the plan.

    Attributes
    ----------
    ring : Ring
        The ring.
    depth_db : float
        Cut wanted at its frequency, positive, in dB.
    low_hz, high_hz : float
        Range over which it can drift; `EDGE_LOSS_DB` less is enough there.
    sure : bool
        False for a possible ring.
    why : str
        The evidence behind the depth, as part of a sentence.
    """

    ring: Ring
    depth_db: float
    low_hz: float
    high_hz: float
    sure: bool
    why: str

    @property
    def frequency_hz(self) -> float:
        """Frequency of the ring in Hz."""
        return self.ring.frequency_hz


def need_of(ring: Ring, *, loop_delay_s: float = LOOP_DELAY_S) -> Need | None:
    """Return what a ring asks for; None where it asks for no cut.

    A sure ring asks for the first cut of 3 dB, and for more where its growth, its coming back or
    its clipping asks for it. A possible ring asks for the first cut alone, and only if it was
    seen growing or came back: otherwise there is too little to cut tone for.

    Parameters
    ----------
    ring : Ring
        The ring.
    loop_delay_s : float
        Delay once round the loop in seconds.

    Returns
    -------
    Need or None
        What it asks for.
    """
    growth, returns = max(ring.growth_db_per_s, 0.0), max(ring.occurrences - 1, 0)
    sure = ring.confidence >= CERTAIN
    if not sure and not growth and not returns:
        return None
    excess_db = growth * loop_delay_s
    depth_db = FIRST_CUT_DB
    if sure:
        depth_db = max(FIRST_CUT_DB, excess_db + MARGIN_DB if growth else 0.0)
        depth_db += RETURN_DB * min(returns, MOST_RETURNS)
        depth_db += CLIPPED_DB if ring.clipped else 0.0
    half_width = ring.width_hz / 2.0 + 2.0 * ring.frequency_error_hz
    return Need(
        ring=ring,
        depth_db=min(depth_db, DEEPEST_DB),
        low_hz=max(ring.frequency_hz * (1.0 - DRIFT_RATIO) - half_width, ring.frequency_hz / 2.0),
        high_hz=min(ring.frequency_hz * (1.0 + DRIFT_RATIO) + half_width, ring.frequency_hz * 2.0),
        sure=sure,
        why=_why(growth, excess_db, loop_delay_s, returns, ring.clipped),
    )


def _why(
    growth_db_per_s: float, excess_db: float, loop_delay_s: float, returns: int, clipped: bool
) -> str:
    parts = []
    if growth_db_per_s:
        parts.append(
            f"grew {growth_db_per_s:.0f} dB/s, {excess_db:.1f} dB too much if the loop takes "
            f"{1000 * loop_delay_s:.0f} ms"
        )
    else:
        parts.append("rang on, not seen growing")
    if returns:
        parts.append("came back once" if returns == 1 else f"came back {returns} times")
    if clipped:
        parts.append("ran into clipping")
    return ", ".join(parts)
