"""The shipped stage, planned once for all tests of its parts."""

from __future__ import annotations

from pathlib import Path

import pytest

from shaping.stage.description.stage import Stage
from shaping.stage.description.stage_file import load_stage
from shaping.stage.plan_stage import StageRecordings, plan_stage, read_stage
from shaping.stage.stage_plan import StageSuggestion

SHIPPED = Path(__file__).resolve().parents[2] / "audio_samples" / "stage" / "stage.toml"


@pytest.fixture(scope="session")
def shipped_stage() -> Stage:
    return load_stage(SHIPPED)


@pytest.fixture(scope="session")
def shipped_recordings(shipped_stage) -> StageRecordings:
    return read_stage(shipped_stage)


@pytest.fixture(scope="session")
def shipped_plan(shipped_stage, shipped_recordings) -> StageSuggestion:
    return plan_stage(shipped_stage, shipped_recordings)
