"""One channel's detector on planted howls and on what only resembles them."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import CERTAIN
from shaping.rehearsals.detector import Candidate, Detector
from shaping.rehearsals.judging import events_of

RATE = 48_000


def candidates(samples: np.ndarray, *, rate: int = RATE, block: int = 65_536) -> list[Candidate]:
    detector = Detector(rate)
    found: list[Candidate] = []
    for start in range(0, samples.size, block):
        found += detector.feed(samples[start : start + block])
    return found + detector.finish()


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000])
@pytest.mark.parametrize("frequency_hz", [317.0, 2_517.0, 6_300.0])
def test_a_planted_howl_is_found_at_its_hertz_time_and_growth(planted_howl, rate, frequency_hz):
    """Growth, frequency and time of the planted line come back."""
    samples = planted_howl(frequency_hz=frequency_hz, rate=rate)
    events = events_of(candidates(samples, rate=rate), channel=1)
    assert len(events) == 1
    (event,) = events
    assert event.confidence >= CERTAIN
    assert event.frequency_hz == pytest.approx(frequency_hz, rel=0.001)
    assert event.growth_db_per_s == pytest.approx(60.0, rel=0.1)
    assert event.peak_dbfs == pytest.approx(20 * np.log10(0.3), abs=0.3)
    assert event.stop_s == pytest.approx(4.0 + 1.0 + 1.0, abs=0.25)


def test_results_do_not_depend_on_the_block_size(planted_howl):
    samples = planted_howl()
    whole = candidates(samples, block=samples.size)
    for block in (999, 4_096, 65_536):
        assert candidates(samples, block=block) == whole
    assert whole


def test_a_howl_that_lasts_is_one_event_and_memory_stays_bounded(planted_howl):
    samples = planted_howl(hold_s=40.0, total_s=50.0)
    detector = Detector(RATE)
    found: list[Candidate] = []
    pool = []
    for start in range(0, samples.size, RATE):
        found += detector.feed(samples[start : start + RATE])
        pool.append(len(detector._pool))
    events = events_of(found + detector.finish(), channel=1)
    assert [e.duration_s for e in events] == [pytest.approx(40.4, abs=0.2)]
    assert max(pool[20:]) < 1_000


def test_noise_and_silence_give_nothing():
    rng = np.random.default_rng(1)
    noise = 0.1 * rng.standard_normal(20 * RATE).astype(np.float32)
    assert events_of(candidates(noise), channel=1) == []
    assert candidates(np.zeros(10 * RATE, np.float32)) == []


def test_recordings_shorter_than_a_frame_give_nothing():
    assert candidates(np.ones(100, np.float32)) == []
    assert candidates(np.zeros(0, np.float32)) == []
