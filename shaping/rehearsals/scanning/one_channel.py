"""The sure howls of one channel of one recording, streamed: for whoever needs no journal."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.detector import Candidate, Detector
from shaping.rehearsals.events import Event
from shaping.rehearsals.judging import events_of
from shaping.rehearsals.model import CERTAIN


def sure_howls(
    blocks: Iterable[NDArray[np.float32]], sample_rate_hz: int, *, channel: int
) -> list[Event]:
    """Return the howls that are sure, in order of time.

    Parameters
    ----------
    blocks : iterable of ndarray of float32, shape (n,)
        The channel, in order; finite.
    sample_rate_hz : int
        Sample rate in Hz.
    channel : int
        Counted from 1.
    """
    detector = Detector(sample_rate_hz)
    found: list[Candidate] = []
    for block in blocks:
        found += detector.feed(block)
    found += detector.finish()
    return events_of(found, channel=channel, listed=CERTAIN)
