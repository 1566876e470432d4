"""The published schemas are those that files are checked against, and what we write fits them.

The judge is an implementation of JSON Schema that this project did not write.
Source: JSON Schema, draft 2020-12, as the jsonschema library has it.
"""

from __future__ import annotations

import json
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from jsonschema import Draft202012Validator

from shaping.analysis.findings import Ring
from shaping.cli.main import run
from shaping.cli.schemas import SCHEMAS, schema_text
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.to_json import plan_to_dict
from tests.plan.plan_makers import capture, full_plan, rings

PACKAGE = Path(str(resources.files("shaping")))


def published(place: str) -> dict[str, Any]:
    """Return a schema as it lies in the package."""
    schema: dict[str, Any] = json.loads((PACKAGE / place).read_text(encoding="utf-8"))
    return schema


def closed(schema: Any) -> Any:
    """Return a schema that allows no key beyond those it names."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    shut = {key: closed(item) for key, item in schema.items()}
    return {**shut, "additionalProperties": False} if schema.get("type") == "object" else shut


def in_one_order(schema: Any) -> Any:
    """Return a schema sorted and without empty defaults, in which libraries differ."""
    if isinstance(schema, list):
        return sorted((in_one_order(item) for item in schema), key=repr)
    if not isinstance(schema, dict):
        return schema
    # Older libraries leave an empty default unsaid.
    kept = {key: item for key, item in schema.items() if (key, item) != ("default", [])}
    return {key: in_one_order(item) for key, item in kept.items()}


@pytest.mark.parametrize("place", SCHEMAS)
def test_what_is_published_is_current(place: str) -> None:
    """Remake with ``python -m shaping.cli.schemas``."""
    schema = published(place)
    assert in_one_order(json.loads(schema_text(place))) == in_one_order(schema)
    Draft202012Validator.check_schema(schema)


def test_a_plan_with_everything_in_it_fits_and_every_key_is_named() -> None:
    values = json.loads(json.dumps(plan_to_dict(full_plan())))
    Draft202012Validator(closed(published("plan/plan.schema.json"))).validate(values)


@settings(max_examples=20, deadline=None)
@given(found=rings(8))
def test_any_plan_fits(found: list[Ring]) -> None:
    validator = Draft202012Validator(closed(published("plan/plan.schema.json")))
    for name in preset_names():
        plan = plan_from_rings(
            [capture()], found, load_limits(name), thinning=ThinningAmount.MEDIUM
        )
        validator.validate(plan_to_dict(plan))


@pytest.mark.parametrize("name", preset_names())
def test_presets_fit(name: str) -> None:
    text = (PACKAGE / "equaliser" / "presets" / f"{name}.toml").read_text(encoding="utf-8")
    Draft202012Validator(published("equaliser/limits.schema.json")).validate(tomllib.loads(text))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("equaliser/limits.schema.json", {"bands": 4, "min_q": 1, "max_q": 2, "bnads": 3}),
        ("equaliser/limits.schema.json", {"bands": 65, "min_q": 1, "max_q": 2}),
        ("equaliser/limits.schema.json", {"min_q": 1, "max_q": 2}),
        ("plan/plan.schema.json", {"schema": "shaping.plan/1"}),
    ],
)
def test_what_is_refused_does_not_fit_either(place: str, value: dict[str, Any]) -> None:
    assert not Draft202012Validator(published(place)).is_valid(value)


@pytest.mark.parametrize(
    "names",
    [
        "vocal_wedge_ring_out",
        "speech_wedge_ring_out",
        "guitar_wedge_ring_out",
        "drum_fill_ring_out",
        "keys_wedge_no_ring",
        "vocal_wedge_noise pink_noise_reference",
    ],
)
def test_plans_of_the_shipped_samples_fit(names: str, samples_folder: Path, capsys) -> None:
    capture, *reference = (str(samples_folder / f"{name}.flac") for name in names.split())
    words = [f"--reference={one}" for one in reference] or ["--kind=ring-out"]
    assert run(["suggest", capture, *words, "--json", "-"]) == 0
    values = json.loads(capsys.readouterr().out)
    Draft202012Validator(published("plan/plan.schema.json")).validate(values)
