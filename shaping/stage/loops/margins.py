"""How far all faders, one wedge or one send may go up before the whole stage howls.

The closed loop of stable parts is stable while ``det(I - L)`` does not encircle zero, which is to
say while the eigenvalues of ``L`` over frequency, taken together, do not encircle +1 [1]_.

- All sends together: raised by a factor k from nothing, the first instability comes where k times
  an eigenvalue first reaches +1. So ``k = 1 / max lambda``, over all frequencies at which an
  eigenvalue is real and positive.
- One send, or all sends into one wedge: k scales one row or entry of ``L``, a matrix of rank one,
  ``L = L0 + k u v^T``, and ``det(I - L) = det(I - L0) (1 - k v^T (I - L0)^-1 u)`` (the matrix
  determinant lemma [2]_). If the rest is stable, what is left is one ordinary loop,
  ``g = v^T (I - L0)^-1 u``, and ``k = 1 / max g`` over the frequencies where g is real and
  positive.
- Whatever the phases: ``rho(A) <= rho(B)`` wherever ``|A| <= B`` entry by entry (Wielandt [2]_).
  The spectral radius of the magnitudes is therefore never below any eigenvalue for any phases,
  and is attained where all paths are in step. For one send the same holds with magnitudes in
  ``g`` while the rest has a spectral radius below 1, by the series of ``(I - L0)^-1``.

References
----------
.. [1] A. G. J. MacFarlane, I. Postlethwaite, "The generalized Nyquist stability criterion and
   multivariable root loci", Int. J. Control 25(1), 1977.
.. [2] R. A. Horn, C. R. Johnson, "Matrix Analysis", 2nd ed., 2013, sections 0.8.5 and 8.1, 8.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

_Real = NDArray[np.float64]
_Complex = NDArray[np.complex128]

REACH_DB = 20.0
"""Frequencies at which even the worst case stays so far below the top are not looked at."""

SILENT_DB = -300.0
"""Level of a loop that is not closed."""

_ROUNDS = 12  # of the power method that narrows the candidates down
_FIRST_ROUNDS = 4  # of the same, for a scale to start from
_SQUARINGS = 6  # m = 64 in `close_levels`: right to 0.2 %
_CLOSED_FORM = 2  # loops up to which the radius has a simple closed form
_SHIFT = 0.3  # of the radius: enough that eigenvalues all round a circle fall behind


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a stage howls first.

    Attributes
    ----------
    frequency_hz : float
        Where; not a number where no loop is closed.
    level_db : float
        Level of the loop there: the sends may go up by its negative.
    """

    frequency_hz: float
    level_db: float


def radius_bounds(matrices: _Real) -> tuple[_Real, _Real]:
    """Return bounds of the spectral radius of many non-negative matrices.

    Collatz and Wielandt: for any positive x, ``min (Ax)_i / x_i <= rho <= max (Ax)_i / x_i``; and
    no entry of the diagonal is above rho.

    Parameters
    ----------
    matrices : ndarray, shape (n, k, k)
        Non-negative.

    Returns
    -------
    low, high : ndarray, shape (n,)
    """
    low, high = _bounds(_last(matrices), _ROUNDS)
    return low, high


def close_levels(matrices: _Real) -> _Real:
    """Return what `worst_levels` does to a few hundredths of a decibel, many times faster.

    Repeated squaring: with ``B = A + s I``, which no eigenvalue but the spectral radius reaches in
    size, ``tr(B^2m) / tr(B^m)`` is ``rho(B)^m``, short by a fifth at most where another eigenvalue
    is nearly as large. Its m-th root is right to 0.2 % at ``m = 64``.

    Parameters
    ----------
    matrices : ndarray, shape (n, k, k)
        Magnitudes of the loops.

    Returns
    -------
    ndarray, shape (n,)
        Level in dB; minus infinity where no loop is closed.
    """
    if matrices.shape[1] <= _CLOSED_FORM:
        return decibels(_small_radius(matrices))
    power = _last(matrices)
    low, high = _bounds(power, _FIRST_ROUNDS)
    scale = np.maximum(high, 1e-300)
    power = power / ((1 + _SHIFT) * scale)
    for i in range(power.shape[0]):
        power[i, i] += _SHIFT / (1 + _SHIFT)
    for _ in range(_SQUARINGS):
        power = np.einsum("ijn,jkn->ikn", power, power)
    ratio = np.einsum("ijn,jin->n", power, power) / np.einsum("iin->n", power)
    root = ratio ** (0.5**_SQUARINGS)
    return decibels(np.clip(((1 + _SHIFT) * root - _SHIFT) * scale, low, high))


def _small_radius(matrices: _Real) -> _Real:
    """Return the spectral radius of one loop, or of two, in closed form."""
    if matrices.shape[1] == 1:
        return np.array(matrices[:, 0, 0])
    half_difference = (matrices[:, 0, 0] - matrices[:, 1, 1]) / 2
    across = matrices[:, 0, 1] * matrices[:, 1, 0]
    middle = (matrices[:, 0, 0] + matrices[:, 1, 1]) / 2
    return np.asarray(middle + np.sqrt(half_difference**2 + across))


def decibels(size: _Real) -> _Real:
    """Return levels of sizes; minus infinity for nothing."""
    level = np.full(size.shape, -np.inf)
    np.log10(size, out=level, where=size > 0)
    return np.asarray(20 * level)


def _last(matrices: _Real) -> _Real:
    """Return matrices with the frequencies last, where sums over rows are sums of long rows."""
    return np.ascontiguousarray(matrices.transpose(1, 2, 0))


def _bounds(matrices: _Real, rounds: int) -> tuple[_Real, _Real]:
    vector = np.ones(matrices.shape[1:])
    low = np.einsum("iin->in", matrices).max(axis=0)
    high = np.full(matrices.shape[2], np.inf)
    for _ in range(rounds):
        image = np.einsum("ijn,jn->in", matrices, vector)
        ratio = image / vector
        low, high = np.maximum(low, ratio.min(axis=0)), np.minimum(high, ratio.max(axis=0))
        # A little of the old vector keeps it positive, and stops it from swinging.
        vector = image + 0.1 * high * vector
        vector = np.maximum(vector / np.maximum(vector.max(axis=0), 1e-300), 1e-12)
    return low, high


def worst_levels(matrices: _Real, *, reach_db: float = REACH_DB) -> _Real:
    """Return the level of the loops in the worst case over phases, at every frequency.

    Parameters
    ----------
    matrices : ndarray, shape (n, k, k)
        Magnitudes of the loops.
    reach_db : float
        Frequencies that are certainly so far below the highest are not computed.

    Returns
    -------
    ndarray, shape (n,)
        ``20 log10 rho`` in dB; minus infinity where it was not computed or no loop is closed.
    """
    if matrices.shape[1] <= _CLOSED_FORM:
        radius = _small_radius(matrices)
    else:
        radius = np.zeros(matrices.shape[0])
        low, high = radius_bounds(matrices)
        near = np.flatnonzero(high > low.max(initial=0.0) * 10 ** (-reach_db / 20))
        if near.size:
            radius[near] = np.abs(np.linalg.eigvals(matrices[near])).max(axis=1)
    level = decibels(radius)
    return np.where(level > level.max(initial=-np.inf) - reach_db, level, -np.inf)


def first_crossing(
    frequency_hz: _Real, matrices: _Complex, *, reach_db: float = REACH_DB
) -> Crossing:
    """Return where an eigenvalue is real, positive and highest.

    Between neighbouring frequencies eigenvalues are followed in straight lines, paired so that
    they move least. Intervals come in the order of how high they can reach at all, so that few
    are looked at.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        So close together that no path turns by more than a fraction of a circle from one to the
        next.
    matrices : ndarray of complex, shape (n, k, k)
        The loops, delays included.
    reach_db : float
        Intervals whose ends are both so far below the highest bound are not looked at.

    Returns
    -------
    Crossing
    """
    highest = _highest_bound(matrices)
    near = highest > highest.max(initial=0.0) * 10 ** (-reach_db / 20)
    left = np.flatnonzero(near[:-1] | near[1:])
    bound = np.maximum(highest[left], highest[left + 1])
    best, where = 0.0, np.nan
    for part in _batches(left[np.argsort(-bound, kind="stable")]):
        if max(highest[part[0]], highest[part[0] + 1]) <= best:
            break
        here, there = (
            np.asarray(np.linalg.eigvals(matrices[at]), np.complex128) for at in (part, part + 1)
        )
        there = _paired(here, there)
        crossing = np.signbit(here.imag) != np.signbit(there.imag)
        share = np.zeros(here.shape)
        np.divide(here.imag, here.imag - there.imag, out=share, where=crossing)
        real = np.where(crossing, here.real + share * (there.real - here.real), 0.0)
        row, column = np.unravel_index(int(np.argmax(real)), real.shape)
        if real[row, column] > best:
            best = float(real[row, column])
            at = int(part[row])
            step = frequency_hz[at + 1] - frequency_hz[at]
            where = float(frequency_hz[at] + share[row, column] * step)
    return Crossing(where, 20 * float(np.log10(best)) if best > 0 else SILENT_DB)


def entry_loop(matrices: NDArray[Any], row: int, part: NDArray[Any]) -> NDArray[Any]:
    """Return the single loop that a send, or a whole row of sends, closes through all others.

    Parameters
    ----------
    matrices : ndarray, shape (n, k, k)
        Loops with that send at the gain it has. The rest must be stable without it.
    row : int
        The wedge that the send feeds.
    part : ndarray, shape (n, k)
        What the send contributes to that row. All of the row: the wedge's own fader.

    Returns
    -------
    ndarray, shape (n,)
        ``g``: the gain of the send may be multiplied by k as long as ``k g`` as one loop is
        stable. With magnitudes given the worst case over phases; infinite where the rest alone
        reaches a spectral radius of 1.
    """
    size = matrices.shape[1]
    rest = np.array(matrices)
    rest[:, row, :] -= part
    unit = np.zeros((matrices.shape[0], size, 1), matrices.dtype)
    unit[:, row, 0] = 1.0
    if np.iscomplexobj(matrices):
        solved = np.linalg.solve(np.eye(size) - rest, unit)[..., 0]
        return np.asarray(np.einsum("ni,ni->n", part, solved))
    rest = np.maximum(rest, 0.0)  # rounding
    stable = worst_levels(rest, reach_db=np.inf) < 0.0
    found = np.full(matrices.shape[0], np.inf)
    solved = np.linalg.solve(np.eye(size) - rest[stable], unit[stable])[..., 0]
    found[stable] = np.einsum("ni,ni->n", part[stable], solved)
    return found


def shares(matrix: NDArray[Any]) -> tuple[complex, NDArray[Any]]:
    """Return the leading eigenvalue of one matrix and what each entry contributes to it.

    To first order, raising entry (i, j) by a fraction raises the eigenvalue by that fraction
    times its share ``y_i A_ij x_j / (lambda y^T x)``, with left and right eigenvectors y and x;
    the shares of all entries add up to 1.

    Parameters
    ----------
    matrix : ndarray, shape (k, k)
        Loops at one frequency.

    Returns
    -------
    eigenvalue : complex
    shares : ndarray, shape (k, k)
        Real parts count; they may be negative where entries work against each other.
    """
    values, right = np.linalg.eig(matrix)
    at = int(np.argmax(np.abs(values)))
    left_values, left = np.linalg.eig(matrix.T)
    same = int(np.argmin(np.abs(left_values - values[at])))
    x, y = right[:, at], left[:, same]
    scale = values[at] * (y @ x)
    if abs(scale) == 0:
        return complex(values[at]), np.zeros(matrix.shape)
    return complex(values[at]), np.asarray(y[:, None] * matrix * x[None, :] / scale)


def _highest_bound(matrices: _Complex) -> _Real:
    """Return an upper bound of the eigenvalues' magnitudes."""
    size = np.abs(matrices)
    if matrices.shape[1] == 1:
        return np.asarray(size[:, 0, 0])
    return radius_bounds(size)[1]


def _batches(order: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return few intervals at first, then more and more."""
    cuts = 64 * 4 ** np.arange(12)
    return [part for part in np.split(order, cuts[cuts < order.size]) if part.size]


def _paired(here: _Complex, there: _Complex) -> _Complex:
    """Return the eigenvalues `there`, each in the place of the one `here` that it grew out of."""
    size = here.shape[1]
    if size == 1:
        return there
    paired = np.empty_like(there)
    distance = np.abs(here[:, :, None] - there[:, None, :])
    nearest = distance.argmin(axis=2)
    clear = np.ones(here.shape[0], bool)
    for i in range(size):
        for j in range(i):
            clear &= nearest[:, i] != nearest[:, j]
    paired[clear] = np.take_along_axis(there[clear], nearest[clear], axis=1)
    for row in np.flatnonzero(~clear):
        _, column = optimize.linear_sum_assignment(distance[row])
        paired[row] = there[row, column]
    return paired
