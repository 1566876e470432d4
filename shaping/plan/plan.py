"""The plan: filters in the order they are dialled, with the evidence for each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from shaping.analysis.findings import CriticalFrequency, Resonance, Ring
from shaping.capture.recording import CaptureKind, QualityNote
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter


class Purpose(StrEnum):
    """Why a filter is in the plan."""

    THINNING = "thinning"
    FEEDBACK = "feedback"


@dataclass(frozen=True, slots=True)
class PlannedFilter:
    """One filter to dial in, already quantised to the limits.

    Attributes
    ----------
    filter : Filter
        The filter; its Q is the cookbook's.
    purpose : Purpose
        Thinning or feedback.
    reason : str
        One plain line: why it is there.
    dial_q : float or None
        Q as it must be dialled in, in the Q convention of the limits.
    bandwidth_oct : float or None
        Width in octaves (half-gain for peaking, -3 dB for a notch). None where not meaningful.
    effect_db : float or None
        Total change of the whole plan at the ring or resonance this filter answers, after
        quantising. None for thinning.
    """

    filter: Filter
    purpose: Purpose
    reason: str
    dial_q: float | None = None
    bandwidth_oct: float | None = None
    effect_db: float | None = None


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """What the plan remembers of a capture."""

    path: str
    sample_rate_hz: int
    channel: int
    duration_s: float
    kind: CaptureKind
    quality: tuple[QualityNote, ...]


@dataclass(frozen=True, slots=True)
class LoopSummary:
    """Stable gain before and after the plan, in dB (worst case over phase, and in phase).

    Gains are those of the send re the recorded files. NaN in place of any that is withheld.

    Attributes
    ----------
    stable_gain_db, stable_gain_after_db, added_stable_gain_db : float
        Estimates; worst case over phase, and over the captures.
    in_phase_stable_gain_db, in_phase_stable_gain_after_db : float
        The least over the delays the loop may have; see `delay_known`.
    critical : tuple of CriticalFrequency
        Where it howls without the plan, first one first.
    coherence_median : float
        Lowest of the captures' medians.
    stable_gain_error_db : float
        One standard deviation of `stable_gain_db`.
    stable_gain_by_capture_db, added_by_capture_db : tuple of float
        The same two figures for each capture: the spread over mic positions.
    added_by_cuts_db : tuple of float
        Stable gain that thinning and 0, 1, 2, ... feedback cuts add.
    paying_cuts : int
        The number of cuts after which a further one stops paying.
    tone_removed_db : float
        Level that the feedback cuts remove on average over the octaves from 100 Hz to 10 kHz.
    delay_known : bool
        Whether the loop's own delay was measured. Where it was not, the in-phase figures hold for
        delays from 2 to 20 ms.
    measured_hz : tuple of (float, float)
        Bands, low and high edge, that every capture measured.
    stable_gain_low_db, stable_gain_after_low_db : float
        The safe ends of 95 % intervals of the two estimates: what is promised.
    in_phase_stable_gain_high_db, in_phase_stable_gain_after_high_db : float
        The highest over the delays the loop may have.
    stable_gain_after_unseen_db : float
        The send, with the plan, that holds at a place nobody measured with 95 %.
    margin_db : float
        What is left between the send and the promise.
    send_db : float
        The send to go by: the margin under the promise, and no more than holds at other places.
    gain_for_tone : tuple of (float, float)
        Tone removed and gain added by the feedback cuts, both in dB, as they are set gentler and
        deeper; rising, the plan's own point among them.
    """

    stable_gain_db: float
    stable_gain_after_db: float
    added_stable_gain_db: float
    in_phase_stable_gain_db: float
    in_phase_stable_gain_after_db: float
    critical: tuple[CriticalFrequency, ...]
    coherence_median: float
    stable_gain_error_db: float = math.nan
    stable_gain_by_capture_db: tuple[float, ...] = ()
    added_by_capture_db: tuple[float, ...] = ()
    added_by_cuts_db: tuple[float, ...] = ()
    paying_cuts: int = 0
    tone_removed_db: float = 0.0
    delay_known: bool = True
    measured_hz: tuple[tuple[float, float], ...] = ()
    stable_gain_low_db: float = math.nan
    stable_gain_after_low_db: float = math.nan
    in_phase_stable_gain_high_db: float = math.nan
    in_phase_stable_gain_after_high_db: float = math.nan
    stable_gain_after_unseen_db: float = math.nan
    margin_db: float = 0.0
    send_db: float = math.nan
    gain_for_tone: tuple[tuple[float, float], ...] = ()

    @property
    def withheld(self) -> bool:
        """Whether the measurement cannot tell the stable gain."""
        return math.isnan(self.stable_gain_db)


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate: its likely value, and the range that holds the truth in nine of ten cases."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True, slots=True)
class NearPoint:
    """A frequency that came near to howling.

    Attributes
    ----------
    frequency_hz : float
        Where.
    level_db : float
        Loop gain there over the gain at which the loop first howls.
    """

    frequency_hz: float
    level_db: float


@dataclass(frozen=True, slots=True)
class RingOutSummary:
    """What a ring-out tells of the loop besides its rings; estimates, all of them.

    Attributes
    ----------
    excess_db : Interval
        How far the highest send of the recording stood above the first howl.
    added_db : Interval
        Stable gain that the plan adds.
    promised_db : float
        What the level curve alone promises of the plan: more than it adds, since the highest
        points of an estimate are chosen for being high.
    wanted_margin_db, margin_db : float
        Margin over the highest send of the recording: wanted, and likely with the plan.
    near : tuple of NearPoint
        What came near to howling, the nearest first, rings among them.
    """

    excess_db: Interval
    added_db: Interval
    promised_db: float
    wanted_margin_db: float
    margin_db: float
    near: tuple[NearPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class IntelligibilityAt:
    """Speech intelligibility index at the musician for one distance from mouth to microphone."""

    mic_distance_m: float
    sii_before: float
    sii_after: float


@dataclass(frozen=True, slots=True)
class BandInterference:
    """What mains and wedges do to each other in one third octave.

    Attributes
    ----------
    nominal_hz : float
        Its name.
    before_db, after_db : float
        Level as they really add, over that of powers added, without and with the settings.
    change_db : float
        What the settings do to the level as they really add.
    """

    nominal_hz: float
    before_db: float
    after_db: float
    change_db: float


@dataclass(frozen=True, slots=True)
class RoomSum:
    """What the first rows hear of mains and wedges together.

    Attributes
    ----------
    measured : bool
        Whether mains and wedges were recorded; else both are a model.
    mains_over_wedges_db : float
        How far the wedges' 125-500 Hz lie under the mains', before.
    change_db, change_a_db : float
        Change of both together, powers added: 125-500 Hz, and A-weighted over all.
    sii_before, sii_after : float or None
        Speech intelligibility index of the mains' voice in the first rows, the wedges as noise.
    wedges_later_s : float or None
        How much later than the mains the wedges arrive; None where it is not known.
    seat_change_db : float or None
        Change of both together as they really add at this seat, 125-500 Hz, where that is known.
    interference : tuple of BandInterference
        Bands in which they add up or cancel, where that is known.
    """

    measured: bool
    mains_over_wedges_db: float
    change_db: float
    change_a_db: float
    sii_before: float | None = None
    sii_after: float | None = None
    wedges_later_s: float | None = None
    seat_change_db: float | None = None
    interference: tuple[BandInterference, ...] = ()


@dataclass(frozen=True, slots=True)
class ThinningSummary:
    """What thinning saves and costs.

    Attributes
    ----------
    spill_change_db : float
        Change of the wedge's level in the first rows, 125-500 Hz.
    sii_before, sii_after : float or None
        Speech intelligibility index at the musician (ANSI S3.5-1997), 0..1.
    spill_change_a_db, spill_change_c_db : float or None
        Change of the wedge's A- and C-weighted level in the first rows.
    sii_by_distance : tuple of IntelligibilityAt
        The index at several distances from the microphone, with its proximity effect.
    assumptions : tuple of str
        Plain sentences: what the figures rest on.
    measured : bool
        Whether the spill was measured; else it is that of a model.
    listener : str
        Who hears the monitor on stage.
    stage_change_db, stage_change_above_db : float or None
        What they lose of even noise: 125-500 Hz, and the mean of the bands from 630 Hz up.
    room : RoomSum or None
        Mains and wedges together.
    """

    spill_change_db: float
    sii_before: float | None
    sii_after: float | None
    spill_change_a_db: float | None = None
    spill_change_c_db: float | None = None
    sii_by_distance: tuple[IntelligibilityAt, ...] = ()
    assumptions: tuple[str, ...] = ()
    measured: bool = False
    listener: str = "musician"
    stage_change_db: float | None = None
    stage_change_above_db: float | None = None
    room: RoomSum | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything a person needs to dial in, and why.

    Attributes
    ----------
    captures : tuple of CaptureSummary
        What it rests on.
    limits : Limits
        The equaliser it was quantised to.
    filters : tuple of PlannedFilter
        High-pass, low-mid cuts, then feedback cuts by urgency.
    rings, resonances : tuple
        Evidence, most urgent first.
    loop : LoopSummary or None
        Only with a reference.
    thinning : ThinningSummary or None
        Only where thinning is in the plan.
    unserved : tuple of Ring or Resonance
        What wanted a cut and found no band left.
    cautions : tuple of str
        Plain sentences.
    ring_out : RingOutSummary or None
        Only from a ring-out in which something rang, more likely than not.
    name : str
        What a person calls the wedge; "" if nothing.
    """

    captures: tuple[CaptureSummary, ...]
    limits: Limits
    filters: tuple[PlannedFilter, ...]
    rings: tuple[Ring, ...]
    resonances: tuple[Resonance, ...]
    loop: LoopSummary | None
    thinning: ThinningSummary | None
    unserved: tuple[Ring | Resonance, ...]
    cautions: tuple[str, ...]
    ring_out: RingOutSummary | None = None
    name: str = ""
