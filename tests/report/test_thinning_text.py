"""What is said of thinning: of wedge and mains together, of each use, and that a model is one."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from shaping import load_limits, thin
from shaping.cli.thin_command import command
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import BandInterference, RoomSum, ThinningSummary
from shaping.plan.thinning.effect import ASSUMED_MAINS_OVER_WEDGES_DB, thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse
from shaping.plan.thinning.uses import model_of
from shaping.report.page import plan_page
from shaping.report.thinning_text import MODEL, thinning_texts

LIMITS = load_limits("parametric-4")
CUT = (Filter(FilterKind.PEAKING, 250.0, q=1.0, gain_db=-4.5),)
WITH_A_VOICE = {WedgeUse.VOCAL, WedgeUse.SPEECH, WedgeUse.SIDE_FILL}


@pytest.mark.parametrize("use", list(WedgeUse))
def test_every_use_has_its_own_words(use):
    summary = thinning_summary(CUT, use=use)
    told = " ".join((*thinning_texts(summary), *summary.assumptions))
    assert ("speech intelligibility index" in told) is (use in WITH_A_VOICE)
    assert ("cardioid" in told) is (use in WITH_A_VOICE)
    assert f"the {summary.listener}" in told.lower()
    assert model_of(use).box in told
    if use not in WITH_A_VOICE:
        assert summary.sii_before is None
        assert "dB less from 125 to 500 Hz" in told


def test_a_model_says_so_beside_every_number_of_the_first_rows():
    told = thinning_texts(thinning_summary(CUT))
    of_the_room = [text for text in told if "first rows" in text or "together" in text]
    assert len(of_the_room) == 3
    assert all(MODEL in text for text in of_the_room)
    page = plan_page(thin(LIMITS))
    assert page.index(MODEL) < page.index("<footer>")


def test_the_room_hears_less_of_a_change_than_the_wedge_makes():
    summary = thinning_summary(CUT)
    room = summary.room
    assert room is not None
    assert not room.measured
    assert room.mains_over_wedges_db == pytest.approx(ASSUMED_MAINS_OVER_WEDGES_DB, abs=0.1)
    assert summary.spill_change_db < room.change_db < 0.0
    assert room.sii_before < room.sii_after < room.sii_before + 0.05


def test_nothing_thinned_is_nothing_told():
    suggestion = thin(LIMITS, amount=ThinningAmount.NONE)
    assert suggestion.plan.thinning is None
    assert suggestion.plan.cautions == (
        "How loud and how long is safe is for local codes and qualified people to say.",
    )
    done = CliRunner().invoke(command, ["--amount", "none"], catch_exceptions=False)
    assert "Nothing to dial in" in done.output
    for word in ("0.0 dB", "high-pass", "fader"):
        assert word not in done.output


def test_in_ears_spill_to_nobody():
    plan = thin(LIMITS, use=WedgeUse.IN_EAR, amount="strong").plan
    assert plan.filters
    assert plan.thinning is None
    assert "first rows" not in " ".join(planned.reason for planned in plan.filters)


def test_what_lies_below_the_low_mids_is_not_sold_as_less_spill():
    told = thinning_texts(thin(LIMITS, use=WedgeUse.DRUM_FILL).plan.thinning)
    assert told == (
        f"From 125 to 500 Hz nothing changes in the first rows: {MODEL}. What the settings take "
        "out lies below.",
    )


def test_one_seat_is_told_where_arrival_is_known():
    bands = (
        BandInterference(125.0, 1.1, -0.3, -3.3),
        BandInterference(250.0, -9.2, -2.6, 5.4),
    )
    room = RoomSum(True, 3.2, -0.7, -0.3, wedges_later_s=-0.002, seat_change_db=-0.6,
                   interference=bands)  # fmt: skip
    told = thinning_texts(ThinningSummary(-2.9, None, None, measured=True, room=room))
    assert "0.7 dB less, 125 to 500 Hz, powers added (the wedges alone were 3.2 dB under" in told[1]
    assert "arrives 2.0 ms before the mains'" in told[2]
    assert "0.6 dB less, from 3.3 dB less at 125 Hz to 5.4 dB more at 250 Hz" in told[2]
    assert not any(MODEL in text for text in told)


def test_the_shipped_first_row_shows_when_the_wedge_arrives(samples_folder):
    """Wedge 2.9 m and 4.2 ms of latency away, mains 3.4 m and 5 ms: 2.0 ms apart."""
    files = [str(samples_folder / f"first_row_{what}.flac") for what in ("wedges", "mains")]
    done = CliRunner().invoke(
        command, ["--wedges", files[0], "--mains", files[1], "--name", "Wedge 2"],
        catch_exceptions=False,
    )  # fmt: skip
    told = " ".join(done.output.split())
    assert told.startswith("Wedge 2 ")
    assert re.search(r"arrives (1\.9|2\.0|2\.1) ms before the mains'", told)
    assert "The room hears mains and wedges together: 0.7 dB less" in told
