"""Setting the sliders of a graphic equaliser so that they serve rings.

The sliders stay where they are and a ring usually lies between two of them. Rings are served
one after another, the most urgent first: each time the slider that takes away most of what is
still missing goes down one step. In the end every slider goes up again as far as all rings
allow. Thinning may have sliders down already; they go deeper from there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import settings_rows
from shaping.filters.closed_forms import bell_db
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.filters.width import q_from_octaves
from shaping.plan.ring_out.needs import HARD_LIMIT_DB, Need
from shaping.plan.ring_out.placing import TOLERANCE_DB, Cut, deepened, wants_of

_Real = NDArray[np.float64]
_Places = NDArray[np.intp]

LEAST_USE = 0.15
"""A slider is worth moving for a ring that gets at least this share of its movement."""

MEMBER_SHARE = 0.25
"""A slider answers a ring if it gives at least this share of what the ring asked for."""

EVENNESS_PER_DB = 0.03
"""How much less a slider counts for each dB it is down already, so that two sliders beside a
ring share its cut."""

_THIRD_OCTAVE = 1.0 / 3.0  # where one slider alone does not tell the spacing


def set_sliders(
    needs: Sequence[Need],
    limits: Limits,
    *,
    thinning: Sequence[Filter],
    cuts: int,
    sample_rate_hz: float,
) -> tuple[tuple[Filter, ...], tuple[Cut, ...]]:
    """Set sliders so that they serve rings.

    Parameters
    ----------
    needs : sequence of Need
        Most urgent first, sure rings before possible ones.
    limits : Limits
        An equaliser with a grid and peaking bands.
    thinning : sequence of Filter
        Filters already in the plan; those on the grid are sliders already down.
    cuts : int
        How many sliders may move for rings.
    sample_rate_hz : float
        Sample rate of the designs, in Hz.

    Returns
    -------
    thinning : tuple of Filter
        Those filters that no ring has moved.
    cuts : tuple of Cut
        Sliders moved for rings, those of the most urgent first.
    """
    desk = _desk(limits, 0.49 * sample_rate_hz)
    fixed = [f for f in thinning if f.kind is FilterKind.HIGH_PASS]
    start = np.zeros(len(desk.centres_hz), dtype=np.intp)
    for filter in thinning:
        if filter.kind is not FilterKind.HIGH_PASS:
            slider = int(np.argmin(np.abs(desk.centres_hz - filter.frequency_hz)))
            start[slider] = np.argmin(np.abs(desk.gain_db - (filter.gain_db or 0.0)))
    if not needs or cuts <= 0:
        return tuple(thinning), ()
    wants = wants_of(needs, sample_rate_hz=sample_rate_hz)
    wanted_db = wants.depth_db + total_db(fixed, wants.frequency_hz, sample_rate_hz=sample_rate_hz)
    table_db = desk.cut_db(wants.frequency_hz)
    places = _lower(start, desk, table_db, wanted_db, bands=limits.bands, cuts=cuts)
    places = _raise(places, start, table_db, wanted_db)
    found = _cuts(places, start, desk, table_db, wants.depth_db[:, 0])
    moved = {cut.filter.frequency_hz for cut in found}
    kept = tuple(
        filter for filter in thinning if filter.frequency_hz not in moved or filter in fixed
    )
    return kept, deepened(found, needs, limits, thinning=kept, sample_rate_hz=sample_rate_hz)


@dataclass(frozen=True, eq=False)
class _Desk:
    """The sliders and the places each can be put, the first at 0 dB.

    `centres_hz` has shape (sliders,), `gain_db` and `q` shape (places,).
    """

    centres_hz: _Real
    gain_db: _Real
    q: _Real

    def cut_db(self, frequency_hz: _Real) -> _Real:
        """Return cuts, positive, of shape (sliders, places, needs, 3)."""
        return -bell_db(
            frequency_hz[None, None],
            centre_hz=self.centres_hz[:, None, None, None],
            gain_db=self.gain_db[None, :, None, None],
            q=self.q[None, :, None, None],
        )


def _desk(limits: Limits, highest_hz: float) -> _Desk:
    centres = np.array([hz for hz in limits.grid_hz or () if hz < highest_hz])
    spacing = np.median(np.diff(np.log2(centres))) if centres.size > 1 else _THIRD_OCTAVE
    wanted_q = q_from_octaves(float(spacing))
    rows = settings_rows(limits, [wanted_q], deepest_db=HARD_LIMIT_DB, least_move=True)
    gains = [0.0, *(gain for row, _ in rows for gain in row)]
    qs = [wanted_q, *(q for _, row in rows for q in row)]
    return _Desk(centres, np.array(gains), np.array(qs))


def _lower(
    start: _Places, desk: _Desk, table_db: _Real, wanted_db: _Real, *, bands: int, cuts: int
) -> _Places:
    """Return places that serve the needs in their order, as far as sliders last."""
    places, sliders = start.copy(), np.arange(start.size)
    deepest = desk.gain_db.size - 1
    for need in range(len(wanted_db)):
        while True:
            missing_db = wanted_db[need] - table_db[sliders, places, need].sum(axis=0)
            if missing_db.max() <= TOLERANCE_DB:
                break
            lower = np.minimum(places + 1, deepest)
            gained_db = table_db[sliders, lower, need] - table_db[sliders, places, need]
            useful = np.minimum(gained_db, np.maximum(missing_db, 0.0)).sum(axis=1)
            useful /= 1.0 - EVENNESS_PER_DB * desk.gain_db[places]
            moved_db = desk.gain_db[places] - desk.gain_db[lower]
            useful /= np.maximum(moved_db, 1e-9)  # the first step of a slider is the longest
            can_move = (lower > places) & (gained_db[:, 0] >= LEAST_USE * moved_db)
            if np.count_nonzero(places > start) >= cuts:
                can_move &= places > start
            if np.count_nonzero(places) >= bands:
                can_move &= places > 0
            if not can_move.any():
                break
            # Rounded, so that rounding errors of a platform do not choose between equals.
            places[np.argmax(np.round(np.where(can_move, useful, -1.0), 6))] += 1
    return places


def _raise(places: _Places, start: _Places, table_db: _Real, wanted_db: _Real) -> _Places:
    """Return places with every slider as high as leaves no need worse served."""
    places, sliders = places.copy(), np.arange(places.size)

    def missing_db() -> _Real:
        return np.asarray(wanted_db - table_db[sliders, places].sum(axis=0))

    allowed_db = np.maximum(missing_db(), TOLERANCE_DB) + 1e-9
    changed = True
    while changed:
        changed = False
        for slider in np.flatnonzero(places > start):
            places[slider] -= 1
            if np.all(missing_db() <= allowed_db):
                changed = True
            else:
                places[slider] += 1
    return places


def _cuts(
    places: _Places, start: _Places, desk: _Desk, table_db: _Real, depth_db: _Real
) -> list[Cut]:
    """Return the sliders moved for rings, with the rings each answers."""
    found = []
    for slider in np.flatnonzero(places > start):
        given = table_db[slider, places[slider], :, 0] / depth_db
        answered = np.flatnonzero(given >= MEMBER_SHARE)
        members = answered if answered.size else np.array([np.argmax(given)])
        filter = Filter(
            FilterKind.PEAKING,
            float(desk.centres_hz[slider]),
            q=float(desk.q[places[slider]]),
            gain_db=float(desk.gain_db[places[slider]]),
        )
        found.append(Cut(filter, tuple(int(member) for member in members)))
    return sorted(found, key=lambda cut: cut.members)
