"""One plan for a walk: broad and shallow, its stretches and words, and what is refused."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import soundfile as sf
from jsonschema import Draft202012Validator
from scipy import signal

from shaping.capture.recording import Capture, CaptureKind
from shaping.cli.main import run
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError, ParameterError
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import Purpose
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.walk.planner import DEEPEST_WALK_DB, NARROWEST_WALK_Q, plan_walk
from shaping.plan.walk.stretches import read_mark
from shaping.plan.walk.to_json import walk_to_dict
from shaping.plan.walk.walk_plan import Mark
from shaping.report.figures.walk import walk_figure
from shaping.report.walk import words
from shaping.report.walk.page import walk_page
from tests.analysis.walk.walk_makers import RATE_HZ, path, walk_of
from tests.reading.test_published_schemas import closed, published

MARKS = (Mark(2.0, "lectern"), Mark(5.0, "drum riser <b>"))


def capture(samples: np.ndarray, name: str) -> Capture:
    return Capture(name, RATE_HZ, 1, samples, CaptureKind.PINK_NOISE)


def coloured(impulse: np.ndarray) -> np.ndarray:
    """Return a path with a broad hump at 2 kHz, as a mic's presence is."""
    hump = [Filter(FilterKind.PEAKING, 2000.0, q=1.5, gain_db=8.0)]
    return signal.sosfilt(cascade_sos(hump, sample_rate_hz=RATE_HZ), impulse)


@pytest.fixture(scope="module")
def made():
    heard, played = walk_of(coloured(path(1)), coloured(path(2)))
    return plan_walk(
        capture(heard, "walk.wav"),
        capture(played, "noise.wav"),
        load_limits("parametric-4"),
        thinning=ThinningAmount.NONE,
        marks=MARKS,
    )


def test_cuts_are_broad_shallow_and_on_the_hump(made):
    cuts = [one.filter for one in made.plan.filters if one.purpose is Purpose.FEEDBACK]
    assert cuts
    assert all(one.q <= NARROWEST_WALK_Q and one.gain_db >= -DEEPEST_WALK_DB for one in cuts)
    assert any(1400 < one.frequency_hz < 2800 for one in cuts)
    loop = made.plan.loop
    assert loop.added_stable_gain_db > 2.0
    assert loop.added_stable_gain_db > loop.tone_removed_db
    assert loop.send_db == pytest.approx(loop.stable_gain_after_low_db - 6.0)


def test_stretches_go_from_mark_to_mark(made):
    assert [one.name for one in made.stretches] == ["", "lectern", "drum riser <b>"]
    assert made.stretches[1].start_s == 2.0
    lows = [one.low_after_db for one in made.stretches if not math.isnan(one.low_after_db)]
    assert min(lows) == pytest.approx(made.plan.loop.stable_gain_after_low_db)
    assert min(one.costs_db for one in made.stretches if not math.isnan(one.costs_db)) == 0.0
    assert made.worst[0].low_after_db == pytest.approx(min(lows))


def test_moving_is_no_fault_here(made):
    assert not {note.code for note in made.plan.captures[0].quality} & {"moved", "gain-moved"}


def test_its_json_fits_the_published_schema_and_names_every_key(made):
    values = json.loads(json.dumps(walk_to_dict(made)))
    schema = published("plan/walk/walk.schema.json")
    Draft202012Validator(closed(schema)).validate(values)


def test_page_and_figure_show_the_places_escaped(made):
    page = walk_page(made)
    assert "drum riser &lt;b&gt;" in page
    assert "<b>" not in page
    assert "hand on the fader" in page
    (ax,) = walk_figure(made).axes
    drawn = {line.get_gid() for line in ax.lines}
    assert {"before", "after", "whole", "worst"} <= drawn
    assert {"lectern", "drum riser <b>"} <= {text.get_text() for text in ax.texts}
    assert words.answer(made)[0].startswith("All along this walk the send may go up to")


@pytest.mark.parametrize("name", ["narrow-notch", "graphic-31"])
def test_other_equalisers_get_what_they_can(name):
    heard, played = walk_of(coloured(path(1)), coloured(path(2)), seconds=7.0)
    found = plan_walk(
        capture(heard, "walk.wav"),
        capture(played, "noise.wav"),
        load_limits(name),
        thinning=ThinningAmount.NONE,
    )
    if name == "narrow-notch":
        assert found.plan.filters == ()
        assert any("no broad band" in caution for caution in found.plan.cautions)
    else:
        assert all(one.filter.gain_db >= -DEEPEST_WALK_DB for one in found.plan.filters)


def test_music_as_reference_is_refused():
    heard, played = walk_of(path(1), path(1))
    swells = played * (0.02 + np.abs(np.sin(np.arange(played.size) * 6.0 / RATE_HZ))) ** 3
    with pytest.raises(CaptureError, match="not steady noise"):
        plan_walk(
            capture(heard, "walk.wav"),
            capture(swells.astype(np.float32), "song.wav"),
            load_limits("parametric-4"),
        )


@pytest.mark.parametrize("text", ["", "12.5", "=lectern", "-1=lectern", "1:2:3=x", "12.5= ", "a=b"])
def test_marks_that_make_no_sense_are_refused(text):
    with pytest.raises(ParameterError, match="drum riser"):
        read_mark(text)


def test_the_command_plans_a_walk(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    heard, played = walk_of(path(1), path(2), seconds=7.0)
    sf.write("walk.wav", heard, RATE_HZ, subtype="FLOAT")
    sf.write("noise.wav", played, RATE_HZ, subtype="FLOAT")
    words_of = ["suggest", "walk.wav", "--reference", "noise.wav", "--walking"]
    assert run([*words_of, "--mark", "3=lectern", "--html", "w.html", "--json", "w.json"]) == 0
    told = capsys.readouterr().out
    assert "lectern" in told
    assert "Leave it at" in told
    assert json.loads((tmp_path / "w.json").read_text())["schema"] == "shaping.walk/1"


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--mark", "3=x"], "add --walking"),
        (["--walking"], "one recording, and the pink noise"),
        (["--walking", "--reference", "r.wav", "--kind", "sweep"], "one recording"),
    ],
)
def test_the_command_refuses(more, told, capsys):
    assert run(["suggest", "walk.wav", *more]) == 2
    assert told in capsys.readouterr().err
