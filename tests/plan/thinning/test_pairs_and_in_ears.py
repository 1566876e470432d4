"""Side fills in pairs, and in-ears, which spill to nobody."""

from __future__ import annotations

from pathlib import Path

import pytest

from shaping.analysis.first_row.pairs import DISTANCES_M, pair_sum
from shaping.capture import cautions
from shaping.capture.audio import read_capture
from shaping.capture.recording import CaptureKind
from shaping.cli.main import run
from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError, StageError
from shaping.plan.plan import Purpose
from shaping.plan.thinning.pairs import pair_texts, read_pair
from shaping.plan.thinning.planner import thin, thin_to_first_row
from shaping.plan.thinning.starting_points import WedgeUse
from shaping.report.page import plan_page
from shaping.stage.description.stage_file import stage_from_toml
from shaping.stage.pairs import pairs_at, unlike_sends

SAMPLES = Path(__file__).resolve().parents[3] / "audio_samples"

STAGE = """
schema = "shaping.stage/1"
wedge = [{ name = "left" }, { name = "right" }]
mic = [{ name = "lead" }, { name = "choir" }]
send = [{ mic = "lead", wedge = "left" }, { mic = "lead", wedge = "right", gain_db = -3 }]
place = [
  { mic = "lead", wedge = "left", angle_deg = 90, distance_m = 4 },
  { mic = "lead", wedge = "right", angle_deg = 90, distance_m = 2.5 },
  { mic = "choir", wedge = "left", angle_deg = 90, distance_m = 4 },
]
pair = [{ wedges = ["left", "right"] }]
"""


@pytest.mark.parametrize("amount", ["light", "medium", "strong"])
def test_an_in_ear_is_told_of_headroom_and_nothing_of_first_rows(amount):
    suggestion = thin(load_limits("parametric-4"), amount=amount, use=WedgeUse.IN_EAR)
    plan = suggestion.plan
    assert plan.thinning is None
    assert all(one.purpose is not Purpose.FEEDBACK for one in plan.filters)
    assert all("headroom" in one.reason for one in plan.filters)
    assert set(cautions.IN_EAR) <= set(plan.cautions)
    assert not set(cautions.THINNING) & set(plan.cautions)
    page = plan_page(suggestion)
    if amount != "light":  # which leaves an in-ear's lows alone
        assert "Before you change an in-ear mix" in page
    for word in ("first row", "spills to the first", "wedge up", "the voice turns thin"):
        assert word not in page.replace("low-mid cut for the first rows", "")


def test_an_in_ear_is_not_fitted_to_a_first_row():
    wedges, mains = (
        read_capture(str(SAMPLES / f"first_row_{what}.flac"), kind=CaptureKind.FIRST_ROW)
        for what in ("wedges", "mains")
    )
    with pytest.raises(ParameterError, match="spills nothing"):
        thin_to_first_row(wedges, mains, load_limits("parametric-4"), use=WedgeUse.IN_EAR)


def test_a_pair_is_told_in_words():
    first, cure = pair_texts(read_pair("2.5, 4"))
    assert "4.4 ms later and 4.1 dB softer" in first
    assert "114 Hz" in first
    assert "No equaliser fills these dips" in cure
    (together,) = pair_texts(read_pair("3 3.05"))
    assert "arrive together" in together


@pytest.mark.parametrize("text", ["", "2.5", "2.5;4", "a,b", "-1,2", "2,3,4"])
def test_what_is_no_pair_is_refused(text):
    with pytest.raises(ParameterError, match="distances in metres"):
        read_pair(text)


def test_distances_at_the_boundary():
    low, high = DISTANCES_M
    assert pair_sum(low, high).later_s > 0
    for first, second in ((low * 0.99, 2.0), (2.0, high * 1.01)):
        with pytest.raises(ParameterError, match="from a side fill"):
            pair_sum(first, second)


def test_the_command_tells_a_pair_of_side_fills(capsys):
    assert run(["thin", "--use", "side-fill", "--pair", "2.5,4"]) == 0
    assert "lines both" in capsys.readouterr().out.replace("would line both", "lines both")
    assert run(["thin", "--pair", "2.5,4"]) == 2
    assert "--use side-fill" in capsys.readouterr().err


def test_a_stage_file_names_pairs_and_tells_them_where_both_distances_are_known():
    stage = stage_from_toml(STAGE, folder=Path())
    (one,) = pairs_at(stage)
    assert (one.nearer, one.further, one.mic) == ("right", "left", "lead")
    assert one.sum.softer_db == pytest.approx(4.08, abs=0.01)
    assert [(pair.first, mic) for pair, mic in unlike_sends(stage)] == [("left", "lead")]


@pytest.mark.parametrize(
    ("pair", "told"),
    [
        ('["left", "rigth"]', "did you mean 'right'"),
        ('["left", "left"]', "stands twice"),
        ('["left"]', "wedges"),
    ],
)
def test_pairs_that_make_no_sense_are_refused(pair, told):
    text = STAGE.replace('["left", "right"]', pair)
    with pytest.raises(StageError, match=told):
        stage_from_toml(text, folder=Path())
