"""Rings, captures and limits that the tests of plans are made with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hypothesis import strategies as st

from shaping.analysis.findings import CriticalFrequency, Resonance, Ring
from shaping.capture.recording import CaptureKind, QualityNote, Severity
from shaping.equaliser.limits_file import load_limits
from shaping.plan.plan import (
    CaptureSummary,
    IntelligibilityAt,
    LoopSummary,
    Plan,
    ThinningSummary,
)
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount


def ring(
    frequency_hz: float,
    *,
    growth_db_per_s: float = 100.0,
    confidence: float = 0.9,
    occurrences: int = 1,
    clipped: bool = False,
    width_hz: float = 0.0,
    spells: Sequence[tuple[float, float]] = (),
) -> Ring:
    return Ring(
        frequency_hz=frequency_hz,
        frequency_error_hz=0.2,
        width_hz=width_hz,
        onset_s=3.0,
        duration_s=1.5,
        growth_db_per_s=growth_db_per_s,
        decay_db_per_s=None,
        peak_dbfs=-12.0,
        occurrences=occurrences,
        clipped=clipped,
        confidence=confidence,
        evidence="rose in a straight line",
        spells=tuple(spells),
    )


def capture(sample_rate_hz: int = 48_000, path: str = "vocal wedge.wav") -> CaptureSummary:
    return CaptureSummary(
        path=path,
        sample_rate_hz=sample_rate_hz,
        channel=1,
        duration_s=21.5,
        kind=CaptureKind.RING_OUT,
        quality=(QualityNote("hum", Severity.WARNING, "Mains hum at 50 Hz; find the loop."),),
    )


def rings(max_size: int = 12) -> st.SearchStrategy[list[Ring]]:
    """Any rings that could come out of a capture, and some that could not."""
    return st.lists(
        st.builds(
            ring,
            st.floats(4.3, 14.1).map(lambda octave: 2.0**octave),  # 20 Hz to 17.5 kHz
            growth_db_per_s=st.one_of(st.just(0.0), st.floats(0.1, 1000.0)),
            confidence=st.floats(0.0, 1.0),
            occurrences=st.integers(1, 5),
            clipped=st.booleans(),
            width_hz=st.one_of(st.just(0.0), st.floats(0.0, 60.0)),
            spells=st.lists(st.tuples(st.floats(0.0, 9.0), st.floats(9.0, 20.0)), max_size=3),
        ),
        max_size=max_size,
    )


def full_plan() -> Plan:
    """A plan with something in every place."""
    plan = plan_from_rings(
        [capture(), capture(44_100, path="zwölf \udcff\n.wav")],
        [ring(300.0 * 1.7**n, clipped=n == 2, occurrences=n + 1) for n in range(5)],
        load_limits("parametric-4"),
        thinning=ThinningAmount.MEDIUM,
    )
    return replace(
        plan,
        resonances=(Resonance(2513.4567, 7.12345, 31.4159, 0.61, 1.5, 0.25),),
        loop=LoopSummary(
            -21.4,
            -17.2,
            4.2,
            -20.1,
            -16.0,
            (CriticalFrequency(2513.4567, -21.4),),
            0.93,
            stable_gain_by_capture_db=(-21.4, -19.0),
            added_by_cuts_db=(0.5, 2.5),
            paying_cuts=3,
            delay_known=False,
        ),
        thinning=ThinningSummary(
            -3.5, 0.61, 0.6, -1.0, -2.0, (IntelligibilityAt(0.05, 0.6, 0.59),), ("A wedge.",)
        ),
        unserved=(*plan.unserved, Resonance(6000.0, 4.0, 20.0, 1.0)),
    )
