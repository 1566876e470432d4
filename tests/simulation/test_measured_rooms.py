"""The bench's loops on measured rooms: what is drawn is what comes out, and parts keep apart."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

BENCH = Path(__file__).resolve().parents[1] / "bench"
RATE = 48_000


@pytest.fixture(scope="module", autouse=True)
def _benches_on_the_path():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCH))
        yield
    for name in ("measured_rooms", "measured_data"):
        sys.modules.pop(name, None)


@pytest.fixture(scope="module")
def rooms():
    return importlib.import_module("measured_rooms")


@pytest.fixture(scope="module")
def data():
    return importlib.import_module("measured_data")


def decaying_noise(rng, t60_s=0.5, seconds=1.0):
    time_s = np.arange(round(seconds * RATE)) / RATE
    return rng.standard_normal(time_s.size) * 10 ** (-3 * time_s / t60_s)


@pytest.mark.parametrize("drr_db", [-2.0, 8.0])
def test_the_direct_sound_stands_over_the_tail_as_drawn(rooms, rng, drr_db):
    """Oracle: energies after a band-pass in the time domain, not from the spectrum."""
    tail = decaying_noise(rng)
    tail[:120] = 0.0
    path = rooms.loop_path(
        tail, delay_s=0.01, drr_db=drr_db, reflection_s=0.001, reflection_db=-300.0
    )
    band = signal.butter(6, (200, 4_000), "bandpass", fs=RATE, output="sos")
    click = np.zeros(path.size)
    click[480] = 1.0
    direct, rest = (np.sum(signal.sosfilt(band, x) ** 2) for x in (click, path - click))
    assert np.flatnonzero(path)[0] == 480
    assert 10 * np.log10(direct / rest) == pytest.approx(drr_db, abs=0.3)


def test_a_measured_room_loses_its_own_direct_sound_and_its_noise(rooms, rng):
    response = np.concatenate([np.zeros(500), 0.05 * decaying_noise(rng, seconds=1.4)])
    response[500] = 1.0
    response += 1e-6 * rng.standard_normal(response.size)
    tail = rooms.reverberation(response)
    assert np.all(tail[:120] == 0)
    assert np.allclose(tail[200:4_000], response[700:4_500])
    assert 0.35 * RATE < tail.size < 0.6 * RATE  # 50 dB of a decay of 0.5 s


@pytest.mark.parametrize(
    ("name", "room", "part"),
    [
        ("openair_st_andrews_church.flac", "openair_st_andrews_church", "TUNING"),
        ("grid_otala/s05_m3.flac", "grid_otala", "TUNING"),
        ("grid_r3vival_lab050/S150_200_centre.flac", "r3vival_lab", "LOCKED"),
        ("grid_r3vival_lab050/S120_150_centre.flac", "r3vival_lab", "REPORT"),
        ("r3vival_lab_R_270_150.flac", "r3vival_lab", "REPORT"),
        ("r3vival_lab_RB_BG3.flac", "r3vival_lab", "LOCKED"),
    ],
)
def test_every_response_belongs_to_the_part_of_its_room(data, name, room, part):
    assert data.room_of(name) == (room, data.Part[part])


def test_the_locked_part_stays_shut_unless_it_is_opened_on_purpose(data, monkeypatch):
    monkeypatch.delenv("SHAPING_BENCH_OPEN_LOCKED", raising=False)
    with pytest.raises(data.DataMissingError, match="opened once"):
        data.responses(data.Part.LOCKED)


def test_missing_data_say_where_they_were_looked_for(data, monkeypatch, tmp_path):
    monkeypatch.setenv("SHAPING_BENCH_DATA", str(tmp_path))
    with pytest.raises(data.DataMissingError, match="SHAPING_BENCH_DATA"):
        data.data_folder()
