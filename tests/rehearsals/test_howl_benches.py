"""The benches behind the howl model: what is drawn, counted and fitted is what it says."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import numpy as np
import pytest

BENCH = Path(__file__).resolve().parents[1] / "bench"
RATE = 48_000


@pytest.fixture(scope="module", autouse=True)
def _benches_on_the_path():
    before = set(sys.modules)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCH))
        yield
    for name in set(sys.modules) - before:
        if str(BENCH) in str(getattr(sys.modules[name], "__file__", "")):
            sys.modules.pop(name)


def bench(name):
    return importlib.import_module(name)


def test_boosting_finds_a_step_keeps_monotone_measures_and_repeats_itself():
    boosting = bench("boosting")
    rng = np.random.default_rng(1)
    values = rng.uniform(-1, 1, (1_500, 2))
    howl = (values[:, 0] > 0.25) & (np.abs(values[:, 1]) < 0.8)
    weight = np.ones(howl.size)
    monotone = np.array([1, 0])
    trees = boosting.fit(boosting.binned(values), howl, weight, monotone, 60)
    again = boosting.fit(boosting.binned(values), howl, weight, monotone, 60)
    assert np.array_equal(trees.leaf, again.leaf)
    assert np.array_equal(trees.bar, again.bar)
    total = np.array([trees.total(v) for v in values])
    assert np.mean((total > 0) == howl) > 0.97
    for other in (-0.5, 0.0, 0.9):  # whatever the other measure, more of the first never lowers
        along = [trees.total(np.array([x, other])) for x in np.linspace(-1, 1, 60)]
        assert np.all(np.diff(along) >= -1e-9)


def test_a_measure_monotone_the_wrong_way_is_of_no_use():
    boosting = bench("boosting")
    rng = np.random.default_rng(2)
    values = rng.uniform(-1, 1, (800, 1))
    howl = values[:, 0] > 0
    fit = boosting.fit(boosting.binned(values), howl, np.ones(800), np.array([-1]), 20)
    assert np.ptp([fit.total(v) for v in values]) < 1e-9


def test_no_source_serves_two_parts():
    sources = bench("howl_sources")
    tones = bench("made_tones")
    data = bench("measured_data")
    seeds = [set(tones.seeds(part)) for part in data.Part]
    assert not seeds[0] & (seeds[1] | seeds[2])
    assert not seeds[1] & seeds[2]
    assert not set(sources.PACKAGES) & set(sources.BANKS)
    for part in data.Part:
        kinds = {kind for owner, kind in sources.PACKAGES.values() if owner is part}
        assert kinds == {"music", "speech"}
        assert any(owner is part for owner, _ in sources.BANKS.values())


def test_true_howls_are_measured_as_planted():
    """Two tones over noise: one grows and stays, one is too low; a third is no mode of the loop."""
    material = bench("howl_material")
    t = np.arange(8 * RATE) / RATE
    alone = 0.01 * np.random.default_rng(3).standard_normal(t.size)
    level = 10 ** (np.clip((t - 3.0) * 60, -60, 0) / 20) * (t < 5)
    howls = alone + 0.1 * level * np.sin(2 * np.pi * 1_700 * t)
    howls += 0.0004 * level * np.sin(2 * np.pi * 700 * t)
    howls += 0.05 * level * np.sin(2 * np.pi * 3_900 * t)
    (found,) = material.true_howls(howls, alone, ((2.0, 4.0),), [700.0, 1_702.0])
    assert found.frequency_hz == pytest.approx(1_700, abs=1)
    assert found.growth_db_per_s == pytest.approx(60, rel=0.1)
    assert found.stop_s == pytest.approx(5.0, abs=0.1)
    assert found.drift_cents < 1
    # 0.1 over the sine as loud as noise of 0.01: 20 dB + 3 dB
    assert found.under_db == pytest.approx(17, abs=0.5)


def test_exact_intervals_are_those_of_the_handbooks():
    """Source: 0 of 10: upper limit 30.8 %; 0 events: 3.69 (two-sided 95 %), tables, from memory."""
    exact = bench("exact")
    assert exact.share_text(0, 10).endswith("0.0% to 30.8%)")
    assert exact.rate_text(0, 1).endswith("0.00 to 3.69)")


def test_published_criteria_tell_a_planted_howl():
    published = bench("published_criteria")
    t = np.arange(6 * RATE) / RATE
    level = 10 ** (np.clip((t - 3.0) * 60, -60, 0) / 20)
    sound = 0.2 * level * np.sin(2 * np.pi * 1_500 * t)
    sound += 0.003 * np.random.default_rng(1).standard_normal(t.size)
    peaks = published.peak_features(sound.astype(np.float32), RATE)
    at = (peaks.time_s > 4) & (np.abs(peaks.frequency_hz - 1_500) < 12)
    values = dict(zip(published.FEATURES, peaks.values[at].T, strict=True))
    assert np.median(values["PTPR"]) == pytest.approx(20 * np.log10(0.2), abs=1.5)
    assert np.median(values["PNPR"]) > 20
    assert np.median(values["PHPR"]) > 20
    assert np.median(values["IPMP"]) == 1.0
    assert np.median(values["IMSD"]) > -0.3


def test_a_missed_howl_is_lost_where_it_was_lost(monkeypatch):
    """One howl grows, one is too soft for a peak, one is over at once; each is true by decree."""
    material, losses = bench("howl_material"), bench("howl_losses")
    t = np.arange(8 * RATE) / RATE
    sound = 1e-3 * np.random.default_rng(4).standard_normal(t.size)
    grown = 10 ** (np.clip((t - 3.0) * 60, -60, 0) / 20) * (t < 6)
    sound += 0.2 * grown * np.sin(2 * np.pi * 1_730 * t)
    sound += 1e-5 * np.sin(2 * np.pi * 5_170 * t)
    blips = (t > 3.0) & (t % 0.3 < 0.2)
    sound += 0.1 * blips * np.sin(2 * np.pi * 3_110 * t)
    howls = tuple(
        material.Howl(3.0, 6.0, hertz, 60.0, 20.0, 0.0, 10.0) for hertz in (1_730, 5_170, 3_110)
    )
    scene = material.Scene("", "two", "", "", sound.astype(np.float32), howls, ((2.0, 8.0),), False)
    monkeypatch.setattr(material, "kept_scene", lambda part, index: scene)
    found = losses.losses(bench("measured_data").Part.TUNING, 0)
    assert [lost.stage for lost in found] == ["found", "peaks", "track"]
    assert [lost.together for lost in found] == [True] * 3
