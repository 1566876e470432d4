"""Week to week: what changed on a stage between two Sundays' noise, from the paths kept in a plan.

Every path from wedge w to mic m is remembered by its levels in third octaves, the polarity and
clarity of its strongest arrival, and when that arrives. A change of one mic shows in its whole
row, one of a wedge in its whole column; what is left over tells mics and wedges that moved from
those that were only turned up or down:

- the same change of level in all bands: a gain moved;
- the same change of shape in all paths of a mic: another mic; of a wedge: its driver;
- polarity turned in all paths of one row or column: a cable;
- shapes that change differently from path to path: it moved (arrivals move too) or was turned.

With one mic, or one wedge, rows and columns cannot be told apart: both are then named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shaping.stage.stage_plan import BANDS_HZ, PathRecord
from shaping.text.frequency import hertz_text

_Real = NDArray[np.float64]


class ChangeKind(StrEnum):
    """What may have happened to a mic or a wedge since last week."""

    LEVEL = "level"
    MIC_SWAPPED = "mic-swapped"
    MIC_TURNED = "mic-turned"
    MIC_MOVED = "mic-moved"
    POLARITY = "polarity"
    DRIVER_DEAD = "driver-dead"
    DRIVER_WEAK = "driver-weak"
    WEDGE_MOVED = "wedge-moved"
    WEDGE_CHANGED = "wedge-changed"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class StageChange:
    """One change since last week.

    Attributes
    ----------
    kind : ChangeKind
        What it looks like.
    mic, wedge : str or None
        Whose; both where they cannot be told apart.
    level_db : float
        Mean change of level over its paths.
    reason : str
        Plain words: what it shows by, and what to do.
    """

    kind: ChangeKind
    mic: str | None
    wedge: str | None
    level_db: float
    reason: str


SAME_DB = 1.5
"""Changes of a gain below this are none: players, hands and air differ by as much."""

_SHAPE_DB = 0.8  # a choice: two recordings of the same agree better, two models of mic do not
_DIFFERS_DB = 1.2  # a choice: above how well paths agree that changed alike
_DEAD_DB = -12.0  # a choice: what is left is the other driver's and the room's
_WEAK_DB = -2.5  # a choice: plainly heard, and no two drivers differ by as much
_CLEAR = 0.15  # a choice: below it the first arrival has no sign to speak of
_LATE_S = 1.5e-4  # 5 cm of sound, about what a stand is put back to
_EXPLAINS = 0.6  # a choice: more than half of the paths, clear of a tie


@dataclass(frozen=True, eq=False)
class _Table:
    """Changes of all paths that both weeks have.

    change : (M, W, bands), not a number where unknown; flipped : (M, W) in -1, 0, 1;
    later_s : (M, W), against the other mics of the same recording.
    """

    mics: tuple[str, ...]
    wedges: tuple[str, ...]
    change: _Real
    flipped: _Real
    later_s: _Real
    lost: NDArray[np.bool_]


def stage_changes(last: Sequence[PathRecord], now: Sequence[PathRecord]) -> tuple[StageChange, ...]:
    """Return what changed between two weeks, the most certain cause of each difference.

    Parameters
    ----------
    last, now : sequence of PathRecord
        The paths of last week's plan and of this week's. Those that both have count.

    Returns
    -------
    tuple of StageChange
        Empty where all is the same.
    """
    table = _table(last, now)
    found: list[StageChange] = []
    for _ in range(len(table.mics) + len(table.wedges)):
        one = _largest(table)
        if one is None:
            break
        change, table = one
        found.append(change)
    return tuple(found)


def _table(last: Sequence[PathRecord], now: Sequence[PathRecord]) -> _Table:
    before = {(one.mic, one.wedge, one.position): one for one in last}
    both = [one for one in now if (one.mic, one.wedge, one.position) in before]
    mics = tuple(dict.fromkeys(one.mic for one in both))
    wedges = tuple(dict.fromkeys(one.wedge for one in both))
    shape = len(mics), len(wedges)
    change = np.full((*shape, len(BANDS_HZ)), np.nan)
    flipped, later = np.zeros(shape), np.full(shape, np.nan)
    lost = np.zeros(shape, bool)
    for one in both:
        old = before[one.mic, one.wedge, one.position]
        at = mics.index(one.mic), wedges.index(one.wedge)
        if not np.isnan(change[at]).all():
            continue  # the first position counts
        change[at] = np.array(one.bands_db) - np.array(old.bands_db)
        if min(abs(one.arrival), abs(old.arrival)) > _CLEAR:
            flipped[at] = math.copysign(1.0, one.arrival * old.arrival)
        later[at] = one.delay_s - old.delay_s
    for key, old in before.items():  # paths that are gone
        mic, wedge, position = key
        if mic in mics and wedge in wedges:
            there = any((o.mic, o.wedge, o.position) == key for o in now)
            lost[mics.index(mic), wedges.index(wedge)] |= not there and bool(
                old.position == position
            )
    with np.errstate(invalid="ignore"):
        later = later - _nanmedian(later, 0)[None, :]
    return _Table(mics, wedges, change, flipped, later, lost)


def _largest(table: _Table) -> tuple[StageChange, _Table] | None:
    """Return the row or column that explains most of what changed, and the table without it."""
    energy = np.nan_to_num(table.change**2).sum(axis=2) / len(BANDS_HZ)
    energy = energy + 25.0 * (table.flipped < 0)
    candidates = []
    for m in range(len(table.mics)):
        own = _judged(table, table.change[m], table.flipped[m], table.later_s[m], mic=True)
        if own is not None:
            candidates.append((float(energy[m].sum()), 0, m, own))
    for w in range(len(table.wedges)):
        own = _judged(
            table, table.change[:, w], table.flipped[:, w], table.later_s[:, w], mic=False
        )
        if own is not None:
            candidates.append((float(energy[:, w].sum()), 1, w, own))
    if not candidates:
        return None
    _, side, at, (kind, level_db, reason) = max(candidates, key=lambda one: (one[0], -one[1]))
    single = min(len(table.mics), len(table.wedges)) == 1
    mic = table.mics[at] if side == 0 else table.mics[0] if len(table.mics) == 1 else None
    wedge = table.wedges[at] if side == 1 else table.wedges[0] if len(table.wedges) == 1 else None
    if not single:
        mic, wedge = (table.mics[at], None) if side == 0 else (None, table.wedges[at])
    change, flipped = table.change.copy(), table.flipped.copy()
    later = table.later_s.copy()
    if side == 0:
        change[at], flipped[at], later[at] = np.nan, 0.0, np.nan
    else:
        change[:, at], flipped[:, at], later[:, at] = np.nan, 0.0, np.nan
    left = _Table(table.mics, table.wedges, change, flipped, later, table.lost)
    return StageChange(kind, mic, wedge, level_db, reason), left


def _judged(
    table: _Table, change: _Real, flipped: _Real, later_s: _Real, *, mic: bool
) -> tuple[ChangeKind, float, str] | None:
    """Return what one mic's row or one wedge's column looks like; None if it is as it was.

    A row counts if most of its paths changed: one path alone belongs to the other side.
    """
    seen = ~np.isnan(change).all(axis=1)
    if not seen.any():
        return None
    change, flipped, later_s = change[seen], flipped[seen], later_s[seen]
    common = _nanmedian(change, 0)
    if np.isnan(common).all():
        return None
    level_db = float(np.nanmedian(common))
    shape = common - level_db
    shape_db = float(np.sqrt(np.nanmean(shape**2)))
    rest = change - common[None, :]
    differs_db = float(np.sqrt(np.nanmean(rest**2))) if len(change) > 1 else 0.0
    own_db = np.sqrt(np.nanmean((change - _nanmedian(change, 1)[:, None]) ** 2, axis=1))
    most_moved = float(np.median(own_db)) > _DIFFERS_DB
    late = np.abs(later_s[~np.isnan(later_s)])
    moved = late.size > 0 and float(np.median(late)) > _LATE_S
    driver = None if mic else _driver(common)
    if driver is not None and driver[0] is ChangeKind.DRIVER_DEAD:
        return _driver_said(driver, level_db)
    known = flipped != 0
    if known.any() and np.mean(flipped[known] < 0) > _EXPLAINS and known.sum() >= 0.5 * known.size:
        what = "its cable or input turns polarity over" if mic else "its cable or amplifier does"
        return (
            ChangeKind.POLARITY,
            level_db,
            f"its sound arrives upside down in most paths: {what}; check what was re-patched",
        )
    if differs_db > _DIFFERS_DB and most_moved:
        if moved or not mic:
            kind = ChangeKind.MIC_MOVED if mic else ChangeKind.WEDGE_MOVED
            what = "mic" if mic else "wedge"
            return (
                kind,
                level_db,
                f"its paths changed each in its own way, and arrive at other times: the {what} "
                "stands elsewhere",
            )
        return (
            ChangeKind.MIC_TURNED,
            level_db,
            "its paths changed each in its own way but arrive when they did: it was turned",
        )
    if driver is not None:
        return _driver_said(driver, level_db)
    if shape_db > _SHAPE_DB:
        if mic:
            return (
                ChangeKind.MIC_SWAPPED,
                level_db,
                "it hears every wedge with another tone: another mic, or its settings changed",
            )
        return (
            ChangeKind.WEDGE_CHANGED,
            level_db,
            "every mic hears it with another tone: its equaliser, or another loudspeaker",
        )
    if abs(level_db) > SAME_DB:
        what = "its preamp" if mic else "its amplifier, send or the playback"
        return (
            ChangeKind.LEVEL,
            level_db,
            f"{abs(level_db):.1f} dB {'louder' if level_db > 0 else 'quieter'} in every path: "
            f"{what} moved",
        )
    return None


def _driver_said(
    driver: tuple[ChangeKind, str, float], level_db: float
) -> tuple[ChangeKind, float, str]:
    kind, where, loss_db = driver
    said = "is dead" if kind is ChangeKind.DRIVER_DEAD else "is weaker"
    return (
        kind,
        level_db,
        f"{where} came {-loss_db:.0f} dB weaker in every mic: that driver {said}, or its "
        "crossover or cable fails; have it looked at before raising anything",
    )


def _driver(common: _Real) -> tuple[ChangeKind, str, float] | None:
    """Return which driver lost how much: the top or the bottom against the middle."""
    hz = np.array(BANDS_HZ)
    high, low = hz >= 3_000, hz <= 400
    middle = (hz > 500) & (hz < 1_500)
    with np.errstate(invalid="ignore"):
        for band, name, other in ((high, "highs", low), (low, "lows", high)):
            gone = float(np.mean(np.isnan(common[band])))
            loss = float(np.nanmedian(common[band])) if gone < 1 else -99.0
            rest = (
                np.nanmedian(common[other | middle])
                if not np.isnan(common[other | middle]).all()
                else 0.0
            )
            loss -= float(rest)
            if loss < _DEAD_DB:
                return ChangeKind.DRIVER_DEAD, _range_text(hz[band], name), max(loss, -60.0)
            if loss < _WEAK_DB:
                return ChangeKind.DRIVER_WEAK, _range_text(hz[band], name), loss
    return None


def _range_text(hz: _Real, name: str) -> str:
    if name == "highs":
        return f"its highs, from about {hertz_text(float(hz[0]))},"
    return f"its lows, up to about {hertz_text(float(hz[-1]))},"


def _nanmedian(values: _Real, axis: int) -> _Real:
    """Return the median of what is known; not a number where nothing is."""
    known = ~np.isnan(values).all(axis=axis)
    filled = np.where(np.isnan(values).all(axis=axis, keepdims=True), 0.0, values)
    return np.asarray(np.where(known, np.nanmedian(filled, axis=axis), np.nan))
