"""Plans survive JSON; damaged ones are refused in one plain sentence."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shaping.analysis.findings import Ring
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.errors import PlanError
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.to_json import load_plan, plan_from_json, plan_to_dict, plan_to_json
from tests.plan.plan_makers import capture, full_plan, ring, rings


def test_every_key_of_the_contract_is_there() -> None:
    values = plan_to_dict(full_plan())
    assert values["schema"] == "shaping.plan/1"
    contract = {
        "captures": "path sample_rate_hz channel duration_s kind quality",
        "filters": "kind frequency_hz q gain_db order bandwidth_oct purpose reason sos",
        "rings": "frequency_hz onset_s duration_s growth_db_per_s peak_dbfs confidence",
        "resonances": "frequency_hz prominence_db q error_db",
    }
    for name, keys in contract.items():
        assert values[name], name
        for item in values[name]:
            assert set(keys.split()) <= set(item), name
    assert set(values["captures"][0]["quality"][0]) == {"code", "severity", "message"}
    loop = "stable_gain_db stable_gain_after_db added_stable_gain_db in_phase_stable_gain_db"
    loop += " in_phase_stable_gain_after_db critical coherence_median"
    assert set(loop.split()) <= set(values["loop"])
    assert set(values["loop"]["critical"][0]) == {"frequency_hz", "gain_db"}
    assert {"spill_change_db", "sii_before", "sii_after"} <= set(values["thinning"])
    assert values["limits"]["name"] == "parametric-4"
    assert values["limits"]["q_convention"] == "cookbook"
    assert values["cautions"]
    assert {one["finding"] for one in values["unserved"]} == {"ring", "resonance"}


def test_null_where_there_is_nothing() -> None:
    plan = plan_from_rings(
        [capture()], [], load_limits("free"), thinning=ThinningAmount.NONE, cuts=0
    )
    values = plan_to_dict(plan)
    assert values["loop"] is None
    assert values["thinning"] is None
    assert values["filters"] == values["rings"] == values["resonances"] == values["unserved"] == []
    high_pass = plan_to_dict(full_plan())["filters"][0]
    assert high_pass["kind"] == "high-pass"
    assert high_pass["order"] == 2
    assert high_pass["gain_db"] is high_pass["q"] is high_pass["bandwidth_oct"] is None


def test_text_is_ascii_json_without_nan_and_the_same_after_reading() -> None:
    text = plan_to_json(full_plan())
    assert text.isascii()
    assert text.endswith("}\n")
    assert "NaN" not in text
    assert "Infinity" not in text
    again = plan_from_json(text)
    assert plan_to_json(again) == text
    assert again.loop is not None
    assert math.isnan(again.loop.stable_gain_error_db)
    assert again.loop.added_by_cuts_db == (0.5, 2.5)
    assert (again.loop.paying_cuts, again.loop.delay_known) == (3, False)
    assert again.captures[1].path == "zwölf \udcff\n.wav"


def test_numbers_of_numpy_are_written_as_plain_ones() -> None:
    odd = replace(
        ring(900.0),
        frequency_hz=np.float64(900.0),
        occurrences=np.int64(2),
        peak_dbfs=-3,
        clipped=np.True_,
    )
    plan = plan_from_rings([capture()], [odd], load_limits("free"), thinning=ThinningAmount.NONE)
    (written,) = json.loads(plan_to_json(plan))["rings"]
    assert written["occurrences"] == 2
    assert written["clipped"] is True
    assert written["frequency_hz"] == 900.0


@pytest.mark.parametrize("name", preset_names())
@settings(max_examples=10, deadline=None)
@given(found=rings(8), amount=st.sampled_from(list(ThinningAmount)))
def test_any_plan_survives_json(name: str, found: list[Ring], amount: ThinningAmount) -> None:
    plan = plan_from_rings([capture()], found, load_limits(name), thinning=amount)
    text = plan_to_json(plan)
    again = plan_from_json(text)
    assert plan_to_json(again) == text
    assert again.limits == plan.limits
    assert [f.filter.kind for f in again.filters] == [f.filter.kind for f in plan.filters]
    for before, after in zip(plan.filters, again.filters, strict=True):
        assert math.isclose(before.filter.frequency_hz, after.filter.frequency_hz, rel_tol=1e-6)
        assert before.filter.gain_db == after.filter.gain_db
        assert before.reason == after.reason
    for one, same in zip(plan.rings, again.rings, strict=True):
        for spell, kept in zip(one.spells, same.spells, strict=True):
            assert kept == pytest.approx(spell, abs=0.001)


def damaged(change: dict[str, Any]) -> str:
    """A full plan's text with values put at dotted places; ``None`` as key deletes."""
    values = plan_to_dict(full_plan())
    for place, value in change.items():
        *folders, last = [int(p) if p.isdigit() else p for p in place.split(".")]
        at: Any = values
        for folder in folders:
            at = at[folder]
        if value == "delete":
            del at[last]
        else:
            at[last] = value
    return json.dumps(values)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"schema": "shaping.plan/2"}, r"^schema must be shaping\.plan/1, not 'shaping\.plan/2'"),
        ({"schema": "delete"}, r"^schema is missing"),
        ({"filters": "delete"}, r"^filters is missing"),
        ({"filters": {}}, r"^filters must be a list"),
        ({"filters.0": []}, r"^filters\[0\] must be an object"),
        ({"filters.1.kind": "bell"}, r"^filters\[1\]\.kind must be one of high-pass, "),
        ({"filters.1.kind": ["peaking"]}, r"^filters\[1\]\.kind must be one of"),
        ({"filters.1.frequency_hz": "250"}, r"^filters\[1\]\.frequency_hz must be a number"),
        ({"filters.1.frequency_hz": -250.0}, r"^filters\[1\]\.frequency_hz must be a number"),
        ({"filters.1.frequency_hz": True}, r"^filters\[1\]\.frequency_hz must be a number"),
        ({"filters.1.q": 0}, r"^filters\[1\]\.q must be a number between"),
        ({"filters.1.q": None}, r"^filters\[1\]: this peaking does not fit"),
        ({"filters.1.gain_db": -80.0}, r"^filters\[1\]: this peaking does not fit the plan's own"),
        ({"filters.0.order": 3.5}, r"^filters\[0\]\.order must be a whole number"),
        ({"filters.0.order": 5}, r"^filters\[0\]: this high-pass does not fit"),
        ({"filters.1.reason": "x" * 30_000}, r"^filters\[1\]\.reason must be text of at most"),
        ({"limits.bands": 1}, r"^filters use \d bands where the limits have 1"),
        (
            {"limits.bands": "many"},
            r"^limits\.bands must be a whole number between 0 and 64 .*, not 'many'",
        ),
        ({"limits": 5}, r"^limits must be an object"),
        (
            {"captures.0.sample_rate_hz": 0},
            r"^captures\[0\]\.sample_rate_hz must be a whole number",
        ),
        ({"captures.0.quality.0.severity": "bad"}, r"quality\[0\]\.severity must be one of"),
        ({"captures": []}, None),
        (
            {"captures.0.sample_rate_hz": 1000},
            r"^filters\[\d\] lies at or above half the sample rate of the first capture, 1000 Hz",
        ),
        ({"rings.0.confidence": 1.5}, r"^rings\[0\]\.confidence must be a number between 0 and 1"),
        (
            {"rings.0.spells": [[1.0]]},
            r"^rings\[0\]\.spells\[0\] must be a list of 2 values \(a start and a stop",
        ),
        ({"rings.0.clipped": "no"}, r"^rings\[0\]\.clipped must be true or false"),
        ({"rings.0.evidence": "delete", "rings.0.width_hz": "delete"}, None),
        (
            {"unserved.0.finding": "hum"},
            r"^unserved\[0\]\.finding must be one of ring, resonance, not 'hum'",
        ),
        ({"unserved": "delete"}, None),
        ({"loop.critical": "delete"}, r"^loop\.critical is missing"),
        ({"thinning.sii_after": 2}, r"^thinning\.sii_after must be a number between 0 and 1"),
        ({"cautions.0": 7}, r"^cautions\[0\] must be text"),
        ({"rings": [None] * 20_000}, r"^rings holds more than 10000 items"),
        ({"more": "keys", "limits.more": 1, "filters.0.more": {}}, None),
    ],
)
def test_damaged_plans_are_refused_by_place(change: dict[str, Any], message: str | None) -> None:
    if message is None:
        plan_from_json(damaged(change))
        return
    with pytest.raises(PlanError, match=message) as caught:
        plan_from_json(damaged(change))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "7", "null", '"plan"', "[" * 200_000, '{"schema": NaN}', "1" * 10_000],
)
def test_what_is_no_plan_is_refused(text: str) -> None:
    with pytest.raises(PlanError):
        plan_from_json(text)


def test_mutated_plans_give_a_plan_or_a_plan_error() -> None:
    """Bytes changed at random: nothing but `PlanError` may come out."""
    generator = random.Random(20_260_102)
    text = plan_to_json(full_plan())
    refusals = []
    for _ in range(150):
        characters = list(text)
        for _ in range(generator.randint(1, 6)):
            place = generator.randrange(len(characters))
            characters[place] = generator.choice('0-9.eE"{}[],:nul\\ aZ')
        try:
            plan = plan_from_json("".join(characters))
        except PlanError as error:
            refusals.append(str(error))
        else:
            plan_to_json(plan)
    assert len(refusals) > 50
    assert not any("\n" in refusal for refusal in refusals)


def test_files_are_read_and_named_when_refused(tmp_path: Path) -> None:
    good = tmp_path / "plan.json"
    good.write_text(plan_to_json(full_plan()), encoding="utf-8")
    assert plan_to_json(load_plan(good)) == good.read_text(encoding="utf-8")
    for content, message in [
        (b"\xff\xfe", "not a text file"),
        (b"{", "not valid JSON"),
        (b" " * (9 * 1024 * 1024), "larger than 8 MB"),
    ]:
        bad = tmp_path / "bad.json"
        bad.write_bytes(content)
        with pytest.raises(PlanError, match=f"^{bad}: .*{message}"):
            load_plan(bad)
    with pytest.raises(PlanError, match="no such plan"):
        load_plan(tmp_path / "none.json")
    with pytest.raises(PlanError, match="not a file"):
        load_plan(tmp_path)
