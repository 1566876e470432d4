"""From the filters of a plan to second-order sections at a sample rate.

Where a plan promises a width (peaking, notch, band-pass), the section keeps that width up to the
Nyquist frequency: the cookbook's octaves form, not its Q form.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from shaping.errors import ParameterError
from shaping.filters import cookbook
from shaping.filters.butterworth import high_pass_cascade, low_pass_cascade
from shaping.filters.cookbook import Sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import octaves_from_q

_CASCADES = {
    FilterKind.HIGH_PASS: high_pass_cascade,
    FilterKind.LOW_PASS: low_pass_cascade,
}
_CORNERS = {
    FilterKind.HIGH_PASS: cookbook.high_pass,
    FilterKind.LOW_PASS: cookbook.low_pass,
    FilterKind.ALL_PASS: cookbook.all_pass,
}
_WIDTHS = {
    FilterKind.BAND_PASS: cookbook.band_pass,
    FilterKind.NOTCH: cookbook.notch,
}
_SHELVES = {
    FilterKind.LOW_SHELF: cookbook.low_shelf,
    FilterKind.HIGH_SHELF: cookbook.high_shelf,
}


def filter_sos(filter: Filter, *, sample_rate_hz: float) -> Sos:
    """Design one filter of a plan.

    Parameters
    ----------
    filter : Filter
        The filter. A high-pass or low-pass with an `order` is a Butterworth cascade.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (n, 6)
        Sections for `scipy.signal.sosfilt`.

    Raises
    ------
    ParameterError
        If the filter lies at or above half the sample rate, a value is out of range, or one that
        its kind needs is missing.
    """
    kind, frequency_hz = filter.kind, filter.frequency_hz
    if kind in _CASCADES and filter.order is not None:
        return _CASCADES[kind](frequency_hz, filter.order, sample_rate_hz=sample_rate_hz)
    q = _needed(filter.q, "Q", kind)
    if kind in _CORNERS:
        return _CORNERS[kind](frequency_hz, q, sample_rate_hz=sample_rate_hz)
    if kind in _WIDTHS:
        return _WIDTHS[kind](frequency_hz, octaves=octaves_from_q(q), sample_rate_hz=sample_rate_hz)
    gain_db = _needed(filter.gain_db, "gain", kind)
    if kind in _SHELVES:
        return _SHELVES[kind](frequency_hz, gain_db, q, sample_rate_hz=sample_rate_hz)
    return cookbook.peaking(
        frequency_hz, gain_db, octaves=octaves_from_q(q), sample_rate_hz=sample_rate_hz
    )


def cascade_sos(filters: Iterable[Filter], *, sample_rate_hz: float) -> Sos:
    """Design filters in a row; none at all gives shape (0, 6).

    Raises
    ------
    ParameterError
        As `filter_sos`.

    Examples
    --------
    >>> cascade_sos([], sample_rate_hz=48_000).shape
    (0, 6)
    """
    sections = [filter_sos(one, sample_rate_hz=sample_rate_hz) for one in filters]
    return np.concatenate([np.empty((0, 6)), *sections])


def _needed(value: float | None, name: str, kind: FilterKind) -> float:
    if value is None:
        raise ParameterError(f"a {kind} filter needs a {name}; none is given")
    return value
