"""The same captures give the same plan to the last digit, whatever runs the numbers."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest

CALM = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
BUSY = dict.fromkeys(CALM, "4")
JOBS = {
    "ring-out": ("demo", "ring-out", "--limits", "parametric-6"),
    "pink noise with its reference": ("demo", "pink-noise", "--limits", "graphic-31"),
}


def plan(words: tuple[str, ...], environment: dict[str, str]) -> str:
    """Return the plan's JSON from a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "shaping", *words, "--json", "-"],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **environment},
    )
    assert json.loads(done.stdout)["filters"]
    return done.stdout


@pytest.mark.slow
@pytest.mark.parametrize("job", JOBS)
def test_plans_do_not_depend_on_the_run_or_on_threads(job):
    calm = plan(JOBS[job], {**CALM, "PYTHONHASHSEED": "1", "LC_ALL": "C"})
    busy = plan(JOBS[job], {**BUSY, "PYTHONHASHSEED": "2", "LC_ALL": "C.UTF-8"})
    assert calm == busy


EVIDENCE = ("reason", "effect_db")
"""What a filter says of the measurement, in place of what is dialled in."""


@pytest.mark.slow
@pytest.mark.parametrize("kernel", ["Prescott", "Haswell"])
@pytest.mark.parametrize("job", JOBS)
def test_settings_do_not_depend_on_the_processor(job, kernel):
    """With plain kernels of the linear algebra and of numpy, as an older machine would choose.

    The settings are the same to the last digit; evidence is an estimate, and moves by less than
    its stated error.
    """
    plain = {**CALM, "OPENBLAS_CORETYPE": kernel, "NPY_DISABLE_CPU_FEATURES": plain_features()}
    there, here = (json.loads(plan(JOBS[job], where)) for where in (plain, CALM))
    dialled = [
        [
            {key: value for key, value in one.items() if key not in EVIDENCE}
            for one in plan["filters"]
        ]
        for plan in (there, here)
    ]
    assert dialled[0] == dialled[1]
    for one, other in zip(there["filters"], here["filters"], strict=True):
        # An estimate on the edge of a cent or of a tenth of a dB may be told one digit apart.
        assert re.sub(r"[\d.]+", "#", one["reason"]) == re.sub(r"[\d.]+", "#", other["reason"])
        assert one["effect_db"] == pytest.approx(other["effect_db"], abs=0.05)
    for one, other in zip(there["rings"], here["rings"], strict=True):
        apart_hz = abs(one["frequency_hz"] - other["frequency_hz"])
        assert apart_hz <= 0.1 * one["frequency_error_hz"]
    if here["loop"] is not None:
        gains = [
            (loop["stable_gain_db"], loop["added_stable_gain_db"])
            for loop in (there["loop"], here["loop"])
        ]
        assert gains[0] == pytest.approx(gains[1], abs=0.01)


def plain_features() -> str:
    """Return the processor features beyond numpy's baseline, to be switched off."""
    told = subprocess.run(
        [sys.executable, "-c", "import numpy; numpy.show_runtime()"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = told.partition("'found': [")[2].partition("]")[0]
    return " ".join(word.strip(" '\n") for word in found.split(",") if word.strip())
