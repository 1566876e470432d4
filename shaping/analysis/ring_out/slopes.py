"""Straight-line rises and falls of one tone: records, no search.

These are the raw findings that `shaping.analysis.ring_out.rings` weighs and merges into rings.
Nothing here decides; every growth carries the measures by which a howl differs from music and
speech. `shaping.analysis.ring_out.growth` finds them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Growth:
    """One straight-line rise of one tone.

    Attributes
    ----------
    frequency_hz, frequency_error_hz, wander_hz : float
        As in `shaping.analysis.ring_out.tones.Tone`, over the rise and a little beyond.
    start_s, stop_s : float
        When it rose.
    slope_db_per_s, deviation_db : float
        Least-squares line through its level, and the root-mean-square distance from it.
    steepest_db_per_s : float
        Slope of its steepest half second: as the send goes up the growth quickens.
    contrast_db, contrast_before_db : float
        Height over the neighbouring spectrum at the end and at the start of the rise.
    held_db : float
        Mean level in the 0.4 s after the rise, relative to its end. Near 0: it stayed.
    family : int
        Tones at simple ratios of its frequency that rose along with it, as partials of a note do.
    undertones : int
        Those of the family at a half or a third of its frequency, and not faint: it is a partial
        of a note.
    partials : int
        Harmonics, second to fifth, that stood out two thirds up the rise: a note.
    overtones : int
        Harmonics, second to fifth, that came up late and faster than itself: a clipped howl's.
    stood_until_s : float
        When it stopped standing out.
    peak_db : float
        Highest level from the start until then.
    share_db : float
        Peak level relative to the loudest peak of any frequency in the same frame.
    """

    frequency_hz: float
    frequency_error_hz: float
    wander_hz: float
    start_s: float
    stop_s: float
    slope_db_per_s: float
    deviation_db: float
    steepest_db_per_s: float
    contrast_db: float
    contrast_before_db: float
    held_db: float
    family: int
    undertones: int
    partials: int
    overtones: int
    stood_until_s: float
    peak_db: float
    share_db: float

    @property
    def rise_db(self) -> float:
        """Height of the rise in dB."""
        return self.slope_db_per_s * (self.stop_s - self.start_s)

    def same_pitch(self, other: Growth) -> bool:
        """Tell whether two frequencies cannot be told apart."""
        apart = abs(self.frequency_hz - other.frequency_hz)
        doubt = 2 * math.hypot(self.frequency_error_hz, other.frequency_error_hz)
        return apart <= max(1.0, 0.002 * self.frequency_hz, min(doubt, 4.0))

    def later(self, shift_s: float) -> Growth:
        """Return the same growth on a clock that started `shift_s` earlier."""
        return replace(
            self,
            start_s=self.start_s + shift_s,
            stop_s=self.stop_s + shift_s,
            stood_until_s=self.stood_until_s + shift_s,
        )

    def reversed(self, duration_s: float) -> Growth:
        """Return what it is when a capture of this duration is played backwards: a fall."""
        return replace(
            self,
            start_s=duration_s - self.stop_s,
            stop_s=duration_s - self.start_s,
            stood_until_s=duration_s - self.start_s,
        )


@dataclass(frozen=True, slots=True)
class Slopes:
    """What one stretch of capture shows, in no particular order.

    Attributes
    ----------
    growths : list of Growth
        Rises.
    falls : list of Growth
        Falls as growths: `slope_db_per_s` is the rate of the fall, `start_s` and `stop_s` are in
        order of time, and what a growth holds of its end holds of a fall's loud beginning.
    """

    growths: list[Growth]
    falls: list[Growth]
