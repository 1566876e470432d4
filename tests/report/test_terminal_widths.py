"""At any width of the terminal no number, unit or width of a filter is shortened or torn apart.

What is expected is put together here from the plan's numbers, not taken from the report's words.
"""

from __future__ import annotations

import io
import itertools
import math
import re
from collections import Counter
from dataclasses import replace

import pytest
from rich.console import Console

from shaping.analysis.findings import CriticalFrequency, Resonance
from shaping.capture.recording import CaptureKind
from shaping.comparison.changes import BandChange, Fate, GainChange, RingChange
from shaping.comparison.compare import Comparison
from shaping.comparison.diagnosis import Diagnosis
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import Plan, PlannedFilter, Purpose
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.report.compare_terminal import print_comparison
from shaping.report.terminal import print_plan
from shaping.report.terminal_text import Column, rows

EVERY = range(40, 121)
SOME = (40, 41, 50, 57, 64, 71, 72, 79, 80, 120)
at_widths = pytest.mark.parametrize(
    ("widths", "terminal"),
    [
        (SOME, False),
        *(pytest.param(EVERY, is_one, marks=pytest.mark.slow) for is_one in (False, True)),
    ],
    ids=["piped", "piped, every width", "terminal, every width"],
)
UNITS = r"dB/s|dB/oct|dBFS|dB|kHz|Hz|octaves|oct|cents|cm|ms|min|s|%"
NUMBERS = re.compile(rf"(?<![\w.])[-+±]?\d+(?:[./:]\d+)*(?:\.\.\.)? (?:{UNITS})(?![\w/])")


def printed(show, width: int, **console: bool) -> str:
    out = io.StringIO()
    show(Console(file=out, width=width, **console))
    return re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())


def numbers(text: str) -> Counter[str]:
    """Return every number with its unit; those torn apart by the end of a line are not among them.

    >>> sorted(numbers("-3.0 dB at 1/6 oct"))
    ['-3.0 dB', '1/6 oct']
    """
    return Counter(NUMBERS.findall(text))


def hertz(frequency_hz: float) -> str:
    """Three figures, as the house writes them."""
    if frequency_hz < 999.5:
        return f"{frequency_hz:.3g} Hz" if frequency_hz < 99.5 else f"{frequency_hz:.0f} Hz"
    return f"{frequency_hz / 1000:.{2 if frequency_hz < 9995 else 1}f} kHz"


def facts(planned: PlannedFilter) -> list[str]:
    """Return what has to be read off to dial one filter in."""
    wanted = planned.filter
    told = [hertz(wanted.frequency_hz)]
    if wanted.gain_db is not None:
        told.append(f"{wanted.gain_db:+.1f} dB")
    if wanted.order is not None:
        told.append(f"{6 * wanted.order} dB/oct")
    return told


def blocks_of(text: str, count: int) -> list[str]:
    """Return the lines of each setting: from its number to the next one's."""
    table = text[text.index("Settings to dial in") :]
    table = table[: table.index("Q is ")]
    parts = re.split(r"^ {0,2}(\d+) ", table, flags=re.MULTILINE)
    assert parts[1::2] == [str(number) for number in range(1, count + 1)]
    return parts[2::2]


def preset_plan(name: str, new_plan) -> Plan:
    like = new_plan(6, path="wedge.wav")
    rings = [replace(ring, growth_db_per_s=40.0) for ring in like.rings]
    return plan_from_rings(like.captures, rings, load_limits(name), thinning=ThinningAmount.MEDIUM)


@at_widths
@pytest.mark.parametrize("name", preset_names())
def test_settings_are_whole_at_every_width(name, widths, terminal, new_plan):
    plan = preset_plan(name, new_plan)
    assert plan.filters
    whole = printed(lambda c: print_plan(Suggestion(plan), c), 10_000)
    for width in widths:
        text = printed(lambda c: print_plan(Suggestion(plan), c), width, force_terminal=terminal)
        assert max(map(len, text.splitlines())) <= width
        assert "…" not in text
        assert numbers(text) == numbers(whole), width
        blocks = blocks_of(text, len(plan.filters))
        for planned, block in zip(plan.filters, blocks, strict=True):
            for fact in facts(planned):
                assert fact in block, (width, fact)
            q = planned.dial_q
            if q is not None and load_limits(name).min_q != load_limits(name).max_q:
                assert re.search(rf"Q {q:.{2 if q < 1 else 1}f}|Q {q:.0f}", block), (width, q)


@at_widths
def test_what_was_found_is_whole_at_every_width(widths, terminal, new_plan):
    ringing = new_plan(6, path="wedge.wav")
    looped = replace(
        new_plan(4, loop=True, path="wedge.wav"),
        rings=(),
        resonances=(Resonance(2513.0, 7.1, 31.4, 0.6), Resonance(99.6, 11.2, 8.0, 1.3)),
    )
    resonant = replace(looped, loop=None)
    looped = replace(
        looped,
        loop=replace(
            looped.loop,
            critical=tuple(CriticalFrequency(hz, -12.3 + hz / 1e4) for hz in (87.3, 2514.0, 11e3)),
        ),
    )
    for plan in (ringing, looped, resonant):
        whole = numbers(printed(lambda c, p=plan: print_plan(Suggestion(p), c), 10_000))
        assert sum(whole.values()) > 15
        for width in widths:
            text = printed(
                lambda c, p=plan: print_plan(Suggestion(p), c), width, force_terminal=terminal
            )
            assert max(map(len, text.splitlines())) <= width
            assert "…" not in text
            assert numbers(text) == whole, width


@pytest.fixture
def compared(new_plan, new_rings) -> tuple[Comparison, Comparison]:
    plan = new_plan(4, path="wedge.wav")
    one, two, three = (replace(ring, growth_db_per_s=140.0) for ring in new_rings(3))
    ring_outs = Comparison(
        before=plan.captures[0],
        after=plan.captures[0],
        plan=plan,
        rings=(
            RingChange(Fate.REMAINS, one, one, -6.0),
            RingChange(Fate.NEW, None, two, 0.0),
            RingChange(Fate.GONE, three, None, -4.5),
        ),
        change=None,
        bands=(),
        gain=None,
        diagnosis=None,
        next_step="Cut 2.51 kHz (D#7 +18 cents) by 3 dB: it still rings. Then ring out once more.",
    )
    noise = replace(plan.captures[0], kind=CaptureKind.PINK_NOISE)
    responses = replace(
        ring_outs,
        before=noise,
        after=noise,
        rings=(),
        bands=tuple(
            BandChange(hz, -11.26, -math.log10(hz), 0.2) for hz in (80.0, 2500.0, 16_000.0)
        ),
        gain=GainChange(-4.0, -2.9, -1.8),
        diagnosis=Diagnosis(-6.0, 0.4, 2.2, 2.2, ()),
    )
    return ring_outs, responses


@at_widths
def test_a_comparison_is_whole_at_every_width(widths, terminal, compared):
    for comparison in compared:
        whole = numbers(printed(lambda c, x=comparison: print_comparison(x, c), 10_000))
        assert {"-6.0 dB", "+5.1 dB"} & set(whole) or "-11.3 dB" in whole
        for width in widths:
            text = printed(
                lambda c, x=comparison: print_comparison(x, c), width, force_terminal=terminal
            )
            assert max(map(len, text.splitlines())) <= width
            assert "…" not in text
            assert numbers(text) == whole, width


@pytest.mark.parametrize("terminal", [False, True], ids=["piped", "terminal"])
def test_rows_are_a_table_as_soon_as_the_whole_table_fits(terminal):
    """Two columns of 9 and 8 characters, at most five more for rules and room between them."""
    columns = (Column("Frequency", leads=True), Column("Gain", right=True))
    cells = [("100 Hz", "-12.5 dB"), ("12.5 kHz", "-3.0 dB")]
    for width in range(18, 40):
        text = printed(lambda c: rows(c, columns, cells), width, force_terminal=terminal)
        assert max(map(len, text.splitlines())) <= width
        assert "…" not in text
        table = "Frequency" in text
        assert table or width < 9 + 8 + 6, "blocks although the table fits"
        assert "Gain: -12.5 dB" in " ".join(text.split()) or table
        for value in itertools.chain(*cells):
            assert any(value in line for line in text.splitlines()), (width, value)


def test_a_wide_shelf_with_a_long_note_fits_forty_columns(new_plan):
    """The longest line there is: a kind of two words, four figures, a note with its cents."""
    shelf = PlannedFilter(
        Filter(FilterKind.HIGH_SHELF, 11_180.0, 0.7, -10.5), Purpose.FEEDBACK, "why", 0.7, 2.0
    )
    plan = replace(new_plan(1, path="wedge.wav"), filters=(shelf,))
    text = printed(lambda c: print_plan(Suggestion(plan), c), 40)
    assert max(map(len, text.splitlines())) <= 40
    for fact in ("high shelf", "11.2 kHz", "-10.5 dB", "Q 0.70", "2 oct"):
        assert fact in text
