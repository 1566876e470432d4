"""Filter responses against audio programs from Debian packages."""

import subprocess

import numpy as np
import pytest
import soundfile

from shaping.filters import cookbook
from shaping.filters.response import magnitude_db

pytestmark = pytest.mark.debian

LENGTH = 1 << 17
CASES = [
    ("peaking", frequency_hz, width, gain_db)
    for frequency_hz, width, gain_db in [
        (63.0, ("q", 8.65), -6.0),
        (250.0, ("q", 0.707), 12.0),
        (2500.0, ("q", 30.0), -12.0),
        (2500.0, ("o", 0.333), -6.0),
        (8000.0, ("o", 1.0), -6.0),
        (12_500.0, ("o", 0.333), -9.0),
        (16_000.0, ("q", 4.0), -18.0),
    ]
] + [
    ("high_pass", 100.0, ("q", 0.7071), None),
    ("high_pass", 2500.0, ("q", 1.0), None),
    ("low_pass", 8000.0, ("q", 0.7071), None),
    ("notch", 250.0, ("q", 4.0), None),
    ("notch", 4000.0, ("q", 10.0), None),
    ("low_shelf", 200.0, ("q", 0.7071), -9.0),
    ("high_shelf", 8000.0, ("q", 0.7071), 6.0),
]
SOX = {
    "peaking": "equalizer",
    "high_pass": "highpass",
    "low_pass": "lowpass",
    "notch": "bandreject",
    "low_shelf": "bass",
    "high_shelf": "treble",
}
FFMPEG = {**SOX, "low_shelf": "lowshelf", "high_shelf": "highshelf"}


def ours_db(kind, frequency_hz, width, gain_db, grid_hz, rate_hz):
    widths = {"q": "q", "o": "octaves"}
    options = {widths[width[0]]: width[1], "sample_rate_hz": rate_hz}
    arguments = (frequency_hz,) if gain_db is None else (frequency_hz, gain_db)
    section = getattr(cookbook, kind)(*arguments, **options)
    return magnitude_db(section, grid_hz, sample_rate_hz=rate_hz)


def check(path, kind, frequency_hz, width, gain_db, rate_hz, tolerance_db):
    out, _ = soundfile.read(path)
    spectrum = np.fft.rfft(out, LENGTH) / 0.5
    grid_hz = np.fft.rfftfreq(LENGTH, 1 / rate_hz)
    level_db = ours_db(kind, frequency_hz, width, gain_db, grid_hz, rate_hz)
    floor_db = -40 if kind == "notch" else -60
    kept = (grid_hz >= 20) & (grid_hz <= 0.49 * rate_hz) & (level_db > floor_db)
    assert kept.sum() > LENGTH // 4
    theirs_db = 20 * np.log10(np.abs(spectrum[kept]))
    assert np.max(np.abs(theirs_db - level_db[kept])) < tolerance_db


@pytest.fixture(params=[44_100, 48_000])
def impulse(request, tmp_path):
    samples = np.zeros(LENGTH)
    samples[0] = 0.5
    path = tmp_path / "impulse.wav"
    soundfile.write(path, samples, request.param, subtype="DOUBLE")
    return path, request.param


@pytest.mark.parametrize(("kind", "frequency_hz", "width", "gain_db"), CASES)
def test_response_equals_sox(impulse, tmp_path, kind, frequency_hz, width, gain_db):
    """Responses of SoX's filters.

    Source: SoX 14.4 effects equalizer, highpass, lowpass, bandreject, bass and treble.
    Tolerance: 0.02 dB, its 32-bit output being the limit.
    """
    path, rate_hz = impulse
    width_text = f"{width[1]}{width[0]}"
    numbers = {
        "peaking": [frequency_hz, width_text, gain_db],
        "low_shelf": [gain_db, frequency_hz, width_text],
        "high_shelf": [gain_db, frequency_hz, width_text],
    }.get(kind, [frequency_hz, width_text])
    out = tmp_path / "out.wav"
    command = ["sox", "-D", path, "-b", "32", "-e", "float", out, SOX[kind], *map(str, numbers)]
    subprocess.run(command, check=True, capture_output=True)
    check(out, kind, frequency_hz, width, gain_db, rate_hz, 0.02)


@pytest.mark.parametrize(("kind", "frequency_hz", "width", "gain_db"), CASES)
def test_response_equals_ffmpeg(impulse, tmp_path, kind, frequency_hz, width, gain_db):
    """Responses of FFmpeg's filters.

    Source: FFmpeg 5.1 filters equalizer, highpass, lowpass, bandreject, lowshelf, highshelf.
    Tolerance: 0.01 dB, the truncated ringing of narrow low bells being the limit.
    """
    path, rate_hz = impulse
    gain = "" if gain_db is None else f":g={gain_db}"
    chain = f"{FFMPEG[kind]}=f={frequency_hz}:width_type={width[0]}:w={width[1]}{gain}:r=f64"
    out = tmp_path / "out.wav"
    command = ["ffmpeg", "-v", "error", "-i", path, "-af", chain, "-c:a", "pcm_f64le", out]
    subprocess.run(command, check=True, capture_output=True)
    check(out, kind, frequency_hz, width, gain_db, rate_hz, 0.01)
