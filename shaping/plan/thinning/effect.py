"""What thinning saves in the first rows and costs the musician: the two numbers of every plan.

The spill comes from a measurement where there is one, else from the model of a wedge. The cost is
the speech intelligibility index at the musician under stated levels: a wedge's loudness cannot be
read off an uncalibrated recording, so it is assumed, and the assumption is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.first_row.radiation import WedgeModel, first_row_bands_db, proximity_db
from shaping.analysis.first_row.speech import (
    BANDS_HZ,
    NORMAL_SPEECH_DB,
    NORMAL_SPEECH_OVERALL_DB,
    pink_noise_db,
    speech_intelligibility_index,
)
from shaping.analysis.first_row.spill import Spill, level_change
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
from shaping.plan.plan import IntelligibilityAt, ThinningSummary

MIC_DISTANCES_M = (0.02, 0.05, 0.10)
"""Mouth to microphone: touching the grille, usual, held away."""

_USUAL_DISTANCE_M = 0.05  # how close vocal mics are held, common practice
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
    spill: Spill | None = None,
    wedge: WedgeModel | None = None,
    listening: Listening | None = None,
) -> ThinningSummary:
    """Return what thinning saves and costs.

    Parameters
    ----------
    filters : iterable of Filter
        The thinning filters as they will be dialled in.
    spill : Spill, optional
        Measured wedges and mains. Without it the spill is that of pink noise through `wedge`.
    wedge : WedgeModel, optional
        The model for want of a measurement; by default a 12-inch wedge on the floor.
    listening : Listening, optional
        Levels assumed at the musician.

    Returns
    -------
    ThinningSummary
        Its `assumptions` say in plain sentences what the figures rest on.
    """
    dialled = tuple(filters)
    listening = listening or Listening()
    if spill is not None:
        bands_hz, level_db = spill.nominal_hz, spill.wedges_db
    else:
        wedge = wedge or WedgeModel()
        bands_hz, level_db = MODEL_BANDS_HZ, first_row_bands_db(wedge, MODEL_BANDS_HZ)
    change = level_change(bands_hz, level_db, band_change_db(dialled, bands_hz))
    by_distance = tuple(
        IntelligibilityAt(
            mic_distance_m=distance_m,
            sii_before=intelligibility((), mic_distance_m=distance_m, listening=listening),
            sii_after=intelligibility(dialled, mic_distance_m=distance_m, listening=listening),
        )
        for distance_m in MIC_DISTANCES_M
    )
    usual = by_distance[MIC_DISTANCES_M.index(_USUAL_DISTANCE_M)]
    return ThinningSummary(
        spill_change_db=change.low_mids_db,
        sii_before=usual.sii_before,
        sii_after=usual.sii_after,
        spill_change_a_db=change.a_weighted_db,
        spill_change_c_db=change.c_weighted_db,
        sii_by_distance=by_distance,
        assumptions=(_spill_basis(wedge if spill is None else None), _listening_basis(listening)),
    )


def _spill_basis(wedge: WedgeModel | None) -> str:
    if wedge is None:
        return "Spill: as measured in the first row, wedges alone."
    return (
        f"Spill: a model, not measured: pink noise, {200 * wedge.radius_m:.0f} cm piston in a box "
        f"{100 * wedge.width_m:.0f} cm wide, on a hard floor without other reflections, "
        f"{wedge.audience_distance_m:g} m from the first row and turned "
        f"{wedge.audience_angle_deg:.0f} degrees away."
    )


def _listening_basis(listening: Listening) -> str:
    return (
        f"Intelligibility: assumed, not measured: a voice at {listening.voice_db:g} dB SPL at the "
        f"musician's ears over {listening.stage_noise_db:g} dB SPL of even stage noise, an ideal "
        f"cardioid mic at {100 * _USUAL_DISTANCE_M:.0f} cm."
    )
