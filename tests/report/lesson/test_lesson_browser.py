# ruff: noqa: F811
"""The lesson in a real browser: what is heard, how soon, by keyboard, without network."""

from __future__ import annotations

import functools
import json

import numpy as np
import pyloudnorm
import pytest
from scipy import signal
from selenium.webdriver.common.keys import Keys

from tests.report.lesson import listening
from tests.report.test_page_browser import VIEWS, browser, show  # noqa: F401

pytestmark = pytest.mark.browser

RATE_HZ = listening.RATE_HZ
CLOSEST = 1e-5
"""What the samples of a browser may differ from those of scipy."""
MOST_BYTES = 4_000_000


@pytest.fixture
def opened(browser, lesson_files):
    def opened(name: str) -> dict:
        browser.get(lesson_files[name].as_uri())
        return json.loads(browser.execute_script("return JSON.stringify(lesson.carried)"))

    return opened


@pytest.fixture
def render(browser):
    return functools.partial(listening.rendered, browser)


@pytest.fixture
def sound(browser):
    return functools.partial(listening.sound, browser)


def first_row(**changes) -> dict:
    state = {"programme": "band", "hear": "both", "level": "true", "step": 8, "on": True}
    return {**state, **changes}


def filtered(sos: list, samples: np.ndarray) -> np.ndarray:
    return signal.sosfilt(np.array(sos), samples) if sos else samples


@pytest.mark.parametrize("name", ["plain", "ring-out", "pink-noise"])
@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_the_page_reads_well(lesson_files, show, name, width, scheme):
    page = lesson_files[name].read_text(encoding="utf-8")
    assert lesson_files[name].stat().st_size <= MOST_BYTES
    for html in (page, page.replace("<details>", "<details open>")):
        found = show(html, width, scheme)
        assert found["faults"] == []
        assert found["texts"] > 60
        assert found["dark"] is (scheme == "dark")


def test_every_section_sounds_as_scipy_computes_it(browser, opened):
    """Source: scipy.signal.sosfilt; tolerance as measured for IIRFilterNode in one browser."""
    carried = opened("ring-out")
    sections = [step["sos"] for step in carried["first_row"]["steps"]]
    sections += [setting["sos"] for setting in carried["own"]["settings"]]
    assert len(sections) >= 15
    impulse = np.zeros(RATE_HZ // 4)
    impulse[0] = 1.0
    worst = 0.0
    for sos in sections:
        heard = listening.impulse_response(browser, sos, 0.25)
        worst = max(worst, np.abs(heard - filtered(sos[str(RATE_HZ)], impulse)).max())
    assert 0.0 < worst <= CLOSEST


@pytest.mark.parametrize("hear", ["wedge", "mains", "both"])
@pytest.mark.parametrize("on", [False, True])
def test_the_first_row_is_what_scipy_computes(opened, render, sound, hear, on):
    """Source: scipy.signal.sosfilt on the samples that the browser decoded."""
    carried = opened("plain")
    heard = render("first_row", first_row(hear=hear, on=on), 6.0)
    wedge, mains = sound("wedge")[: heard.size], sound("mains")[: heard.size]
    sos = carried["first_row"]["steps"][8]["sos"][str(RATE_HZ)]
    expected = np.zeros(heard.size)
    if hear != "mains":
        expected += filtered(sos, wedge) if on else wedge
    if hear != "wedge":
        expected += mains
    assert np.abs(expected).max() > 0.1
    assert np.abs(heard - expected).max() <= CLOSEST


@pytest.mark.parametrize("programme", ["band", "talk"])
@pytest.mark.parametrize("hear", ["wedge", "both"])
def test_equally_loud_is_equally_loud(opened, render, programme, hear):
    """Source: pyloudnorm's BS.1770 on what the browser rendered."""
    opened("plain")
    meter = pyloudnorm.Meter(RATE_HZ)

    def loudness(**state) -> float:
        chosen = first_row(programme=programme, hear=hear, **state)
        return meter.integrated_loudness(render("first_row", chosen, 8.0))

    equal = [loudness(step=step, level="equal") for step in (0, 4, 12)]
    equal.append(loudness(step=12, level="equal", on=False))
    assert np.ptp(equal) <= 0.2
    if hear == "wedge":  # as it is, thinning makes it softer
        assert loudness(step=0) - loudness(step=12) > 2.0


def test_own_settings_sound_as_scipy_computes_them(opened, render, sound):
    """Source: scipy.signal.sosfilt, the first and the third setting on."""
    carried = opened("ring-out")
    on = [at in (0, 2) for at in range(len(carried["own"]["settings"]))]
    heard = render("own", {"on": on, "gain_db": 0.0, "send_db": -100.0}, 6.0)
    expected = sound("own")[: heard.size]
    for setting, kept in zip(carried["own"]["settings"], on, strict=True):
        if kept:
            expected = filtered(setting["sos"][str(RATE_HZ)], expected)
    # The bells of the simulated loop stand at 100 dB under howling: next to nothing.
    assert np.abs(heard - expected).max() <= 2 * CLOSEST


def test_own_settings_can_be_made_equally_loud(opened, render):
    """Source: pyloudnorm's BS.1770 on what the browser rendered."""
    count = len(opened("ring-out")["own"]["settings"])
    meter = pyloudnorm.Meter(RATE_HZ)
    loudness = [
        meter.integrated_loudness(
            render("own", {"on": on, "level": "equal", "send_db": -100.0}, 8.0)[RATE_HZ // 4 :]
        )
        for on in ([True] * count, [False] * count, [at % 2 == 0 for at in range(count)])
    ]
    assert np.ptp(loudness) <= 0.2


@pytest.mark.parametrize("name", ["ring-out", "pink-noise"])
def test_the_simulated_loop_howls_where_it_says_and_stays_capped(opened, render, name):
    own = opened(name)["own"]
    off = [False] * len(own["settings"])
    on = [True] * len(own["settings"])
    first = min(own["points"], key=lambda point: point["onset_db"])
    assert first["onset_db"] == 0.0

    def tone_db(samples: np.ndarray, hz: float) -> float:
        last = samples[-RATE_HZ:] * np.hanning(RATE_HZ)
        turning = np.exp(-2j * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ)
        return 20 * np.log10(4 * np.abs(last @ turning) / RATE_HZ)

    howling = render("own", {"on": off, "gain_db": 0.0, "send_db": 3.0}, 6.0)
    steady = render("own", {"on": on, "gain_db": 0.0, "send_db": -12.0}, 6.0)
    assert np.abs(howling).max() <= 0.5
    assert tone_db(howling, first["hz"]) > tone_db(steady, first["hz"]) + 6.0
    assert tone_db(howling, first["hz"]) < -20.0


@pytest.mark.parametrize("hz", [250.0, 1030.0, 4000.0])
def test_the_tone_grows_in_a_straight_line_and_stops_at_its_cap(opened, render, hz):
    """Source: a loop just over threshold grows at a constant rate in dB (science of feedback)."""
    opened("plain")
    samples = render("ring", {"hz": hz, "text": ""}, 8.0)
    assert np.abs(samples).max() <= 0.5
    # A tenth of a second at a time; the talk is in it too, so the tone is read where it is strong.
    size = RATE_HZ // 2
    frames = samples[: samples.size // size * size].reshape(-1, size) * np.hanning(size)
    turning = np.exp(-2j * np.pi * hz * np.arange(size) / RATE_HZ)
    level_db = 20 * np.log10(4 * np.abs(frames @ turning) / size)
    assert level_db[-1] == pytest.approx(-26.0, abs=2.0)
    # Frames 9 and 11 are a second apart, and the tone outweighs the talk there.
    assert level_db[11] - level_db[9] == pytest.approx(6.0, abs=2.5)


def test_nothing_sounds_before_a_tap_and_then_at_once(browser, opened):
    opened("plain")
    assert browser.execute_script("return lesson.player.context === null")
    assert listening.first_sound_s(browser) > 0.0  # how soon: tests/bench/lesson_page.py
    assert browser.find_element("id", "sounding").is_displayed()
    browser.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert not browser.find_element("id", "sounding").is_displayed()
    assert browser.execute_script("return lesson.player.playing === null")


def test_everything_can_be_done_from_the_keyboard(browser, opened):
    opened("ring-out")
    stops = []
    for _ in range(120):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        active = browser.switch_to.active_element
        if active.tag_name == "body":
            break
        stops.append(active.get_attribute("outerHTML"))
    text = " ".join(stops)
    for needed in ('class="play"', 'role="switch"', 'name="hear"', 'id="step"', 'id="send"'):
        assert needed in text
    toggle = browser.find_element("css selector", "#first-row [role=switch]")
    for key in (Keys.SPACE, Keys.ENTER):
        before = toggle.get_attribute("aria-checked")
        toggle.send_keys(key)
        assert toggle.get_attribute("aria-checked") != before
    assert toggle.accessible_name == "Thinning"  # the name does not change with the state
    slider = browser.find_element("id", "step")
    slider.send_keys(Keys.END)
    assert slider.get_attribute("aria-valuetext").startswith("strong; wedge alone \N{MINUS SIGN}")
    slider.send_keys(Keys.HOME)
    assert slider.get_attribute("aria-valuetext").startswith("none; wedge alone 0.0")
    slider.send_keys(Keys.ARROW_RIGHT)
    assert "between none and light" in slider.get_attribute("aria-valuetext")


def test_the_numbers_move_along_with_the_slider(browser, opened):
    """They are those of `thinning_steps`, whose own tests hold them against the command."""
    numbers = opened("plain")["first_row"]["programmes"]["band"]["numbers"]
    slider = browser.find_element("id", "step")
    slider.send_keys(Keys.HOME)
    told = []
    for found in numbers:
        name, *shown = (
            browser.find_element("css selector", f"[data-show={name}]").text
            for name in ("name", "spill", "together", "words")
        )
        told.append((name, *shown))
        spill, together, words = (
            text.replace("\N{MINUS SIGN}", "-").split()[at]
            for text, at in zip(shown, (0, 0, 2), strict=True)
        )
        assert float(spill) == pytest.approx(found["spill_db"], abs=0.051)
        assert float(together) == pytest.approx(found["together_db"], abs=0.051)
        assert float(words) == pytest.approx(found["words_after"], abs=0.0051)
        slider.send_keys(Keys.ARROW_RIGHT)
    assert [told[step][0] for step in (0, 4, 8, 12)] == ["none", "light", "medium", "strong"]
    assert told[0][1:3] == ("0.0 dB", "0.0 dB")
    assert len(set(told)) > 10


def test_a_guess_is_answered_in_words_and_heard_again(browser, opened):
    opened("plain")
    section = browser.find_element("id", "which-rings")
    play = section.find_element("class name", "play")
    assert not section.find_element("css selector", ".choices button").is_enabled()
    browser.execute_script("Math.random = () => 0.5")
    play.send_keys(Keys.ENTER)
    choices = section.find_elements("css selector", ".choices button")
    assert len(choices) == 5
    told = section.find_element("css selector", "[role=status]")
    answers = []
    for choice in choices:
        choice.send_keys(Keys.ENTER)
        answers.append(told.text)
    right = [answer for answer in answers if answer.startswith("Yes")]
    assert len(right) == 1
    assert sum("one band higher" in answer for answer in answers) == 1
    assert "kHz" in right[0]
    section.find_element("css selector", "[value=fine]").send_keys(Keys.SPACE)
    assert len(section.find_elements("css selector", ".choices button")) == 15


def test_it_needs_no_network_and_lets_nothing_else_run(browser, lesson_files):
    browser.execute_cdp_cmd("Network.enable", {})
    cut_off = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    browser.execute_cdp_cmd("Network.emulateNetworkConditions", cut_off)
    try:
        browser.get(lesson_files["plain"].as_uri())
        assert browser.get_log("browser") == []
        asked = browser.execute_script(
            "return performance.getEntriesByType('resource').map((one) => one.name)"
        )
        assert [name for name in asked if not name.startswith("data:")] == []
        ran = browser.execute_script("""
          const strange = document.createElement('script');
          strange.textContent = 'window.strange = true';
          document.body.append(strange);
          return window.strange === true;
        """)
        assert not ran
    finally:
        browser.get_log("browser")  # the refusal is told there
        online = {**cut_off, "offline": False, "downloadThroughput": -1, "uploadThroughput": -1}
        browser.execute_cdp_cmd("Network.emulateNetworkConditions", online)
