"""How people read a stage's plan: the answer first, each wedge, what decides, what helps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shaping.capture import cautions
from shaping.plan.thinning.pairs import pair_texts
from shaping.report import words
from shaping.stage.loops.together import WEAKER_DB, Deciding, Remedy
from shaping.stage.pairs import pairs_at, unlike_sends
from shaping.stage.placing import CRITICAL_DISTANCE_M, PlaceAdvice
from shaping.stage.stage_plan import StagePlan, WedgePlan
from shaping.stage.weeks.last_plan import WeekToWeek
from shaping.text.frequency import frequency_text
from shaping.text.names import shown
from shaping.text.quantities import gain_text

BEFORE_HEADING = "Before you raise the sends"
BEFORE = cautions.RING_OUT
_WORTH_SAYING_DB = 0.5  # a choice: for less nobody moves a stand
_BASIS = {
    "noise": "",
    "ring-out": "From a ring-out: the rings alone, no margins.",
    "nothing": "Nothing recorded: thinning alone.",
}


@dataclass(frozen=True, slots=True)
class MatrixCell:
    """One path as people see it.

    Attributes
    ----------
    mic, wedge : str
        From this wedge to this mic.
    level_db : float or None
        Loudest over positions, against the strongest path of the stage; None if not measured.
    send : str
        The send's gain, empty where it is muted.
    deciding : bool
        Whether this send decides, with the settings dialled in.
    crosswise : bool
        Whether the deciding loop runs through this path although its send is another.
    """

    mic: str
    wedge: str
    level_db: float | None
    send: str
    deciding: bool
    crosswise: bool

    @property
    def text(self) -> str:
        """Level, with the marks that need no colour."""
        level = "?" if self.level_db is None else f"{self.level_db:.0f}"
        return f"{level}{'*' if self.deciding else ''}{'+' if self.crosswise else ''}"


def title(plan: StagePlan) -> str:
    """Return what the stage is, in one line."""

    def count(number: int, one: str) -> str:
        return f"{number} {one}" if number == 1 else f"{number} {one}s"

    stage = plan.stage
    return (
        f"Stage of {count(len(stage.wedges), 'wedge')} and {count(len(stage.mics), 'mic')}, "
        f"{count(len(stage.sends), 'send')} open"
    )


def answer(plan: StagePlan) -> tuple[str, ...]:
    """Return the answer in a few sentences."""
    before, after = plan.before, plan.after
    if before is None or after is None:
        return (
            "No wedge was measured with noise, so nobody can tell how far the sends may go up. "
            "The settings are starting points.",
        )
    if before.deciding is None or after.deciding is None:
        return ("No open mic hears an open wedge: nothing here can howl.",)
    if plan.doubts:
        return (
            "How far the sends may go up is withheld, for the measurement cannot tell. Record "
            "again what is named here; the settings below are for where the loops stand out.",
            *plan.doubts,
        )
    added = after.stable_gain_db - before.stable_gain_db
    return (
        _margin_sentence(after.stable_gain_low_db, added),
        "First to howl is then " + deciding_text(plan, after.deciding) + ".",
        "As it is now: "
        + _signed(before.stable_gain_low_db)
        + ", first "
        + deciding_text(plan, before.deciding)
        + ".",
    )


def _margin_sentence(after_db: float, added_db: float) -> str:
    """Return how far all may go up: the safe end, and what the settings add."""
    change = f"{abs(added_db):.1f} dB {'more' if added_db >= 0 else 'less'} than now"
    if after_db >= 0:
        return (
            f"With these settings all sends together may go up {after_db:.1f} dB before the stage "
            f"could howl, whatever the phases (safe end of a 95 % interval): {change}."
        )
    return (
        f"Even with these settings the stage could howl: all sends together must come down "
        f"{-after_db:.1f} dB at least ({change})."
    )


def deciding_text(plan: StagePlan, found: Deciding) -> str:
    """Return who decides and where: ``“lead” in “vocal left” at 545 Hz (C#5)``."""
    stage = plan.stage
    mic, wedge = stage.mics[found.mic].name, stage.wedges[found.wedge].name
    told = f"{quoted(mic)} in {quoted(wedge)} at {frequency_text(found.frequency_hz)}"
    if found.hears != found.wedge:
        told += f", by way of {quoted(stage.wedges[found.hears].name)}"
    return told


def wedge_margin(one: WedgePlan) -> str:
    """Return how far a wedge may go up, and what its settings rest on."""
    if one.basis != "noise":
        return _BASIS[one.basis]
    after, now = margin_text(one.headroom_after_db), margin_text(one.headroom_db)
    return f"All sends into it together may go up: {after} (now {now})."


def margin_text(headroom_db: float) -> str:
    """Return how far something may go up alone.

    >>> margin_text(6.04), margin_text(float("inf")), margin_text(-float("inf"))
    ('+6.0 dB', 'any', 'no: the rest howls')
    """
    if math.isnan(headroom_db):
        return "not known"
    if math.isinf(headroom_db):
        return "any" if headroom_db > 0 else "no: the rest howls"
    return gain_text(headroom_db)


def _signed(stable_gain_db: float) -> str:
    if stable_gain_db >= 0:
        return f"{stable_gain_db:.1f} dB up at most"
    return f"{-stable_gain_db:.1f} dB down at least"


def matrix(plan: StagePlan) -> tuple[tuple[MatrixCell, ...], ...]:
    """Return the paths, one row a mic, one column a wedge."""
    stage = plan.stage
    levels: dict[tuple[str, str], float] = {}
    for path in plan.paths:
        key = path.mic, path.wedge
        levels[key] = max(levels.get(key, -math.inf), path.level_db)
    top = max((one for one in levels.values() if math.isfinite(one)), default=0.0)
    sends = {(send.mic, send.wedge): gain_text(send.gain_db) for send in stage.sends}
    found = plan.after.deciding if plan.after is not None else None
    rows = []
    for m, mic in enumerate(stage.mics):
        row = []
        for w, wedge in enumerate(stage.wedges):
            level = levels.get((mic.name, wedge.name))
            row.append(
                MatrixCell(
                    mic.name,
                    wedge.name,
                    None if level is None or not math.isfinite(level) else level - top,
                    sends.get((mic.name, wedge.name), ""),
                    found is not None and (found.mic, found.wedge) == (m, w),
                    found is not None
                    and found.hears != found.wedge
                    and (found.mic, found.hears) == (m, w),
                )
            )
        rows.append(tuple(row))
    return tuple(rows)


_HEARS = "How loudly each mic hears each wedge, in dB against the strongest path. "
MATRIX_CAPTION = (
    _HEARS + "Brackets mark an open send, * the send that decides, + the path its loop takes if "
    "that is another."
)
DRAWN_MATRIX_CAPTION = (
    _HEARS + "A frame marks an open send; the thick one with a star decides, a dashed one is the "
    "path its loop takes if that is another."
)


def matrix_description(rows: Sequence[Sequence[MatrixCell]]) -> str:
    """Return the matrix in words, for people who cannot see it."""
    told = []
    for row in rows:
        heard = ", ".join(
            f"{shown(cell.wedge)} "
            + ("not measured" if cell.level_db is None else f"{cell.level_db:.0f} dB")
            + (", open" if cell.send else "")
            + (", decides" if cell.deciding else "")
            for cell in row
        )
        told.append(f"{shown(row[0].mic)} hears {heard}.")
    return " ".join(told)


def conventions(plan: StagePlan) -> tuple[str, ...]:
    """Return words and conventions for whoever never saw an equaliser."""
    return tuple(
        dict.fromkeys(
            (
                *words.READING,
                *(words.convention_text(one.plan.limits) for one in plan.wedges),
                "Gains are relative, in dB. Settings are rounded to what each equaliser offers, "
                "and effects computed from that.",
                "Notes: A4 is 440 Hz, middle C is C4.",
            )
        )
    )


def remedy_texts(plan: StagePlan) -> tuple[str, ...]:
    """Return what to mute or move to win most, the best of each kind."""
    told: list[str] = []
    seen: set[str] = set()
    for one in plan.remedies:
        if one.wins_db < _WORTH_SAYING_DB or one.what in seen:
            continue
        seen.add(one.what)
        told.append(_remedy_text(plan, one))
    return tuple(told) or (
        ("No single mic or send, muted or moved, would win half a decibel.",)
        if plan.after is not None
        else ()
    )


def _remedy_text(plan: StagePlan, one: Remedy) -> str:
    mic = quoted(plan.stage.mics[one.mic].name)
    wins = f"wins {one.wins_db:.1f} dB for all sends together"
    if one.wedge is None:
        return f"Muting {mic} in every wedge while nobody uses it {wins}."
    wedge = quoted(plan.stage.wedges[one.wedge].name)
    if one.what == "mute-send":
        return f"Taking {mic} out of {wedge} {wins}."
    return (
        f"Moving or turning {mic} or {wedge} so that this mic hears {wedge} {WEAKER_DB:.0f} dB "
        f"less {wins}."
    )


def week_texts(week: WeekToWeek) -> tuple[str, ...]:
    """Return what changed since last week, and what became of every wedge's settings."""
    if not week.changes:
        told = ["Nothing on the stage changed by more than players and hands do."]
    else:
        told = [
            " or ".join(quoted(name) for name in (one.mic, one.wedge) if name is not None)
            + f": {one.reason}."
            for one in week.changes
        ]
    for one in week.kept:
        told.append(f"{quoted(one.wedge)} {'keeps' if one.kept else 'changes'}: {one.reason}.")
    return tuple(told)


def place_texts(plan: StagePlan) -> tuple[str, ...]:
    """Return what another place would give, each sentence with what it rests on."""
    pairs = _pair_texts(plan)
    if not plan.places:
        return pairs
    told = [text for one in plan.places for text in _place_text(one)]
    told.extend(pairs)
    told.append(
        "Angles hold for the direct sound of an ideal mic; what is left of them in the room takes "
        f"room and direct sound to be equally loud at {CRITICAL_DISTANCE_M:.0f} m. What is "
        "measured decides."
    )
    return tuple(told)


def _pair_texts(plan: StagePlan) -> tuple[str, ...]:
    """Return what pairs with one signal do at the mics, and where their sends differ."""
    told = []
    for one in pairs_at(plan.stage):
        first, *more = pair_texts(one.sum, nearer=quoted(one.nearer), further=quoted(one.further))
        told += [f"At {quoted(one.mic)}: {first[:1].lower()}{first[1:]}", *more]
    for pair, mic in unlike_sends(plan.stage):
        told.append(
            f"{quoted(pair.first)} and {quoted(pair.second)} are a pair, but {quoted(mic)} is not "
            "sent alike to both: check the sends, or whether they are one."
        )
    return tuple(told)


def _place_text(one: PlaceAdvice) -> list[str]:
    name = f"{quoted(one.mic)} and {quoted(one.wedge)}"
    if one.handheld:
        return [
            f"{name}: a handheld mic looks where the singer's hand turns it, so no angle is "
            f"counted on. Mouth at half the distance: {gain_text(one.closer_db)} of voice, and "
            "the sends can come down by as much."
        ]
    told = []
    if one.pattern is None or one.direct_db is None:
        told.append(f"{name}: its pattern is not in the stage file, so angles cannot be judged.")
    else:
        told.append(
            f"{name}: at {one.angle_deg:.0f}° a {one.pattern} takes up {-one.direct_db:.0f} dB "
            "less of the direct sound than from the front."
        )
        if one.best_angle_deg is not None and one.turning_db is not None and one.turning_db < -1:
            told.append(
                f"Wedge at {one.best_angle_deg:.0f}°, its least: {-one.turning_db:.0f} dB less "
                f"direct, about {-(one.turning_left_db or 0):.1f} dB less with the room."
            )
        if one.best_pattern != one.pattern and (one.best_pattern_db or 0) < -0.5:
            told.append(
                f"A {one.best_pattern} there: about {-(one.best_pattern_db or 0):.1f} dB less with "
                "the room."
            )
    told.append(f"Mouth at half the distance: {gain_text(one.closer_db)} of voice.")
    if one.measured_db is not None:
        told.append("This path was measured: the margins above hold what it really is.")
    return [" ".join(told)]


def settings_lines(one: WedgePlan) -> tuple[words.Setting, ...]:
    """Return a wedge's settings as people dial them in."""
    return words.settings(one.plan)


def to_mind(plan: StagePlan) -> tuple[str, ...]:
    """Return the stage's own cautions: those that no other place shows."""
    elsewhere = {*BEFORE, *cautions.TEST_SIGNAL, cautions.EXPOSURE}
    return tuple(one for one in plan.cautions if one not in elsewhere)


def quoted(name: str) -> str:
    """Return a name somebody gave, in quotation marks and safe on one line."""
    return f"“{shown(name)}”"
