"""The page beside the shipped captures."""

from __future__ import annotations

from collections.abc import Sequence


def readme(
    entries: Sequence[tuple[str, str, str]], *, sample_rate_hz: int, clock_ppm: float
) -> str:
    """Return the page, from name, kind and description of every file."""
    rows = "\n".join(f"| `{name}` | {kind} | {text} |" for name, kind, text in entries)
    return f"""# Captures from Quillhaven Hall

An invented hall with an invented stage. Nothing here was recorded: the code of this project made
every sample (room by image sources and a diffuse tail, wedge and microphone with uneven responses,
the loop closed in the time domain, voices and band synthesised). Licence: MIT, as the project.

Remake them, bit for bit:

    python -m shaping.simulation.samples audio_samples

Mono 16-bit FLAC at {sample_rate_hz} Hz unless the table says otherwise. Levels are relative to
full scale and no sound pressure level follows from them. **Keep the volume low when listening**:
some of these are howls.

| File | Kind | What is in it |
| --- | --- | --- |
{rows}

The recorder of the pink-noise captures was started before the noise and its clock runs
{clock_ppm:g} parts per million fast. `rehearsal.flac` has two channels, and
`stage_tracks_ring_out.flac` three.

`truth.json` holds what is true of each file: the planted rings (frequency, onset, growth, the gain
that made it ring), stable gains from the impulse responses, delays. `rings` are plain to hear;
`faint_rings` were unstable too but hardly grew or hid beside a louder one, and `lingering_hz` only
rang on: finding those is no mistake, and neither is leaving them.
"""
