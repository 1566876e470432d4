"""Thinning fitted to two first-row captures of the virtual stage, then measured again."""

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.first_row.spill import compare_first_rows, low_mid_margin_db
from shaping.analysis.third_octave import band_levels
from shaping.capture.signals import pink_noise
from shaping.equaliser.limits_file import load_limits
from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.design import cascade_sos
from shaping.plan.thinning.fit import fit_thinning
from shaping.simulation.microphone import Microphone, Pattern
from shaping.simulation.room import Room, Surface, path_response
from shaping.simulation.wedge import Wedge

RATE = 24_000
WALL, FLOOR, CEILING = Surface(0.12, 0.3), Surface(0.05, 0.1), Surface(0.25, 0.6)


def first_row_path(wedge, *, seed):
    """Response from a loudspeaker to a measuring microphone in the first row."""
    room = Room((16.0, 11.0, 5.0), (WALL, WALL, WALL, WALL, FLOOR, CEILING))
    microphone = Microphone((8.0, 5.5, 1.2), (2.0, 5.5, 1.2), Pattern.OMNIDIRECTIONAL, low_hz=20.0)
    return path_response(
        room, wedge, microphone, sample_rate_hz=RATE, length_s=0.7, latency_s=0.0, seed=seed
    )


@pytest.mark.slow
@pytest.mark.parametrize(("preset", "target_db"), [("parametric-4", 6.0), ("graphic-31", 4.0)])
def test_fitted_plan_brings_the_low_mids_to_the_target(preset, target_db):
    wedge = Wedge((4.0, 5.5, 0.3), (2.2, 5.5, 1.7))  # its back to the audience
    mains = Wedge((5.0, 2.0, 3.0), (10.0, 5.5, 1.2), radius_m=0.19, low_hz=45.0)
    paths = {"wedge": first_row_path(wedge, seed=1), "mains": first_row_path(mains, seed=2)}

    def capture(path, seed, sos=None):
        played = pink_noise(20.0, sample_rate_hz=RATE, seed=seed, high_hz=8000.0)
        if sos is not None:
            played, _ = apply_sos(sos, played, initial_state(sos))
        heard = signal.fftconvolve(played, paths[path])
        noise = 1e-4 * np.random.default_rng(seed).standard_normal(heard.size)
        return band_levels((heard + noise).astype(np.float32), RATE)

    spill = compare_first_rows(capture("wedge", 11), capture("mains", 12))
    before_db = low_mid_margin_db(spill)
    target_db += before_db  # as much thinning whatever the gains of this stage
    fit = fit_thinning(spill, load_limits(preset), below_mains_db=target_db)
    assert fit.filters
    sos = cascade_sos([planned.filter for planned in fit.filters], sample_rate_hz=RATE)
    # Other noise than the fit was made from.
    again = compare_first_rows(capture("wedge", 21, sos), capture("mains", 22))
    after_db = low_mid_margin_db(again)
    assert after_db == pytest.approx(target_db, abs=1.0)
    assert after_db > before_db + 2.0
    assert fit.margin_after_db == pytest.approx(after_db, abs=0.5)
