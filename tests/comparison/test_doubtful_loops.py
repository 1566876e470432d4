"""A comparison rests on two measurements: what is doubtful in either is said, and no gain claimed.

The faults are planted in the recordings by numpy and scipy alone.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from rich.console import Console
from scipy import fft

from shaping.capture.recording import Capture, CaptureKind
from shaping.comparison.compare import Comparison, compare
from shaping.report.compare_terminal import print_comparison
from tests.analysis.loop.loop_makers import RATE, diffuse_path, pink_noise, recorded

SECONDS = 10


@pytest.fixture(scope="module")
def stage() -> tuple[np.ndarray, np.ndarray]:
    """Return the noise that is played and the path it takes."""
    return pink_noise(SECONDS, np.random.default_rng(50)), diffuse_path(np.random.default_rng(51))


def sound(reference: np.ndarray, path: np.ndarray) -> np.ndarray:
    return recorded(reference, path, np.random.default_rng(52), snr_db=25.0)


def noisy(reference: np.ndarray, path: np.ndarray) -> np.ndarray:
    """The room as loud as the noise that was played."""
    return recorded(reference, path, np.random.default_rng(53), snr_db=0.0)


def gated(reference: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Shut for a fifth of every second."""
    heard = sound(reference, path)
    shut = np.arange(heard.size) % RATE < RATE // 5
    return np.where(shut, np.float32(0), heard)


def mic_live(reference: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Half way to the howl: everything the mic hears goes round by 1 / (1 - g P)."""
    heard = sound(reference, path)
    size = 2 ** int(np.ceil(np.log2(heard.size + 4 * RATE)))
    response = fft.rfft(path, size)
    closed = 1 / (1 - 0.6 / np.abs(response).max() * response)
    return np.asarray(fft.irfft(fft.rfft(heard, size) * closed, size)[: heard.size], np.float32)


def compared(stage: tuple[np.ndarray, np.ndarray], *makers) -> Comparison:
    reference, path = stage
    before, after = (
        Capture(f"{name}.wav", RATE, 1, make(reference, path), kind=CaptureKind.PINK_NOISE)
        for name, make in zip(("before", "after"), makers, strict=True)
    )
    played = Capture("noise.wav", RATE, 1, reference, kind=CaptureKind.PINK_NOISE)
    return compare(before, after, reference=played)


def printed(comparison: Comparison) -> str:
    out = io.StringIO()
    print_comparison(comparison, Console(file=out, width=100))
    return " ".join(out.getvalue().split())


@pytest.mark.parametrize("at", ["before", "after"])
@pytest.mark.parametrize(
    ("fault", "code", "said"),
    [
        (noisy, "low-snr", "stands only"),
        (gated, "gated", "The noise was cut off"),
        (mic_live, "mic-live", "The mic was live in the wedge"),
    ],
    ids=["low SNR", "gated", "mic live"],
)
def test_a_fault_of_either_measurement_is_told_and_withholds_the_gain(
    stage, fault, code, said, at
) -> None:
    found = compared(stage, *((fault, sound) if at == "before" else (sound, fault)))
    assert code in {note.code for note in getattr(found, at).quality}
    assert found.gain is None
    assert found.next_step.startswith(f"Record {at}.wav again")
    text = printed(found)
    assert said in text
    assert "gain before it howls" not in text
    assert "Not told" in text


def test_two_sound_measurements_tell_the_gain(stage) -> None:
    found = compared(stage, sound, sound)
    assert found.before.quality == found.after.quality == ()
    assert found.gain is not None
    assert "gain before it howls" in printed(found)
    assert not found.next_step.startswith("Record")
