"""The second sound server: PulseAudio with a null sink, whose monitor is what the mic hears."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.live.servers import first, program

pytestmark = pytest.mark.debian

_SINK = "module-null-sink sink_name=stage rate=48000 channels=2 format=float32le"


@contextlib.contextmanager
def pulse(folder: Path) -> Iterator[dict[str, str]]:
    """Run a server of its own; give what a program needs to find it."""
    socket = folder / "pulse.socket"
    environment = {
        **os.environ,
        "HOME": str(folder),
        "XDG_RUNTIME_DIR": str(folder),
        "PULSE_SERVER": f"unix:{socket}",
        "JACK_NO_START_SERVER": "1",
        "JACK_DEFAULT_SERVER": "none",
    }
    words = ["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    words += ["-L", f"module-native-protocol-unix socket={socket} auth-anonymous=1", "-L", _SINK]
    with (folder / "pulse.log").open("wb") as log:
        server = subprocess.Popen(
            [*first(), "pulseaudio", *words], env=environment, stdout=log, stderr=log
        )
        try:
            for _ in range(100):
                time.sleep(0.1)
                asked = subprocess.run(
                    ["pactl", "info"], env=environment, capture_output=True, check=False
                )
                if asked.returncode == 0:
                    break
            yield environment
        finally:
            server.terminate()
            server.wait(10)


def test_devices_watching_and_measuring_work_on_a_second_server(tmp_path):
    with pulse(tmp_path) as environment:
        with program(environment, "devices", "--json", str(tmp_path / "devices.json")) as running:
            code, said = running.end()
        assert code == 0, said
        found = json.loads((tmp_path / "devices.json").read_text(encoding="utf-8"))["devices"]
        (device,) = [one for one in found if one["name"] == "pulse"]
        assert device["serves"] == ["measure", "watch"]
        assert 48_000 in device["rates_hz"]
        words = ("watch", "--device", "pulse", "--inputs", "a=1, b=2", "--seconds", "2")
        with program(environment, *words) as running:
            code, said = running.end()
        assert code == 0, said
        assert "0 certain rings" in said
        # A null sink has no room and no noise: its monitor is silent, and that is told.
        words = ("measure", "--device", "pulse", "--output", "1", "--mics", "lead=1", "--yes")
        with program(environment, *words, "--into", str(tmp_path)) as running:
            code, said = running.end()
        assert code == 2, said
        assert "lead is silent" in said
