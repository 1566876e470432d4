"""Where the shipped captures are: beside the package once installed, or in the checkout."""

from __future__ import annotations

from pathlib import Path

import shaping
from shaping.errors import CaptureError

_PACKAGE = Path(shaping.__file__).parent
_PLACES = (_PACKAGE / "audio_samples", _PACKAGE.parent / "audio_samples")


def shipped_capture(name: str) -> Path:
    """Return the path of a shipped capture.

    Raises
    ------
    CaptureError
        If this installation came without it.
    """
    for place in _PLACES:
        if (place / name).is_file():
            return place / name
    raise CaptureError(
        f"the shipped capture {name} is missing; make it again with: "
        "python -m shaping.simulation.samples audio_samples"
    )
