"""Ringing on: frequencies that fall slowly and alike after every sound, just under threshold.

A loop with little margin rings on at the frequencies that would howl: each time a sound stops they
fall in a straight line at margin over loop delay. A struck note that is played again and again
does the same, so this evidence alone never makes a ring certain.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shaping.analysis.findings import Ring
from shaping.analysis.ring_out.slopes import Growth

LEAST_TIMES = 3
"""A frequency must ring on after so many sounds."""

MOST_PLACES = 4
"""Where more frequencies than this ring on, they are the notes of a tune and not the loop's."""

ALIKE = 0.2
"""Relative standard deviation of the rates of fall that still counts as alike."""

_STEADY_HZ = 1.0  # a pitch that wavers by more is a voice's
_FIRST_CONFIDENCE, _MORE, _MOST = 0.3, 0.05, 0.45  # never certain: a struck note does the same


def ringing_on(falls: Sequence[Growth], rings: Sequence[Ring]) -> list[Ring]:
    """Find frequencies that rang on after several sounds.

    Parameters
    ----------
    falls : sequence of Growth
        The falls in a capture (`shaping.analysis.ring_out.growth.Slopes`).
    rings : sequence of Ring
        Rings found already, which are not found again.

    Returns
    -------
    list of Ring
        Possible rings without growth, the slowest falling first.
    """
    clear = [f for f in falls if _is_clear(f) and not any(_same(f, r) for r in rings)]
    groups: list[list[Growth]] = []
    for fall in sorted(clear, key=lambda f: f.frequency_hz):
        if groups and groups[-1][-1].same_pitch(fall):
            groups[-1].append(fall)
        else:
            groups.append([fall])
    found = [ring for ring in (_ring(_separate(group)) for group in groups) if ring]
    if len(found) > MOST_PLACES:
        return []
    return sorted(found, key=lambda r: r.decay_db_per_s or 0.0)


def _is_clear(fall: Growth) -> bool:
    return fall.wander_hz <= _STEADY_HZ and fall.partials == 0


def _same(fall: Growth, ring: Ring) -> bool:
    return abs(fall.frequency_hz / ring.frequency_hz - 1) < 0.005


def _separate(falls: Sequence[Growth]) -> list[Growth]:
    """Keep one fall per sound: both windows see the same one."""
    kept: list[Growth] = []
    for fall in sorted(falls, key=lambda f: f.start_s):
        if not kept or fall.start_s > kept[-1].stop_s:
            kept.append(fall)
    return kept


def _ring(falls: Sequence[Growth]) -> Ring | None:
    if len(falls) < LEAST_TIMES:
        return None
    rates = np.array([f.slope_db_per_s for f in falls])
    if rates.std() > ALIKE * rates.mean():
        return None
    frequencies = np.array([f.frequency_hz for f in falls])
    confidence = min(_FIRST_CONFIDENCE + _MORE * (len(falls) - LEAST_TIMES), _MOST)
    decay = float(np.median(rates))
    return Ring(
        frequency_hz=float(np.median(frequencies)),
        frequency_error_hz=float(frequencies.std() / np.sqrt(len(falls))),
        width_hz=0.0,
        onset_s=falls[0].start_s,
        duration_s=sum(f.stop_s - f.start_s for f in falls),
        growth_db_per_s=0.0,
        decay_db_per_s=decay,
        peak_dbfs=max(f.peak_db for f in falls),
        occurrences=len(falls),
        clipped=False,
        confidence=confidence,
        evidence=(
            f"Rang on after {len(falls)} sounds, each time falling by {decay:.0f} dB/s in a "
            f"straight line; never seen growing, and a note struck again and again does the same."
        ),
        spells=tuple((f.start_s, f.stop_s) for f in falls),
    )
