"""Weightings, third-octave levels and loudness against standards and reference libraries."""

import math
import subprocess

import numpy as np
import pyloudnorm
import pytest
import soundfile
from mosqito.sound_level_meter import noct_spectrum

from shaping.analysis.loudness import k_weighting, measure_loudness
from shaping.analysis.third_octave import band_levels
from shaping.analysis.weighting import a_weighting_db, c_weighting_db

# fmt: off
A_TABLE_DB = [
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
    -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1,
    -2.5, -4.3, -6.6, -9.3,
]
C_TABLE_DB = [
    -14.3, -11.2, -8.5, -6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5, -0.3, -0.2, -0.1, 0.0, 0.0, 0.0,
    0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.1, -0.2, -0.3, -0.5, -0.8, -1.3, -2.0, -3.0, -4.4, -6.2,
    -8.5, -11.2,
]
# fmt: on


@pytest.mark.parametrize(
    ("weighting_db", "table_db"), [(a_weighting_db, A_TABLE_DB), (c_weighting_db, C_TABLE_DB)]
)
def test_weightings_against_the_table(weighting_db, table_db):
    """A and C at the 34 third octaves from 10 Hz to 20 kHz.

    Source: IEC 61672-1:2013, table 3 (design goals, to a tenth of a dB), which holds at the exact
    frequencies 1000 * 10^(n/10) Hz.
    Tolerance: half a unit of the last digit; the standard's own class 1 allows 1 dB and more.
    """
    exact_hz = 1000.0 * 10.0 ** (np.arange(-20, 14) / 10)
    np.testing.assert_allclose(weighting_db(exact_hz), table_db, atol=0.0501)


def test_third_octave_levels_of_noise(rng):
    """Band levels of coloured noise.

    Source: MoSQITo 1.2, `noct_spectrum`, a bank of third-octave filters (ANSI S1.11).
    Tolerance: 0.4 dB, the skirts of its third-order filters being the limit.
    """
    white = rng.standard_normal(20 * 48_000)
    coloured = 0.02 * (white + np.cumsum(white - white.mean()) / 50)
    expected, nominal_hz = noct_spectrum(coloured, 48_000, 50, 10_000)
    ours = band_levels(coloured.astype(np.float32), 48_000)
    np.testing.assert_allclose(ours.nominal_hz, nominal_hz)
    np.testing.assert_allclose(ours.level_dbfs, 20 * np.log10(expected), atol=0.4)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
def test_third_octave_levels_in_closed_form(rate_hz, rng):
    """A tone is in its band alone; white noise has the power of its bandwidth.

    Source: closed form with the band edges of IEC 61260-1:2014; a sine of peak 0.5 has
    10 log10(0.125) dBFS, white noise of variance s^2 has s^2 * 2 B / rate in a band B wide.
    Tolerance: 0.01 dB for the tone, four standard errors for the noise.
    """
    time_s = np.arange(10 * rate_hz) / rate_hz
    for exact_hz in (10**1.7, 10**2.4, 1000.0):
        tone = (0.5 * np.sin(2 * np.pi * exact_hz * time_s)).astype(np.float32)
        levels = band_levels(tone, rate_hz)
        loudest = int(np.argmax(levels.level_dbfs))
        assert levels.nominal_hz[loudest] == pytest.approx(exact_hz, rel=0.01)
        assert levels.level_dbfs[loudest] == pytest.approx(10 * math.log10(0.125), abs=0.01)
        others = np.delete(levels.level_dbfs, loudest)
        assert others.max() < levels.level_dbfs[loudest] - 40
    # On the edge between two bands a tone is 3 dB down in both.
    edge = (0.5 * np.sin(2 * np.pi * 10**1.75 * time_s)).astype(np.float32)
    halves = band_levels(edge, rate_hz).level_dbfs[:2]
    np.testing.assert_allclose(halves, 10 * math.log10(0.125 / 2), atol=0.5)
    noise = (0.1 * rng.standard_normal(10 * rate_hz)).astype(np.float32)
    levels = band_levels(noise, rate_hz)
    bands = np.round(10 * np.log10(np.array(levels.nominal_hz) / 1000.0))
    width_hz = 1000.0 * 10.0 ** (bands / 10) * (10**0.05 - 10**-0.05)
    expected_db = 10 * np.log10(0.01 * 2 * width_hz / rate_hz)
    assert np.all(np.abs(levels.level_dbfs - expected_db) < 4 * levels.error_db + 0.02)


def test_k_weighting_has_the_published_coefficients():
    """The two stages of K-weighting at 48 kHz.

    Source: ITU-R BS.1770-4, annex 1, tables 1 and 2.
    Tolerance: 1e-12.
    """
    published = [
        [1.53512485958697, -2.69169618940638, 1.19839281085285],
        [1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0],
        [1.0, -1.99004745483398, 0.99007225036621],
    ]
    np.testing.assert_allclose(
        k_weighting(48_000), np.array(published).reshape(2, 6), rtol=0, atol=1e-12
    )


def test_loudness_of_reference_tones():
    """A full-scale 997 Hz sine reads -3.01 LUFS; the quiet stereo tone of EBU Tech 3341 -23.0.

    Source: ITU-R BS.1770-4, annex 1; EBU Tech 3341, minimum requirements test 1 (tolerance 0.1).
    """
    time_s = np.arange(20 * 48_000) / 48_000
    full = np.sin(2 * np.pi * 997 * time_s).astype(np.float32)[:, None]
    assert measure_loudness([full], 48_000).integrated_lufs == pytest.approx(-3.01, abs=0.005)
    quiet = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * time_s).astype(np.float32)
    stereo = np.stack([quiet, quiet], axis=1)
    assert measure_loudness([stereo], 48_000).integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_gating_of_programme_that_comes_and_goes():
    """Soft passages within 10 dB count, softer ones do not.

    Source: EBU Tech 3341, minimum requirements test 3 (from memory): 10 s at -36, 60 s at -23 and
    10 s at -36 dBFS read -23.0 +-0.1 LUFS.
    """
    time_s = np.arange(80 * 48_000) / 48_000
    level_db = np.where((time_s < 10) | (time_s >= 70), -36.0, -23.0)
    tone = 10 ** (level_db / 20) * np.sin(2 * np.pi * 1000 * time_s)
    stereo = np.stack([tone, tone], axis=1).astype(np.float32)
    loudness = measure_loudness(np.array_split(stereo, 9), 48_000)
    assert loudness.integrated_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000])
def test_loudness_of_noise_equals_the_reference_library(rate_hz, rng):
    """Loud, faint and middling noise, in stereo.

    Source: pyloudnorm 0.2, `Meter.integrated_loudness`.
    Tolerance: 0.06 LU; its filters are 0.04 LU off the standard's at 48 kHz.
    """
    levels = np.repeat([0.1, 0.001, 0.3], 5 * rate_hz)[:, None]
    noise = (levels * rng.standard_normal((levels.size, 2))).astype(np.float32)
    expected = pyloudnorm.Meter(rate_hz).integrated_loudness(noise)
    ours = measure_loudness([noise], rate_hz)
    assert ours.integrated_lufs == pytest.approx(expected, abs=0.06)


@pytest.mark.debian
def test_loudness_equals_ffmpeg(tmp_path, rng):
    """Noise with a loud and a soft half.

    Source: FFmpeg 5.1, filter ebur128.
    Tolerance: 0.1 LU, its last printed digit.
    """
    noise = (np.repeat([0.2, 0.05], 480_000) * rng.standard_normal(960_000)).astype(np.float32)
    path = tmp_path / "noise.wav"
    soundfile.write(path, noise, 48_000, subtype="FLOAT")
    command = ["ffmpeg", "-nostats", "-i", path, "-af", "ebur128=peak=none", "-f", "null", "-"]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stderr
    summary = said[said.rindex("Integrated loudness") :]
    theirs = float(summary.split("I:")[1].split("LUFS")[0])
    loudness = measure_loudness([noise[:, None]], 48_000)
    assert loudness.integrated_lufs == pytest.approx(theirs, abs=0.1)
