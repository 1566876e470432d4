"""Where to put it: what follows from the patterns' formula."""

from __future__ import annotations

from pathlib import Path

import pytest

from shaping.stage.description.stage import Pattern
from shaping.stage.description.stage_file import EXAMPLE, stage_from_toml
from shaping.stage.placing import place_advice, random_efficiency, total_db, uptake, uptake_db


def test_closer_wedges_are_louder_and_the_room_sets_a_floor():
    assert total_db(Pattern.OMNI, 0, 1.0) > total_db(Pattern.OMNI, 0, 2.0)
    assert total_db(Pattern.CARDIOID, 180, 2.0) < total_db(Pattern.OMNI, 180, 2.0)
    far = total_db(Pattern.CARDIOID, 180, 50.0)
    assert far == pytest.approx(total_db(Pattern.CARDIOID, 0, 50.0), abs=0.1)


def test_no_null_is_believed_to_be_endless():
    assert uptake(Pattern.CARDIOID, 180.0) == pytest.approx(0.0)
    assert uptake_db(Pattern.CARDIOID, 180.0) == -20.0


def test_an_omni_takes_up_everything_from_everywhere():
    assert all(uptake(Pattern.OMNI, angle) == 1.0 for angle in (0, 90, 180))
    assert random_efficiency(Pattern.OMNI) == 1.0


def test_advice_names_the_null_and_what_the_room_leaves_of_it():
    stage = stage_from_toml(EXAMPLE.replace("angle_deg = 150", "angle_deg = 100"), folder=Path())
    advice = place_advice(stage, stage.places[0])
    assert advice.best_angle_deg == pytest.approx(180.0)
    assert advice.turning_db is not None
    assert advice.turning_left_db is not None
    assert advice.turning_db < advice.turning_left_db < 0
    assert advice.best_pattern_db is not None
    assert advice.best_pattern_db <= 0
