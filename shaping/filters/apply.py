"""Filtering audio block by block.

Conventions: time runs along the first axis, channels (if any) along the last, as in audio files.
State is float64, so that low corners stay exact with float32 audio.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.errors import ParameterError
from shaping.filters.cookbook import Sos

_Block = TypeVar("_Block", NDArray[np.float32], NDArray[np.float64])

_FLUSH_BELOW = 1e-30  # far above the subnormal numbers, which slow arithmetic down
_FLUSH_EVERY = 16_384
"""A choice: a third of a second at 48 kHz; looking costs time."""


def initial_state(sos: Sos, *, channels: int | None = None) -> NDArray[np.float64]:
    """Return the state of filters at rest.

    Parameters
    ----------
    sos : ndarray, shape (n, 6)
        Sections.
    channels : int, optional
        Number of channels, for blocks of shape (frames, channels).

    Returns
    -------
    ndarray, shape (n, 2) or (n, 2, channels)
        Zeros.
    """
    shape = (len(sos), 2) if channels is None else (len(sos), 2, channels)
    return np.zeros(shape)


def apply_sos(
    sos: Sos, block: _Block, state: NDArray[np.float64]
) -> tuple[_Block, NDArray[np.float64]]:
    """Filter one block, going on from `state`; neither argument is changed.

    Parameters
    ----------
    sos : ndarray, shape (n, 6)
        Sections.
    block : ndarray of float32 or float64, shape (frames,) or (frames, channels)
        Audio.
    state : ndarray
        From `initial_state`, or from the block before.

    Returns
    -------
    filtered : ndarray
        Same shape and type as `block`.
    state : ndarray
        For the block after.

    Raises
    ------
    ParameterError
        If `state` does not fit `sos` and `block`.
    """
    if state.shape != (len(sos), 2, *block.shape[1:]):
        raise ParameterError(
            f"a filter state of shape {state.shape} does not fit {len(sos)} sections and a block "
            f"of shape {block.shape}; make it with initial_state"
        )
    if len(sos) == 0 or len(block) == 0:
        return block.copy(), state.copy()
    filtered = np.empty_like(block)
    for start in range(0, len(block), _FLUSH_EVERY):
        part = slice(start, start + _FLUSH_EVERY)
        filtered[part], state = signal.sosfilt(sos, block[part], axis=0, zi=state)
        # A tail that fades towards zero ends in denormal numbers, many times slower to compute.
        state = np.where(np.abs(state) < _FLUSH_BELOW, 0.0, state)
    return filtered, state
