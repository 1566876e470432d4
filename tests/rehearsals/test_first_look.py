"""The quick look at many tracks: spectra of a few frames in, worth measuring or not out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shaping.rehearsals.first_look import MEASURES, look, possible
from shaping.rehearsals.frame_peaks import FramePeaks, peaks_of_frames
from shaping.rehearsals.frames import Grid, grid_for
from shaping.rehearsals.linking import link_peaks
from shaping.rehearsals.model import worth_measuring

GRID = Grid(sample_rate_hz=8000, length=800, hop=200, first_bin=0, stop_bin=301)
PLACE = 90
FRAMES = 12


def looked_at(
    *,
    near: float = 0.0,
    kin: dict[float, float] | None = None,
    rest: float = 0.0,
    frames: int = FRAMES,
    swing: float = 0.0,
    soft: int = 0,
    soft_db: float = -10.1,
) -> np.ndarray:
    """Return the quick measures of one tone of power 1 at bin 90, shape (1, 6).

    `near` is the power of every bin from 4 to 12 beside it, `kin` that at ratios of its frequency,
    `rest` what else sounds in each frame; its pitch swings by bins, and `soft` frames are weaker.
    """
    power = np.zeros((frames, 301), np.float32)
    for off in (*range(-12, -3), *range(4, 13)):
        power[:, PLACE + off] = near
    for ratio, height in (kin or {}).items():
        power[:, round(PLACE * ratio)] = height
    power[:, PLACE] = 1.0
    level = np.zeros(frames, np.float32)
    level[frames - soft :] = soft_db
    peaks = FramePeaks(
        frame=np.arange(frames) + 100,
        bin=np.full(frames, PLACE),
        position=(PLACE + swing * (-1.0) ** np.arange(frames)).astype(np.float32),
        level_dbfs=level,
    )
    total = np.full(frames, 1.0 + rest, np.float32)
    return look(peaks, np.array([0]), power, total, 100, GRID)


def measure(name: str, looks: np.ndarray) -> float:
    return float(looks[0, MEASURES.index(name)])


def is_possible(**tone: Any) -> bool:
    (verdict,) = possible(looked_at(**tone))
    return bool(verdict)


def is_worth_measuring(**tone: Any) -> bool:
    (verdict,) = worth_measuring(looked_at(**tone))
    return bool(verdict)


def test_a_tone_alone_is_possible_and_worth_measuring() -> None:
    assert is_possible()
    assert is_worth_measuring()


@pytest.mark.parametrize(("near_db", "verdict"), [(-6.1, True), (-5.9, False)])
def test_it_stands_6_db_over_the_bins_around_it(near_db: float, verdict: bool) -> None:
    near = 10 ** (near_db / 10)
    assert measure("stand_off_db", looked_at(near=near)) == pytest.approx(-near_db, abs=1e-3)
    assert is_possible(near=near) is verdict


@pytest.mark.parametrize(
    ("ratio", "name", "other"),
    [
        (1 / 3, "partner_db", "harmonic_db"),
        (1 / 2, "partner_db", "harmonic_db"),
        (2 / 3, "partner_db", "harmonic_db"),
        (3 / 2, "partner_db", "harmonic_db"),
        (2.0, "harmonic_db", "partner_db"),
        (3.0, "harmonic_db", "partner_db"),
    ],
)
def test_what_sounds_at_simple_ratios_is_measured(ratio: float, name: str, other: str) -> None:
    looks = looked_at(kin={ratio: 10**-0.4})
    assert measure(name, looks) == pytest.approx(-4.0, abs=1e-3)
    assert measure(other, looks) < -60.0


def test_other_ratios_may_sound() -> None:
    looks = looked_at(kin={1.25: 0.9, 1.75: 0.9})
    assert measure("harmonic_db", looks) < -60.0
    assert measure("partner_db", looks) < -60.0


def test_one_among_equals_at_simple_ratios_is_not_worth_measuring() -> None:
    family = {0.5: 1.0, 2.0: 1.0}
    assert is_possible(kin=family)
    assert not is_worth_measuring(kin=family)
    weaker = dict.fromkeys(family, 10 ** (-2.0))
    assert is_worth_measuring(kin=weaker)


def test_what_is_beyond_the_bars_is_not_worth_measuring_whatever_the_quick_sum() -> None:
    assert is_worth_measuring(near=10**-0.61)
    assert not is_worth_measuring(near=10**-0.59)


@pytest.mark.parametrize(("share_db", "verdict"), [(-23.9, True), (-24.1, False)])
def test_it_holds_a_250th_of_the_power(share_db: float, verdict: bool) -> None:
    rest = 10 ** (-share_db / 10) - 1
    assert measure("share_db", looked_at(rest=rest)) == pytest.approx(share_db, abs=1e-3)
    assert is_possible(rest=rest) is verdict


@pytest.mark.parametrize(("frames", "verdict"), [(10, True), (9, False)])
def test_it_is_loud_for_ten_frames(frames: int, verdict: bool) -> None:
    assert measure("loud_frames", looked_at(frames=frames)) == frames
    assert is_possible(frames=frames) is verdict
    assert is_possible(frames=frames + 5, soft=5) is verdict
    # Within 10 dB of the loudest is loud.
    assert measure("loud_frames", looked_at(frames=frames, soft=5, soft_db=-9.9)) == frames


@pytest.mark.parametrize(("swing", "verdict"), [(0.18, True), (0.185, False)])
def test_its_pitch_steps_by_a_third_of_a_bin(swing: float, verdict: bool) -> None:
    """Eleven steps of twice the swing between twelve peaks; the root of their mean square."""
    trembles = measure("tremble_bins", looked_at(swing=swing))
    assert trembles == pytest.approx(2 * swing * (11 / 12) ** 0.5, abs=1e-4)
    assert is_possible(swing=swing) is verdict


def test_each_track_is_judged_by_itself() -> None:
    power = np.zeros((20, 301), np.float32)
    power[:, 90] = 1.0
    power[:, 150] = 1.0
    power[:, 100] = 10 ** (-3.0 / 10)  # two thirds of 150
    position = np.repeat([90.0, 150.0], 20)
    position[20:] += 0.2 * (-1.0) ** np.arange(20)
    peaks = FramePeaks(
        np.concatenate([np.arange(20)] * 2),
        np.repeat([90, 150], 20),
        position.astype(np.float32),
        np.zeros(40, np.float32),
    )
    looks = look(peaks, np.array([0, 20]), power, power.sum(axis=1), 0, GRID)
    assert looks[0, MEASURES.index("partner_db")] < -60.0
    assert looks[1, MEASURES.index("partner_db")] == pytest.approx(-3.0, abs=1e-3)
    trembles = looks[:, MEASURES.index("tremble_bins")]
    assert trembles == pytest.approx([0.0, 0.4 * (19 / 20) ** 0.5], abs=1e-4)
    assert possible(looks).tolist() == [True, False]


@pytest.mark.parametrize(
    ("rate", "length", "first_hz", "last_hz"),
    [
        (48_000, 4096, 23.4375, 12_141.0),
        (8000, 512, 31.25, 4000.0),
        (192_000, 16_384, 23.4375, 12_141.0),
    ],
)
def test_the_grid_follows_the_rate(rate: int, length: int, first_hz: float, last_hz: float) -> None:
    """Frames near 85 ms, a power of two; 80 Hz to 12 kHz with 12 bins more to either side.

    But for the first two, which a converter's offset fills.
    """
    grid = grid_for(rate)
    assert (grid.length, grid.hop) == (length, length // 4)
    assert grid.first_bin * grid.bin_hz == pytest.approx(first_hz)
    assert (grid.stop_bin - 1) * grid.bin_hz == pytest.approx(last_hz, abs=grid.bin_hz)
    assert grid.time_s(4) == pytest.approx(1.5 * length / rate)
    assert grid.hop_s == length / 4 / rate


def test_peaks_of_a_frame_and_their_bounds() -> None:
    grid = Grid(8000, 800, 200, 0, 101)
    power = np.full((1, 101), 1e-9, np.float32)

    def found(place: int, **others: float) -> int:
        row = power.copy()
        row[0, place] = 1.0
        for name, value in others.items():
            row[0, place + int(name[1:]) * (1 if name[0] == "p" else -1)] = value
        return len(peaks_of_frames(row, 7, grid))

    assert found(50) == 1
    for name in ("p3", "p4", "m3", "m4"):
        assert found(50, **{name: 0.24}) == 1  # 6 dB are a quarter
        assert found(50, **{name: 0.26}) == 0
    assert found(50, p5=0.9) == 2
    assert found(8) == 1  # 80 Hz
    assert found(7) == 0
    assert found(88) == 1
    assert found(89) == 0  # 12 bins of margin
    weak = power.copy()
    weak[0, 50] = 10 ** (-77.9 / 10)
    assert len(peaks_of_frames(weak, 0, grid)) == 1
    weak[0, 50] = 10 ** (-78.1 / 10)
    assert len(peaks_of_frames(weak, 0, grid)) == 0
    assert found(50, p20=10**-2.79) == 2
    assert found(50, p20=10**-2.81) == 1
    assert len(peaks_of_frames(power[:0], 0, grid)) == 0


def test_a_peak_is_read_between_the_bins() -> None:
    """A parabola in dB through -6.25, -0.25, -2.25: top of 0 dB a quarter of a bin up."""
    grid = Grid(8000, 800, 200, 0, 101)
    row = np.full((1, 101), 1e-9, np.float32)
    row[0, 49:52] = 10 ** (np.array([-6.25, -0.25, -2.25]) / 10)
    peaks = peaks_of_frames(row, 7, grid)
    assert peaks.frame.tolist() == [7]
    assert peaks.bin.tolist() == [50]
    assert peaks.position == pytest.approx([50.25], abs=1e-4)
    assert peaks.level_dbfs == pytest.approx([0.0], abs=1e-3)


def track(*places: tuple[int, float]) -> list[int]:
    frame, position = zip(*places, strict=True)
    peaks = FramePeaks(
        np.array(frame),
        np.rint(position).astype(np.int64),
        np.array(position, np.float32),
        np.zeros(len(frame), np.float32),
    )
    return [int(root) for root in link_peaks(peaks, 301)]


def test_tracks_go_on_over_two_missing_frames_and_half_a_bin() -> None:
    assert track((0, 50.0), (3, 50.0)) == [0, 0]
    assert track((0, 50.0), (4, 50.0)) == [0, 1]
    assert track((0, 50.0), (1, 50.59)) == [0, 0]
    assert track((0, 50.0), (1, 50.61)) == [0, 1]
    assert track((0, 50.0), (1, 49.38)) == [0, 1]
    assert track((0, 50.0), (1, 50.3), (1, 60.0), (2, 50.6), (3, 50.9)) == [0, 0, 2, 0, 0]
    assert track((0, 50.0)) == [0]


def test_the_nearer_of_two_is_followed_and_each_once() -> None:
    assert track((0, 48.6), (0, 50.4), (1, 50.0)) == [0, 1, 1]
    assert track((0, 50.0), (1, 50.1), (2, 50.2)) == [0, 0, 0]
