# ruff: noqa: F811
"""Every page under a kept engine's eyes: no violation, closed and opened, in any of four views.

The engine's file comes with a package of the tests; nothing is fetched while they run.
"""

from __future__ import annotations

import importlib.resources
import json

import pytest

from shaping.cli.main import run
from shaping.report.feeds.page import feeds_page
from shaping.report.stage_page import stage_page
from shaping.report.walk.page import walk_page
from shaping.stage.description.stage_file import load_stage
from shaping.stage.plan_stage import plan_stage, read_stage
from tests.plan.walk.test_walk_planner import made  # noqa: F401
from tests.rehearsals.test_rehearsal_page_browser import page as rehearsals_file  # noqa: F401
from tests.report.feeds.test_feeds_report import report  # noqa: F401
from tests.report.test_page_browser import VIEWS, browser, pages  # noqa: F401

pytestmark = pytest.mark.browser

AXE = importlib.resources.files("axe_playwright_python") / "axe.min.js"
JUDGE = """
const done = arguments[arguments.length - 1];
document.querySelectorAll('details').forEach((one) => { one.open = arguments[0]; });
axe.run(document, { resultTypes: ['violations'] }).then((found) => done(JSON.stringify({
  passes: found.passes.length,
  violations: found.violations.map((one) =>
    [one.id, one.help, one.nodes.map((node) => node.html.slice(0, 200))]),
})));
"""
NAMES = [
    "plan, 6 rings",
    "plan, loop",
    "plan, thinning, measured",
    "stage",
    "levels",
    "feeds",
    "walk",
    "rehearsals",
    "lesson",
    "lesson, own wedge",
]


@pytest.fixture(scope="module")
def files(pages, rehearsals_file, lesson_files, report, made, samples_folder, tmp_path_factory):
    """Every page that the program writes, by name."""
    folder = tmp_path_factory.mktemp("judged")
    stage = load_stage(samples_folder / "stage" / "stage.toml")
    texts = {f"plan, {name}": html for name, (_, html) in pages.items()}
    texts["stage"] = stage_page(plan_stage(stage, read_stage(stage)))
    texts["feeds"], texts["walk"] = feeds_page(report), walk_page(made)
    found = {
        "rehearsals": rehearsals_file,
        "lesson": lesson_files["plain"],
        "lesson, own wedge": lesson_files["ring-out"],
    }
    found["levels"] = folder / "levels.html"
    levels = samples_folder / "levels"
    words = ["exposure", str(levels / "rehearsal.flac"), "--html", str(found["levels"])]
    assert run([*words, "--calibration", str(levels / "calibrator.flac")]) == 0
    for number, (name, html) in enumerate(texts.items()):
        found[name] = folder / f"{number}.html"
        found[name].write_text(html, encoding="utf-8")
    return found


def judged(browser, url: str, *, opened: bool) -> dict:
    browser.get(url)
    browser.execute_script(AXE.read_text(encoding="utf-8"))
    return json.loads(browser.execute_async_script(JUDGE, opened))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_no_violation(files, browser, name, width, scheme):
    """Source: axe-core's rules (WCAG 2.2 A and AA, and good practice), all of them."""
    metrics = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
    # Opened, for what is folded away is judged only then.
    assert judged(browser, files[name].as_uri(), opened=True)["violations"] == []


def test_the_engine_finds_what_is_wrong(browser, tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text("<p style='color:#aaa;background:#fff'>pale</p><img src='data:,'><input>")
    found = {one[0] for one in judged(browser, bad.as_uri(), opened=True)["violations"]}
    assert found >= {"color-contrast", "image-alt", "label", "html-has-lang", "document-title"}
