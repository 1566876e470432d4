"""Peaks, ridges, tracks and rises on spectrograms written by hand."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.ring_out.lines import steepest_slope, steepest_straight
from shaping.analysis.ring_out.ridges import (
    Peaks,
    Ridge,
    around_db,
    find_peaks,
    link,
    neighbourhood_db,
    rising,
    steady_ridges,
)
from shaping.analysis.ring_out.tracks import Track, follow, rises
from shaping.analysis.spectra import Spectrogram

FLOOR_DB = -80.0
HOP_S = 0.02


def spectrogram(level_db: np.ndarray) -> Spectrogram:
    """Return a spectrogram with bins of 10 Hz and frames every 20 ms, the first at 40 ms."""
    frames, bins = level_db.shape
    return Spectrogram(
        0.04 + HOP_S * np.arange(frames), 10.0 * np.arange(bins), level_db.astype(np.float32)
    )


def tone(level_db: np.ndarray | list[float], *, place: int = 30, bins: int = 80) -> np.ndarray:
    """Return levels of a tone at a bin's centre over a floor: half as high one bin off."""
    level = np.asarray(level_db, float)
    table = np.full((level.size, bins), FLOOR_DB)
    for off, less in ((-1, 6.02), (0, 0.0), (1, 6.02)):
        table[:, place + off] = np.maximum(table[:, place + off], level - less)
    return table


def test_the_neighbourhood_leaves_the_tones_own_lobe_out() -> None:
    """Bins 3 to 12 to either side: 20 of them."""
    row = np.zeros((1, 60), np.float32)
    row[0, 28:33] = 100.0  # two to either side do not count
    assert neighbourhood_db(row)[0, 30] == pytest.approx(0.0, abs=1e-4)
    for place, counted in (
        (27, True),
        (33, True),
        (18, True),
        (42, True),
        (17, False),
        (43, False),
    ):
        row = np.zeros((1, 60), np.float32)
        row[0, place] = 20.0
        assert neighbourhood_db(row)[0, 30] == pytest.approx(1.0 if counted else 0.0, abs=1e-4)
        assert around_db(row, 30)[0] == pytest.approx(1.0 if counted else 0.0, abs=1e-4)


def test_around_stays_within_the_bins() -> None:
    row = np.arange(40, dtype=np.float32)[None]
    assert around_db(row, 0)[0] == pytest.approx(np.mean([0.0] * 10 + list(range(3, 13))))
    assert around_db(row, 39)[0] == pytest.approx(np.mean([39.0] * 10 + list(range(27, 37))))


@pytest.mark.parametrize(
    ("height_db", "least_db", "found"), [(-70.0, -95.0, 1), (-70.1, -95.0, 0), (-70.0, -69.0, 0)]
)
def test_a_peak_stands_ten_db_over_its_neighbourhood(
    height_db: float, least_db: float, found: int
) -> None:
    level = np.full((1, 80), FLOOR_DB)
    level[0, 30] = height_db
    peaks = find_peaks(spectrogram(level), min_contrast_db=10.0, min_level_db=least_db)
    assert peaks.frame.size == found


def test_a_peak_is_read_between_the_bins_with_its_contrast() -> None:
    level = np.full((3, 80), FLOOR_DB)
    level[1, 30:33] = [-46.25, -40.25, -42.25]  # -40 - 4 (x - 1/4)^2
    (only,) = (find_peaks(spectrogram(level), min_contrast_db=10.0, min_level_db=-95.0),)
    assert only.frame.tolist() == [1]
    assert only.frequency_hz == pytest.approx([312.5])
    assert only.level_db == pytest.approx([-40.0])
    assert only.contrast_db == pytest.approx([39.75], abs=1e-3)


def test_of_two_equal_bins_the_lower_is_the_peak_and_the_edges_hold_none() -> None:
    level = np.full((1, 80), FLOOR_DB)
    level[0, [0, 79]] = -20.0
    level[0, 40:42] = -20.0
    peaks = find_peaks(spectrogram(level), min_contrast_db=10.0, min_level_db=-95.0)
    assert peaks.frequency_hz == pytest.approx([405.0])


def peaks_at(*places: tuple[int, float, float]) -> Peaks:
    frame, hz, level = zip(*places, strict=True)
    return Peaks(np.array(frame), np.array(hz), np.array(level), np.full(len(frame), 20.0))


def test_peaks_near_a_frequency_tell_their_height() -> None:
    peaks = peaks_at((3, 100.0, -30.0), (3, 104.0, -20.0), (4, 100.0, -10.0))
    heights = peaks.heights_near(3, np.array([100.0, 103.0, 200.0]), np.array([4.0, 4.0, 5.0]))
    assert heights.tolist() == [-30.0, -20.0, -np.inf]  # 4 Hz off is not nearer than 4 Hz
    assert peaks.heights_near(9, np.array([100.0]), np.array([9.0])).tolist() == [-np.inf]
    back = peaks.reversed(10)
    assert back.frame.tolist() == [5, 6, 6]
    assert back.level_db.tolist() == [-10.0, -30.0, -20.0]


@pytest.mark.parametrize(("hz", "linked"), [(104.0, True), (104.1, False), (95.9, False)])
def test_a_link_moves_by_no_more_than_the_step(hz: float, linked: bool) -> None:
    found = link(peaks_at((0, 100.0, 0.0), (1, hz, 0.0)), max_step_hz=4.0)
    assert bool(found[1] == 0) is linked


def test_a_link_skips_no_frame_and_long_chains_keep_their_first() -> None:
    assert link(peaks_at((0, 100.0, 0.0), (2, 100.0, 0.0)), max_step_hz=4.0).tolist() == [0, 1]
    chain = peaks_at(*((n, 100.0 + n, 0.0) for n in range(20)))
    assert link(chain, max_step_hz=1.5).tolist() == [0] * 20


def ridges_of(level_db: np.ndarray) -> list[Ridge]:
    made = spectrogram(level_db)
    peaks = find_peaks(made, min_contrast_db=10.0, min_level_db=-95.0)
    return steady_ridges(peaks, made, min_contrast_db=15.0)


@pytest.mark.parametrize(("frames", "found"), [(7, 1), (6, 0)])
def test_a_ridge_lasts_seven_frames(frames: int, found: int) -> None:
    level = np.where(np.arange(30) < frames, -40.0, FLOOR_DB)
    assert len(ridges_of(tone(level))) == found


def test_a_ridge_stands_15_db_out_somewhere() -> None:
    level = np.full(20, -67.0)
    assert ridges_of(tone(level)) == []
    level[10] = -60.0
    (ridge,) = ridges_of(tone(level))
    assert ridge.frame.tolist() == list(range(20))
    assert ridge.frequency_hz == pytest.approx(300.0)


@pytest.mark.parametrize(("gap", "ridges"), [(9, 1), (10, 2)])
def test_pieces_join_across_a_fifth_of_a_second(gap: int, ridges: int) -> None:
    """Ten frames of 20 ms from the last frame of one to the first of the next."""
    level = np.full(60, FLOOR_DB)
    level[5:20] = level[20 + gap : 40 + gap] = -40.0
    found = ridges_of(tone(level))
    assert len(found) == ridges
    assert found[0].frame[0] == 5
    if ridges == 1:
        assert found[0].frame.size == 35


def test_pieces_of_different_pitch_do_not_join_and_the_nearest_does() -> None:
    def piece(start: int, hz: float) -> list[tuple[int, float, float]]:
        return [(start + n, hz, -40.0) for n in range(10)]

    made = spectrogram(np.full((60, 80), -60.0))
    places = sorted([*piece(0, 300.0), *piece(0, 320.0), *piece(14, 301.2), *piece(14, 321.4)])
    found = steady_ridges(peaks_at(*places), made, min_contrast_db=15.0)
    # 0.13 bins are 1.3 Hz: 300 and 301.2 are one, 320 and 321.4 are two.
    assert sorted(r.frame.size for r in found) == [10, 10, 20]


def test_a_pitch_that_spreads_is_no_ridge() -> None:
    made = spectrogram(np.full((60, 80), -60.0))

    def swing(by_hz: float) -> int:
        places = [(n, 300.0 + by_hz * (-1) ** n, -40.0) for n in range(20)]
        return len(steady_ridges(peaks_at(*places), made, min_contrast_db=15.0))

    assert swing(1.25) == 1
    assert swing(1.35) == 0


def test_a_ridge_backwards_and_what_rises() -> None:
    ridge = Ridge(np.array([3, 4, 7]), 300.0)
    assert ridge.reversed(10).frame.tolist() == [2, 5, 6]
    level = np.concatenate([[-50.0, -55.0], np.linspace(-54, -46, 10), [-60.0, -58.0]])
    made = spectrogram(tone(level))
    whole = Ridge(np.arange(14), 300.0)
    # From -55 up to -46 are 9 dB, although it ends lower.
    assert rising([whole, whole], made, min_rise_db=9.0) == [whole, whole]
    assert rising([whole], made, min_rise_db=9.1) == []
    assert rising([], made, min_rise_db=1.0) == []


def tracks_of(level_db: np.ndarray, ridge: Ridge) -> Track:
    made = spectrogram(tone(level_db))
    peaks = find_peaks(made, min_contrast_db=10.0, min_level_db=-95.0)
    (track,) = follow(made, peaks, [ridge])
    return track


def test_a_track_begins_before_its_ridge_and_goes_on_for_0_4_s() -> None:
    level = np.full(200, -70.0)
    level[50:60] = -40.0
    track = tracks_of(level, Ridge(np.arange(50, 60), 300.0))
    assert track.begin == 40  # as long before as it lasted
    assert track.level_db.size == 10 + 10 + 20
    assert np.flatnonzero(track.standing).tolist() == list(range(10, 20))
    assert track.level_db[10:20] == pytest.approx(np.full(10, -40.0))
    assert track.time_s(10) == pytest.approx(0.04 + 50 * HOP_S)
    assert (track.hop_s, track.place) == (pytest.approx(HOP_S), 30)
    early = tracks_of(level, Ridge(np.arange(5, 60), 300.0))
    assert early.begin == 0
    long = tracks_of(level, Ridge(np.arange(80, 190), 300.0))
    assert long.begin == 80 - 67  # never more than half of the longest line
    assert long.level_db.size == 200 - long.begin


def test_a_tracks_level_between_bins_is_what_the_tone_has() -> None:
    """Half a bin off a Hann window reads 1.42 dB low (Harris 1978)."""
    level = np.full((40, 80), FLOOR_DB)
    level[:, 30:32] = -41.42
    made = spectrogram(level)
    peaks = find_peaks(made, min_contrast_db=10.0, min_level_db=-95.0)
    (track,) = follow(made, peaks, [Ridge(np.arange(40), 305.0)])
    assert track.level_db == pytest.approx(np.full(40, -40.0), abs=0.01)
    assert follow(made, peaks, []) == []


def lines_of(level_db: np.ndarray, first: int, last: int) -> list[tuple[int, int, float]]:
    track = tracks_of(level_db, Ridge(np.arange(first, last + 1), 300.0))
    found = rises([track])
    return sorted(
        (int(a) + track.begin, int(b) + track.begin, round(float(s), 1))
        for a, b, s in zip(found.first, found.last, found.slope_db_per_s, strict=True)
    )


def test_a_straight_rise_is_found_from_foot_to_top() -> None:
    """1 dB a frame of 20 ms is 50 dB/s."""
    level = np.concatenate([np.full(20, -70.0), np.arange(-70.0, -29.0), np.full(30, -30.0)])
    ((first, last, slope),) = lines_of(level, 25, 90)
    assert first == pytest.approx(20, abs=4)
    assert last == pytest.approx(60, abs=3)
    assert slope == pytest.approx(50.0, abs=3.0)


@pytest.mark.parametrize(("slope_db_per_s", "found"), [(4.6, 1), (4.4, 0)])
def test_eight_db_of_rise_are_the_least(slope_db_per_s: float, found: int) -> None:
    """The longest line of a hundred levels has ninety: 1.78 s at 4.5 dB/s are 8 dB."""
    assert len(lines_of(-50 + slope_db_per_s * HOP_S * np.arange(100), 0, 99)) == found


@pytest.mark.parametrize(("slope_db_per_s", "found"), [(3.4, 1), (2.6, 0)])
def test_slower_than_3_db_a_second_is_a_hand_on_the_fader(
    slope_db_per_s: float, found: int
) -> None:
    level = -60 + slope_db_per_s * HOP_S * np.arange(200)
    assert len(lines_of(level, 0, 199)) == found


def test_two_rises_do_not_overlap() -> None:
    up = np.arange(-70.0, -39.0)
    level = np.concatenate([up, np.full(10, -70.0), up, np.full(10, -40.0)])
    found = lines_of(level, 0, 81)
    assert len(found) == 2
    assert found[0][1] < found[1][0]


def test_nothing_rises_where_there_is_nothing() -> None:
    assert rises([]).owner.size == 0
    assert lines_of(np.full(60, -40.0), 0, 59) == []
    assert lines_of(np.linspace(-30, -70, 60), 0, 59) == []


def test_the_steepest_half_second_of_the_later_half() -> None:
    slow, fast = 20.0 * HOP_S, 60.0 * HOP_S
    level = np.concatenate(
        [np.arange(50) * slow, 50 * slow + np.arange(50) * fast]
    )  # one second each
    assert steepest_slope(level, HOP_S, length_s=0.5) == pytest.approx(60.0)
    early = np.concatenate([np.arange(50) * fast, 50 * fast + np.arange(50) * slow])
    # Of the 76 starts the later half begins at 38: 12 steps of the fast part are still in it.
    later = [np.polyfit(HOP_S * np.arange(25), early[n : n + 25], 1)[0] for n in range(38, 76)]
    assert steepest_slope(early, HOP_S, length_s=0.5) < 60.0
    assert min(later) <= steepest_slope(early, HOP_S, length_s=0.5) <= max(later)
    assert steepest_slope(level[:10], HOP_S, length_s=0.5) == pytest.approx(20.0)
    assert steepest_slope(level[:50], HOP_S, length_s=0.0001) == pytest.approx(20.0)


def test_a_bump_does_not_pass_for_growth() -> None:
    straight = 30.0 * HOP_S * np.arange(100)
    bumped = straight.copy()
    bumped[80:90] += np.linspace(0, 6, 10)
    bumped[90:] += 6 * np.exp(-np.arange(10))
    assert steepest_slope(bumped, HOP_S, length_s=0.5) < 45.0


def test_two_db_off_the_line_end_a_straight_part() -> None:
    level = np.concatenate([np.full(10, -40.0), -40 + 2.0 * np.arange(1, 21), [3.0, 3.0, 3.0]])
    first, last = steepest_straight(level[None], HOP_S)
    # On the line the floor would lie 2 dB lower at index 8 and the top 2 dB higher at 31.
    assert int(first[0]) in (8, 9)
    assert int(last[0]) in (30, 31)
