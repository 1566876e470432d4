"""What live commands show at 80 and 50 columns: whole, and read without colour."""

from __future__ import annotations

import io
import json

import pytest
from rich.console import Console

from shaping.filters.kinds import Filter, FilterKind
from shaping.live.devices import Device
from shaping.live.screen.big import HEIGHT, big_text
from shaping.live.screen.device_list import print_devices
from shaping.live.screen.watch_screen import WatchScreen, WatchState, log_line
from shaping.live.watch.board import Entry
from shaping.live.watch.cutting import Cutting, Shown
from shaping.live.watch.watcher import GrowingRing

NAMES = ("lead vocal", "choir", "guitar")


def shown(hertz: float, *, confidence=0.9, gone=False, channel=0, others=(), cut=True) -> Shown:
    ring = GrowingRing(channel, hertz, 1.0, 4.0, 1.5, 42.0, -20.0, confidence, gone)
    standing = () if gone else (channel,)
    filter_ = Filter(FilterKind.PEAKING, hertz, 8.7, -6.0)
    cutting = Cutting(filter_, "2.50 kHz -6.0 dB Q 8.7 (1/6 oct)") if cut else None
    return Shown(Entry(ring, (channel, *others), standing), cutting)


def drawn(state: WatchState, width: int, height: int = 24) -> list[str]:
    console = Console(file=io.StringIO(), width=width, height=height, color_system=None)
    console.print(WatchScreen(state))
    return console.file.getvalue().splitlines()


def state(*what: Shown, told: str = "") -> WatchState:
    return WatchState("desk", 65.0, NAMES, what, told=told)


@pytest.mark.parametrize("width", [50, 80])
def test_the_newest_ring_is_large_and_everything_fits(width):
    lines = drawn(state(shown(2514.0, others=(1,)), shown(331.0, gone=True)), width)
    assert max(map(len, lines)) <= width
    assert len(lines) <= 24
    text = "\n".join(lines)
    assert "RING" in text
    assert "D#7 +17 cents" in text
    assert "lead vocal and 1 more" in text
    assert "cut 2.50 kHz -6.0 dB" in text
    assert sum("█" in line for line in lines) == HEIGHT
    assert lines.index(next(line for line in lines if "█" in line)) < 6
    assert "331 Hz" in text
    assert "ago" in text


def test_the_rest_is_left_out_where_the_screen_is_full():
    many = [shown(200.0 * 1.1**n) for n in range(30)]
    lines = drawn(state(*many), 80, 20)
    assert len(lines) <= 20
    assert "200 Hz" in "\n".join(lines) or "█" in "\n".join(lines)


def test_sure_and_possible_rings_differ_without_colour():
    assert "possible ring" in "\n".join(drawn(state(shown(500.0, confidence=0.5)), 50))
    small = [shown(500.0), shown(700.0), shown(900.0), shown(1100.0, confidence=0.5)]
    text = "\n".join(drawn(state(*small), 50, 24))
    assert "maybe" in text


def test_what_to_do_stands_first_in_a_ring_out():
    lines = drawn(state(shown(500.0), told="Pull the send down: 500 Hz!"), 50)
    assert lines[1] == "Pull the send down: 500 Hz!"


def test_nothing_rings():
    assert "Nothing rings." in "\n".join(drawn(state(), 50))


def test_a_ring_without_a_band_says_what_to_do():
    text = "\n".join(drawn(state(shown(500.0, cut=False)), 80))
    assert "pull the send down" in text


def test_names_cannot_act_on_the_terminal():
    evil = WatchState("\x1b[2J", 1.0, ("\x1b[31mlead",), (shown(500.0),))
    assert "\x1b" not in "\n".join(drawn(evil, 80))


def test_a_line_of_the_log_says_all():
    line = log_line("1:05 min", shown(2514.0, others=(2,)), NAMES)
    assert line == (
        "1:05 min  ring  2.51 kHz (D#7 +17 cents)  lead vocal, guitar  grew 42 dB/s  90% sure  "
        "cut 2.50 kHz -6.0 dB Q 8.7 (1/6 oct)"
    )


def test_large_figures_have_one_height():
    for text in ("12.5 kHz", "331 Hz", "0.46789"):
        lines = big_text(text)
        assert len(lines) == HEIGHT
        assert len(set(map(len, lines))) == 1


@pytest.mark.parametrize("width", [50, 80])
def test_devices_are_listed_with_what_they_serve_for(width):
    console = Console(file=io.StringIO(), width=width, color_system=None)
    desk = Device(0, "Desk 32", "ALSA", 32, 32, 48_000, (44_100, 48_000))
    mic = Device(1, "Laptop mic", "ALSA", 2, 0, 48_000)
    print_devices((desk, mic), console)
    text = console.file.getvalue()
    assert "measure and watch" in text
    assert "44.1, 48 kHz" in text
    assert 'shaping watch --device "Desk 32"' in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= width
    json.dumps(text)


def test_no_device_is_said_with_what_to_do():
    console = Console(file=io.StringIO(), width=80, color_system=None)
    print_devices((), console)
    assert "No sound device was found" in console.file.getvalue()
