"""Where a watch takes its samples from: a device's inputs, or a file as if it were live."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shaping.capture.audio import inspect, read_blocks
from shaping.errors import CaptureError, DeviceError
from shaping.live.blocks import BlockRing
from shaping.live.devices import Device
from shaping.live.duplex import FIRST_WITHIN_S, LOST_AFTER_S, opened_stream, within_time
from shaping.live.portaudio import leave_at_once
from shaping.text.names import briefly, file_text

RING_S: Final = 4.0
"""How far the watch may fall behind before blocks are lost: longer than any pause of a desktop."""

_IDLE_S = 0.005
_BLOCK_S = 0.02


@dataclass(frozen=True, eq=False)
class Source:
    """Samples as they come.

    Attributes
    ----------
    name : str
        For people.
    sample_rate_hz : int
        Of every channel.
    inputs : tuple of int
        Which channels, counted from 0.
    blocks : iterator of ndarray, shape (n, channels)
        Whatever is there, and empty blocks while there is nothing.
    lost : callable
        How many blocks were lost so far.
    """

    name: str
    sample_rate_hz: int
    inputs: tuple[int, ...]
    blocks: Iterator[NDArray[np.float32]]
    lost: Callable[[], int]


@contextlib.contextmanager
def device_source(device: Device, inputs: tuple[int, ...], sample_rate_hz: int) -> Iterator[Source]:
    """Open a device's inputs while the block runs.

    Raises
    ------
    DeviceError
        If it does not open, or goes away.
    """
    ring = BlockRing(round(RING_S * sample_rate_hz), inputs)

    def callback(indata: NDArray[np.float32], _frames: int, _time: Any, status: Any) -> None:
        ring.write(indata, flagged=bool(status))

    stream = opened_stream(
        "InputStream", device, sample_rate_hz, channels=max(inputs) + 1, callback=callback
    )
    try:
        within_time(stream.start, device)
        yield Source(
            device.name, sample_rate_hz, inputs, _live(ring, stream, device), lambda: ring.lost
        )
    finally:
        with contextlib.suppress(DeviceError):
            within_time(lambda: stream.close(ignore_errors=True), device)


def _live(ring: BlockRing, stream: Any, device: Device) -> Iterator[NDArray[np.float32]]:
    seen, since = ring.blocks, time.monotonic()
    while True:
        now = time.monotonic()
        if ring.blocks != seen:
            seen, since = ring.blocks, now
        elif now - since > (LOST_AFTER_S if seen else FIRST_WITHIN_S) or not stream.active:
            leave_at_once()
            raise DeviceError(
                f"{briefly(device.name)} brings no sound any more; check cable, power and sound "
                "server, then watch again"
            )
        if not ring.waiting:
            time.sleep(_IDLE_S)
        yield ring.read()


def file_source(path: str, inputs: tuple[int, ...] | None, *, at_pace: bool) -> Source:
    """Return a recording as if it were live.

    Parameters
    ----------
    path : str
        The file.
    inputs : tuple of int or None
        Channels, counted from 0; None takes all.
    at_pace : bool
        Whether it takes as long as it lasts; else as fast as it can be watched.

    Raises
    ------
    CaptureError
        If it cannot be read or has no such channel.
    """
    info = inspect(path)
    chosen = tuple(range(info.channels)) if inputs is None else inputs
    if max(chosen) >= info.channels:
        raise CaptureError(
            f"{file_text(path)}: there is no channel {max(chosen) + 1}; the recording has "
            f"{info.channels}, counted from 1"
        )
    return Source(
        file_text(path),
        info.sample_rate_hz,
        chosen,
        _played(path, chosen, info.sample_rate_hz, at_pace=at_pace),
        lambda: 0,
    )


def _played(
    path: str, inputs: tuple[int, ...], rate_hz: int, *, at_pace: bool
) -> Iterator[NDArray[np.float32]]:
    size = round(_BLOCK_S * rate_hz)
    began, played_s = time.monotonic(), 0.0
    for long in read_blocks(path):
        for start in range(0, len(long), size):
            block = np.ascontiguousarray(long[start : start + size, list(inputs)], np.float32)
            played_s += len(block) / rate_hz
            if at_pace and (early := began + played_s - time.monotonic()) > 0:
                time.sleep(early)
            yield block
