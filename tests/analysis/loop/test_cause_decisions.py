"""Which cause a measure names, and what may be promised: on both sides of each boundary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop import changes, compression, faults, live_mic, reach
from shaping.analysis.loop.changes import Change
from shaping.analysis.loop.promise import gain_interval
from shaping.analysis.loop.stability import in_phase_interval
from shaping.analysis.loop.traces import Traces, answer
from shaping.capture.recording import QualityNote
from shaping.errors import CaptureError

RATE = 48_000.0
NOTHING = np.zeros(4800)
QUIET = Traces(12_000.0, NOTHING, NOTHING, NOTHING)


def codes(notes: list[QualityNote]) -> list[str]:
    return [str(note.code) for note in notes]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (Change(1.29, 0.0, -20.0), []),  # as chance makes it
        (Change(1.31, 0.0, -20.0), ["moved"]),
        (Change(2.0, -31.9, -40.0), ["moved"]),
        (Change(2.0, -32.1, -40.0), []),  # less than 0.2 dB
        (Change(2.0, -32.1, -31.9), ["gain-moved"]),
        (Change(2.0, -20.0, -19.0), ["gain-moved"]),  # the greater of both
        (Change(2.0, -19.0, -20.0), ["moved"]),
    ],
)
def test_a_change_beyond_chance_and_0_2_db_is_of_gain_or_of_shape(
    monkeypatch: pytest.MonkeyPatch, change: Change, told: list[str]
) -> None:
    monkeypatch.setattr(changes, "path_change", lambda _: change)
    assert codes(faults._change(QUIET)) == told


@pytest.mark.parametrize(
    ("jumps_ms", "said"),
    [([0.14, -0.14], None), ([0.0, -0.16], "once"), ([0.3, 0.0, -0.3], "2 times")],
)
def test_a_jump_of_0_15_ms_is_lost_samples(
    monkeypatch: pytest.MonkeyPatch, jumps_ms: list[float], said: str | None
) -> None:
    monkeypatch.setattr(changes, "jumps_s", lambda _: np.array(jumps_ms) / 1000)
    notes = faults._slips(QUIET)
    assert codes(notes) == ([] if said is None else ["slips"])
    assert said is None or f"lost samples {said}" in notes[0].message


@pytest.mark.parametrize(("bend", "told"), [(0.0099, []), (0.0101, ["compressed"])])
def test_a_hundredth_of_the_cube_is_compression(
    monkeypatch: pytest.MonkeyPatch, bend: float, told: list[str]
) -> None:
    monkeypatch.setattr(compression, "bend", lambda _: bend)
    assert codes(faults._compression(QUIET)) == told


@pytest.mark.parametrize(
    ("copy", "likeness", "noise", "told"),
    [
        (3.5, 0.119, 1.0, []),
        (3.7, 0.0, 1.0, ["mic-live"]),
        (0.0, 0.121, 1.0, ["mic-live"]),
        (0.0, 0.9, 0.0039, []),  # hardly any noise: what is left of the fit says nothing
        (0.0, 0.9, 0.0041, ["mic-live"]),
    ],
)
def test_a_copy_or_noise_like_the_path_is_a_live_mic(
    monkeypatch: pytest.MonkeyPatch, copy: float, likeness: float, noise: float, told: list[str]
) -> None:
    monkeypatch.setattr(live_mic, "copy_in_path", lambda *_, **__: (copy, 0.01))
    monkeypatch.setattr(live_mic, "noise_likeness", lambda *_, **__: likeness)
    swing = np.tile([1.0, -1.0], 100)
    traces = Traces(12_000.0, swing, swing, noise * swing)
    found = loop(np.full(4, -10.0))
    notes = faults._live(found, swing.astype(np.float32), traces, swing, 0, RATE)
    assert codes(notes) == told


@pytest.mark.parametrize(("fall_db", "told"), [(25.1, []), (24.9, ["too-short"])])
def test_a_response_that_fell_by_less_than_25_db_is_too_short(
    monkeypatch: pytest.MonkeyPatch, fall_db: float, told: list[str]
) -> None:
    monkeypatch.setattr(reach, "fall_db", lambda *_, **__: fall_db)
    assert codes(faults._length(NOTHING, 0, RATE)) == told


@pytest.mark.parametrize(
    ("played", "heard", "refused"),
    [(2.4, 1.0, False), (2.6, 1.5, True), (2.6, 1.7, False)],
)
def test_a_rough_reference_beside_a_smooth_capture_is_swapped(
    monkeypatch: pytest.MonkeyPatch, played: float, heard: float, refused: bool
) -> None:
    """Chance makes 1 of a smooth spectrum."""
    rough = {1: heard, 2: played}
    monkeypatch.setattr(reach, "roughness", lambda x, **_: rough[x.size])
    files = np.zeros(1, np.float32), np.zeros(2, np.float32)
    if not refused:
        faults.refuse_swapped(*files, capture_rate_hz=RATE, reference_rate_hz=RATE)
        return
    with pytest.raises(CaptureError, match="swapped"):
        faults.refuse_swapped(*files, capture_rate_hz=RATE, reference_rate_hz=RATE)


@pytest.mark.parametrize(
    ("measured", "missing"),
    [
        (((201.0, 9000.0),), ()),  # a third of an octave over 160 Hz is 201.6 Hz
        (((202.0, 9000.0),), ((160.0, 202.0),)),
        (((100.0, 6360.0),), ()),  # 8 kHz less a third of an octave is 6350 Hz
        (((100.0, 6340.0),), ((6340.0, 8000.0),)),
        (((100.0, 1000.0), (1250.0, 9000.0)), ()),
        (((100.0, 1000.0), (1270.0, 9000.0)), ((1000.0, 1270.0),)),
    ],
)
def test_a_third_of_an_octave_between_160_hz_and_8_khz_may_be_missing(
    measured: tuple[tuple[float, float], ...], missing: tuple[tuple[float, float], ...]
) -> None:
    assert reach.gaps(measured) == missing


def bands(share: float = 1.0, low_db: float = -10.0) -> tuple[tuple[float, float], ...]:
    """Return what was measured if of the lines from 128 to 256 Hz so many are trusted."""
    hz = np.arange(0, 10_000.0, 0.25)
    level = np.where(hz < 256, low_db, -10.0)
    evenly = (np.arange(hz.size) * 0.618034) % 1
    return reach.measured_bands(hz, level, (hz >= 256) | ((hz >= 128) & (evenly < share)))


def test_cells_are_a_sixth_of_an_octave_of_which_a_quarter_is_trusted() -> None:
    assert bands(0.22)[0][0] == pytest.approx(256.0)
    assert bands(0.28)[0][0] == pytest.approx(128.0)
    assert bands(0.28)[-1][1] <= 10_000.0
    hz = np.arange(0, 10_000.0, 0.25)
    gap = (hz < 1024) | (hz >= 1024 * 2 ** (1 / 6))
    assert reach.measured_bands(hz, np.zeros(hz.size), gap)[0][1] == pytest.approx(1024.0)
    half = (hz < 1024) | (hz >= 1024 * 2 ** (1 / 12))  # half a cell is enough of it
    assert len(reach.measured_bands(hz, np.zeros(hz.size), half)) == 1


def test_what_lies_20_db_below_the_middle_at_the_ends_was_not_played() -> None:
    assert bands(low_db=-29.9)[0][0] == pytest.approx(128.0)
    assert bands(low_db=-30.1)[0][0] == pytest.approx(256.0)


def loop(level_db: np.ndarray, *, sd: float = 0.0, step_hz: float = 10.0) -> LoopResponse:
    size = level_db.size
    return LoopResponse(
        frequency_hz=np.arange(size) * step_hz,
        response=10 ** (level_db / 20) + 0j,
        coherence=np.ones(size),
        error_db=np.zeros(size),
        variance=np.full(size, sd**2),
        excited=np.ones(size, bool),
        trusted=np.ones(size, bool),
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


def test_the_interval_of_one_peak_is_that_of_the_normal_distribution() -> None:
    """Source: 1.960 deviations hold 95 %; half of a complex variance lies along the estimate."""
    level = np.full(101, -60.0)
    level[50] = 0.0
    found = gain_interval(loop(level, sd=0.05))
    sd = np.hypot(0.05 / np.sqrt(2), 0.03 / 8.686)
    assert found.low_db == pytest.approx(20 * np.log10(1 - 1.96 * sd), abs=0.04)
    assert found.high_db == pytest.approx(20 * np.log10(1 + 1.96 * sd), abs=0.04)


def test_without_noise_three_hundredths_of_a_db_are_left() -> None:
    level = np.full(101, -60.0)
    level[50] = 0.0
    found = gain_interval(loop(level))
    assert found.high_db == pytest.approx(1.96 * 0.03, rel=0.1)
    assert found.low_db == pytest.approx(-1.96 * 0.03, rel=0.1)


def test_every_second_line_counts_for_itself() -> None:
    """Of n equal lines the highest lies at the n-th root of a half: 2.0 sd for 30, 2.3 for 59.

    What it lies too high by is taken off: the truth is as far below as draws come out above.
    """
    found = gain_interval(loop(np.full(59, 0.0), sd=0.05))
    sd = 0.05 / np.sqrt(2)
    assert found.estimate_db == pytest.approx(20 * np.log10(1 + 2.0 * sd), abs=0.03)


def test_points_count_as_far_down_as_chance_can_lift_them() -> None:
    """A hundred points 3 deviations below the top: the highest of all lies 0.17 dB over it."""
    sd = 0.05
    below = 3 * sd / np.sqrt(2)
    level = np.full(401, -60.0)
    level[0:400:2] = 20 * np.log10(1 - below)
    level[200] = 0.0
    rng = np.random.default_rng(1)
    drawn = np.column_stack([1 + 0.0 * np.ones(3_000), np.full((3_000, 199), 1 - below)])
    drawn += sd / np.sqrt(2) * rng.standard_normal(drawn.shape)
    expected = 20 * np.log10(np.median(drawn.max(axis=1)))
    assert gain_interval(loop(level, sd=sd)).estimate_db == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(
    ("delay_s", "possible"), [(0.0018, False), (0.0021, True), (0.0197, True), (0.0212, False)]
)
def test_delays_from_2_to_20_ms_are_taken_as_possible(delay_s: float, possible: bool) -> None:
    """A path that is in phase near 20 Hz after this delay alone; steps of 8 % do not miss it."""
    made = replace(
        loop(np.zeros(3)),
        frequency_hz=np.array([19.0, 20.0, 21.0]),
        response=np.full(3, np.exp(2j * np.pi * 20 * delay_s)),
    )
    least_db, _ = in_phase_interval(made)
    assert least_db == pytest.approx(0.0 if possible else 300.0, abs=0.1)


def live(trip_s: float) -> float:
    """Return how far a copy one trip later stands out, of a path with a direct sound and a room."""
    rng = np.random.default_rng(3)
    path = np.zeros(12_000)
    path[100] = 1.0
    path[400:] = 0.1 * rng.standard_normal(11_600) * np.exp(-np.arange(11_600) / 2500)
    spectrum = np.fft.rfft(path, 2**15)
    turn = np.exp(-2j * np.pi * np.arange(spectrum.size) * (trip_s * RATE - 100) / 2**15)
    gain = 0.5 / np.abs(spectrum).max()
    closed = np.fft.irfft(spectrum / (1 - gain * spectrum * turn), 2**15)
    copy, delay_s = live_mic.copy_in_path(closed, 100, sample_rate_hz=RATE)
    return copy if abs(delay_s - trip_s) < 2e-4 else 0.0


@pytest.mark.parametrize(
    ("trip_s", "told"), [(0.0040, False), (0.0050, True), (0.055, True), (0.065, False)]
)
def test_trips_round_a_loop_take_4_5_to_60_ms(trip_s: float, told: bool) -> None:
    assert (live(trip_s) > 2.5) is told


def test_an_answer_gives_every_octave_the_same_weight() -> None:
    """Whitened: of noise of any tilt the answer to itself is one and the same short pulse."""
    rng = np.random.default_rng(2)
    white = rng.standard_normal(24_000)
    tilted = signal.lfilter([1.0], [1.0, -0.6], white)
    flat = answer(white, white, sample_rate_hz=12_000.0)
    other = answer(tilted, tilted, sample_rate_hz=12_000.0)
    assert np.argmax(flat) == np.argmax(other) == 840  # 70 ms before it the lags begin
    assert flat.size == 840 + 2400  # and 0.2 s after it they end
    near = slice(836, 845)
    assert other[near] / other[840] == pytest.approx(flat[near] / flat[840], abs=0.05)
