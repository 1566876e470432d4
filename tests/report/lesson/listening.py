"""What tests and bench ask of the lesson in a browser."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

RATE_HZ = 48_000

_BYTES = """
const sent = (samples) => {
  // As text of bytes: a list of numbers takes the driver many times longer.
  const bytes = new Uint8Array(samples.slice().buffer);
  let text = '';
  for (let at = 0; at < bytes.length; at += 32768)
    text += String.fromCharCode(...bytes.subarray(at, at + 32768));
  return btoa(text);
};
"""
_IMPULSE = (
    _BYTES
    + """
const [sos, seconds, done] = arguments;
lesson.filteredImpulse(sos, seconds).then((samples) => done(sent(samples)));
"""
)
_RENDER = (
    _BYTES
    + """
const [kind, state, seconds, done] = arguments;
const { carried, rendered } = lesson;
const graphs = {
  async first_row() {
    const programme = carried.first_row.programmes[state.programme];
    [programme.wedge, programme.mains] = await Promise.all([programme.wedge, programme.mains]);
    return (context, out) =>
      lesson.firstRowGraph(context, out, programme, carried.first_row.steps, state);
  },
  async own() {
    const sound = await carried.own.sound;
    if (state.level === 'equal')
      state.gain_db = await lesson.equalGain_db(carried.own, sound, state.on);
    return (context, out) => lesson.ownGraph(context, out, sound, carried.own, state);
  },
  async ring() {
    const talk = await carried.rings.talk;
    return (context, out) => lesson.ringGraph(context, out, talk, state);
  },
};
graphs[kind]().then((build) => rendered(build, seconds)).then((samples) => done(sent(samples)));
"""
)
_SOUND = (
    _BYTES
    + """
const [name, done] = arguments;
const { first_row, own, rings } = lesson.carried;
const { wedge, mains } = first_row.programmes.band;
Promise.resolve({ wedge, mains, own: own && own.sound, talk: rings.talk }[name])
  .then((buffer) => done(sent(buffer.getChannelData(0))));
"""
)
_EAR = """
window.heard = null;
const ear = {};
document.querySelector('#first-row .play').addEventListener('click', () => {
  const tapped = performance.now();
  const samples = new Float32Array(2048);
  const look = () => {
    const { context, playing, out } = lesson.player;
    if (playing && !ear.node) {
      ear.node = context.createAnalyser();
      ear.node.fftSize = samples.length;
      out.connect(ear.node);
    }
    if (ear.node) ear.node.getFloatTimeDomainData(samples);
    if (samples.some((one) => Math.abs(one) > 1e-4))
      window.heard = (performance.now() - tapped) / 1000;
    else setTimeout(look, 2);
  };
  look();
}, { capture: true });
"""
_HEARD = """
const done = arguments[0];
const ask = () => (window.heard === null ? setTimeout(ask, 10) : done(window.heard));
ask();
"""


def _floats(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype=np.float32).astype(np.float64)


def impulse_response(browser: Any, sos: dict[str, Any], seconds: float) -> np.ndarray:
    """Render sections as the page's own code attaches them."""
    return _floats(browser.execute_async_script(_IMPULSE, sos, seconds))


def rendered(browser: Any, kind: str, state: dict[str, Any], seconds: float) -> np.ndarray:
    """Render what would be heard: ``first_row``, ``own`` or ``ring``."""
    return _floats(browser.execute_async_script(_RENDER, kind, state, seconds))


def sound(browser: Any, name: str) -> np.ndarray:
    """Return what the browser decoded: the band's ``wedge`` or ``mains``, ``own`` or ``talk``."""
    return _floats(browser.execute_async_script(_SOUND, name))


def first_sound_s(browser: Any) -> float:
    """Tap the first row's button; return the time until samples come out."""
    browser.execute_script(_EAR)
    browser.find_element("css selector", "#first-row .play").click()
    return float(browser.execute_async_script(_HEARD))
