"""A capture in memory: one channel of one recording, and what is known of its quality."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class CaptureKind(StrEnum):
    """How the capture was made."""

    RING_OUT = "ring-out"
    PINK_NOISE = "pink-noise"
    SWEEP = "sweep"
    FIRST_ROW = "first-row"


class Severity(StrEnum):
    """How much a quality note matters: `unusable` means that no plan can rest on the capture."""

    INFO = "info"
    WARNING = "warning"
    UNUSABLE = "unusable"


@dataclass(frozen=True, slots=True)
class QualityNote:
    """One finding about a capture's quality, and what to do about it.

    Attributes
    ----------
    code : str
        Short stable name such as ``clipped`` or ``too-short`` (values of `QualityCode`).
    severity : Severity
        How much it matters.
    message : str
        One plain sentence: what was found and what to do about it.
    """

    code: str
    severity: Severity
    message: str


@dataclass(frozen=True, eq=False)
class Capture:
    """One channel of a recording.

    Attributes
    ----------
    path : str
        The file as the person named it.
    sample_rate_hz : int
        Sample rate in Hz.
    channel : int
        Channel number, counted from 1 as on a desk.
    samples : ndarray of float32, shape (n,)
        Read-only; full scale is +-1.
    kind : CaptureKind
        How it was made, and so how it was judged.
    quality : tuple of QualityNote
        Filled by `shaping.capture.quality.judge`.
    """

    path: str
    sample_rate_hz: int
    channel: int
    samples: NDArray[np.float32]
    kind: CaptureKind
    quality: tuple[QualityNote, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples.size / self.sample_rate_hz
