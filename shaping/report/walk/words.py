"""What a walk comes to, in plain sentences and table rows."""

from __future__ import annotations

import math

from shaping.plan.walk.walk_plan import Stretch, WalkPlan
from shaping.text.durations import moment_text
from shaping.text.frequency import frequency_text
from shaping.text.names import file_text, shown
from shaping.text.quantities import gain_text
from shaping.text.sentences import listing

ALONG_HEADING = "Along the walk"
WORST_HEADING = "The worst seconds, with the settings"
_LITTLE_DB = 0.5

BASIS = (
    "Send gains are re the recorded files, worst case over phase: 0 dB would put the recorded "
    "samples where those of the noise entered the wedge. Go by the differences.",
    "Every second and a half is measured by itself. What one response does not explain of it, the "
    "mic's movement above all, counts as the wedge's: slow walking is told closer than fast.",
    "Told is the safe end: 99 % of blocks of measured rooms held it.",
    "Costs: by how much the send must stay under what the best stretch would allow.",
)


def title(made: WalkPlan) -> str:
    """Return the heading."""
    return f"A walk with the mic: {file_text(made.plan.captures[0].path)}"


def answer(made: WalkPlan) -> tuple[str, ...]:
    """Return how far the send may go along the whole walk, and what the worst stretch costs."""
    loop = made.plan.loop
    assert loop is not None
    told = [
        f"All along this walk the send may go up to {gain_text(loop.stable_gain_after_low_db)} "
        f"with the settings, {gain_text(loop.stable_gain_low_db)} without. Leave it at "
        f"{gain_text(loop.send_db)} at most: {loop.margin_db:.0f} dB under the first.",
    ]
    cuts = any(one.purpose == "feedback" for one in made.plan.filters)
    if cuts:
        told.append(
            f"The settings win {max(loop.added_stable_gain_db, 0.0):.1f} dB before it howls, and "
            f"the cuts take out {loop.tone_removed_db:.1f} dB of level on average: so much would "
            "be won by turning down as well."
        )
    if made.worst:
        worst = made.worst[0]
        where = f", {shown(worst.place)}" if worst.place else ""
        told.append(
            f"It is decided at {moment_text(worst.at_s)}{where}, around "
            f"{frequency_text(worst.frequency_hz)}."
        )
    if made.without_worst_db > _LITTLE_DB:
        told.append(
            f"Keep the mic out of {_worst_name(made)} and the send may go "
            f"{made.without_worst_db:.1f} dB further."
        )
    elif len(made.stretches) > 1:
        told.append("No one stretch decides: keeping out of the worst wins next to nothing.")
    return tuple(told)


def _worst_name(made: WalkPlan) -> str:
    known = [one for one in made.stretches if not math.isnan(one.low_after_db)]
    return stretch_text(min(known, key=lambda one: one.low_after_db))


def stretch_text(stretch: Stretch) -> str:
    """Return what a stretch is called.

    >>> nan = float("nan")
    >>> stretch_text(Stretch("", 0.0, 9.0, nan, nan, nan, nan, nan, 0.0))
    'the stretch from 0.0 s to 9.0 s'
    """
    if stretch.name:
        return shown(stretch.name)
    return f"the stretch from {moment_text(stretch.start_s)} to {moment_text(stretch.stop_s)}"


def stretch_rows(made: WalkPlan) -> tuple[tuple[str, str, str, str, str, str], ...]:
    """Return place, time, send without and with settings, costs, and where it howls."""
    return tuple(
        (
            shown(one.name) or "-",
            f"{moment_text(one.start_s)} to {moment_text(one.stop_s)}",
            gain_text(one.low_db),
            gain_text(one.low_after_db),
            "not measured" if math.isnan(one.costs_db) else f"{one.costs_db:.1f} dB",
            "" if math.isnan(one.frequency_hz) else frequency_text(one.frequency_hz),
        )
        for one in made.stretches
    )


def worst_rows(made: WalkPlan) -> tuple[tuple[str, str, str, str], ...]:
    """Return time, place, send and frequency of the worst seconds."""
    return tuple(
        (
            moment_text(one.at_s),
            shown(one.place) or "-",
            gain_text(one.low_after_db),
            frequency_text(one.frequency_hz),
        )
        for one in made.worst
    )


def heard_texts(made: WalkPlan) -> tuple[str, ...]:
    """Return when something else sounded, and how to name a place; empty if nothing did."""
    if not made.heard_s:
        if made.marks:
            return ()
        return (
            "To see places by name, say where the mic was: --mark "
            '"12.5=drum riser", once for each place.',
        )
    when = listing([moment_text(at_s) for at_s in made.heard_s[:6]])
    return (
        f"Something else sounded at {when}, and those seconds are left out. If a place was called "
        'out there, name it: --mark "12.5=drum riser".',
    )
