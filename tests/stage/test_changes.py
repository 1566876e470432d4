"""What-if texts: what they change, and what is no change."""

from __future__ import annotations

from pathlib import Path

import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.errors import StageError
from shaping.filters.kinds import Filter, FilterKind
from shaping.stage.description.changes import apply_changes
from shaping.stage.description.dialled import dialled_filters, dialled_text
from shaping.stage.description.stage_file import EXAMPLE, stage_from_toml

SETTINGS = {
    "vocal left": (
        Filter(FilterKind.HIGH_PASS, 100.0, order=2),
        Filter(FilterKind.PEAKING, 545.0, q=8.0, gain_db=-6.0),
    )
}


@pytest.fixture
def stage():
    return stage_from_toml(EXAMPLE, folder=Path())


def vocal(changed):
    return changed.settings["vocal left"]


def test_one_value_of_one_filter(stage):
    changed = apply_changes(
        stage, SETTINGS, ["vocal left: 2 gain -4", "vocal left: 1 frequency 90"]
    )
    assert vocal(changed)[1] == Filter(FilterKind.PEAKING, 545.0, q=8.0, gain_db=-4.0)
    assert vocal(changed)[0].frequency_hz == 90.0


def test_off_add_and_flat(stage):
    changed = apply_changes(stage, SETTINGS, ["vocal left: 2 off", "vocal left: add 3400 -3 q10"])
    assert [one.frequency_hz for one in vocal(changed)] == [100.0, 3400.0]
    assert vocal(apply_changes(stage, SETTINGS, ["vocal left: flat"])) == ()


def test_sends_and_mics(stage):
    changed = apply_changes(stage, SETTINGS, ["choir > vocal left: -12", "lead: mute"])
    assert changed.stage.send_matrix[0] == pytest.approx([0.0, 10 ** (-12 / 20)])
    closed = apply_changes(stage, SETTINGS, ["lead > vocal left: mute"])
    assert not closed.stage.send_matrix[0].any()


def test_other_limits_are_planned_anew(stage):
    changed = apply_changes(stage, SETTINGS, ["vocal left: limits graphic-31"])
    assert changed.anew == ("vocal left",)
    assert "vocal left" not in changed.settings
    assert changed.stage.wedges[0].limits.name == "graphic-31"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("vocal left: 3 gain -4", "there is no filter 3; there are 2 filters"),
        ("vocal left: 1 gain -4", "a high-pass has no gain"),
        ("vocal left: louder", "is no change; write a change as"),
        ("vocal lfet: flat", "did you mean 'vocal left'"),
        ("laed > vocal left: -3", "did you mean 'lead'"),
        ("lead > vocal left: loud", "a gain from -120 to 60 dB, or mute"),
        ("lead: -3", "all that can be said of a mic is mute"),
        ("vocal left: limits nine", "no such limits"),
        ("vocal left: thinning much", "thinning is one of"),
        ("nonsense", "this is no change"),
    ],
)
def test_what_is_no_change_says_what_is(stage, text, told):
    with pytest.raises(StageError, match=told):
        apply_changes(stage, SETTINGS, [text])


@pytest.mark.parametrize("name", ["parametric-4", "free", "narrow-notch"])
def test_settings_are_read_as_they_are_written(name):
    limits = load_limits(name)
    text = "hp 100, lp 12000 24, 545 -6 q8, notch 3400 q30"
    filters = dialled_filters(text, limits)
    assert dialled_filters(dialled_text(filters, limits), limits) == filters
    assert filters[1].order == 4
    assert filters[3].kind is FilterKind.NOTCH


@pytest.mark.parametrize(
    "text", ["545 -6", "hp", "hp 100 13", "545 -99 q8", "5 -6 q8", "545 -6 q0"]
)
def test_what_is_no_filter_is_told(text):
    with pytest.raises(StageError, match=r"cannot be dialled in|is no filter"):
        dialled_filters(text, load_limits("free"))


def test_more_than_64_filters_are_a_slip():
    free = load_limits("free")
    assert len(dialled_filters(", ".join(["545 -6 q8"] * 64), free)) == 64
    with pytest.raises(StageError, match="more than any equaliser has"):
        dialled_filters(", ".join(["545 -6 q8"] * 65), free)
