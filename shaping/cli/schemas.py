"""The published JSON schemas, remade beside their forms: ``python -m shaping.cli.schemas``.

Each is made from the very form that a file is checked against (`shaping.reading.form`).
"""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

from shaping.analysis.exposure.to_json import EXPOSURE_FORM, EXPOSURE_SCHEMA
from shaping.analysis.feeds.files.feeds_form import FEEDS_FORM, FEEDS_SCHEMA
from shaping.analysis.feeds.files.packs_file import PACKS_FORM, PACKS_SCHEMA
from shaping.equaliser.limits_file import LIMITS_FORM
from shaping.output import write_text
from shaping.plan.plan_form import PLAN_FORM, SCHEMA
from shaping.plan.walk.to_json import WALK_FORM, WALK_SCHEMA
from shaping.reading.form import Form, json_schema
from shaping.stage.description.stage_file import STAGE_FORM, STAGE_SCHEMA

SCHEMAS: dict[str, tuple[str, Form[Any]]] = {
    "analysis/exposure/exposure.schema.json": (EXPOSURE_SCHEMA, EXPOSURE_FORM),
    "analysis/feeds/files/feeds.schema.json": (FEEDS_SCHEMA, FEEDS_FORM),
    "analysis/feeds/files/packs.schema.json": (PACKS_SCHEMA, PACKS_FORM),
    "equaliser/limits.schema.json": ("limits of an equaliser", LIMITS_FORM),
    "plan/plan.schema.json": (SCHEMA, PLAN_FORM),
    "plan/walk/walk.schema.json": (WALK_SCHEMA, WALK_FORM),
    "stage/description/stage.schema.json": (STAGE_SCHEMA, STAGE_FORM),
}
"""Title and form of each schema, by its place in the package."""


def schema_text(place: str) -> str:
    """Return the text of the schema at a place of `SCHEMAS`."""
    title, form = SCHEMAS[place]
    return json.dumps(json_schema(form, title), indent=2, allow_nan=False) + "\n"


def main() -> None:
    """Write every schema into the package."""
    package = Path(str(resources.files("shaping")))
    for place in SCHEMAS:
        write_text(package / place, schema_text(place), force=True)


if __name__ == "__main__":
    main()
