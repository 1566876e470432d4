"""Which channel of a recording rings: all of them are searched.

The loudest channel of a multitrack is hardly ever the mic that howls, and a howl is heard by every
mic on the stage. The plan is made for the channel whose certain ring is loudest.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

from shaping.analysis.findings import Ring
from shaping.analysis.ring_out.rings import find_rings
from shaping.capture.audio import inspect, read_capture
from shaping.capture.quality import QualityCode
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.text.frequency import frequency_text
from shaping.text.sentences import listing

MOST_CHANNELS_NAMED = 6
"""So many ringing channels are named; the others are counted."""


@dataclass(frozen=True, slots=True)
class ChannelRings:
    """The rings of one channel, most urgent first."""

    channel: int
    rings: tuple[Ring, ...]

    @property
    def urgency(self) -> tuple[bool, float]:
        """Certain rings before possible ones, then the level of the loudest."""
        sure = [ring.peak_dbfs for ring in self.rings if ring.certain]
        return bool(sure), max(sure or [ring.peak_dbfs for ring in self.rings])


def read_ring_out(path: str | os.PathLike[str], *, channel: int | None = None) -> Capture:
    """Read the channel of a ring-out that rings.

    Parameters
    ----------
    path : str or path-like
        The recording.
    channel : int, optional
        Channel counted from 1; by default the one that rings, and a note says which others do. One
        channel at a time is held in memory.

    Returns
    -------
    Capture
        The loudest channel where none rings; a note says that all were searched.

    Raises
    ------
    CaptureError
        As `shaping.capture.audio.read_capture`.
    """
    channels = inspect(path).channels
    if channel is not None or channels == 1:
        return read_capture(path, channel=channel, kind=CaptureKind.RING_OUT)
    found = [
        ChannelRings(number, find_rings(capture.samples, capture.sample_rate_hz))
        for number in range(1, channels + 1)
        if (capture := read_capture(path, channel=number, kind=CaptureKind.RING_OUT))
    ]
    ringing = sorted((one for one in found if one.rings), key=lambda one: one.urgency)[::-1]
    chosen = ringing[0].channel if ringing else None
    capture = read_capture(path, channel=chosen, kind=CaptureKind.RING_OUT)
    notes = [n for n in capture.quality if n.code != QualityCode.LOUDEST_CHANNEL]
    note = QualityNote(
        QualityCode.RINGING_CHANNEL,
        Severity.INFO,
        channels_text(ringing, channels, shown_channel=capture.channel),
    )
    return replace(capture, quality=(note, *notes))


def channels_text(ringing: Sequence[ChannelRings], channels: int, *, shown_channel: int) -> str:
    """Say which channels ring, and which one the plan is for."""
    if not ringing:
        return (
            f"All {channels} channels were searched, and none rang; channel {shown_channel} is "
            "shown because it is the loudest."
        )
    first, *others = ringing
    said = (
        f"All {channels} channels were searched: channel {first.channel} {_rings(first)} and is "
        "what the plan is for"
    )
    if others:
        named = [f"channel {one.channel} {_rings(one)}" for one in others[:MOST_CHANNELS_NAMED]]
        more = len(others) - len(named)
        said += f"; {listing(named)}" + (f", and {more} more do" if more > 0 else "")
        said += "; choose one with --channel N"
    return said + "."


def _rings(one: ChannelRings) -> str:
    ring = one.rings[0]
    word = "rings" if ring.certain else "possibly rings"
    return f"{word} at {frequency_text(ring.frequency_hz)}"
