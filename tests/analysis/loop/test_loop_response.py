"""The loop's response against known paths, and what it says of bad measurements."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.faults import MeasurementFault, fluctuation
from shaping.analysis.loop.response import estimate_loop_response
from shaping.capture import signals
from shaping.capture.recording import CaptureKind
from shaping.errors import CaptureError, ParameterError
from tests.analysis.loop.loop_makers import RATE, diffuse_path, pink_noise, recorded, true_response


def _estimate(
    capture: np.ndarray, reference: np.ndarray, kind: CaptureKind = CaptureKind.PINK_NOISE
) -> LoopResponse:
    return estimate_loop_response(
        capture, reference, capture_rate_hz=RATE, reference_rate_hz=RATE, kind=kind
    )


@pytest.fixture(scope="module")
def noise_case() -> tuple[np.ndarray, np.ndarray, np.ndarray, LoopResponse]:
    rng = np.random.default_rng(10)
    reference, path = pink_noise(15, rng), diffuse_path(rng)
    capture = recorded(reference, path, rng)
    return reference, path, capture, _estimate(capture, reference)


def test_magnitude_lies_within_its_error_bars(noise_case: tuple) -> None:
    _, path, _, found = noise_case
    kept = found.trusted
    truth = np.abs(true_response(path, found.frequency_hz[kept]))
    error = 20 * np.log10(np.abs(found.response[kept]) / truth) / found.error_db[kept]
    assert 0.85 < np.median(np.abs(error)) / 0.6745 < 1.15  # one standard deviation is one
    assert abs(np.median(error)) < 0.15


def test_the_whole_path_has_the_phase_of_the_truth(noise_case: tuple) -> None:
    _, path, _, found = noise_case
    strong = found.trusted & (found.error_db < 0.3)
    frequency_hz = found.frequency_hz[strong]
    whole = found.response[strong] * np.exp(-2j * np.pi * frequency_hz * found.delay_s)
    turned = np.angle(whole / true_response(path, frequency_hz))
    assert np.median(np.abs(turned)) < 0.1


def test_a_sound_measurement_gets_no_notes(noise_case: tuple) -> None:
    _, _, _, found = noise_case
    assert found.quality == ()
    assert found.snr_db == pytest.approx(20, abs=6)


def test_nothing_outside_the_noise_band_is_trusted(noise_case: tuple) -> None:
    _, _, _, found = noise_case
    assert not found.trusted[(found.frequency_hz < 40) | (found.frequency_hz > 18_000)].any()
    assert found.trusted[(found.frequency_hz > 100) & (found.frequency_hz < 5000)].mean() > 0.95


def test_a_sweep_gives_the_linear_response_without_its_distortion() -> None:
    rng = np.random.default_rng(11)
    path = diffuse_path(rng, direct=1.0)
    seconds, low, high = 6.0, 40.0, 18_000.0
    rise = seconds / np.log(high / low)
    time = np.arange(int(seconds * RATE)) / RATE
    sweep = 0.3 * np.sin(2 * np.pi * low * rise * np.expm1(time / rise))
    fade = np.sin(np.linspace(0, np.pi / 2, 2000)) ** 2
    sweep[:2000] *= fade
    sweep[-2000:] *= fade[::-1]
    # A square law adds a second harmonic (-22 dB here) and leaves the fundamental as it was.
    bent = sweep + 0.5 * sweep**2
    capture = recorded(bent.astype(np.float32), path, rng, snr_db=40.0)
    capture = np.concatenate([capture, np.zeros(3 * RATE, np.float32)])
    capture += (1e-5 * rng.standard_normal(capture.size)).astype(np.float32)
    found = _estimate(capture, sweep.astype(np.float32), CaptureKind.SWEEP)
    kept = found.trusted & (found.frequency_hz > 100) & (found.frequency_hz < 8000)
    truth = true_response(path, found.frequency_hz[kept])
    error_db = 20 * np.log10(np.abs(found.response[kept] / truth))
    loud = np.abs(truth) > np.median(np.abs(truth))
    assert np.abs(error_db[loud]).max() < 0.6
    assert np.std(error_db[loud]) < 0.1


def test_low_signal_to_noise_ratio_is_said() -> None:
    rng = np.random.default_rng(12)
    reference = pink_noise(10, rng)
    found = _estimate(recorded(reference, diffuse_path(rng), rng, snr_db=-8.0), reference)
    assert MeasurementFault.LOW_SNR in [note.code for note in found.quality]


def test_a_live_mic_is_told() -> None:
    rng = np.random.default_rng(13)
    reference, path = pink_noise(12, rng), diffuse_path(rng, t60_s=0.3)
    size = 14 * RATE
    loop = fft.rfft(path, size)
    gain = 10 ** (-3 / 20) / np.max(np.abs(loop))
    noise = fft.rfft(rng.standard_normal(size) * 3e-4)
    closed = fft.irfft((fft.rfft(reference, size) * loop + noise) / (1 - gain * loop), size)
    found = _estimate(closed.astype(np.float32), reference)
    assert MeasurementFault.MIC_LIVE in [note.code for note in found.quality]
    muted = fft.irfft(fft.rfft(reference, size) * loop + noise, size)
    assert _estimate(muted.astype(np.float32), reference).quality == ()


def test_a_gate_and_an_automatic_gain_are_told(noise_case: tuple) -> None:
    reference, _, capture, _ = noise_case
    time = np.arange(capture.size) / RATE
    gated = np.where((time % 3) < 2.5, capture, 0).astype(np.float32)
    codes = [note.code for note in _estimate(gated, reference).quality]
    assert MeasurementFault.GATED in codes
    ridden = (capture * 10 ** (3 * np.sin(time) / 20)).astype(np.float32)
    codes = [note.code for note in _estimate(ridden, reference).quality]
    assert MeasurementFault.GAIN_MOVED in codes


def test_music_in_place_of_noise_is_told() -> None:
    rng = np.random.default_rng(14)
    time = np.arange(RATE // 2) / RATE
    notes = [
        np.exp(-6 * time) * sum(np.sin(2 * np.pi * hz * k * time) / k for k in range(1, 20))
        for hz in rng.choice([110, 147, 165, 196, 220, 262, 294], 24)
    ]
    music = (0.1 * np.concatenate(notes)).astype(np.float32)
    found = _estimate(recorded(music, diffuse_path(rng), rng), music)
    assert MeasurementFault.NOT_NOISE in [note.code for note in found.quality]


def test_what_cannot_be_measured_is_refused() -> None:
    rng = np.random.default_rng(15)
    noise = pink_noise(5, rng)
    with pytest.raises(CaptureError, match="silent"):
        _estimate(np.zeros(5 * RATE), noise)
    with pytest.raises(CaptureError, match="not numbers"):
        _estimate(np.full(5 * RATE, np.nan), noise)
    with pytest.raises(ParameterError, match="ring-out"):
        _estimate(noise, noise, CaptureKind.RING_OUT)
    with pytest.raises(CaptureError, match="not to be found"):
        _estimate(pink_noise(5, rng), noise)


def test_fades_do_not_make_noise_unsteady() -> None:
    noise = signals.pink_noise(6.0, sample_rate_hz=48_000, fade_s=1.0)
    assert fluctuation(noise, sample_rate_hz=48_000) < 2.0
