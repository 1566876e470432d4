"""Where each moment of a walk lies in the noise that was played.

A mic that is carried hears the noise earlier or later with every step, and two clocks drift.
So every block is looked up by itself, near where the one before was found.

References
----------
.. [1] C. Knapp, G. Carter, "The generalized correlation method for estimation of time delay",
   IEEE Trans. Acoust. Speech Signal Proc. 24(4), 1976.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from shaping.analysis.loop.alignment import NOT_FOUND
from shaping.errors import CaptureError

WALK_BLOCK_S, WALK_HOP_S = 1.5, 0.75
"""A slow step and a half: shorter blocks tell frequencies apart less well than a room does."""

FOUND = 6.0
"""Height of the peak over the rms of the rest; unrelated noise stays under 5."""

_PROBES = 9
_PROBES_AGREE_S = 0.1
_REACH_S = 0.05
_LOWEST_HZ = 60.0
_PART_S, _PART_REACH_S = 0.25, 0.006
_FEWEST_PARTS = 4
_FINER = 2

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Track:
    """Blocks of a capture, and where each lies in the reference.

    Attributes
    ----------
    start : ndarray of int, shape (blocks,)
        First sample of each block in the capture.
    size : int
        Samples of a block.
    offset : ndarray of int, shape (blocks,)
        Sample of the capture at which the reference's first sample would be heard over the
        strongest path.
    found : ndarray of bool, shape (blocks,)
        Whether the reference was heard in it at all.
    """

    start: NDArray[np.int64]
    size: int
    offset: NDArray[np.int64]
    found: NDArray[np.bool_]


def track(capture: Samples, reference: Samples, sample_rate_hz: float) -> Track:
    """Find every block of a walk in the reference.

    Parameters
    ----------
    capture, reference : ndarray of float32, shape (n,), (m,)
        At one rate.
    sample_rate_hz : float
        That rate in Hz.

    Raises
    ------
    CaptureError
        If the reference is not to be found in the capture, or there is too little of either.
    """
    size, hop = round(WALK_BLOCK_S * sample_rate_hz), round(WALK_HOP_S * sample_rate_hz)
    if min(capture.size, reference.size) < 4 * size:
        raise CaptureError(
            f"a walk needs at least {4 * WALK_BLOCK_S:.0f} s of noise, a minute or two is better: "
            "play a longer one (shaping signal pink-noise FILE --duration 120)"
        )
    first = _offset_of_most(capture, reference, size, sample_rate_hz)
    starts = np.arange(0, capture.size - size + 1, hop)
    offsets, scores = np.empty(starts.size, np.int64), np.empty(starts.size)
    middle = int(np.argmin(np.abs(starts - capture.size // 2)))
    reach = round(_REACH_S * sample_rate_hz)
    for order in (range(middle, starts.size), range(middle - 1, -1, -1)):
        near = first
        for at in order:
            offsets[at], scores[at] = _near(
                capture, reference, int(starts[at]), size, near, reach, sample_rate_hz
            )
            if scores[at] > FOUND:
                near = int(offsets[at])
    # Where the noise begins or ends within a block, its own level is that of no place.
    whole = (starts >= offsets) & (starts + size <= offsets + reference.size)
    return Track(starts, size, offsets, (scores > FOUND) & whole)


def _offset_of_most(capture: Samples, reference: Samples, size: int, sample_rate_hz: float) -> int:
    """Return the offset that most of a few probes agree on."""
    length = fft.next_fast_len(reference.size + size, real=True)
    template = fft.rfft(reference, length) * _even(length, sample_rate_hz)
    found: list[tuple[int, float]] = []
    for start in np.linspace(0.1, 0.9, _PROBES) * (capture.size - size):
        probe = capture[int(start) : int(start) + size]
        alike = np.abs(fft.irfft(template * np.conj(fft.rfft(probe, length)), length))
        at = int(np.argmax(alike))
        lag = at if at <= reference.size else at - length
        score = float(alike[at] / np.sqrt(np.mean(alike**2)))
        if score > FOUND:
            found.append((int(start) - lag, score))
    offsets = np.array([offset for offset, _ in found])
    together = [np.abs(offsets - one) < _PROBES_AGREE_S * sample_rate_hz for one in offsets]
    most = max(together, key=np.sum, default=np.zeros(0, bool))
    if most.sum() < _PROBES // 3:
        raise CaptureError(NOT_FOUND)
    return int(np.median(offsets[most]))


def _near(
    capture: Samples,
    reference: Samples,
    start: int,
    size: int,
    offset: int,
    reach: int,
    sample_rate_hz: float,
) -> tuple[int, float]:
    """Return a block's offset near another, and how clearly it was found."""
    # The block's first sample answers to this one of the reference, give or take the reach.
    low = start - offset - reach
    played = _stretch(reference, low, size + 2 * reach)
    if not played.any():
        return offset, 0.0
    length = fft.next_fast_len(size + 2 * reach, real=True)
    cross = fft.rfft(played, length) * np.conj(fft.rfft(capture[start : start + size], length))
    # Over all lags, for near the peak the room's own sound is no chance.
    alike = np.abs(fft.irfft(cross * _even(length, sample_rate_hz), length))
    at = int(np.argmax(alike[: 2 * reach + 1]))
    score = float(alike[at] / max(float(np.sqrt(np.mean(alike**2))), 1e-30))
    return start - (low + at), score


def _even(length: int, sample_rate_hz: float) -> NDArray[np.float32]:
    """Return weights that turn pink noise white."""
    hz = fft.rfftfreq(length, 1 / sample_rate_hz)
    return np.where(hz > _LOWEST_HZ, hz, 0.0).astype(np.float32)


def _stretch(reference: Samples, first: int, count: int) -> Samples:
    """Return some samples of the reference, silence beyond its ends."""
    out = np.zeros(count, np.float32)
    low, high = max(first, 0), min(first + count, reference.size)
    if high > low:
        out[low - first : high - first] = reference[low:high]
    return out


class Follower:
    """Gives what each block answers to, on the clock of the sound that arrives first.

    A step towards the wedge shortens the way while the noise plays: the strongest arrival is
    followed in stretches of a quarter of a second, and the reference bent as it was heard.

    Parameters
    ----------
    capture, reference : ndarray of float32, shape (n,), (m,)
        At one rate.
    sample_rate_hz : float
        That rate in Hz.
    found : Track
        From `track`.
    """

    def __init__(
        self, capture: Samples, reference: Samples, sample_rate_hz: float, found: Track
    ) -> None:
        self._capture, self._reference = capture, reference
        self._rate = sample_rate_hz
        self._found = found
        finer = signal.resample_poly(reference, _FINER, 1)
        self._spline = ndimage.spline_filter(finer.astype(np.float64), order=3, mode="mirror")

    def played(self, block: int, *, length: int, lead: int) -> Samples:
        """Return what a block answers to, for `least_squares_response`.

        Parameters
        ----------
        block : int
            Which block.
        length, lead : int
            Samples of the impulse response, and of it those before the strongest arrival.
        """
        found = self._found
        start, offset = int(found.start[block]), int(found.offset[block])
        here = np.arange(-(length - 1 - lead), found.size + lead, dtype=np.float64)
        bend = self._bend(start, offset)
        place = start - offset + here - np.polyval(bend, here / found.size)
        inside = (place >= 0) & (place <= self._reference.size - 1)
        values = ndimage.map_coordinates(
            self._spline, [place[inside] * _FINER], order=3, prefilter=False, mode="mirror"
        )
        out = np.zeros(here.size, np.float32)
        out[inside] = values
        return out

    def _bend(self, start: int, offset: int) -> _Real:
        """Return by how many samples the sound comes later within a block, as a parabola."""
        found, part = self._found, round(_PART_S * self._rate)
        reach = round(_PART_REACH_S * self._rate)
        starts = np.arange(0, found.size - part + 1, part)
        late = np.empty(starts.size)
        for at, begin in enumerate(starts):
            late[at] = self._late(start + int(begin), part, offset, reach)
        middle = (starts + part / 2) / found.size
        bend = np.polyfit(middle, late, 2)
        for _ in range(2):  # one part that went astray shall not bend the whole
            off = np.abs(late - np.polyval(bend, middle))
            sure = off <= max(2.0 * float(np.median(off)), 1.0)
            if sure.sum() < _FEWEST_PARTS:
                break
            bend = np.polyfit(middle[sure], late[sure], 2)
        return np.asarray(bend)

    def _late(self, start: int, size: int, offset: int, reach: int) -> float:
        """Return by how many samples a part comes later than the block as a whole."""
        played = _stretch(self._reference, start - offset - reach, size + 2 * reach)
        length = fft.next_fast_len(size + 2 * reach, real=True)
        heard = self._capture[start : start + size]
        cross = fft.rfft(played, length) * np.conj(fft.rfft(heard, length))
        alike = fft.irfft(cross * _even(length, self._rate), length)[: 2 * reach + 1]
        size_of = np.abs(alike)
        at = int(np.argmax(size_of))
        if 0 < at < size_of.size - 1:
            left, top, right = size_of[at - 1 : at + 2]
            fine = 0.5 * (left - right) / min(left - 2 * top + right, -1e-30)
        else:
            fine = 0.0
        # Found later in the reference: the sound came earlier.
        return float(reach - (at + fine))
