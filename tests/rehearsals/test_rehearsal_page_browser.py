"""The rehearsals' page in a real browser: phone and desktop, light and dark, closed and opened."""

from __future__ import annotations

import json

import pytest

from shaping.rehearsals.archive.naming import Naming
from shaping.rehearsals.page.whole import rehearsals_page
from tests.rehearsals.test_rehearsal_page import event, record, summary
from tests.report.test_page_browser import FAULTS, VIEWS, browser

pytestmark = pytest.mark.browser
assert browser is not None  # the fixture, by its name

BROKEN_WORDS = """
const broken = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode;
  if (!node.parentElement.checkVisibility() || node.parentElement.tagName == 'STYLE') continue;
  for (const word of node.data.matchAll(/\\\\S+/g)) {
    if (/[-\\u2013\\u2014\\/]/.test(word[0])) continue;  // may break there
    const range = document.createRange();
    range.setStart(node, word.index); range.setEnd(node, word.index + word[0].length);
    const lines = new Set([...range.getClientRects()].map(box => Math.round(box.top)));
    if (lines.size > 1) broken.push(word[0]);
  }
}
const labels = [...document.querySelectorAll('svg text')]
  .map(text => text.getBoundingClientRect().height);
const rows = [...document.querySelectorAll('summary.row')]
  .map(row => row.getBoundingClientRect().height);
return JSON.stringify({broken, tallest: Math.max(0, ...labels), row: Math.max(0, ...rows)});
""".replace("\\\\S", "\\S")

NAMES = Naming(
    {
        "1": "lead vocal",
        "2": "backing vocal, left of the keyboards",
        "3": "overheads",
        "4": "lectern",
    }
)


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Six evenings of 32 channels, eight of which howl, with a long file name."""
    records = [
        record(
            week,
            [
                event(channel, 180.0 * 1.7**channel, start_s=60.0 + 37 * k)
                for channel in range(1, 9)
                for k in range(2)
            ]
            + [event(3, f, start_s=900.0, confidence=0.5) for f in (312.0, 1_170.0, 2_900.0)],
            channels=32,
            file=f"2026 spring/an evening with the whole band and the choir {week}.wav",
            notes=["The recording is cut short (0.1 % of its audio is missing)."],
        )
        for week in range(6)
    ]
    folder = tmp_path_factory.mktemp("page")
    path = folder / "page.html"
    path.write_text(rehearsals_page(summary(folder, records, NAMES)), encoding="utf-8")
    return path


@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_the_page_reads_well(browser, page, width, scheme, opened):
    metrics = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
    browser.get(page.as_uri())
    if opened:
        browser.execute_script("for (const d of document.querySelectorAll('details')) d.open = 1")
    found = json.loads(browser.execute_script(FAULTS, width))
    assert found["faults"] == []
    assert found["dark"] is (scheme == "dark")
    looks = json.loads(browser.execute_script(BROKEN_WORDS))
    assert looks["broken"] == []
    assert looks["tallest"] <= 22
    assert 24 <= looks["row"] <= (60 if width > 600 else 105)  # a long name takes two lines


def test_a_channel_opens_from_the_keyboard(browser, page):
    from selenium.webdriver.common.keys import Keys

    browser.get(page.as_uri())
    browser.execute_script("document.querySelector('summary.row').focus()")
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.execute_script("return document.querySelector('details').open")
    assert browser.execute_script(
        "return document.querySelector('.opened table').checkVisibility()"
    )
