"""One stream on one device: its blocks go to a player, and a watchdog sees when it dies.

Input and output are of one device, so of one clock. The callback only calls the player; what goes
wrong in it is kept and told here. Starting and closing have a limit of time: a device that has
died may never answer.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shaping.errors import DeviceError
from shaping.live.devices import Device
from shaping.live.player import Player, Taken
from shaping.live.portaudio import leave_at_once, portaudio, quiet
from shaping.live.stopping import Cause
from shaping.text.names import briefly

LOST_AFTER_S: Final = 1.0
"""A device that brings no block for so long is gone: the longest usual block lasts 0.1 s."""

FIRST_WITHIN_S: Final = 6.0
"""Some sound servers take two seconds to bring the first block."""

_SOON_S = "low"
"""What is played is to fall silent soon."""

WITH_ROOM_S: Final = 0.1
"""What is only watched may come a tenth of a second later, and lose less."""

_OPENINGS = 3
"""Some sound servers drop a stream in its first blocks: while nothing sounds it is opened anew."""

_ANSWERS_WITHIN_S = 8.0
_TICK_S = 0.005
_FREE = 0
"""Blocks as the device brings them: any other length adds a block of delay."""

_BAD_RATE, _BAD_CHANNELS = -9997, -9998  # PortAudio's own numbers


class Duplex:
    """Plays and records on a device.

    Parameters
    ----------
    device : Device
        Which.
    sample_rate_hz : int
        Sample rate.
    """

    def __init__(self, device: Device, sample_rate_hz: int) -> None:
        self.device, self.sample_rate_hz = device, sample_rate_hz

    def run(self, player: Player, *, tick: Callable[[Player], None] | None = None) -> Taken:
        """Play to the end or to a stop, and return what came of it.

        Parameters
        ----------
        player : Player
            What is played and recorded.
        tick : callable, optional
            Called every few milliseconds; may ask for a stop.

        Raises
        ------
        DeviceError
            If the device cannot do what is asked.
        """
        failed: list[BaseException] = []

        def callback(
            indata: NDArray[np.float32],
            outdata: NDArray[np.float32],
            _frames: int,
            _time: Any,
            status: Any,
        ) -> None:
            try:
                player.block(indata, outdata, flagged=bool(status))
            except BaseException as error:  # else lost: the library only prints it
                outdata.fill(0.0)
                failed.append(error)

        for left in reversed(range(_OPENINGS)):
            lost = self._streamed(player, callback, failed, tick, last=left == 0)
            if not lost or not player.settling:
                break
        if failed:
            raise failed[0]
        return player.taken()

    def _streamed(
        self,
        player: Player,
        callback: Callable[..., None],
        failed: list[BaseException],
        tick: Callable[[Player], None] | None,
        *,
        last: bool,
    ) -> bool:
        """Open the device and let it run; return whether it was lost."""
        device = self.device
        stream = opened_stream(
            "Stream",
            device,
            self.sample_rate_hz,
            channels=(max(player.inputs) + 1, player.output + 1),
            callback=callback,
        )
        try:
            within_time(stream.start, device)
            lost = not _watched(stream, player, failed, tick)
            if lost and (last or not player.settling):
                # Asked for before the closing, which may hang where the server died.
                player.stop.ask(Cause.DEVICE_LOST)
                leave_at_once()
            return lost
        finally:
            _closed(stream)


def opened_stream(
    kind: str, device: Device, sample_rate_hz: int, *, channels: Any, callback: Callable[..., None]
) -> Any:
    """Open a stream of the library; ``kind`` is one of its classes.

    Raises
    ------
    DeviceError
        If the device does not take the rate or the channels, or does not open.
    """
    library = portaudio()
    try:
        with quiet():
            return getattr(library, kind)(
                device=device.index,
                channels=channels,
                samplerate=sample_rate_hz,
                dtype="float32",
                latency=_SOON_S if kind == "Stream" else WITH_ROOM_S,
                blocksize=_FREE,
                callback=callback,
            )
    except library.PortAudioError as error:
        code = error.args[1] if len(error.args) > 1 else None
        name = briefly(device.name)
        if code == _BAD_RATE:
            raise DeviceError(
                f"{name} does not run at {sample_rate_hz} Hz; its own rate is "
                f"{device.usual_rate_hz} Hz: set the same rate at the desk and with --rate"
            ) from None
        if code == _BAD_CHANNELS:
            raise DeviceError(
                f"{name} has {device.inputs} inputs and {device.outputs} outputs; "
                "name channels that it has"
            ) from None
        raise DeviceError(
            f"{name} does not open ({error.args[0]}); close programs that hold it, and try again"
        ) from None
    except ValueError as error:
        raise DeviceError(f"{briefly(device.name)} does not open ({error})") from None


def _watched(
    stream: Any,
    player: Player,
    failed: list[BaseException],
    tick: Callable[[Player], None] | None,
) -> bool:
    """Wait for the end; return False if the device died meanwhile."""
    seen, since = player.blocks, time.monotonic()
    while not player.done and not failed:
        time.sleep(_TICK_S)
        if tick is not None:
            tick(player)
        now = time.monotonic()
        if player.blocks != seen:
            seen, since = player.blocks, now
        elif now - since > (LOST_AFTER_S if seen else FIRST_WITHIN_S) or not stream.active:
            return player.done
    return True


def within_time(step: Callable[[], object], device: Device) -> None:
    """Do what may hang in a thread, with a limit of time.

    Raises
    ------
    DeviceError
        If it does not answer in time, or cannot be done.
    """
    failed: list[BaseException] = []

    def work() -> None:
        try:
            step()
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(_ANSWERS_WITHIN_S)
    if thread.is_alive():
        raise DeviceError(
            f"{briefly(device.name)} does not answer; unplug it or restart its server, and run: "
            "shaping devices"
        )
    if failed:
        raise DeviceError(
            f"{briefly(device.name)} does not start ({failed[0].args[0] if failed[0].args else ''}"
            "); close programs that hold it, and try again"
        ) from None


def _closed(stream: Any) -> None:
    """Drop what is still to be played and close; a dead device may not answer, so do not wait."""
    thread = threading.Thread(target=lambda: stream.close(ignore_errors=True), daemon=True)
    thread.start()
    thread.join(_ANSWERS_WITHIN_S / 4)
