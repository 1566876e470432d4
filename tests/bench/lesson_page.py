"""The lesson page in headless Chromium: its size, how soon it sounds, how true its filters are.

    python -m tests.bench.lesson_page [--quick]

Pages are written by the command itself, one with an own wedge. The first sound is the time from a
real tap to the first samples that leave the page, in fresh loads of it in one browser, half of
them tapped at once and half after two seconds, when all sounds are decoded. Filters are rendered by
the page's own code and held against `scipy.signal.sosfilt`.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import signal
from selenium import webdriver

from shaping.cli.main import run
from tests.report.lesson import listening

ROOT = Path(__file__).resolve().parents[2]
IMPULSE_S = 0.25
DECODED_AFTER_S = 2.0


def written(folder: Path) -> dict[str, Path]:
    """Write the pages."""
    plan, recording = folder / "plan.json", ROOT / "audio_samples" / "rehearsal.flac"
    plain, own = folder / "plain.html", folder / "own.html"
    commands = (
        ["lesson", str(plain)],
        ["demo", "--json", str(plan)],
        ["lesson", str(own), "--plan", str(plan), "--recording", str(recording)],
    )
    for words in commands:
        if run(words):
            raise RuntimeError(f"shaping {' '.join(words)} failed")
    return {"plain": plain, "own": own}


def opened_browser(folder: Path) -> webdriver.Chrome:
    """Start a headless browser without a way out."""
    options = webdriver.ChromeOptions()
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"):
        options.add_argument(flag)
    options.add_argument("--disable-background-networking")
    options.add_argument(f"--user-data-dir={folder / 'profile'}")
    options.binary_location = shutil.which("chromium") or ""
    service = webdriver.ChromeService(shutil.which("chromedriver"))
    return webdriver.Chrome(options=options, service=service)


def worst_error(browser: webdriver.Chrome) -> tuple[float, int]:
    """Return the largest difference of a sample from scipy's, and the number of filters."""
    carried = json.loads(browser.execute_script("return JSON.stringify(lesson.carried)"))
    filters = [step["sos"] for step in carried["first_row"]["steps"]]
    filters += [setting["sos"] for setting in carried["own"]["settings"]]
    impulse = np.zeros(round(IMPULSE_S * listening.RATE_HZ))
    impulse[0] = 1.0
    worst = 0.0
    for sos in filters:
        rows = np.array(sos[str(listening.RATE_HZ)])
        expected = signal.sosfilt(rows, impulse) if rows.size else impulse
        heard = listening.impulse_response(browser, sos, IMPULSE_S)
        worst = max(worst, float(np.abs(heard - expected).max()))
    return worst, len(filters)


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pages = written(folder)
        browser = opened_browser(folder)
        try:
            taps: dict[float, list[float]] = {0.0: [], DECODED_AFTER_S: []}
            for tap in range(4 if quick else 20):
                wait_s = DECODED_AFTER_S if tap % 2 else 0.0
                browser.get(pages["plain"].as_uri())
                time.sleep(wait_s)
                taps[wait_s].append(listening.first_sound_s(browser))
            browser.get(pages["own"].as_uri())
            error, filters = worst_error(browser)
        finally:
            browser.quit()
        return {
            "plain_bytes": float(pages["plain"].stat().st_size),
            "own_bytes": float(pages["own"].stat().st_size),
            "taps": float(sum(len(one) for one in taps.values())),
            "first_sound_s": statistics.median(taps[DECODED_AFTER_S]),
            "first_sound_worst_s": max(taps[DECODED_AFTER_S]),
            "at_once_s": statistics.median(taps[0.0]),
            "at_once_worst_s": max(taps[0.0]),
            "sample_error": error,
            "filters": float(filters),
        }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer taps")
    for key, value in measure(quick=parser.parse_args().quick).items():
        print(f"{key}: {value:.6g}")
