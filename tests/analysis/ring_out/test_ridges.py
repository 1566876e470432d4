"""Ridges: a fixed tone is one ridge, a glide is many."""

import numpy as np

from shaping.analysis.ring_out.ridges import Peaks, find_peaks, link
from shaping.analysis.spectra import power_spectrogram


def _longest_share(samples, sample_rate_hz=16000):
    spectrogram = power_spectrogram(samples.astype(np.float32), sample_rate_hz)
    peaks = find_peaks(spectrogram, min_contrast_db=10, min_level_db=-80)
    ridge = link(peaks, max_step_hz=0.3 * spectrogram.bin_hz)
    return np.bincount(ridge).max() / spectrogram.time_s.size


def test_fixed_tone_is_one_ridge_and_a_glide_is_not():
    time = np.arange(2 * 16000) / 16000
    assert _longest_share(np.sin(2 * np.pi * 440 * time)) == 1.0
    assert _longest_share(np.sin(2 * np.pi * (440 + 150 * time) * time)) < 0.2


def test_links_are_mutual_and_follow_the_nearest():
    peaks = Peaks(
        frame=np.array([0, 0, 1, 1, 2, 4]),
        frequency_hz=np.array([100.0, 104.0, 101.0, 300.0, 101.5, 101.5]),
        level_db=np.zeros(6),
        contrast_db=np.zeros(6),
    )
    assert link(peaks, max_step_hz=4.0).tolist() == [0, 1, 0, 3, 0, 5]


def test_no_peaks_link_to_nothing():
    empty = np.zeros(0)
    peaks = Peaks(empty.astype(np.int64), empty, empty, empty)
    assert link(peaks, max_step_hz=4.0).size == 0
