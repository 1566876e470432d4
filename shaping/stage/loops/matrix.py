"""The matrix of paths of a stage, and the matrix of loops that sends and equalisers make of it.

Conventions: M mics, W wedges. ``P`` (M x W) holds the paths from wedge to mic, ``S`` (W x M) the
sends, linear, zero where muted, ``E`` (W) the equalisers of the wedges. All of them together are
one loop, ``L = P E S``. It has the same non-zero eigenvalues as ``E S P``, and
``det(I - P E S) = det(I - E S P)`` [1]_; the work is done in the second, W x W, so that a wedge is
a row of it. Arrays run over frequency first.

References
----------
.. [1] J. J. Sylvester's determinant identity; R. A. Horn, C. R. Johnson, "Matrix Analysis", 2nd
   ed., 2013, theorem 1.3.22 (eigenvalues of AB and BA).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaping.errors import ParameterError

_Real = NDArray[np.float64]
_Complex = NDArray[np.complex128]

MOST_ERROR_DB = 12.0
"""Where an error bar is wider the path is as good as not seen: no wider bar is believed."""


@dataclass(frozen=True, eq=False)
class PathMatrix:
    """Every path of a stage with the mics in one place each.

    Attributes
    ----------
    position : str
        What the people who measured call it; empty where they gave it no name.
    frequency_hz : ndarray, shape (n,)
        Rising in equal steps.
    response : ndarray of complex, shape (n, M, W)
        Paths from the wedge's input samples to the mic's samples, each wedge's `delay_s` taken
        out of its column.
    error_db : ndarray, shape (n, M, W)
        One standard deviation of the magnitude; infinite where nothing was measured.
    trusted : ndarray of bool, shape (n, M, W)
        Where a path can be told from noise. Elsewhere it counts as none, except for what is
        promised.
    delay_s : ndarray, shape (W,)
        Delay that was taken out of each wedge's paths.
    delay_known : bool
        Whether `delay_s` are the loops' own delays.
    """

    position: str
    frequency_hz: _Real
    response: _Complex
    error_db: _Real
    trusted: NDArray[np.bool_]
    delay_s: _Real
    delay_known: bool = True

    def __post_init__(self) -> None:
        """Check that the shapes agree."""
        n, _, wedges = self.response.shape
        if self.frequency_hz.shape != (n,) or self.delay_s.shape != (wedges,):
            raise ParameterError("frequencies, paths and delays do not match in number")
        if not self.error_db.shape == self.trusted.shape == self.response.shape:
            raise ParameterError("paths and their errors do not match in number")

    def delayed(self, delay_s: _Real | None = None) -> _Complex:
        """Return the trusted paths with their delays, or with others, shape (n, M, W)."""
        delays = self.delay_s if delay_s is None else delay_s
        turn = np.exp(-2j * np.pi * self.frequency_hz[:, None] * delays[None, :])
        return np.asarray(np.where(self.trusted, self.response * turn[:, None, :], 0.0))

    def magnitude(self, sigmas: float = 0.0) -> _Real:
        """Return the trusted paths' magnitudes, so many standard deviations up, (n, M, W)."""
        size = np.where(self.trusted, np.abs(self.response), 0.0)
        return size * 10 ** (sigmas * np.minimum(self.error_db, MOST_ERROR_DB) / 20)

    @property
    def upper(self) -> _Real:
        """Magnitudes at the upper end of a 95 % interval, noise or not, shape (n, M, W).

        Upwards only, hence 1.645 standard deviations. Zero where nothing was measured.
        """
        measured = np.isfinite(self.error_db)
        sigma = np.where(measured, np.minimum(self.error_db, MOST_ERROR_DB), 0.0)
        return np.asarray(np.where(measured, np.abs(self.response) * 10 ** (1.645 * sigma / 20), 0))


def loops(
    paths: _Complex | _Real, sends: _Real, equalisers: _Complex | _Real | None = None
) -> NDArray[Any]:
    """Return ``E S P`` at every frequency.

    Parameters
    ----------
    paths : ndarray, shape (n, M, W)
        Paths, or their magnitudes.
    sends : ndarray, shape (W, M)
        Linear send gains.
    equalisers : ndarray, shape (n, W), optional
        Responses of the wedges' equalisers, or their magnitudes; flat if left out.

    Returns
    -------
    ndarray, shape (n, W, W)
        Entry (w, v): from wedge v's loudspeaker through all mics into wedge w's.
    """
    _, mics, wedges = paths.shape
    if sends.shape != (wedges, mics):
        raise ParameterError(
            f"{wedges} wedges and {mics} mics need sends of shape ({wedges}, {mics}), "
            f"not {sends.shape}"
        )
    product = np.einsum("wm,nmv->nwv", sends, paths)
    return np.asarray(product if equalisers is None else product * equalisers[:, :, None])
