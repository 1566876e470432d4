"""The one next step after a comparison, and mistakes in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from shaping.comparison.changes import GainChange, RingChange
from shaping.comparison.diagnosis import Diagnosis, Explanation, Mistake
from shaping.filters.width import QConvention, octaves_from_q
from shaping.plan.plan import Plan, PlannedFilter
from shaping.plan.ring_out.needs import DEEPEST_DB
from shaping.text.frequency import hertz_text, note_text
from shaping.text.names import file_text
from shaping.text.quantities import octaves_text, q_text
from shaping.text.sentences import listing

DISAGREE_DB = 2.0
"""Captures that differ by more than this without a reason were not made at one place."""

BACK_OFF = (
    "Leave the settings. Raise the send to the first soft ring, take it back by about 6 dB, and "
    "restore the tone only as far as it stays quiet."
)

_READS = {
    QConvention.COOKBOOK: "between the points at half the gain in dB",
    QConvention.THREE_DB_FROM_FLAT: "between the points 3 dB below flat",
    QConvention.THREE_DB_FROM_BOTTOM: "between the points 3 dB above the bottom",
    QConvention.POLE: "as the Q of its poles",
}
_NAMES = {
    Mistake.ALL_OUT: "the whole equaliser bypassed",
    Mistake.OUT: "bypassed",
    Mistake.SIGN: "boosted instead of cut",
    Mistake.FREQUENCY: "on another frequency",
    Mistake.GAIN: "at another gain",
    Mistake.Q_CONVENTION: "its Q read in another convention",
    Mistake.Q_AS_OCTAVES: "its Q entered as octaves",
    Mistake.OCTAVES_AS_Q: "its octaves entered as Q",
    Mistake.TOO_WIDE: "too wide",
    Mistake.TOO_NARROW: "too narrow",
}


def explanation_text(explanation: Explanation, plan: Plan) -> str:
    """Return what would explain a measurement, how well, and what comes second."""
    e = explanation
    told = (
        f"{_subject(e, plan)} {_finding(e)}: measured and expected then differ by "
        f"{e.misfit_db:.1f} dB where it matters, against {e.misfit_planned_db:.1f} dB as planned"
    )
    if e.runner_up is None or e.runner_up_misfit_db is None:
        return told + "."
    return told + f" (next best: {_NAMES[e.runner_up]}, {e.runner_up_misfit_db:.1f} dB)."


def _subject(e: Explanation, plan: Plan) -> str:
    if e.setting is None:
        return "The whole equaliser" if e.mistake is Mistake.ALL_OUT else "The equaliser"
    return f"Setting {e.setting} ({_where(plan, e.setting)})"


def _where(plan: Plan, setting: int) -> str:
    return hertz_text(plan.filters[setting - 1].filter.frequency_hz)


def _finding(e: Explanation) -> str:
    dialled = e.dialled
    if e.mistake is Mistake.ALL_OUT:
        return "seems to be bypassed"
    if e.mistake is Mistake.OUT:
        return "seems to be bypassed or not dialled in"
    if e.mistake is Mistake.Q_CONVENTION and e.convention is not None:
        return f"seems to read Q {_READS[e.convention]}"
    if dialled is None:
        return f"seems to be {_NAMES[e.mistake]}"
    if e.mistake is Mistake.SIGN:
        return f"seems to have the wrong sign, {dialled.gain_db:+.1f} dB"
    if e.mistake is Mistake.FREQUENCY:
        return f"seems to sit at about {hertz_text(dialled.frequency_hz)}"
    if e.mistake is Mistake.GAIN:
        return f"seems to be set to about {dialled.gain_db:+.1f} dB"
    if e.mistake in (Mistake.TOO_WIDE, Mistake.TOO_NARROW) and dialled.q is not None:
        return f"seems to be {_NAMES[e.mistake]}, about {octaves_text(octaves_from_q(dialled.q))}"
    if e.mistake is Mistake.Q_AS_OCTAVES:
        return "seems to have its Q entered as octaves"
    return "seems to have its octaves entered as Q"


def next_step(
    rings: Sequence[RingChange],
    plan: Plan | None,
    *,
    diagnosis: Diagnosis | None = None,
    gain: GainChange | None = None,
) -> str:
    """Return the one thing to do now, as a plain sentence or two."""
    if diagnosis is not None and diagnosis.explanations:
        return _mend(diagnosis.explanations[0], plan)
    if diagnosis is not None and max(diagnosis.noise_db, diagnosis.misfit_db) > DISAGREE_DB:
        return (
            "Put mic and wedge back exactly where they were and record once more: the captures "
            f"differ from the plan by {diagnosis.misfit_db:.1f} dB, and no mistake at the "
            "equaliser explains that."
        )
    pressing = [change for change in rings if change.after is not None and change.certain]
    if pressing:
        return _answer(pressing[0], plan)
    doubtful = [change for change in rings if change.after is not None]
    if doubtful:
        where = _named(doubtful[0].frequency_hz)
        return (
            f"Listen at {where}: a possible ring is left there. If it rings, cut it by 3 dB; "
            "if not, leave the settings."
        )
    if gain is not None and gain.added_db < 0.5:
        return (
            "Look for the cure elsewhere: these settings add next to no stable gain. Move mic or "
            "wedge, or lower the send."
        )
    return BACK_OFF


def record_again(paths: Sequence[str]) -> str:
    """Return the step after measurements that are doubtful: nothing can rest on them."""
    return (
        f"Record {listing([file_text(path) for path in paths])} again, with what is said of it "
        "mended: no gain can be told from a measurement in doubt. Then compare."
    )


def _mend(e: Explanation, plan: Plan | None) -> str:
    again = "then record again and compare."
    if e.mistake is Mistake.ALL_OUT:
        return f"Switch the wedge's equaliser in, {again}"
    if plan is None or e.setting is None:
        return (
            "Match the widths in octaves instead of Q: this equaliser counts Q otherwise, " + again
        )
    planned = plan.filters[e.setting - 1]
    name = f"setting {e.setting} ({_where(plan, e.setting)})"
    if e.mistake is Mistake.OUT:
        return f"Switch {name} in, {again}"
    if e.mistake is Mistake.FREQUENCY:
        where = _named(planned.filter.frequency_hz)
        return f"Set the frequency of setting {e.setting} to {where}, {again}"
    if e.mistake in (Mistake.SIGN, Mistake.GAIN):
        return f"Set the gain of {name} to {planned.filter.gain_db:+.1f} dB, {again}"
    return f"{_mended_width(e, planned, name)}, {again}"


def _mended_width(e: Explanation, planned: PlannedFilter, name: str) -> str:
    octaves = "" if planned.bandwidth_oct is None else octaves_text(planned.bandwidth_oct)
    if e.mistake in (Mistake.TOO_WIDE, Mistake.TOO_NARROW) and planned.dial_q is not None:
        turned = "narrower" if e.mistake is Mistake.TOO_WIDE else "wider"
        return f"Set {name} {turned}, to {q_text(planned.dial_q)} ({octaves})"
    return f"Match the width of {name} in octaves, {octaves}, instead of Q"


def _answer(change: RingChange, plan: Plan | None) -> str:
    where = _named(change.frequency_hz)
    depth = change.promised_db if change.promised_db is not None else 0.0
    if depth - 3.0 < -DEEPEST_DB:
        return (
            f"Leave the equaliser: {where} already has {depth:.1f} dB. Move the mic or the wedge, "
            "or lower the send."
        )
    if change.before is not None:
        if depth < -1.0:
            return f"Make the cut at {where} 3 dB deeper, then ring out once more."
        return f"Cut {where} by 3 dB: it still rings. Then ring out once more."
    bands = 0 if plan is None else sum(p.filter.order is None for p in plan.filters)
    spare = plan is None or bands < plan.limits.bands
    if spare:
        return (
            f"If the wedge is not loud enough yet, cut {where} by 3 dB: it is the next to ring. "
            "If it is, leave the settings and take the send back by about 6 dB."
        )
    return (
        f"Take the send back by about 6 dB: {where} rings next and no band is left for it. "
        "For more, move the mic or the wedge."
    )


def _named(frequency_hz: float) -> str:
    return f"{hertz_text(frequency_hz)} ({note_text(frequency_hz)})"
