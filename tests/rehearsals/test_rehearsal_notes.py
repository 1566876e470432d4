"""A channel that plays notes gets no cuts: the scale is told from the room."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.rehearsals.channels import THESE_ARE_NOTES, channels_of
from shaping.rehearsals.notes import MIN_PITCHES, are_notes

SCALE = [220.0 * 2 ** (n / 12) for n in (0, 2, 3, 5, 7, 8, 10, 12, 14, 15)]


def record(frequencies_hz: list[float]) -> dict[str, object]:
    events = [
        {
            "channel": 1,
            "start_s": 10.0 * k,
            "duration_s": 1.0,
            "frequency_hz": hertz,
            "growth_db_per_s": 40.0,
            "peak_dbfs": -20.0,
            "over_db": 12.0,
            "clipped": False,
            "confidence": 0.9,
            "reason": "grew",
        }
        for k, hertz in enumerate(frequencies_hz * 2)
    ]
    return {
        "file": "a.wav",
        "path": "/x/a.wav",
        "recorded_on": "2031-05-04",
        "channels": 1,
        "sample_rate_hz": 48_000,
        "duration_s": 3_600.0,
        "events": events,
    }


@pytest.mark.parametrize("tuning_cents", [0.0, 31.0, -48.0])
def test_a_scale_is_notes_whatever_it_is_tuned_to(tuning_cents):
    assert are_notes([f * 2 ** (tuning_cents / 1200) for f in SCALE])


def test_modes_of_a_room_are_no_notes():
    """Room modes lie between the notes as anywhere: one set in a thousand looks like a scale."""
    rng = np.random.default_rng(4)
    taken = sum(are_notes(np.exp(rng.uniform(5, 8, 10))) for _ in range(300))
    assert taken <= 2


def test_too_few_pitches_cannot_tell_and_repeats_add_none():
    assert not are_notes(SCALE[: MIN_PITCHES - 1])
    assert not are_notes(SCALE[: MIN_PITCHES - 1] * 20)
    assert are_notes(SCALE[:MIN_PITCHES])
    assert not are_notes([])


def test_a_channel_of_notes_recurs_at_nothing_and_says_why():
    (notes,) = channels_of([record(SCALE)])
    assert notes.recurring == ()
    assert notes.checks == (THESE_ARE_NOTES,)
    (ringing,) = channels_of([record([313.0, 1_271.0])])
    assert len(ringing.recurring) == 2
    assert THESE_ARE_NOTES not in ringing.checks
