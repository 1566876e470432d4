"""What thinning saves in the first rows and costs on stage: the numbers of every plan that thins.

The spill comes from a measurement where there is one, else from the model of the monitor's use. The
room hears mains and wedge together, so the change of both is told as well, and what it does to the
words of the mains. The cost is the speech intelligibility index at the musician where a voice is
what the monitor is for, else the change of level there. Levels at the ears are assumed, since a
wedge's loudness cannot be read off an uncalibrated recording, and the assumption is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.first_row.interference import Interference
from shaping.analysis.first_row.radiation import WedgeModel, first_row_bands_db, proximity_db
from shaping.analysis.first_row.speech import (
    BANDS_HZ,
    NORMAL_SPEECH_DB,
    NORMAL_SPEECH_OVERALL_DB,
    pink_noise_db,
    speech_intelligibility_index,
)
from shaping.analysis.first_row.spill import Spill, level_change, low_mid_margin_db, low_mids
from shaping.analysis.first_row.together import MAINS_VOICE_DB, together_change, words_of_mains
from shaping.analysis.third_octave import (
    HIGHEST_BAND_HZ,
    LOWEST_BAND_HZ,
    band_mean_db,
    band_points_hz,
)
from shaping.errors import ParameterError
from shaping.filters.bands import NOMINAL_HZ
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.plan import BandInterference, IntelligibilityAt, RoomSum, ThinningSummary
from shaping.plan.thinning.starting_points import WedgeUse
from shaping.plan.thinning.uses import model_of

ASSUMED_MAINS_OVER_WEDGES_DB = 3.0
"""Where nothing was measured the wedge's low mids are taken to lie so far under the mains': a
wedge that disturbs, as in the shipped first row."""

_HIGH_BANDS_HZ = 630.0
"""From here up lies most of what makes words understood (ANSI S3.5-1997, table 3: 83 %)."""

_DESIGN_RATE_HZ = 48_000  # a choice: below a few kilohertz the rate makes no difference

MODEL_BANDS_HZ = tuple(hz for hz in NOMINAL_HZ if LOWEST_BAND_HZ <= hz <= HIGHEST_BAND_HZ)


@dataclass(frozen=True, slots=True)
class Listening:
    """Levels assumed at the musician's ears.

    Attributes
    ----------
    voice_db : float
        Voice from the wedge, before proximity effect and filters, in dB SPL.
    stage_noise_db : float
        Everything else on stage, as strong in every third octave, in dB SPL.
    """

    voice_db: float = 90.0
    stage_noise_db: float = 85.0

    def __post_init__(self) -> None:
        """Refuse levels that no ear meets."""
        for level in (self.voice_db, self.stage_noise_db):
            if not (math.isfinite(level) and 0.0 <= level <= 130.0):
                raise ParameterError(f"a level at the ear lies between 0 and 130 dB, not {level:g}")


def band_change_db(filters: Iterable[Filter], nominal_hz: Iterable[float]) -> NDArray[np.float64]:
    """Return what filters do to each third octave of a sound, shape (bands,)."""
    points_hz = band_points_hz(tuple(nominal_hz))
    return band_mean_db(total_db(filters, points_hz, sample_rate_hz=_DESIGN_RATE_HZ))


def intelligibility(
    filters: Iterable[Filter], *, mic_distance_m: float, listening: Listening
) -> float:
    """Return the speech intelligibility index at the musician through a wedge with filters.

    Parameters
    ----------
    filters : iterable of Filter
        What is dialled in on the wedge; none for before.
    mic_distance_m : float
        Mouth to a cardioid microphone, whose proximity effect is added.
    listening : Listening
        Assumed levels.

    Returns
    -------
    float
        0 to 1.
    """
    proximity = band_mean_db(proximity_db(band_points_hz(BANDS_HZ), mic_distance_m))
    raised = listening.voice_db - NORMAL_SPEECH_OVERALL_DB
    speech_db = NORMAL_SPEECH_DB + raised + proximity + band_change_db(filters, BANDS_HZ)
    return speech_intelligibility_index(speech_db, pink_noise_db(listening.stage_noise_db))


def thinning_summary(
    filters: Iterable[Filter],
    *,
    use: WedgeUse = WedgeUse.VOCAL,
    spill: Spill | None = None,
    meeting: Interference | None = None,
    wedge: WedgeModel | None = None,
    listening: Listening | None = None,
) -> ThinningSummary:
    """Return what thinning saves and costs.

    Parameters
    ----------
    filters : iterable of Filter
        The thinning filters as they will be dialled in.
    use : WedgeUse
        What the monitor is for: its model, and who hears it.
    spill : Spill, optional
        Measured wedges and mains. Without it the spill is that of pink noise through a model.
    meeting : Interference, optional
        How mains and wedges add up, where that was measured too.
    wedge : WedgeModel, optional
        The model for want of a measurement; by default that of the use.
    listening : Listening, optional
        Levels assumed at the musician.

    Returns
    -------
    ThinningSummary
        Its `assumptions` say in plain sentences what the figures rest on.
    """
    dialled, model = tuple(filters), model_of(use)
    listening = listening or Listening()
    heard = modelled_spill(wedge or model.wedge) if spill is None else spill
    change_db = band_change_db(dialled, heard.nominal_hz)
    change = level_change(heard.nominal_hz, heard.wedges_db, change_db)
    by_distance = tuple(
        IntelligibilityAt(
            mic_distance_m=distance_m,
            sii_before=intelligibility((), mic_distance_m=distance_m, listening=listening),
            sii_after=intelligibility(dialled, mic_distance_m=distance_m, listening=listening),
        )
        for distance_m in model.mic_distances_m
    )
    usual = next((one for one in by_distance if one.mic_distance_m == model.usual_distance_m), None)
    assumed = (
        _spill_basis(model.box, wedge or model.wedge if spill is None else None),
        _room_basis(spill is not None),
        *([_listening_basis(listening, usual.mic_distance_m)] if usual else []),
    )
    high = np.array(heard.nominal_hz) >= _HIGH_BANDS_HZ
    return ThinningSummary(
        spill_change_db=change.low_mids_db,
        sii_before=usual.sii_before if usual else None,
        sii_after=usual.sii_after if usual else None,
        spill_change_a_db=change.a_weighted_db,
        spill_change_c_db=change.c_weighted_db,
        sii_by_distance=by_distance,
        assumptions=assumed,
        measured=spill is not None,
        listener=model.listener,
        stage_change_db=float(band_mean_db(change_db[low_mids(heard.nominal_hz)])),
        stage_change_above_db=float(band_mean_db(change_db[high])) if high.any() else None,
        room=_room_sum(heard, change_db, measured=spill is not None, meeting=meeting),
    )


def modelled_spill(wedge: WedgeModel) -> Spill:
    """Return the first row of a model: pink noise through it, and through even mains over it."""
    wedges_db = first_row_bands_db(wedge, MODEL_BANDS_HZ)
    kept = low_mids(MODEL_BANDS_HZ)
    mean_db = float(band_mean_db(wedges_db[kept]))
    mains_db = np.full(wedges_db.size, mean_db + ASSUMED_MAINS_OVER_WEDGES_DB)
    return Spill(
        MODEL_BANDS_HZ, wedges_db, mains_db, mains_db - wedges_db, np.zeros(wedges_db.size)
    )


def _room_sum(
    spill: Spill, change_db: NDArray[np.float64], *, measured: bool, meeting: Interference | None
) -> RoomSum:
    change = together_change(spill, change_db)
    over_db = spill.mains_over_wedges_db
    return RoomSum(
        measured=measured,
        mains_over_wedges_db=low_mid_margin_db(spill),
        change_db=change.low_mids_db,
        change_a_db=change.a_weighted_db,
        sii_before=words_of_mains(spill.nominal_hz, over_db),
        sii_after=words_of_mains(spill.nominal_hz, over_db - change_db),
        wedges_later_s=None if meeting is None else meeting.wedges_later_s,
        seat_change_db=None if meeting is None else meeting.low_mids_change_db,
        interference=() if meeting is None else _bands(meeting),
    )


def _bands(meeting: Interference) -> tuple[BandInterference, ...]:
    levels = np.stack([meeting.before_db, meeting.after_db, meeting.change_db], axis=1).tolist()
    return tuple(
        BandInterference(hz, *values) for hz, values in zip(meeting.nominal_hz, levels, strict=True)
    )


def _spill_basis(box: str, wedge: WedgeModel | None) -> str:
    if wedge is None:
        return "Spill: as measured in the first row, wedges alone."
    return (
        f"Spill: a model, not measured: pink noise through {box}, "
        f"{200 * wedge.radius_m:.0f} cm piston in a box {100 * wedge.width_m:.0f} cm wide on a "
        f"hard floor, {wedge.audience_distance_m:g} m from the first row and turned "
        f"{wedge.audience_angle_deg:.0f} degrees away, in a room as loud as the direct sound "
        f"{wedge.critical_distance_m:g} m from a source that radiates evenly."
    )


def _room_basis(measured: bool) -> str:
    mains = (
        "as measured"
        if measured
        else f"even mains, {ASSUMED_MAINS_OVER_WEDGES_DB:.0f} dB over the wedge's 125-500 Hz, "
        "assumed"
    )
    return (
        f"Together: {mains}, powers added. Words of the mains: assumed, not measured: a voice at "
        f"{MAINS_VOICE_DB:g} dB SPL in the first row, while the wedges play something else."
    )


def _listening_basis(listening: Listening, mic_distance_m: float) -> str:
    return (
        f"Intelligibility: assumed, not measured: a voice at {listening.voice_db:g} dB SPL at the "
        f"musician's ears over {listening.stage_noise_db:g} dB SPL of even stage noise, an ideal "
        f"cardioid mic at {100 * mic_distance_m:.0f} cm."
    )
