"""The page in a real browser: phone, desktop, dark, paper."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from shaping.analysis.first_row.spill import Spill
from shaping.capture.recording import CaptureKind
from shaping.plan.suggestion import Suggestion
from shaping.report import words
from shaping.report.page import plan_page

pytestmark = pytest.mark.browser

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
ORDINARY = ["0 rings", "1 rings", "6 rings", "loop", "thinning, model", "thinning, measured"]
VIEWS = [(390, "light"), (390, "dark"), (1280, "light"), (1280, "dark")]

# Text whose contrast falls short of WCAG 2.2 AA (4.5:1, large text 3:1), elements wider than the
# window, text that overlaps other text in a figure, and targets smaller than 24 by 24 pixels.
FAULTS = """
const width = arguments[0];
const parse = text => (text.match(/[\\d.]+/g) || []).map(Number);
const luminance = ([r, g, b]) => [r, g, b].map(v => {
  v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
}).reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const ratio = (a, b) => {
  const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p);
  return (x + 0.05) / (y + 0.05);
};
const background = element => {
  for (let e = element; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor);
    if (c.length === 3 || c[3] > 0.99) return c;
  }
  return [255, 255, 255];
};
const faults = [];
let texts = 0;
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode, element = node.parentElement;
  if (!node.data.trim() || !element.checkVisibility() ||
      ['title', 'desc', 'STYLE', 'style'].includes(element.tagName)) continue;
  const range = document.createRange(); range.selectNodeContents(node);
  const box = range.getBoundingClientRect();
  if (!box.width) continue;
  texts += 1;
  const style = getComputedStyle(element);
  const inFigure = element.namespaceURI.endsWith('svg');
  const colour = parse(inFigure ? style.fill : style.color);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
  const got = ratio(colour, background(element));
  if (got < (large ? 3 : 4.5)) faults.push(['contrast', node.data.trim(), got]);
  if (box.left < -0.5 || box.right > width + 0.5)
    faults.push(['overflow', node.data.trim(), box.left, box.right]);
  const figure = inFigure && element.closest('svg').getBoundingClientRect();
  if (figure && (box.left < figure.left - 1 || box.right > figure.right + 1 ||
                 box.top < figure.top - 1 || box.bottom > figure.bottom + 1))
    faults.push(['outside its figure', node.data.trim(), box.right - figure.right]);
}
for (const svg of document.querySelectorAll('figure svg')) {
  const boxes = [...svg.querySelectorAll('text')]
    .map(text => [text.textContent, text.getBoundingClientRect()]);
  boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
    const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    // A box has the font's full line height, more than its letters.
    if (wide > 2 && high > 0.3 * Math.min(p.height, q.height, p.width, q.width))
      faults.push(['overlap', a, b, wide, high]);
  }));
}
if (document.documentElement.scrollWidth > width)
  faults.push(['page wider than the window', document.documentElement.scrollWidth]);
for (const target of document.querySelectorAll('input, summary, a')) {
  const box = target.getBoundingClientRect();
  if (box.width < 24 || box.height < 24) faults.push(['small target', target.outerHTML]);
}
return JSON.stringify({texts, faults,
  values: [...document.querySelectorAll('data')].map(d => [Number(d.value), d.textContent]),
  dark: luminance(background(document.body)) < 0.1});
"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.binary_location = shutil.which("chromium")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))
    )
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def show(browser, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")

    def show(html: str, width: int, scheme: str) -> dict:
        path = folder / "page.html"
        path.write_text(html, encoding="utf-8")
        metrics = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
        browser.get(path.as_uri())
        found = json.loads(browser.execute_script(FAULTS, width))
        assert browser.get_log("browser") == []
        return found

    return show


def printed(browser, path: Path) -> tuple[int, str]:
    """Print the page shown; return how many sheets it takes, and their text."""
    settings = {"preferCSSPageSize": True, "printBackground": False}
    made = browser.execute_cdp_cmd("Page.printToPDF", settings)
    path.write_bytes(base64.b64decode(made["data"]))
    facts = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    assert "(A4)" in facts
    text = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    return int(facts.split("Pages:")[1].split()[0]), text


@pytest.fixture(scope="module")
def pages(new_plan, new_capture, new_limits, new_loop, long_name):
    """Pages by name, each with its plan."""
    made = {}
    for count in (0, 1, 6, 20):
        plan = new_plan(count, path=long_name)
        made[f"{count} rings"] = plan, plan_page(Suggestion(plan, (new_capture(plan.rings),)))
    plan = new_plan(20, limits=new_limits(bands=20))
    made["20 cuts"] = plan, plan_page(Suggestion(plan, (new_capture(plan.rings),)))
    plan = new_plan(4, loop=True)
    plan = replace(plan, loop=replace(plan.loop, added_by_cuts_db=(0.0, 1.5, 2.6, 3.8, 4.2)))
    made["loop"] = plan, plan_page(Suggestion(plan, loops=(new_loop(), new_loop())))
    plan = replace(new_plan(0), captures=())
    made["thinning, model"] = plan, plan_page(Suggestion(plan))
    first_row = tuple(
        replace(new_plan(0).captures[0], path=path, kind=CaptureKind.FIRST_ROW)
        for path in ("wedges.wav", long_name)
    )
    plan = replace(plan, captures=first_row)
    level_db = np.linspace(-30.0, -40.0, 9)
    bands_hz = (100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0)
    spill = Spill(bands_hz, level_db, level_db + 3.0, np.full(9, 3.0), np.full(9, 0.1))
    made["thinning, measured"] = plan, plan_page(Suggestion(plan, spill=spill))
    return made


@pytest.mark.parametrize("name", [*ORDINARY, "20 rings", "20 cuts"])
@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_page_reads_well(pages, show, name, width, scheme):
    plan, html = pages[name]
    found = show(html, width, scheme)
    assert found["faults"] == []
    assert found["texts"] > 30
    assert found["dark"] is (scheme == "dark")
    expected = [
        value
        for planned in plan.filters
        for value in (planned.filter.frequency_hz, planned.filter.gain_db)
        if value is not None
    ] + [ring.frequency_hz for ring in words.shown_rings(plan)[0]]
    if plan.loop is not None and not plan.rings:
        expected += [point.frequency_hz for point in plan.loop.critical]
    assert [value for value, _ in found["values"]] == expected
    for value, text in found["values"]:
        number, unit = text.replace("\N{MINUS SIGN}", "-").split()
        shown = float(number) * (1000 if unit == "kHz" else 1)
        assert shown == pytest.approx(value, rel=0.005, abs=0.051 if unit == "dB" else 0)


@pytest.mark.parametrize("name", ORDINARY)
def test_an_ordinary_plan_prints_on_one_sheet(pages, show, browser, tmp_path, name):
    plan, html = pages[name]
    show(html, 1280, "dark")
    sheets, text = printed(browser, tmp_path / "page.pdf")
    assert sheets == 1
    assert "Notes: A4 is 440 Hz" in text  # what a closed detail hides on screen
    for planned in plan.filters:
        if planned.filter.gain_db is not None:
            assert f"{planned.filter.gain_db:.1f} dB".replace("-", "\N{MINUS SIGN}") in text


def test_twenty_cuts_print_on_few_sheets(pages, show, browser, tmp_path):
    show(pages["20 cuts"][1], 1280, "light")
    assert printed(browser, tmp_path / "page.pdf")[0] <= 3


def test_details_open_from_the_keyboard(pages, show, browser):
    from selenium.webdriver.common.keys import Keys

    show(pages["1 rings"][1], 390, "light")
    browser.execute_script("document.querySelector('summary').focus()")
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.execute_script("return document.querySelector('details').open")


def test_the_check_itself_finds_faults(show):
    """A page with every fault the check looks for."""
    found = show(
        "<meta name=viewport content='width=device-width'><link rel=icon href='data:,'>"
        "<p style='color:#999;background:#fff'>pale</p><p style='width:900px'>"
        + "wide "
        * 60
        + "</p><a href='#'>x</a><figure><svg viewBox='0 0 9 9' width=99><text y=5 font-size=3>one"
        "</text><text y=5 x=1 font-size=3>two</text><text x=7 y=9 font-size=3>outside</text></svg>",
        390,
        "light",
    )
    kinds = {fault[0] for fault in found["faults"]}
    assert kinds >= {"contrast", "overflow", "small target", "overlap", "outside its figure"}
