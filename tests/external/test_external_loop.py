"""The quiet ring-out's analysis against handbooks and libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft, signal

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.deconvolution import least_squares_response
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.stability import in_phase_interval, stable_gain
from tests.analysis.loop.loop_makers import (
    RATE,
    diffuse_path,
    pink_noise,
    recorded,
    true_response,
)


def _estimate(capture: np.ndarray, reference: np.ndarray) -> LoopResponse:
    return estimate_loop_response(capture, reference, capture_rate_hz=RATE, reference_rate_hz=RATE)


def test_random_error_follows_coherence_and_averages() -> None:
    """Repeated trials scatter as the formula for frequency responses says.

    Source: J. S. Bendat and A. G. Piersol, Random Data, 2nd ed., p. 317 as quoted in LIGO log
    10506: relative standard deviation of |H| = sqrt((1 - g2) / (2 g2 n)), g2 the coherence, n
    the number of averages. n is the length of the recording over that of the response.
    """
    rng = np.random.default_rng(30)
    path = diffuse_path(rng, t60_s=0.3)
    reference = pink_noise(8, rng)
    trials = [_estimate(recorded(reference, path, rng, snr_db=14.0), reference) for _ in range(6)]
    magnitude = np.array([np.abs(trial.response) for trial in trials])
    coherence = np.mean([trial.coherence for trial in trials], axis=0)
    kept = np.all([trial.trusted for trial in trials], axis=0) & (coherence < 0.98)
    response_s = 8 / 12 + 0.08
    averages = (8 + path.size / RATE) / response_s - 1
    coherence, magnitude = coherence[kept], magnitude[:, kept]
    predicted = np.sqrt((1 - coherence) / (2 * coherence * averages))
    seen = magnitude.std(axis=0, ddof=1) / magnitude.mean(axis=0)
    ratio = np.sqrt(np.mean((seen / predicted) ** 2))
    assert kept.sum() > 5000
    assert ratio == pytest.approx(1.0, abs=0.12)
    claimed_db = np.mean([trial.error_db for trial in trials], axis=0)[kept]
    ratio = np.sqrt(np.mean((8.686 * seen / claimed_db) ** 2))
    assert ratio == pytest.approx(1.0, abs=0.12)


def test_schroeder_statistics_of_a_diffuse_response() -> None:
    """A diffuse response scatters by 5.6 dB; its highest peak follows bandwidth and reverberation.

    Source: M. R. Schroeder, "Statistical parameters of the frequency response curves of large
    rooms", JAES 35(5), 1987 (abstract: highest peak about 10 dB over the mean), and for a band B
    and a reverberation time T 4.34 ln ln(B T) dB (H. Kuttruff, Room Acoustics, ch. 3; from
    memory): 10 dB is reached at 10 kHz and 2 s. Level scatter of an exponentially distributed
    power: 5.57 dB, derivable.
    """
    rng = np.random.default_rng(31)
    reference, t60_s = pink_noise(10, rng), 0.5
    scatter, height = [], []
    for _ in range(3):
        path = diffuse_path(rng, t60_s=t60_s, direct=0.0)
        found = _estimate(recorded(reference, path, rng, snr_db=30.0), reference)
        band = found.trusted & (found.frequency_hz > 300) & (found.frequency_hz < 5000)
        power = np.abs(found.response[band]) ** 2
        scatter.append(np.std(10 * np.log10(power)))
        height.append(10 * np.log10(power.max() / power.mean()))
    assert np.mean(scatter) == pytest.approx(5.57, abs=0.5)
    assert np.mean(height) == pytest.approx(4.34 * np.log(np.log(4700 * t60_s)), abs=0.8)


def test_response_of_a_room_from_another_library() -> None:
    """The response of an image-source room by an independent library is recovered.

    Source: pyroomacoustics (MIT licence), ShoeBox image-source model; R. Scheibler, E. Bezzam,
    I. Dokmanic, ICASSP 2018.
    """
    room_acoustics = pytest.importorskip("pyroomacoustics")
    room = room_acoustics.ShoeBox(
        [7.0, 5.5, 3.2], fs=RATE, materials=room_acoustics.Material(0.3), max_order=12
    )
    room.add_source([2.0, 2.5, 0.4])
    room.add_microphone([2.6, 3.3, 1.6])
    room.compute_rir()
    path = np.asarray(room.rir[0][0], np.float64)
    rng = np.random.default_rng(32)
    reference = pink_noise(12, rng)
    found = _estimate(recorded(reference, path, rng, snr_db=25.0), reference)
    band = found.trusted & (found.error_db < 0.5) & (found.frequency_hz < 15_000)
    truth = np.abs(true_response(path, found.frequency_hz[band]))
    error_db = 20 * np.log10(np.abs(found.response[band]) / truth)
    assert band.mean() > 0.4
    assert np.std(error_db) < 0.4
    inside = (found.frequency_hz > 60) & (found.frequency_hz < 17_000)
    highest = 20 * np.log10(np.abs(true_response(path, found.frequency_hz[inside])).max())
    assert stable_gain(found).worst_case_db == pytest.approx(-highest, abs=0.5)


def test_deconvolution_recovers_a_known_filter() -> None:
    """Least squares on noise gives back a digital filter of known response.

    Source: scipy.signal.butter and sosfreqz (independent of our own designs).
    """
    rng = np.random.default_rng(33)
    sos = signal.butter(4, [200, 6000], "bandpass", fs=RATE, output="sos")
    played = rng.standard_normal(6 * RATE).astype(np.float32)
    heard = signal.sosfilt(sos, played).astype(np.float32)
    length = 4096
    response, residual = least_squares_response(
        played[: heard.size], heard[length - 1 :], length=length, sample_rate_hz=RATE
    )
    frequency_hz = fft.rfftfreq(length, 1 / RATE)
    _, truth = signal.sosfreqz(sos, frequency_hz, fs=RATE)
    band = (frequency_hz > 100) & (frequency_hz < 12_000)
    assert np.abs(fft.rfft(response) - truth)[band].max() < 5e-3
    assert residual.std() < 1e-3 * heard.std()


def test_stable_gain_is_where_the_closed_loop_turns() -> None:
    """A loop simulated sample by sample dies away below the predicted gain and grows above.

    Source: H. Nyquist, "Regeneration theory", Bell System Technical Journal 11, 1932.
    """
    rng = np.random.default_rng(34)
    path = diffuse_path(rng, t60_s=0.15)
    reference = pink_noise(12, rng)
    found = _estimate(recorded(reference, path, rng, snr_db=30.0), reference)
    assert 0 < found.delay_s < 0.1
    predicted, _ = in_phase_interval(found, same_start=True)

    def late_over_early(gain_db: float) -> float:
        taps = 10 ** (gain_db / 20) * path
        # y = x + taps * y as a recursive filter: the loop itself, sample by sample.
        impulse = np.zeros(5 * RATE)
        impulse[0] = 1.0
        rung = _closed(taps, impulse)
        return float(rung[-RATE:].std() / rung[2 * RATE : 3 * RATE].std())

    assert late_over_early(predicted - 0.5) < 1.0
    assert late_over_early(predicted + 0.5) > 1.0


def _closed(taps: np.ndarray, entering: np.ndarray) -> np.ndarray:
    """Run the loop in blocks no longer than its delay."""
    delay = int(np.flatnonzero(taps)[0])
    out = np.concatenate([np.zeros(taps.size), entering])
    for start in range(taps.size, out.size, delay):
        past = out[start - taps.size : min(start + delay, out.size)]
        fed = signal.fftconvolve(past, taps, mode="full")[taps.size : past.size]
        out[start : start + fed.size] += fed
    return out[taps.size :]
