"""A stage behind a JACK server: wedges in, mics out, in a closed loop. A program of its own.

    python virtual_stage.py SERVER PATHS.npz

``paths`` has shape (mics, wedges, taps), ``sends`` (wedges, mics), ``noise_dbfs`` is the room's at
every mic, and ``programme``, where there is any, is heard there too. The desk takes what the mics
heard in one block and feeds it to the wedges in the next, so the loop is the path and a block
longer. Commands come line by line on standard input, answers go as JSON lines to standard output;
times are of the monotonic clock, which all programs share.

========================  ====================================================================
send GAIN                 all sends times GAIN from now on
tone HZ DB_PER_S          a tone at every mic that grows from -70 dBFS at this rate, up to 0 dBFS
clip                      every mic at full scale from now on
quiet                     nothing of the room or the tone arrives at the mics any more
sleep SECONDS TIMES       so many blocks take so long: the server loses blocks
reset                     none of all this any more
report                    when the wedges were fed last, when the last command was carried out
========================  ====================================================================
"""

from __future__ import annotations

import contextlib
import json
import sys
import time
from typing import Any

import jack
import numpy as np


class Stage:
    """Paths as partitioned convolutions, block by block."""

    def __init__(self, given: Any, block: int, rate_hz: int) -> None:
        paths = np.asarray(given["paths"], float)
        mics, wedges, taps = paths.shape
        parts = -(-taps // block)
        padded = np.zeros((mics, wedges, parts * block))
        padded[:, :, :taps] = paths
        cut = padded.reshape(mics, wedges, parts, block)
        self._spectra = np.fft.rfft(cut, 2 * block, axis=3)
        self._history = np.zeros((wedges, parts, block + 1), complex)
        self._tail = np.zeros((mics, block))
        self._heard = np.zeros((mics, block))
        self._sends = np.asarray(given["sends"], float)
        self._noise = 10 ** (float(given["noise_dbfs"]) / 20)
        self._rng = np.random.default_rng(int(given["seed"]))
        self._programme = np.asarray(given["programme"], float)
        self._at = np.arange(mics) * 7919 * 13  # every mic hears another part of it
        self._rate, self._block = rate_hz, block
        self.send = 1.0
        self.tone: tuple[float, float] | None = None
        self.tone_samples = 0
        self.clip = self.quiet = False
        self.sleep_s, self.sleeps = 0.0, 0
        self.acted: float | None = None
        self.fed: float | None = None

    def block(self, wedges: np.ndarray, now: float) -> np.ndarray:
        """Take what is fed to the wedges, shape (wedges, block); return what the mics hear."""
        sounding = np.flatnonzero(np.abs(wedges).max(axis=0) > 1e-7)
        if sounding.size:
            self.fed = now + (int(sounding[-1]) + 1) / self._rate
        played = np.clip(wedges + self.send * (self._sends @ self._heard), -1, 1)
        self._history = np.roll(self._history, 1, axis=1)
        self._history[:, 0] = np.fft.rfft(played, 2 * self._block, axis=1)
        made = np.einsum("mwpf,wpf->mf", self._spectra, self._history)
        out = np.fft.irfft(made, 2 * self._block, axis=1)
        mics = out[:, : self._block] + self._tail
        self._tail = out[:, self._block :]
        mics += self._noise * self._rng.standard_normal(mics.shape)
        if self._programme.size:
            place = (self._at[:, None] + np.arange(self._block)) % self._programme.size
            mics += self._programme[place]
            self._at += self._block
        if self.tone is not None:
            hertz, rate = self.tone
            n = self.tone_samples + np.arange(self._block)
            level = np.minimum(-70 + rate * n / self._rate, 0.0)
            mics += 10 ** (level / 20) * np.sin(2 * np.pi * hertz * n / self._rate)
            self.tone_samples += self._block
        if self.quiet:
            mics[:] = 0.0
        if self.clip:
            mics[:] = 1.0
        self._heard = np.clip(mics, -1, 1)
        return self._heard

    def command(self, words: list[str]) -> None:
        """Do what a line says."""
        if words[0] == "send":
            self.send = float(words[1])
        elif words[0] == "tone":
            self.tone_samples, self.tone = 0, (float(words[1]), float(words[2]))
        elif words[0] == "sleep":
            self.sleep_s, self.sleeps = float(words[1]), int(words[2])
        elif words[0] == "reset":
            self.send, self.tone, self.clip, self.quiet = 1.0, None, False, False
            self.sleeps = 0
        else:
            setattr(self, words[0], True)
        self.acted = time.monotonic()


def _answer(facts: dict[str, Any]) -> None:
    with contextlib.suppress(BrokenPipeError):
        sys.stdout.write(json.dumps(facts) + "\n")
        sys.stdout.flush()


def main() -> None:
    """Serve until standard input ends."""
    server, place = sys.argv[1:]
    client = jack.Client("stage", servername=server, no_start_server=True)
    stage = Stage(np.load(place), client.blocksize, client.samplerate)
    wedges = [client.inports.register(f"wedge_{n + 1}") for n in range(stage._sends.shape[0])]
    mics = [client.outports.register(f"mic_{n + 1}") for n in range(stage._sends.shape[1])]
    lost = [0]

    @client.set_process_callback
    def process(_frames: int) -> None:
        if stage.sleeps:
            stage.sleeps -= 1
            time.sleep(stage.sleep_s)
        heard = stage.block(np.stack([one.get_array() for one in wedges]), time.monotonic())
        for port, samples in zip(mics, heard, strict=True):
            port.get_array()[:] = samples

    @client.set_xrun_callback
    def xrun(_delay_us: float) -> None:
        lost[0] += 1

    with client:
        _answer({"ready": True})
        for line in sys.stdin:
            words = line.split()
            if words[0] != "report":
                stage.command(words)
            _answer({"fed": stage.fed, "acted": stage.acted, "lost": lost[0]})


if __name__ == "__main__":
    main()
