"""What people read in the terminal, wide and narrow, plain and coloured."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from shaping.capture import cautions
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, octaves_from_q
from shaping.plan.assemble import unserved_cautions
from shaping.plan.loop.summary import without_promise
from shaping.plan.plan import PlannedFilter, Purpose, ThinningSummary
from shaping.plan.suggestion import Suggestion
from shaping.report import gains_text, words
from shaping.report.terminal import print_plan
from shaping.text.names import file_text
from shaping.text.quantities import octaves_text


def shown(plan, width=80, **console):
    out = io.StringIO()
    print_plan(Suggestion(plan), Console(file=out, width=width, **console))
    return out.getvalue()


@pytest.mark.parametrize(
    ("octaves", "text"),
    [(2, "2 oct"), (1, "1 oct"), (2 / 3, "2/3 oct"), (1 / 2, "1/2 oct"), (1 / 3, "1/3 oct")]
    + [(1 / n, f"1/{n} oct") for n in (6, 10, 12, 20, 30)],
)
def test_octaves_of_the_trade_read_as_fractions(octaves, text):
    """Bandwidths that equalisers offer; common practice, no published source."""
    assert octaves_text(octaves) == text
    assert octaves_text(octaves * 1.01) == text


def test_width_without_octaves_uses_the_cookbook():
    assert words.width_text(4.32) == "Q 4.3 (1/3 oct)"
    assert words.width_text(1.41) == "Q 1.4 (1 oct)"


@pytest.mark.parametrize("width", [60, 80, 130])
@pytest.mark.parametrize("count", [0, 1, 6, 20])
def test_no_line_is_wider_than_the_terminal(new_plan, width, count, long_name):
    text = shown(new_plan(count, loop=True, path=long_name), width)
    assert max(map(len, text.splitlines())) <= width
    assert text.count("…") == file_text(long_name).count("…")


def test_the_equalisers_own_q_is_shown_and_named(new_plan, new_limits):
    limits = new_limits(q_convention=QConvention.THREE_DB_FROM_FLAT)
    plan = new_plan(1, limits=limits)
    cut = replace(plan.filters[-1], dial_q=5.9)
    text = shown(replace(plan, filters=(cut,)))
    assert "Q 5.9 (1/6 oct)" in text
    assert "3 dB below flat" in text


def test_a_fixed_graphic_band_shows_no_q_to_set(new_plan, new_limits):
    limits = new_limits(grid_hz=(2500.0,), steps_per_octave=None, min_q=4.32, max_q=4.32)
    cut = PlannedFilter(
        Filter(FilterKind.PEAKING, 2500.0, 4.32, -6.0),
        Purpose.FEEDBACK,
        "why",
        4.32,
        octaves_from_q(4.32),
    )
    assert "fixed (1/3 oct)" in shown(replace(new_plan(1, limits=limits), filters=(cut,)))


def test_what_is_found_left_gained_and_to_mind_is_said(new_plan):
    plan = new_plan(6, loop=True)
    text = " ".join(shown(plan).split())
    assert "possible ring: grew 40 dB/s" in text
    assert "ring: rang on, fell 35 dB/s" in text
    assert "Left without a cut - ring at 1.24 kHz (D#6 -6 cents)" in text
    assert "4.2 dB more gain before it howls" in text
    assert "3.4 dB less of this wedge" in text
    assert "0.71 before, 0.73 after" in text
    assert plan.cautions[0] in text
    assert "Hum at 50 Hz: check the cables." in text
    assert text.index("a hand on the fader") < text.index("high-pass")


def test_markup_and_control_characters_are_only_text(new_plan):
    plan = new_plan(
        1, path="[red]x[/red]\x1b[31m\n.wav", reason="[bold]why[/bold]\x1b[2J", cautions=()
    )
    text = shown(plan, 100)
    assert "[red]x[" not in text  # a folder separator ends there, as on any system with "/"
    assert r"red]\x1b[31m\n.wav" in text
    assert "[bold]why[/bold]" in text
    assert "\x1b" not in text


def test_plain_when_piped_and_without_colour_on_request(new_plan, monkeypatch):
    plan = new_plan(6)
    assert "\x1b" not in shown(plan)
    assert not re.search("[─━│]", shown(plan))
    monkeypatch.setenv("TERM", "xterm-256color")
    coloured = shown(plan, force_terminal=True)
    assert "\x1b[" in coloured
    monkeypatch.setenv("NO_COLOR", "1")
    assert not re.search(r"\x1b\[[0-9;]*3[0-9]", shown(plan, force_terminal=True))


def test_an_empty_plan_says_so(new_plan):
    text = shown(new_plan(0, thinning=False))
    assert "No rings found" in text
    assert "Nothing to dial in" in text


@pytest.mark.parametrize(
    "planned",
    [
        PlannedFilter(Filter(kind, 400.0, 0.7, gain), purpose, "r", 0.7, 2.0)
        for kind in FilterKind
        for gain in (-3.0, 3.0)
        for purpose in Purpose
    ],
)
def test_every_setting_has_a_meaning_with_its_frequency(planned):
    text = words.meaning(planned)
    assert "400 Hz" in text
    boosts = planned.filter.kind is FilterKind.LOW_SHELF and planned.filter.gain_db > 0
    assert not (boosts and "quieter" in text)


def test_of_many_possible_rings_the_most_likely_are_shown(new_plan, new_rings):
    doubtful = tuple(
        replace(ring, confidence=0.01 * number) for number, ring in enumerate(new_rings(30))
    )
    sure = replace(doubtful[0], confidence=0.9)
    plan = replace(new_plan(0), rings=(sure, *doubtful[1:]))
    kept, others = words.shown_rings(plan)
    assert kept == (sure, *doubtful[-5:])
    assert others == "And 24 less likely ones, in the JSON."
    text = shown(plan)
    assert text.count("possible ring: ") == 5
    assert others in text


def test_settings_come_before_what_was_found(new_plan):
    text = shown(new_plan(6, loop=True))
    order = [
        "Before you raise the send",
        "Settings to dial in",
        "Why",
        "What it buys",
        "Rings found",
        "Left without a cut",
        "Mind",
        "What the figures rest on",
    ]
    places = [text.index(f"\n{heading}") for heading in order]
    assert places == sorted(places)


def test_nothing_is_said_twice(new_plan):
    plan = new_plan(6)
    plan = replace(
        plan,
        captures=(plan.captures[0], replace(plan.captures[0], path="moved.wav")),
        cautions=(*cautions.RING_OUT, *unserved_cautions(plan.unserved), cautions.EXPOSURE),
    )
    text = " ".join(shown(plan).split())
    for sentence in (*cautions.RING_OUT, cautions.EXPOSURE, "Hum at 50 Hz: check the cables."):
        assert text.count(sentence) == 1
    assert "No band is left" not in text
    assert text.count("ring at 1.24 kHz") == 1
    assert "A lower fader or a better place for the mic is the better cure." in text


def test_a_note_on_one_of_several_captures_names_it(new_plan):
    first = new_plan(1).captures[0]
    plan = replace(new_plan(1), captures=(first, replace(first, path="b/moved.wav", quality=())))
    assert "vocal wedge.wav: Hum at 50 Hz: check the cables." in " ".join(shown(plan).split())


def test_thinning_alone_says_nothing_of_rings_or_the_send(new_plan):
    plan = replace(new_plan(0), captures=(), cautions=(*cautions.THINNING, cautions.SAFE_LEVELS))
    text = " ".join(shown(plan).split())
    for wrong in ("No rings", "ring-out", "at the first ring", "this recording"):
        assert wrong not in text
    for sentence in (*cautions.THINNING, cautions.SAFE_LEVELS):
        assert text.count(sentence) == 1


def test_stable_gain_is_told_by_its_safe_end_and_by_number_of_cuts(new_plan):
    plan = new_plan(3, loop=True)
    loop = replace(
        plan.loop,
        stable_gain_low_db=-12.7,
        stable_gain_after_low_db=-8.5,
        in_phase_stable_gain_high_db=-9.5,
        stable_gain_by_capture_db=(-12.3,),
        stable_gain_after_unseen_db=-10.9,
        margin_db=6.0,
        send_db=-14.5,
        measured_hz=((63.0, 16_000.0),),
        added_by_cuts_db=(0.1, 2.0, 4.2),
        delay_known=False,
    )
    text = " ".join(shown(replace(plan, loop=loop)).split())
    assert "4.2 dB more gain before it howls" in text
    assert "up to -12.7 dB without the settings, to -8.5 dB with them" in text
    assert "over loop delays of 2 to 20 ms: -11.0 dB to -9.5 dB without" in text
    assert "Leave the send at -14.5 dB at most, re the recorded files" in text
    assert "-10.9 dB holds at 95 % of them, going by the one place measured" in text
    assert "Measured from 63 Hz to 16.0 kHz." in text
    assert "Added without a feedback cut +0.1 dB, by 1 +2.0 dB, by 2 +4.2 dB" in text
    assert "exactly as recorded" not in text


def test_what_was_not_measured_is_withheld_in_words(new_plan):
    plan = new_plan(3, loop=True)
    loop = without_promise(replace(plan.loop, measured_hz=((280.0, 16_000.0),)))
    text = " ".join(shown(replace(plan, loop=loop)).split())
    assert "is withheld" in text
    assert "Measured from 280 Hz to 16.0 kHz." in text
    assert "nan" not in text


@pytest.mark.parametrize(
    ("after", "verdict"),
    [(0.50, "stay as clear"), (0.40, "become less clear"), (0.60, "become clearer")],
)
def test_intelligibility_is_put_in_plain_words(new_plan, after, verdict):
    thinning = ThinningSummary(-3.0, 0.5, after)
    (_, told) = gains_text.thinning_texts(thinning)
    assert told.startswith(f"Words {verdict} for the musician")


def test_a_clipped_ring_has_no_level(new_plan):
    plan = new_plan(1)
    text = shown(replace(plan, rings=(replace(plan.rings[0], clipped=True, peak_dbfs=2.0),)))
    assert "clipped" in text
    assert "2 dBFS" not in text
