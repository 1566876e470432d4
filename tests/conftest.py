"""Fixtures shared by the tests."""

from __future__ import annotations

from pathlib import Path

import hypothesis
import numpy as np
import pytest

# The same examples on every run, and no failure for a slow machine.
hypothesis.settings.register_profile("steady", deadline=None, derandomize=True)
hypothesis.settings.load_profile("steady")

collect_ignore = ["bench"]
"""Benches are commands, not tests."""

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def rng() -> np.random.Generator:
    """A seeded generator, new for every test."""
    return np.random.default_rng(20_260_101)


@pytest.fixture(scope="session")
def samples_folder() -> Path:
    """The shipped captures."""
    return ROOT / "audio_samples"
