import numpy as np
import pytest
import soundfile
from scipy import signal

from shaping.analysis.loudness import measure_loudness, measure_steps
from shaping.errors import CaptureError, OutputError, ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.report.listening.pair import pair_paths, render_pair
from shaping.report.listening.render import render
from shaping.report.listening.streams import FADE_S

RATE = 16_000
FILTERS = (
    Filter(FilterKind.HIGH_PASS, 150.0, order=2),
    Filter(FilterKind.PEAKING, 315.0, q=0.8, gain_db=-9.0),
)


def independent_sos():
    """Both filters by scipy and by the cookbook's formulas, the bell's width kept in octaves.

    Source: R. Bristow-Johnson, Audio EQ Cookbook (W3C Note, 2021), peakingEQ; from memory.
    """
    high_pass = signal.butter(2, 150.0, "highpass", fs=RATE, output="sos")
    turn, a = 2 * np.pi * 315.0 / RATE, 10 ** (-9.0 / 40)
    half_width = np.arcsinh(1 / (2 * 0.8)) * turn / np.sin(turn)
    alpha = np.sin(turn) * np.sinh(half_width)
    b0, b1, b2 = 1 + alpha * a, -2 * np.cos(turn), 1 - alpha * a
    a0, a2 = 1 + alpha / a, 1 - alpha / a
    bell = np.array([[b0, b1, b2, a0, b1, a2]]) / a0
    return np.concatenate([high_pass, bell])


@pytest.fixture
def song(tmp_path, rng):
    """Five seconds of stereo noise, mostly low mids, longer than one block."""
    white = rng.standard_normal((5 * RATE, 2))
    brown = np.apply_along_axis(np.convolve, 0, white, np.ones(12) / 12, "same")
    samples = 0.2 * brown / brown.std()
    path = tmp_path / "song.wav"
    soundfile.write(path, np.clip(samples, -0.9, 0.9), RATE, subtype="PCM_24")
    return path


@pytest.mark.parametrize(
    ("suffix", "subtype"),
    [(".wav", "PCM_16"), (".wav", "FLOAT"), (".flac", "PCM_24"), (".aiff", "PCM_16"),
     (".ogg", "VORBIS")],
)  # fmt: skip
def test_rate_channels_format_and_length_are_kept(song, tmp_path, suffix, subtype):
    samples, _ = soundfile.read(song)
    source = tmp_path / f"in{suffix}"
    soundfile.write(source, samples, RATE, subtype=subtype)
    out = tmp_path / f"out{suffix}"
    render(FILTERS, source, out)
    before, after = soundfile.info(source), soundfile.info(out)
    for name in ("samplerate", "channels", "frames", "format", "subtype"):
        assert getattr(after, name) == getattr(before, name)


def test_the_plan_is_heard_between_the_fades(song, tmp_path):
    rendering = render(FILTERS, song, tmp_path / "out.wav")
    assert rendering.gain_db == 0.0
    samples, _ = soundfile.read(song)
    expected = signal.sosfilt(independent_sos(), samples, axis=0)
    heard, _ = soundfile.read(rendering.path)
    fade = round(FADE_S * RATE)
    np.testing.assert_allclose(heard[fade:-fade], expected[fade:-fade], atol=1e-6)
    for end in (heard[:2], heard[-2:]):
        assert np.abs(end).max() < 1e-3


def test_nothing_clips(tmp_path):
    # A square wave at full scale overshoots when its phase is turned.
    square = np.where(np.arange(4 * RATE) % 100 < 50, 0.999, -0.999)
    source = tmp_path / "square.wav"
    soundfile.write(source, square, RATE, subtype="PCM_16")
    turn = [Filter(FilterKind.HIGH_PASS, 150.0, order=4)]
    rendering = render(turn, source, tmp_path / "out.wav")
    assert rendering.gain_db < -1.0
    pair = render_pair(turn, source, *pair_paths(tmp_path / "out.wav"))
    for path in (rendering.path, pair.without_path, pair.with_path):
        samples, _ = soundfile.read(path)
        peak = np.max(np.abs(samples))
        assert peak <= 10 ** (-1 / 20) + 1e-3
        assert np.sum(np.abs(samples) > 0.99 * peak) >= 1
    peaks = [np.max(np.abs(soundfile.read(p)[0])) for p in (pair.without_path, pair.with_path)]
    assert max(peaks) == pytest.approx(10 ** (-1 / 20), abs=1e-3)


def test_a_pair_is_equally_loud(song, tmp_path):
    pair = render_pair(FILTERS, song, *pair_paths(tmp_path / "out.wav"))
    loudness = []
    for path in (pair.without_path, pair.with_path):
        samples, _ = soundfile.read(path, dtype="float32")
        loudness.append(measure_loudness([samples], RATE).integrated_lufs)
    assert loudness[0] == pytest.approx(loudness[1], abs=0.05)
    assert loudness[0] == pytest.approx(pair.loudness_lufs, abs=0.05)
    assert pair.plan_loudness_change_db < -1.0
    # Steady noise: the gain that follows stays near the one for the whole.
    assert pair.with_gain_low_db <= -pair.plan_loudness_change_db <= pair.with_gain_high_db
    assert pair.with_gain_high_db - pair.with_gain_low_db < 1.0
    assert pair.howl_cut_db is None
    assert pair.howls_held_down_db == 0.0


def test_no_moment_is_louder_with_the_plan_though_nobody_noticed_the_howl(tmp_path, rng):
    """A tone grows over speech-like bursts, in the plan's reach and beyond it."""
    time_s = np.arange(8 * RATE) / RATE
    bursts = rng.standard_normal(time_s.size) * (np.sin(2 * np.pi * 1.7 * time_s) > -0.3)
    tones = np.sin(2 * np.pi * 315.0 * time_s) + np.sin(2 * np.pi * 2500.0 * time_s)
    grown = 10 ** (np.minimum(6 * time_s - 42, 0.0) / 20)
    source = tmp_path / "howl.wav"
    soundfile.write(source, 0.05 * bursts + 0.3 * grown * tones, RATE, subtype="FLOAT")
    pair = render_pair(FILTERS, source, *pair_paths(tmp_path / "out.wav"))
    power = []
    for path in (pair.without_path, pair.with_path):
        samples, _ = soundfile.read(path, dtype="float32", always_2d=True)
        power.append(measure_steps([samples], RATE).power)
    before, after = (np.convolve(one, np.ones(4), "valid") for one in power)
    louder_db = 10 * np.log10(after / before)
    assert louder_db.max() <= 0.005
    assert np.median(louder_db) > -0.3
    true = render_pair(FILTERS, source, *pair_paths(tmp_path / "out.wav"), equally_loud=False,
                       force=True)  # fmt: skip
    assert true.with_gain_low_db == true.with_gain_high_db == 0.0


def test_existing_files_and_other_formats_are_refused_before_any_work(song, tmp_path):
    with pytest.raises(OutputError, match=r"ends in \.wav"):
        render(FILTERS, song, tmp_path / "out.flac")
    taken = tmp_path / "taken.wav"
    taken.write_bytes(b"mine")
    with pytest.raises(OutputError, match="exists"):
        render(FILTERS, song, taken)
    with pytest.raises(OutputError, match="exists"):
        render_pair(FILTERS, song, tmp_path / "new.wav", taken)
    with pytest.raises(OutputError, match="two names"):
        render_pair(FILTERS, song, tmp_path / "new.wav", tmp_path / "new.wav")
    assert taken.read_bytes() == b"mine"
    render(FILTERS, song, taken, force=True)
    assert soundfile.info(taken).frames == 5 * RATE
    assert sorted(p.name for p in tmp_path.iterdir()) == ["song.wav", "taken.wav"]


def test_broken_recordings_leave_nothing_behind(tmp_path):
    source = tmp_path / "nan.wav"
    samples = np.zeros(2 * RATE, np.float32)
    samples[RATE] = np.nan
    soundfile.write(source, samples, RATE, subtype="FLOAT")
    with pytest.raises(CaptureError, match="not finite numbers"):
        render(FILTERS, source, tmp_path / "out.wav")
    assert [p.name for p in tmp_path.iterdir()] == ["nan.wav"]


def test_silence_cannot_be_matched_but_can_be_rendered(tmp_path):
    source = tmp_path / "silence.wav"
    soundfile.write(source, np.zeros(2 * RATE), RATE)
    assert render(FILTERS, source, tmp_path / "out.wav").gain_db == 0.0
    with pytest.raises(CaptureError, match="too short or too quiet"):
        render_pair(FILTERS, source, *pair_paths(tmp_path / "out.wav"))


def test_a_plan_beyond_the_recording_says_so(song, tmp_path):
    high = [Filter(FilterKind.PEAKING, 9000.0, q=4.0, gain_db=-3.0)]
    with pytest.raises(ParameterError, match="sample rate above 18000 Hz"):
        render(high, song, tmp_path / "out.wav")
