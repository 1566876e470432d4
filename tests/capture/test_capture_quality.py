"""Quality notes: each fault found where it was planted, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from shaping.capture.quality import QualityCode, judge, require_usable
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.capture.signals import exponential_sweep, pink_noise
from shaping.errors import CaptureError

RATE = 48_000
RING_OUT, PINK, SWEEP = CaptureKind.RING_OUT, CaptureKind.PINK_NOISE, CaptureKind.SWEEP


def codes(samples: np.ndarray, kind: CaptureKind = RING_OUT, rate: int = RATE) -> set[str]:
    return {note.code for note in judge(samples.astype(np.float32), rate, kind)}


def note_of(samples: np.ndarray, code: str, kind: CaptureKind = RING_OUT) -> QualityNote:
    notes = judge(samples.astype(np.float32), RATE, kind)
    return next(note for note in notes if note.code == code)


def stage_noise(duration_s: float = 12.0, level: float = 0.02, seed: int = 1) -> np.ndarray:
    """Something like a stage: noise falling with frequency, and no fault."""
    rng = np.random.default_rng(seed)
    sos = signal.butter(1, 300, fs=RATE, output="sos")
    noise = signal.sosfilt(sos, rng.standard_normal(round(duration_s * RATE)))
    return level * noise / noise.std()


def howl(frequency_hz: float = 1_234.5, duration_s: float = 12.0) -> np.ndarray:
    """A ring that grows out of noise to a plateau a little under full scale."""
    time_s = np.arange(round(duration_s * RATE)) / RATE
    envelope = 0.9 * np.minimum(1.0, 10 ** ((time_s - 6.0) * 30 / 20))
    return envelope * np.sin(2 * np.pi * frequency_hz * time_s) + stage_noise(duration_s, 0.003)


def melody(fundamentals_hz: list[float], note_s: float = 1.5) -> np.ndarray:
    """Held notes with harmonics and a decay, as a bass or an organ plays them."""
    time_s = np.arange(round(note_s * RATE)) / RATE
    notes = []
    for frequency_hz in fundamentals_hz:
        tone = sum(np.sin(2 * np.pi * k * frequency_hz * time_s) / k**1.5 for k in range(1, 9))
        notes.append(0.2 * tone * np.exp(-time_s / 1.0) * np.minimum(1, time_s / 0.01))
    return np.concatenate(notes) + stage_noise(note_s * len(notes), 0.001)


def as_recorded(samples: np.ndarray, bits: int = 16) -> np.ndarray:
    """What a converter of so many bits makes of it."""
    scale = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * scale), -scale, scale - 1) / scale


# ---- no fault, no word


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize(
    "clean",
    [
        stage_noise(),
        stage_noise(level=0.2, seed=7),
        howl(),
        howl(55.3),
        howl(97.0),
        howl(4_000.0),
        howl(12_000.0),
        melody([49.0, 55.0, 58.27, 61.74, 98.0, 65.4, 49.0, 61.74]),
        melody([49.0] * 8),
        melody([61.74] * 8),
        0.9 * np.sin(2 * np.pi * 41.2 * np.arange(12 * RATE) / RATE),
        0.9 * np.sin(2 * np.pi * 1_000 * np.arange(12 * RATE) / RATE),
        0.9 * np.sin(2 * np.pi * 6_000 * np.arange(12 * RATE) / RATE + 0.4),
        0.9 * np.sin(2 * np.pi * 6_000 * np.arange(12 * RATE) / RATE + 0.4)
        + stage_noise(level=1e-5),
        (1 - 2**-15) * np.sin(2 * np.pi * 41.2 * np.arange(12 * RATE) / RATE),
    ],
    ids=[
        "noise",
        "loud noise",
        "howl",
        "low howl",
        "howl near G2",
        "high howl",
        "very high howl",
        "bass notes",
        "G1 held",
        "B1 held",
        "low tone",
        "1 kHz",
        "6 kHz",
        "6 kHz and hiss",
        "low tone to full scale",
    ],
)
def test_no_false_alarm(clean, bits):
    assert codes(as_recorded(clean, bits)) == set()


@pytest.mark.parametrize("seed", range(4))
def test_played_test_signals_pass(seed):
    noise = pink_noise(15.0, seed=seed)
    peaky = noise + 4 * signal.lfilter(*signal.iirpeak(800, 12, fs=RATE), noise)
    padded = np.concatenate((np.zeros(RATE), peaky, np.zeros(2 * RATE)))
    recorded = as_recorded(padded + stage_noise(18.0, 1e-4, seed))
    assert codes(recorded, PINK) == set()
    sweep = np.concatenate((np.zeros(RATE), exponential_sweep(10.0), np.zeros(RATE)))
    assert codes(as_recorded(sweep + stage_noise(sweep.size / RATE, 1e-4)), SWEEP) == set()


# ---- length


@pytest.mark.parametrize(
    ("kind", "duration_s", "code", "severity"),
    [
        (RING_OUT, 3.0, QualityCode.TOO_SHORT, Severity.UNUSABLE),
        (RING_OUT, 5.0, QualityCode.SHORT, Severity.WARNING),
        (PINK, 3.9, QualityCode.TOO_SHORT, Severity.UNUSABLE),
        (PINK, 5.0, QualityCode.SHORT, Severity.WARNING),
        (SWEEP, 1.0, QualityCode.TOO_SHORT, Severity.UNUSABLE),
        (SWEEP, 3.0, QualityCode.SHORT, Severity.WARNING),
    ],
)
def test_short_captures(kind, duration_s, code, severity):
    note = note_of(stage_noise(duration_s), code, kind)
    assert note.severity is severity
    assert f"{duration_s:.1f} s" in note.message


def test_one_sample_is_judged_too():
    assert QualityCode.TOO_SHORT in codes(np.array([0.5]))
    assert QualityCode.TOO_SHORT in codes(np.array([]))


# ---- level


@pytest.mark.parametrize("silence", [np.zeros(10 * RATE), np.full(10 * RATE, 0.25)])
def test_silence(silence):
    """Digital silence, and a dead input with an offset."""
    note = note_of(silence, QualityCode.SILENT)
    assert note.severity is Severity.UNUSABLE


def test_low_level():
    quiet = as_recorded(stage_noise(level=2e-4))
    assert codes(quiet) == {QualityCode.LOW_LEVEL}
    assert "gain up" in note_of(quiet, QualityCode.LOW_LEVEL).message


def test_wrong_scale():
    assert codes(32_768 * stage_noise()) == {QualityCode.OVER_FULL_SCALE}


def test_offset():
    assert codes(0.05 + stage_noise()) == {QualityCode.DC_OFFSET}
    assert codes(0.0005 + stage_noise(level=0.002)) == set()


def test_low_sample_rate():
    samples = stage_noise()[: 12 * 8_000]
    note = judge(samples.astype(np.float32), 8_000, RING_OUT)[0]
    assert (note.code, note.severity) == (QualityCode.LOW_SAMPLE_RATE, Severity.INFO)
    assert "3.6 kHz" in note.message


# ---- clipping


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("over_db", [0.2, 1.0, 6.0, 20.0])
@pytest.mark.parametrize("frequency_hz", [63.0, 250.0, 1_234.5, 4_000.0])
def test_clipped_howl_is_a_warning(frequency_hz, over_db, bits):
    clipped = as_recorded(np.clip(10 ** (over_db / 20) / 0.9 * howl(frequency_hz), -1, 1), bits)
    note = note_of(clipped, QualityCode.CLIPPED)
    assert note.severity is Severity.WARNING
    assert "howl" in note.message


@pytest.mark.parametrize("level_db", [-3.0, -20.0])
@pytest.mark.parametrize("over_db", [0.5, 3.0, 12.0])
def test_clipped_then_turned_down(over_db, level_db):
    """A preamp clips, the recorder sits after a fader, and adds its own noise."""
    clipped = np.clip(10 ** (over_db / 20) / 0.9 * howl(), -1, 1) * 10 ** (level_db / 20)
    recorded = as_recorded(clipped + 1e-5 * np.random.default_rng(3).standard_normal(clipped.size))
    note = note_of(recorded, QualityCode.FLAT_TOPPED)
    assert f"{-level_db:.1f} dBFS" in note.message


@pytest.mark.parametrize(
    ("sigmas", "severity"), [(4.0, Severity.WARNING), (2.5, Severity.WARNING), (1.2, "unusable")]
)
def test_clipped_noise(sigmas, severity):
    noise = np.random.default_rng(5).standard_normal(12 * RATE)
    clipped = as_recorded(np.clip(noise / sigmas, -1, 1))
    assert note_of(clipped, QualityCode.CLIPPED, PINK).severity == severity
    assert note_of(0.3 * clipped, QualityCode.FLAT_TOPPED, PINK).severity == severity


@pytest.mark.parametrize("gain", [1.05, 1.2])
def test_a_single_clipped_peak_is_seen(gain):
    """Too little to pile up, but it ends in corners."""
    noise = stage_noise()
    clipped = as_recorded(gain * noise / np.abs(noise).max())
    assert note_of(clipped, QualityCode.CLIPPED).message.startswith("The recording clips (1 flat")


def test_two_clicks_of_one_height_are_not_flat_tops():
    clicks = stage_noise(level=0.03)
    clicks[[100_000, 300_000]] = 0.5
    assert codes(clicks) == set()


def test_one_sided_clipping():
    assert QualityCode.FLAT_TOPPED in codes(np.minimum(howl(), 0.5))


def test_where_clipping_starts_is_said():
    clipped = np.clip(2 * howl(), -1, 1)
    first_s = np.argmax(np.abs(clipped) >= 1) / RATE
    assert f"from {first_s:.1f} s on" in note_of(clipped, QualityCode.CLIPPED).message


def test_normalised_music_touching_full_scale_is_not_clipped():
    music = melody([110.0, 146.8, 164.8, 98.0, 220.0, 82.4, 110.0, 130.8])
    assert codes(as_recorded(music / np.abs(music).max())) == set()


# ---- hum


@pytest.mark.parametrize("mains_hz", [50.0, 60.0, 49.9, 60.06])
@pytest.mark.parametrize("relative_db", [-24, -12])
def test_hum(mains_hz, relative_db):
    time_s = np.arange(12 * RATE) / RATE
    lines = sum(np.sin(2 * np.pi * k * mains_hz * time_s + k) / k for k in (1, 2, 3, 5))
    hum = 0.02 * 10 ** (relative_db / 20) * lines / lines.std()
    hiss = 0.02 * np.random.default_rng(4).standard_normal(time_s.size)
    note = note_of(hiss + hum, QualityCode.HUM)
    assert f"{round(mains_hz / 10) * 10}, " in note.message
    assert "protective earth" in note.message
    loud = Severity.WARNING if relative_db > -20 else Severity.INFO
    assert note.severity is loud


def test_lone_line_of_hum():
    time_s = np.arange(12 * RATE) / RATE
    assert codes(stage_noise() + 0.01 * np.sin(2 * np.pi * 50 * time_s)) == {QualityCode.HUM}


def test_hum_under_a_howl():
    time_s = np.arange(12 * RATE) / RATE
    hum = sum(0.003 * np.sin(2 * np.pi * k * 50 * time_s) / k for k in (1, 2, 3, 4))
    assert codes(howl() + hum) == {QualityCode.HUM}


def test_notes_at_the_mains_frequency_are_not_hum():
    """Struck again and again, they do not hold their level as hum does."""
    assert codes(melody([50.0] * 4, note_s=3.0)) == set()


def test_ring_at_a_mains_multiple_is_not_hum():
    """A ring may sit anywhere, and it grows: hum does not."""
    assert codes(howl(100.0)) == set()
    assert codes(howl(120.0)) == set()


# ---- dropouts


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("lost_s", [0.001, 0.02, 0.4])
@pytest.mark.parametrize("held", [False, True], ids=["zeros", "held"])
def test_dropouts(lost_s, held, bits):
    samples = as_recorded(stage_noise(level=0.05), bits)
    for start_s in (3.21, 5.0, 9.0):
        start = round(start_s * RATE)
        samples[start : start + round(lost_s * RATE)] = samples[start - 1] if held else 0.0
    note = note_of(samples, QualityCode.DROPOUTS)
    assert note.message.startswith("3 dropouts")
    assert "3.21 s" in note.message


def test_rests_and_fades_are_not_dropouts():
    envelope = np.ones(12 * RATE)
    for start_s in (2.0, 5.0, 8.0):
        start = round(start_s * RATE)
        envelope[start : start + 4_800] = np.linspace(1, 0, 4_800)
        envelope[start + 4_800 : start + 20_000] = 0
        envelope[start + 20_000 : start + 24_800] = np.linspace(0, 1, 4_800)
    assert codes(as_recorded(stage_noise() * envelope)) == set()


def test_clipping_is_not_dropouts():
    low = np.clip(20 * np.sin(2 * np.pi * 40 * np.arange(12 * RATE) / RATE), -1, 1)
    assert QualityCode.DROPOUTS not in codes(low)
    assert codes(as_recorded(np.clip(150 * stage_noise(), -1, 1))) == {QualityCode.CLIPPED}


# ---- a test noise that does not hold its level


def test_noise_gate():
    noise = pink_noise(15.0) + stage_noise(15.0, 1e-4)
    noise[5 * RATE : 6 * RATE] *= 0.05
    note = note_of(noise, QualityCode.INTERRUPTED, PINK)
    assert "gate" in note.message
    assert "5.0 s" in note.message


def test_automatic_gain():
    time_s = np.arange(15 * RATE) / RATE
    settling = 10 ** (-6 * (1 - np.exp(-time_s / 3)) / 20)
    note = note_of(pink_noise(15.0) * settling, QualityCode.UNSTEADY_LEVEL, PINK)
    assert "automatic gain" in note.message
    assert "\N{MINUS SIGN}" in note.message or "-" in note.message


@pytest.mark.parametrize("t60_s", [0.5, 8.0])
def test_a_large_room_is_neither_gate_nor_automatic_gain(t60_s):
    decay = 10 ** (-3 * np.arange(round(t60_s * RATE)) / (t60_s * RATE))
    response = decay * np.random.default_rng(1).standard_normal(decay.size)
    padded = np.concatenate((np.zeros(RATE), pink_noise(12.0), np.zeros(2 * RATE)))
    heard = signal.fftconvolve(padded, response)
    heard *= 0.2 / np.abs(heard).max()
    assert codes(heard + stage_noise(heard.size / RATE, 1e-5), PINK) == set()


def test_music_in_place_of_noise():
    music = melody([110.0, 146.8, 164.8, 98.0, 220.0, 82.4, 110.0, 130.8])
    assert QualityCode.UNSTEADY_LEVEL in codes(music, PINK)


@pytest.mark.parametrize(("snr_db", "found"), [(3.0, True), (15.0, False)])
def test_noise_over_its_background(snr_db, found):
    noise = np.concatenate((np.zeros(3 * RATE), pink_noise(15.0), np.zeros(3 * RATE)))
    floor = pink_noise(21.0, seed=9, fade_s=0.0) * 10 ** (-snr_db / 20)
    result = codes(noise + floor, PINK)
    assert (QualityCode.NOISY in result) is found
    assert QualityCode.UNSTEADY_LEVEL not in result


def test_ring_out_may_change_its_level():
    assert codes(howl(), RING_OUT) == set()


# ---- refusing


def test_unusable_captures_are_refused_with_every_reason():
    samples = np.zeros(RATE, np.float32)
    capture = Capture("quiet\n.wav", RATE, 1, samples, RING_OUT, judge(samples, RATE, RING_OUT))
    with pytest.raises(CaptureError, match=r"quiet\\n\.wav: 1\.0 s is too short.* silent"):
        require_usable(capture)


def test_warnings_do_not_refuse():
    samples = stage_noise(5.0).astype(np.float32)
    require_usable(Capture("short.wav", RATE, 1, samples, RING_OUT, judge(samples, RATE, RING_OUT)))


def test_gravest_note_comes_first():
    notes = judge(np.full(8_000 * 3, 1e-3, np.float32), 8_000, RING_OUT)
    assert notes[0].severity is Severity.UNUSABLE
    notes = judge((0.05 + stage_noise()).astype(np.float32)[: 9 * 8_000], 8_000, RING_OUT)
    assert [note.severity for note in notes] == ["warning", "warning", "info"]
