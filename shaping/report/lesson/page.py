"""The lesson page: one HTML file with its sounds, its pictures and its script, and no network.

Whatever the script shows is computed here, by the functions behind the commands; the script only
plays, draws and switches. Its own content policy lets nothing else run: the page names the hashes
of its one script and its one style.
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from shaping.analysis.first_row.spill import Spill
from shaping.analysis.loudness import k_weighting
from shaping.analysis.third_octave import band_levels
from shaping.capture import cautions
from shaping.capture.recording import Capture
from shaping.equaliser.limits import Limits
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.filters.width import octaves_from_q
from shaping.plan.thinning.planner import first_row_spill
from shaping.report import words
from shaping.report.figures import style
from shaping.report.lesson import sounds, tones
from shaping.report.lesson.own_wedge import OwnWedge
from shaping.report.lesson.thinning_steps import (
    NAMED,
    STEPS_PER_AMOUNT,
    Step,
    equal_gains_db,
    nearness,
    seat_changes_db,
    thinning_steps,
)
from shaping.report.templating import environment
from shaping.text.frequency import frequency_text, hertz_text
from shaping.text.quantities import gain_text, octaves_text, q_text, slope_text

PLAY_RATES_HZ = (48_000, 44_100)
"""Rates at which a browser may play: the page asks for the first."""

_SCRIPTS = ("sound", "chart", "first_row", "which_rings", "own_wedge", "start")
_FIRST_ROW_PEAK = 0.4
"""Under the page's ceiling of 0.5: a thinned sum of the same sound may peak a little higher."""
_TALK_PEAK = 0.35
_RESPONSE_HZ = np.geomspace(31.5, 16_000.0, 97)
_RESPONSE_RATE_HZ = 48_000
_OVER_DB = 2  # how far beyond what a plan expects its send can be raised


@dataclass(frozen=True, eq=False)
class Programme:
    """Something to hear in the first row.

    Attributes
    ----------
    key, name : str
        Such as ``band``, and what people read.
    wedges, mains : Capture
        The same microphone, place and gain; wedges alone, mains alone.
    """

    key: str
    name: str
    wedges: Capture
    mains: Capture


def lesson_page(
    programmes: Sequence[Programme],
    talk: Capture,
    limits: Limits,
    *,
    own: OwnWedge | None = None,
    own_name: str = "your recording",
) -> str:
    """Return the lesson page.

    Parameters
    ----------
    programmes : sequence of Programme
        What is heard in the first row, the first one at the start.
    talk : Capture
        Somebody speaks, close by: what a tone grows over.
    limits : Limits
        The equaliser of the thinning.
    own : OwnWedge, optional
        A plan with its recording, heard first.
    own_name : str
        What to call its recording.

    Returns
    -------
    str
        A whole HTML document.

    Raises
    ------
    CaptureError
        If a recording cannot answer.
    """
    spills = [first_row_spill(one.wedges, one.mains) for one in programmes]
    stepped = [thinning_steps(spill, limits) for spill in spills]
    carried = {
        "first_row": {
            "response_hz": _short(_RESPONSE_HZ),
            "steps": [_shown_step(step) for step in stepped[0]],
            "programmes": {
                one.key: _shown_programme(one, spill, steps)
                for one, spill, steps in zip(programmes, spills, stepped, strict=True)
            },
        },
        "rings": _shown_rings(talk),
        "own": None if own is None else _shown_own(own),
    }
    css = _text("page.css") + _text("lesson/lesson.css")
    script = _script()
    return (
        environment()
        .get_template("lesson/lesson.html")
        .render(
            css=Markup(css),
            script=Markup(script),
            css_hash=_hash(css),
            script_hash=_hash(script),
            carried=carried,
            programmes=programmes,
            rows=[
                (programme.name, [steps[STEPS_PER_AMOUNT * at] for at in range(1, len(NAMED))])
                for programme, steps in zip(programmes, stepped, strict=True)
            ],
            near=[
                (programme.name, nearness(spill))
                for programme, spill in zip(programmes, spills, strict=True)
            ],
            hertz=hertz_text,
            strongest=len(stepped[0]) - 1,
            start=STEPS_PER_AMOUNT * NAMED.index(NAMED[2]),
            names=[str(name) for name in NAMED],
            settings_text=settings_text,
            own=own,
            most_send_db=0 if own is None else min(12, math.ceil(own.added_db) + _OVER_DB),
            own_name=own_name,
            own_settings=[] if own is None else words.settings(own.plan),
            cautions=cautions,
        )
    )


def settings_text(filters: Iterable[Filter]) -> str:
    """Return filters as one line.

    >>> settings_text([Filter(FilterKind.HIGH_PASS, 100.0, order=2)])
    'high-pass 100 Hz (12 dB/oct)'
    >>> settings_text([])
    'nothing dialled in'
    """
    told = []
    for one in filters:
        if one.kind is FilterKind.HIGH_PASS and one.order is not None:
            told.append(f"high-pass {hertz_text(one.frequency_hz)} ({slope_text(one.order)})")
        else:
            q = one.q or 1.0
            told.append(
                f"{hertz_text(one.frequency_hz)} {gain_text(one.gain_db or 0.0)} "
                f"({q_text(q)}, {octaves_text(octaves_from_q(q))})"
            )
    return _signed(", ".join(told)) or "nothing dialled in"


def _signed(text: str) -> str:
    """Return text with a true minus sign before its negative numbers."""
    return text.replace(" -", " \N{MINUS SIGN}")


def _shown_step(step: Step) -> dict[str, Any]:
    return {
        "name": step.name,
        "settings": settings_text(step.filters),
        "sos": _sos_by_rate(step.filters),
        "response_db": _short(
            total_db(step.filters, _RESPONSE_HZ, sample_rate_hz=_RESPONSE_RATE_HZ)
        ),
    }


def _shown_programme(one: Programme, spill: Spill, steps: Sequence[Step]) -> dict[str, Any]:
    wedge, mains = sounds.scaled(
        [sounds.excerpt(one.wedges), sounds.excerpt(one.mains)], peak=_FIRST_ROW_PEAK
    )
    loudest_db = max(float(np.max(spill.mains_db)), float(np.max(spill.wedges_db)))
    return {
        "wedge": sounds.wav_text(wedge),
        "mains": sounds.wav_text(mains),
        "hz": list(spill.nominal_hz),
        "mains_db": _short(spill.mains_db - loudest_db),
        "wedges_db": _short(spill.wedges_db - loudest_db),
        "equal_db": equal_gains_db(steps, wedge, mains),
        "numbers": [
            {
                "spill_db": round(step.spill_db, 3),
                "together_db": round(step.together_db, 3),
                "together_most_db": round(step.together_most_db, 3),
                "words_before": round(step.words_before, 4),
                "words_after": round(step.words_after, 4),
                "room_words_before": round(step.room_words_before, 4),
                "room_words_after": round(step.room_words_after, 4),
                "seat_db": round(seat_db, 3),
                "change_db": _short(np.array(step.change_db)),
            }
            for step, seat_db in zip(steps, seat_changes_db(steps, wedge, mains), strict=True)
        ],
    }


def _shown_rings(talk: Capture) -> dict[str, Any]:
    (samples,) = sounds.scaled([sounds.excerpt(talk)], peak=_TALK_PEAK)
    levels = band_levels(
        samples.astype(np.float32), sounds.PAGE_RATE_HZ, low_hz=160.0, high_hz=6300.0
    )
    return {
        "talk": sounds.wav_text(samples),
        "hz": list(levels.nominal_hz),
        "level_db": _short(levels.level_dbfs - np.max(levels.level_dbfs)),
        "bands": {
            "five": [asdict(band) for band in tones.octave_bands()],
            "fine": [asdict(band) for band in tones.third_octave_bands()],
        },
        "tones": [asdict(tone) for tone in tones.tones()],
    }


def _shown_own(own: OwnWedge) -> dict[str, Any]:
    filters = [planned.filter for planned in own.plan.filters]
    return {
        "sound": sounds.wav_text(own.samples),
        "settings": [{"sos": _sos_by_rate([one])} for one in filters],
        "response_hz": _short(_RESPONSE_HZ),
        "response_db": [
            _short(total_db([one], _RESPONSE_HZ, sample_rate_hz=_RESPONSE_RATE_HZ))
            for one in filters
        ],
        "k_weighting": {str(hz): k_weighting(hz).tolist() for hz in PLAY_RATES_HZ},
        "points": [
            {
                "hz": point.frequency_hz,
                "text": _signed(frequency_text(point.frequency_hz)),
                "onset_db": round(point.onset_db, 3),
                "change_db": _short(np.array(point.change_db)),
            }
            for point in own.points
        ],
        "added_db": round(own.added_db, 1),
    }


def _sos_by_rate(filters: Iterable[Filter]) -> dict[str, list[list[float]]]:
    """Return the sections as they sound, by the rate at which a browser plays."""
    kept = tuple(filters)
    return {
        str(rate_hz): cascade_sos(kept, sample_rate_hz=rate_hz).tolist()
        for rate_hz in PLAY_RATES_HZ
    }


def _short(values: NDArray[np.float64]) -> list[float]:
    return [round(float(value), 2) + 0.0 for value in values]  # no negative zero


def _script() -> str:
    """Return the page's one script, from its files in their order."""
    parts = "\n".join(_source(f"lesson/{name}.js") for name in _SCRIPTS)
    return f'"use strict";\n(() => {{\n{parts}\n}})();\n'


def _source(name: str) -> str:
    """Return a file of the templates as it is."""
    loader = environment().loader
    assert loader is not None
    return loader.get_source(environment(), name)[0]


def _text(name: str) -> str:
    """Return a style sheet with the colours filled in."""
    colours = {"light": asdict(style.LIGHT), "dark": asdict(style.DARK)}
    return environment().get_template(name).render(**colours)


def _hash(text: str) -> str:
    """Return a text's hash as a content policy names it."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
