"""How people read a plan: values with units, notes and octaves; settings with their meaning.

Conventions: middle C is C4 and A4 is 440 Hz; octaves of a peaking filter lie between its half-gain
points; levels are relative to full scale of the recording, never sound pressure levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from shaping.analysis.findings import Resonance, Ring
from shaping.capture.recording import Severity
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import FilterKind
from shaping.filters.width import QConvention, octaves_from_q
from shaping.plan.plan import (
    CaptureSummary,
    Plan,
    PlannedFilter,
    Purpose,
)
from shaping.report.safety import for_in_ears
from shaping.text.durations import duration_text
from shaping.text.frequency import frequency_text, hertz_text, note_text
from shaping.text.names import file_text, shown
from shaping.text.quantities import gain_text, octaves_text, q_text, slope_text
from shaping.text.sentences import sentence

KIND_NAMES = {
    FilterKind.HIGH_PASS: "high-pass",
    FilterKind.LOW_PASS: "low-pass",
    FilterKind.PEAKING: "bell",
    FilterKind.NOTCH: "notch",
    FilterKind.LOW_SHELF: "low shelf",
    FilterKind.HIGH_SHELF: "high shelf",
    FilterKind.BAND_PASS: "band-pass",
    FilterKind.ALL_PASS: "all-pass",
}

READING = (
    "A high-pass takes out what lies below a frequency; a bell turns a range around one down (-) "
    "or up (+).",
    "Hertz (Hz) say how high a tone is, decibels (dB) by how much it gets louder or quieter, Q and "
    "octaves (oct) how wide a range is: the higher the Q, the narrower.",
)
"""For whoever never saw an equaliser."""

CONVENTION_NAMES = {
    QConvention.COOKBOOK: "width between the points at half the gain in dB",
    QConvention.THREE_DB_FROM_FLAT: "width between the points 3 dB below flat",
    QConvention.THREE_DB_FROM_BOTTOM: "width between the points 3 dB above the bottom",
    QConvention.POLE: "Q of the filter's poles",
}

_IN_EAR_MEANING = (
    "Takes away what an in-ear's driver spends power on and hardly plays. If the mix turns thin, "
    "set it lower or leave it off."
)
_PASSES = (FilterKind.HIGH_PASS, FilterKind.LOW_PASS)
"""A corner is no tone: its note would tell nobody anything."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One filter as a person dials it in, every value as text."""

    number: int
    kind: str
    frequency: str
    hertz: str
    note: str
    gain: str
    width: str
    dial: str
    octaves: str
    purpose: Purpose
    reason: str
    meaning: str


def width_text(q: float, octaves: float | None = None) -> str:
    """Return a width in Q and octaves; the octaves follow from a cookbook Q if not given.

    >>> width_text(8.6, 0.1676)
    'Q 8.6 (1/6 oct)'
    """
    return f"{q_text(q)} ({octaves_text(octaves_from_q(q) if octaves is None else octaves)})"


def ring_word(ring: Ring) -> str:
    """Return ``ring`` or ``possible ring``."""
    return "ring" if ring.certain else "possible ring"


MOST_POSSIBLE_SHOWN = 5
"""So many possible rings are shown; many more are noise, and stand in the JSON alone."""


def shown_rings(plan: Plan) -> tuple[tuple[Ring, ...], str]:
    """Return the rings people are shown, and a sentence on those left out ("" if none).

    All that are certain are shown; of possible rings the most likely, in the plan's order.
    """
    doubtful = sorted(
        (ring for ring in plan.rings if not ring.certain), key=lambda ring: -ring.confidence
    )
    left_out = {id(ring) for ring in doubtful[MOST_POSSIBLE_SHOWN:]}
    shown = tuple(ring for ring in plan.rings if id(ring) not in left_out)
    return shown, f"And {len(left_out)} less likely ones, in the JSON." if left_out else ""


def growth_text(ring: Ring) -> str:
    """Return how a ring behaved: how fast it grew, or that it only rang on."""
    if ring.growth_db_per_s > 0:
        return f"grew {ring.growth_db_per_s:.0f} dB/s"
    if ring.decay_db_per_s:
        return f"rang on, fell {ring.decay_db_per_s:.0f} dB/s"
    return "rang on"


def peak_text(ring: Ring) -> str:
    """Return how loud a ring got; a clipped one has no level to tell."""
    return "clipped" if ring.clipped else f"{ring.peak_dbfs:.0f} dBFS"


def onset_text(ring: Ring, plan: Plan) -> str:
    """Return when a ring first stood out, and in which recording where there are several."""
    when = duration_text(ring.onset_s)
    return when if len(plan.captures) < 2 else f"{when} in recording {ring.capture}"


def height_text(peak: Resonance) -> str:
    """Return how far a resonance stands out, with one standard deviation."""
    return f"{peak.prominence_db:.1f} ± {peak.error_db:.1f} dB"


def finding_text(finding: Ring | Resonance) -> str:
    """Return a ring or resonance in one phrase."""
    where = frequency_text(finding.frequency_hz)
    if isinstance(finding, Ring):
        return f"{ring_word(finding)} at {where}"
    return f"resonance at {where}, {finding.prominence_db:.1f} dB over its surroundings"


def capture_text(capture: CaptureSummary) -> str:
    """Return what was recorded, in one line."""
    rate = f"{capture.sample_rate_hz / 1000:g} kHz"
    return (
        f"{file_text(capture.path)}: {capture.kind.value.replace('-', ' ')}, "
        f"{duration_text(capture.duration_s)}, channel {capture.channel}, {rate}"
    )


def quality_notes(plan: Plan) -> tuple[tuple[Severity, str], ...]:
    """Return what is to say of the captures, each thing once.

    What holds for some of several captures alone carries the name of the file.
    """
    each = [set(capture.quality) for capture in plan.captures]
    everywhere = set.intersection(*each) if each else set()
    notes = [
        (
            note.severity,
            shown(note.message)
            if note in everywhere
            else f"{file_text(capture.path)}: {shown(note.message)}",
        )
        for capture in plan.captures
        for note in capture.quality
    ]
    return tuple(dict.fromkeys(notes))


def settings(plan: Plan) -> tuple[Setting, ...]:
    """Return the plan's filters as people dial them in, in dialling order."""
    found = tuple(
        _setting(number, planned, plan.limits) for number, planned in enumerate(plan.filters, 1)
    )
    if for_in_ears(plan):
        return tuple(replace(one, meaning=_IN_EAR_MEANING) for one in found)
    return found


def _setting(number: int, planned: PlannedFilter, limits: Limits) -> Setting:
    wanted = planned.filter
    dial, octaves = _dialled_width(planned, limits)
    return Setting(
        number=number,
        kind=KIND_NAMES[wanted.kind],
        frequency=hertz_text(wanted.frequency_hz)
        if wanted.kind in _PASSES
        else frequency_text(wanted.frequency_hz),
        hertz=hertz_text(wanted.frequency_hz),
        note="" if wanted.kind in _PASSES else note_text(wanted.frequency_hz),
        gain="" if wanted.gain_db is None else gain_text(wanted.gain_db),
        width=f"{dial} ({octaves})" if octaves else dial,
        dial=dial,
        octaves=octaves,
        purpose=planned.purpose,
        reason=sentence(planned.reason),
        meaning=meaning(planned),
    )


def _dialled_width(planned: PlannedFilter, limits: Limits) -> tuple[str, str]:
    """Return what is set on the equaliser, and the octaves beside it."""
    wanted = planned.filter
    if wanted.order is not None:
        return slope_text(wanted.order), ""
    octaves = "" if planned.bandwidth_oct is None else octaves_text(planned.bandwidth_oct)
    if limits.grid_hz is not None and limits.min_q == limits.max_q:
        return "fixed", octaves
    q = planned.dial_q if planned.dial_q is not None else wanted.q
    return ("", octaves) if q is None else (q_text(q), octaves)


def meaning(planned: PlannedFilter) -> str:
    """Return what one setting means to the person who dials it in, in plain words."""
    wanted = planned.filter
    where = hertz_text(wanted.frequency_hz)
    if wanted.kind is FilterKind.HIGH_PASS:
        return (
            f"Takes away what lies below about {where}: rumble and boom that spill into the room. "
            "If it turns thin on stage, set it a little lower."
        )
    if wanted.kind is FilterKind.LOW_PASS:
        return f"Takes away what lies above about {where}. Voices and cymbals lose some air."
    cuts = (wanted.gain_db or 0.0) < 0 or wanted.kind is FilterKind.NOTCH
    if planned.purpose is Purpose.THINNING and cuts:
        return (
            f"Takes some body out of this wedge around {where}. It sounds leaner on stage, and "
            "less of it lies over the mains in the first rows."
        )
    if planned.purpose is Purpose.FEEDBACK and cuts:
        wide = planned.bandwidth_oct is not None and planned.bandwidth_oct > 0.3
        ear = (
            "It is wide enough to hear: check that the voice still sounds right."
            if wide
            else "The voice should hardly change."
        )
        return (
            f"At {where} the mic hears the wedge so well that the sound goes round and howls; this "
            f"dip lets the wedge play louder before it does. {ear}"
        )
    if cuts:
        return f"Makes the wedge quieter around {where}."
    return f"Makes the wedge louder around {where}: raise the send with care afterwards."


def convention_text(limits: Limits) -> str:
    """Return what Q means in the settings, in one sentence."""
    if limits.q_convention is QConvention.COOKBOOK:
        return (
            "Q is counted between the points at half the gain in dB; if your equaliser counts "
            "otherwise, match the octaves."
        )
    return (
        f"Q is as this equaliser counts it ({CONVENTION_NAMES[limits.q_convention]}); octaves are "
        "between the points at half the gain in dB."
    )
