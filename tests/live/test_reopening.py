"""A stream that ends by itself: opened anew before anything sounds, and never after."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.live import duplex
from shaping.live.devices import Device
from shaping.live.player import Player
from shaping.live.stopping import Cause, Stop

RATE = 8_000
DEVICE = Device(0, "made", "made", 1, 1, RATE)


class DroppedStream:
    """Brings so many blocks at its start, then none: active no more unless all was played."""

    def __init__(self, callback, blocks: int) -> None:
        self._callback, self._blocks = callback, blocks
        self.active = True

    def start(self) -> None:
        heard, played = np.full((80, 1), 0.01, np.float32), np.zeros((80, 1), np.float32)
        for _ in range(self._blocks):
            self._callback(heard, played, 80, None, False)
        self.active = False

    def stop(self, *_: object, **__: object) -> None:
        pass

    abort = close = stop


@pytest.mark.parametrize(
    ("blocks", "cause", "openings"),
    [
        ([3, 1000], None, 2),
        ([3, 3, 1000], None, 3),
        ([3, 3, 3, 1000], Cause.DEVICE_LOST, 3),
        ([60, 1000], Cause.DEVICE_LOST, 1),  # 0.6 s: the sound has begun
    ],
)
def test_a_stream_is_opened_anew_only_while_nothing_sounds(monkeypatch, blocks, cause, openings):
    opened = []

    def made(_kind, _device, _rate, *, channels, callback):
        assert channels == (1, 1)
        opened.append(DroppedStream(callback, blocks[len(opened)]))
        return opened[-1]

    monkeypatch.setattr(duplex, "opened_stream", made)
    monkeypatch.setattr(duplex, "leave_at_once", lambda: None)
    sound = np.zeros(RATE, np.float32)
    player = Player(sound, RATE, output=0, inputs=(0,), guard=None, stop=Stop())
    taken = duplex.Duplex(DEVICE, RATE).run(player)
    assert taken.cause is cause
    assert len(opened) == openings
