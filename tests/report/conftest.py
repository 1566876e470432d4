"""Plans, captures and loops made by hand, so that reports are tested without analysis."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shaping.analysis.findings import CriticalFrequency, LoopResponse, Ring
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.cli.main import run
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, octaves_from_q
from shaping.plan.plan import (
    CaptureSummary,
    LoopSummary,
    Plan,
    PlannedFilter,
    Purpose,
    ThinningSummary,
)

RATE_HZ = 48_000
LONG_NAME = "Quillhaven Hall speech wedge, second take after lunch " * 6 + ".wav"


def make_limits(**changes: Any) -> Limits:
    values: dict[str, Any] = {
        "name": "parametric-4",
        "description": "Four parametric bands.",
        "bands": 4,
        "kinds": (FilterKind.PEAKING,),
        "grid_hz": None,
        "steps_per_octave": 24,
        "min_frequency_hz": 40.0,
        "max_frequency_hz": 16_000.0,
        "min_gain_db": -15.0,
        "max_gain_db": 0.0,
        "gain_step_db": 0.5,
        "min_q": 0.5,
        "max_q": 10.0,
        "q_step": 0.1,
        "q_convention": QConvention.COOKBOOK,
        "high_pass_min_hz": 40.0,
        "high_pass_max_hz": 250.0,
        "high_pass_orders": (2, 4),
    }
    return Limits(**(values | changes))


def make_ring(frequency_hz: float, onset_s: float = 1.0, **changes: Any) -> Ring:
    values: dict[str, Any] = {
        "frequency_hz": frequency_hz,
        "frequency_error_hz": 0.3,
        "width_hz": 0.0,
        "onset_s": onset_s,
        "duration_s": 1.2,
        "growth_db_per_s": 40.0,
        "decay_db_per_s": None,
        "peak_dbfs": -12.0,
        "occurrences": 2,
        "clipped": False,
        "confidence": 0.95,
        "evidence": "Its level rose in a straight line.",
    }
    return Ring(**(values | changes))


def make_rings(count: int) -> tuple[Ring, ...]:
    """Return rings, every third one only possible, the most urgent first."""
    few = [2514.0, 163.4, 631.0, 3980.0, 1240.0, 5210.0]
    frequencies = few[:count] if count <= len(few) else np.geomspace(180.0, 7000.0, count).tolist()
    return tuple(
        make_ring(
            frequency,
            1.0 + 8.0 * number / max(count, 1),
            confidence=0.3 if number % 3 == 2 else 0.95,
            growth_db_per_s=40.0 if number % 2 == 0 else 0.0,
            decay_db_per_s=None if number % 2 == 0 else 35.0,
        )
        for number, frequency in enumerate(frequencies)
    )


def make_plan(
    rings: int = 6,
    *,
    path: str = "takes/vocal wedge.wav",
    thinning: bool = True,
    loop: bool = False,
    limits: Limits | None = None,
    reason: str = "It grew 40 dB/s from 1 s on.",
    cautions: tuple[str, ...] = ("This holds for mic and wedge exactly where they stood.",),
) -> Plan:
    found = make_rings(rings)
    limits = limits or make_limits()
    filters = []
    if thinning:
        filters += [
            PlannedFilter(
                Filter(FilterKind.HIGH_PASS, 120.0, order=2),
                Purpose.THINNING,
                "Below this the wedge spills all round and adds no words.",
            ),
            PlannedFilter(
                Filter(FilterKind.PEAKING, 250.0, 1.0, -3.0),
                Purpose.THINNING,
                "Low mids reach the first rows at nearly full level.",
                1.0,
                octaves_from_q(1.0),
            ),
        ]
    for number, ring in enumerate(found[: limits.bands]):
        q, gain_db = ((8.6, -6.0), (5.0, -3.0), (8.6, -4.5), (10.0, -9.0))[number % 4]
        filters.append(
            PlannedFilter(
                Filter(FilterKind.PEAKING, ring.frequency_hz, q, gain_db),
                Purpose.FEEDBACK,
                reason,
                q,
                octaves_from_q(q),
                gain_db - 0.2,
            )
        )
    return Plan(
        captures=(
            CaptureSummary(
                path,
                RATE_HZ,
                1,
                10.0,
                CaptureKind.RING_OUT,
                (QualityNote("hum", Severity.WARNING, "Hum at 50 Hz: check the cables."),),
            ),
        ),
        limits=limits,
        filters=tuple(filters),
        rings=found,
        resonances=(),
        loop=LoopSummary(-12.3, -8.1, 4.2, -11.0, -6.9, (CriticalFrequency(2514.0, -12.3),), 0.93)
        if loop
        else None,
        thinning=ThinningSummary(-3.42, 0.71, 0.73) if thinning else None,
        unserved=found[limits.bands :],
        cautions=cautions,
    )


def make_capture(
    rings: tuple[Ring, ...], *, duration_s: float = 10.0, path: str = "takes/vocal wedge.wav"
) -> Capture:
    """Return faint noise with every ring sounding while it is said to."""
    time_s = np.arange(int(duration_s * RATE_HZ)) / RATE_HZ
    samples = 0.001 * np.random.default_rng(5).normal(size=time_s.size)
    for ring in rings:
        on = (time_s >= ring.onset_s) & (time_s < ring.onset_s + ring.duration_s)
        samples += 0.3 * on * np.sin(2 * np.pi * ring.frequency_hz * time_s)
    return Capture(path, RATE_HZ, 1, samples.astype(np.float32), CaptureKind.RING_OUT)


def make_loop() -> LoopResponse:
    """Return a smooth path with a peak at 2514 Hz, trusted from 90 Hz to 9 kHz but for a gap."""
    frequency_hz = np.fft.rfftfreq(8192, 1 / RATE_HZ)
    offset = frequency_hz / 2514.0 - 2514.0 / np.maximum(frequency_hz, 1.0)
    response = 0.1 + 0.3 / (1 + 12j * offset)
    trusted = (frequency_hz > 90) & (frequency_hz < 9000)
    trusted &= ~((frequency_hz > 3000) & (frequency_hz < 3900))
    return LoopResponse(
        frequency_hz,
        response.astype(np.complex128),
        np.where(trusted, 0.95, 0.3),
        np.where(trusted, 0.6, 5.0),
        2 * (np.abs(response) * np.where(trusted, 0.6, 5.0) / 8.686) ** 2,
        trusted,
        trusted,
        0.006,
        0.0,
        0.93,
    )


@pytest.fixture(scope="session")
def new_plan() -> Callable[..., Plan]:
    return make_plan


@pytest.fixture(scope="session")
def new_rings() -> Callable[[int], tuple[Ring, ...]]:
    return make_rings


@pytest.fixture(scope="session")
def new_capture() -> Callable[..., Capture]:
    return make_capture


@pytest.fixture(scope="session")
def new_limits() -> Callable[..., Limits]:
    return make_limits


@pytest.fixture(scope="session")
def new_loop() -> Callable[[], LoopResponse]:
    return make_loop


@pytest.fixture(scope="session")
def long_name() -> str:
    return LONG_NAME


@pytest.fixture(scope="session")
def lesson_files(tmp_path_factory: Any, samples_folder: Path) -> dict[str, Path]:
    """Return the lesson as the command writes it: plain, and by the kind of an own plan."""
    folder = tmp_path_factory.mktemp("lesson")
    files = {name: folder / f"{name}.html" for name in ("plain", "ring-out", "pink-noise")}
    assert run(["lesson", str(files["plain"]), "--json", str(folder / "told.json")]) == 0
    recording = str(samples_folder / "rehearsal.flac")
    for kind in ("ring-out", "pink-noise"):
        plan = str(folder / f"{kind}.json")
        assert run(["demo", kind, "--json", plan]) == 0
        words = ["lesson", str(files[kind]), "--plan", plan, "--recording", recording]
        assert run(words) == 0
    return files
