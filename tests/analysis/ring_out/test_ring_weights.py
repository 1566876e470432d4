"""Fitting the weights that tell howls from notes runs from end to end."""

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "bench" / "fit_ring_weights.py"


@pytest.mark.slow
def test_weights_are_fitted_and_part_the_examples():
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--cases", "6"], capture_output=True, text=True, check=True
    )
    weights = {line.split()[0]: float(line.split()[1]) for line in done.stdout.splitlines()[:8]}
    assert weights["rise"] > 0
    assert weights["duration"] > 0
    assert weights["unevenness"] < 0
    assert weights["partials"] < 0
    (said,) = [line for line in done.stdout.splitlines() if line.startswith("likelihood 0.5:")]
    assert int(said.split()[2].rstrip("%")) > 60
