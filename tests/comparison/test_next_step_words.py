"""The one next step, on both sides of each boundary, word for word: it is what a person does."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import Ring
from shaping.capture.recording import Capture, CaptureKind
from shaping.comparison.changes import Fate, GainChange, RingChange
from shaping.comparison.compare import match_rings
from shaping.comparison.diagnosis import Diagnosis, Explanation, Mistake
from shaping.comparison.next_step import BACK_OFF, explanation_text, next_step
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention
from shaping.plan.assemble import assemble_plan
from shaping.plan.plan import Plan, PlannedFilter, Purpose

AGAIN = ", then record again and compare."


def ring(frequency_hz: float, *, confidence: float = 0.95, width_hz: float = 0.0) -> Ring:
    return Ring(
        frequency_hz, 0.2, width_hz, 1.0, 1.0, 40.0, None, -20.0, 1, False, confidence, "grew"
    )


def cut(frequency_hz: float, gain_db: float = -6.0, octaves: float | None = 0.29) -> PlannedFilter:
    filter = Filter(FilterKind.PEAKING, frequency_hz, 5.0, gain_db)
    return PlannedFilter(filter, Purpose.FEEDBACK, "a ring", 5.0, octaves)


def plan_of(*filters: PlannedFilter) -> Plan:
    capture = Capture("before.wav", 48_000, 1, np.zeros(48_000, np.float32), CaptureKind.RING_OUT)
    return assemble_plan([capture], load_limits("parametric-4"), filters)


PLAN = plan_of(cut(1000.0), cut(2000.0, -4.5))


def left(promised_db: float | None, *, new: bool = False) -> RingChange:
    was = None if new else ring(1000.0)
    return RingChange(Fate.NEW if new else Fate.REMAINS, was, ring(1000.0), promised_db)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            left(None),
            "Cut 1.00 kHz (B5 +21 cents) by 3 dB: it still rings. Then ring out once more.",
        ),
        (
            left(-1.0),
            "Cut 1.00 kHz (B5 +21 cents) by 3 dB: it still rings. Then ring out once more.",
        ),
        (
            left(-1.1),
            "Make the cut at 1.00 kHz (B5 +21 cents) 3 dB deeper, then ring out once more.",
        ),
        (
            left(-6.0),  # 3 dB more makes the deepest cut there is
            "Make the cut at 1.00 kHz (B5 +21 cents) 3 dB deeper, then ring out once more.",
        ),
        (
            left(-6.1),
            "Leave the equaliser: 1.00 kHz (B5 +21 cents) already has -6.1 dB. Move the mic or "
            "the wedge, or lower the send.",
        ),
        (
            left(-2.0, new=True),
            "If the wedge is not loud enough yet, cut 1.00 kHz (B5 +21 cents) by 3 dB: it is the "
            "next to ring. If it is, leave the settings and take the send back by about 6 dB.",
        ),
    ],
)
def test_what_to_do_about_a_ring_that_is_left(change: RingChange, said: str) -> None:
    assert next_step([change], PLAN) == said


def test_bands_decide_whether_a_new_ring_can_be_cut() -> None:
    high_pass = PlannedFilter(
        Filter(FilterKind.HIGH_PASS, 100.0, order=2), Purpose.THINNING, "thinning"
    )
    three = plan_of(high_pass, *(cut(hz) for hz in (300.0, 500.0, 2000.0)))
    four = plan_of(*(cut(hz) for hz in (300.0, 500.0, 2000.0, 4000.0)))
    new = left(0.0, new=True)
    assert next_step([new], three).startswith("If the wedge is not loud enough yet")
    assert next_step([new], None).startswith("If the wedge is not loud enough yet")
    assert next_step([new], four) == (
        "Take the send back by about 6 dB: 1.00 kHz (B5 +21 cents) rings next and no band is left "
        "for it. For more, move the mic or the wedge."
    )


def test_a_certain_ring_comes_before_a_possible_one_and_gone_ones_ask_for_nothing() -> None:
    gone = RingChange(Fate.GONE, ring(500.0), None)
    possible = RingChange(Fate.NEW, None, ring(3000.0, confidence=0.5))
    assert next_step([gone], PLAN) == BACK_OFF
    assert next_step([possible, left(None)], PLAN).startswith("Cut 1.00 kHz")
    assert next_step([gone, possible], PLAN) == (
        "Listen at 3.00 kHz (F#7 +23 cents): a possible ring is left there. If it rings, cut it "
        "by 3 dB; if not, leave the settings."
    )


@pytest.mark.parametrize(("confidence", "certain"), [(0.78, True), (0.7799, False)])
def test_a_change_is_certain_if_the_ring_was_in_either_capture(
    confidence: float, certain: bool
) -> None:
    sure, doubtful = ring(1000.0, confidence=confidence), ring(1000.0, confidence=0.4)
    assert RingChange(Fate.REMAINS, sure, doubtful).certain is certain
    assert RingChange(Fate.REMAINS, doubtful, sure).certain is certain
    assert RingChange(Fate.NEW, None, sure).certain is certain


@pytest.mark.parametrize(
    ("after_db", "said"), [(-10.6, "Look for the cure elsewhere"), (-10.5, BACK_OFF)]
)
def test_less_than_half_a_db_of_added_gain_sends_one_elsewhere(after_db: float, said: str) -> None:
    gain = GainChange(-11.0, after_db, None)
    assert next_step([], PLAN, gain=gain).startswith(said)
    assert gain.added_db == pytest.approx(after_db + 11.0)


@pytest.mark.parametrize(
    ("noise_db", "misfit_db", "put_back"),
    [(2.0, 2.0, False), (2.1, 1.0, True), (1.0, 2.1, True)],
)
def test_captures_that_differ_by_more_than_2_db_were_not_made_at_one_place(
    noise_db: float, misfit_db: float, put_back: bool
) -> None:
    found = Diagnosis(0.0, noise_db, misfit_db, misfit_db, ())
    step = next_step([], PLAN, diagnosis=found)
    assert step.startswith("Put mic and wedge back exactly where they were") is put_back
    assert (f"differ from the plan by {misfit_db:.1f} dB" in step) is put_back


BELL = Filter(FilterKind.PEAKING, 1800.0, 3.0, 4.5)


def explained(
    mistake: Mistake,
    *,
    setting: int | None = 2,
    dialled: Filter | None = BELL,
    convention: QConvention | None = None,
) -> Explanation:
    return Explanation(mistake, setting, dialled, convention, 3.2, 0.4)


@pytest.mark.parametrize(
    ("explanation", "finding", "step"),
    [
        (
            explained(Mistake.ALL_OUT, setting=None, dialled=None),
            "The whole equaliser seems to be bypassed",
            "Switch the wedge's equaliser in",
        ),
        (
            explained(Mistake.OUT, dialled=None),
            "Setting 2 (2.00 kHz) seems to be bypassed or not dialled in",
            "Switch setting 2 (2.00 kHz) in",
        ),
        (
            explained(Mistake.SIGN),
            "Setting 2 (2.00 kHz) seems to have the wrong sign, +4.5 dB",
            "Set the gain of setting 2 (2.00 kHz) to -4.5 dB",
        ),
        (
            explained(Mistake.GAIN),
            "Setting 2 (2.00 kHz) seems to be set to about +4.5 dB",
            "Set the gain of setting 2 (2.00 kHz) to -4.5 dB",
        ),
        (
            explained(Mistake.FREQUENCY),
            "Setting 2 (2.00 kHz) seems to sit at about 1.80 kHz",
            "Set the frequency of setting 2 to 2.00 kHz (B6 +21 cents)",
        ),
        (
            explained(Mistake.Q_AS_OCTAVES),
            "Setting 2 (2.00 kHz) seems to have its Q entered as octaves",
            "Match the width of setting 2 (2.00 kHz) in octaves, 0.29 oct, instead of Q",
        ),
        (
            explained(Mistake.OCTAVES_AS_Q),
            "Setting 2 (2.00 kHz) seems to have its octaves entered as Q",
            "Match the width of setting 2 (2.00 kHz) in octaves, 0.29 oct, instead of Q",
        ),
        (
            explained(Mistake.TOO_WIDE),
            "Setting 2 (2.00 kHz) seems to be too wide, about 0.48 oct",
            "Set setting 2 (2.00 kHz) narrower, to Q 5.0 (0.29 oct)",
        ),
        (
            explained(Mistake.TOO_NARROW),
            "Setting 2 (2.00 kHz) seems to be too narrow, about 0.48 oct",
            "Set setting 2 (2.00 kHz) wider, to Q 5.0 (0.29 oct)",
        ),
        (
            explained(Mistake.Q_CONVENTION, convention=QConvention.POLE),
            "Setting 2 (2.00 kHz) seems to read Q as the Q of its poles",
            "Match the width of setting 2 (2.00 kHz) in octaves, 0.29 oct, instead of Q",
        ),
        (
            explained(
                Mistake.Q_CONVENTION,
                setting=None,
                dialled=None,
                convention=QConvention.THREE_DB_FROM_FLAT,
            ),
            "The equaliser seems to read Q between the points 3 dB below flat",
            "Match the widths in octaves instead of Q: this equaliser counts Q otherwise",
        ),
    ],
)
def test_each_mistake_in_words_and_how_to_mend_it(
    explanation: Explanation, finding: str, step: str
) -> None:
    told = (
        f"{finding}: measured and expected then differ by 0.4 dB where it matters, against 3.2 dB "
        "as planned"
    )
    assert explanation_text(explanation, PLAN) == told + "."
    second = Explanation(
        explanation.mistake,
        explanation.setting,
        explanation.dialled,
        explanation.convention,
        3.2,
        0.4,
        Mistake.GAIN,
        1.1,
    )
    assert explanation_text(second, PLAN) == told + " (next best: at another gain, 1.1 dB)."
    found = Diagnosis(0.0, 3.0, 3.0, 0.4, (explanation,))
    assert next_step([left(None)], PLAN, diagnosis=found) == step + AGAIN


@pytest.mark.parametrize(
    ("after_hz", "fate"), [(1012.0, Fate.REMAINS), (1012.5, Fate.NEW), (987.5, Fate.NEW)]
)
def test_rings_within_1_2_percent_are_one(after_hz: float, fate: Fate) -> None:
    """Source: 0.18 % per kelvin, so 0.9 % for 5 K, and a nudge of the mic (kept in the module)."""
    assert match_rings([ring(1000.0)], [ring(after_hz)])[0].fate is fate


def test_half_of_both_widths_counts() -> None:
    wide, wider = ring(1000.0, width_hz=10.0), ring(1032.0, width_hz=30.0)
    assert match_rings([wide], [wider])[0].fate is Fate.REMAINS
    assert match_rings([wide], [ring(1033.0, width_hz=30.0)])[0].fate is Fate.NEW


def test_remaining_then_new_then_gone_and_the_certain_first() -> None:
    before = [ring(500.0), ring(700.0, confidence=0.4), ring(900.0)]
    after = [ring(4000.0), ring(700.0, confidence=0.4), ring(500.0)]
    changes = match_rings(before, after)
    assert [(c.fate, c.frequency_hz) for c in changes] == [
        (Fate.REMAINS, 500.0),
        (Fate.REMAINS, 700.0),
        (Fate.NEW, 4000.0),
        (Fate.GONE, 900.0),
    ]
    assert all(change.promised_db is None for change in changes)
