"""What is kept of a measurement: the recording, the very sound that was played, their entry."""

from __future__ import annotations

import io
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from shaping.output import replacing

_NOT_IN_NAMES = '<>:"/\\|?*'


def file_name(name: str) -> str:
    """Return a wedge's name as part of a file's name.

    >>> file_name("vocal left"), file_name("side/fill")
    ('vocal_left', 'side_fill')
    """
    kept = "".join("_" if c in _NOT_IN_NAMES or c.isspace() else c for c in name)
    return kept.strip(".") or "wedge"


def write_recording(
    path: str | Path, samples: NDArray[np.float32], sample_rate_hz: int, *, force: bool = False
) -> None:
    """Write a recording of several channels as a 24-bit WAV file, whole or not at all.

    Parameters
    ----------
    path : str or Path
        Where to.
    samples : ndarray of float32, shape (n, channels)
        Full scale is +-1; what passes it is cut off, as by a converter.
    sample_rate_hz : int
        Sample rate.
    force : bool
        Whether an existing file may be replaced.

    Raises
    ------
    OutputError
        As `shaping.output.replacing`.
    """
    buffer = io.BytesIO()
    within = np.clip(samples, -1.0, 1.0)
    soundfile.write(buffer, within, sample_rate_hz, format="WAV", subtype="PCM_24")
    with replacing(path, force=force) as temporary:
        temporary.write_bytes(buffer.getvalue())


def with_entries(text: str, entries: Sequence[str]) -> str:
    """Return a stage file's text with new recordings in place of the old ones of these wedges.

    Parameters
    ----------
    text : str
        A stage file that reads well.
    entries : sequence of str
        From `stage_entry`.
    """
    replaced = {_capture_of(entry) for entry in entries}
    blocks = re.split(r"(?m)^(?=\s*\[\[)", text)
    kept = [block for block in blocks if _capture_of(block) not in replaced]
    return "".join(kept).rstrip("\n") + "\n\n" + "\n".join(entries)


def _capture_of(block: str) -> tuple[str, str] | None:
    """Return wedge and position of a capture's lines; None of anything else."""
    if not block.lstrip().startswith("[[capture]]"):
        return None
    (one,) = tomllib.loads(block)["capture"]
    return str(one["wedge"]), str(one.get("position", ""))


def stage_entry(
    wedge: str, file: str, reference: str, channels: Mapping[str, int], position: str
) -> str:
    """Return the lines of a stage file (`shaping.stage.description.stage_file`) for a recording."""
    mics = ", ".join(f"{json.dumps(mic, ensure_ascii=False)} = {n}" for mic, n in channels.items())
    lines = [
        "[[capture]]",
        f"wedge = {json.dumps(wedge, ensure_ascii=False)}",
        f"file = {json.dumps(file, ensure_ascii=False)}",
        f"reference = {json.dumps(reference, ensure_ascii=False)}",
        f"channels = {{ {mics} }}",
    ]
    if position:
        lines.append(f"position = {json.dumps(position, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"
