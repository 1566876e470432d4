"""Rings of several captures of one wedge, seen together.

Captures of one wedge are no independent witnesses: the band that played during the first plays the
same song during the second, so a note that passes for a ring does so in each. What no capture
shows for certain is therefore not made certain by their number, and a ring that was recorded three
times did not come back twice.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from shaping.analysis.findings import Ring
from shaping.text.sentences import sentence

_SAME_RATIO = 0.005
"""Rings closer than this, relative to their frequency, are one: a mic position moves a ring about
as far."""


def rings_across(found: Sequence[Sequence[Ring]]) -> tuple[Ring, ...]:
    """Merge the rings of several captures of one wedge, most urgent first.

    Parameters
    ----------
    found : sequence of sequences of Ring
        The rings of each capture.

    Returns
    -------
    tuple of Ring
        One ring per frequency. A ring of several captures keeps the facts of the steepest one
        (its times count from the start of that one's capture) and spans their frequencies with
        its width. It is as certain as in the capture that shows it best, and came up as often as
        in the capture in which it did so most. The certain come first, and among them the fastest
        growing.
    """
    if len(found) == 1:
        return tuple(found[0])
    ordered = sorted(
        (replace(ring, capture=number) for number, rings in enumerate(found, 1) for ring in rings),
        key=lambda ring: ring.frequency_hz,
    )
    groups: list[list[Ring]] = []
    for ring in ordered:
        if groups and ring.frequency_hz <= groups[-1][-1].frequency_hz * (1 + _SAME_RATIO):
            groups[-1].append(ring)
        else:
            groups.append([ring])
    merged = [_merged(group, len(found)) for group in groups]
    return tuple(sorted(merged, key=lambda r: (not r.certain, -r.growth_db_per_s)))


def _merged(rings: Sequence[Ring], captures: int) -> Ring:
    if len(rings) == 1:
        return rings[0]
    worst = max(rings, key=lambda r: (r.certain, r.growth_db_per_s))
    heard_in = len({ring.capture for ring in rings})
    return replace(
        worst,
        frequency_hz=math.sqrt(rings[0].frequency_hz * rings[-1].frequency_hz),
        width_hz=max(
            rings[-1].frequency_hz - rings[0].frequency_hz, *(ring.width_hz for ring in rings)
        ),
        peak_dbfs=max(ring.peak_dbfs for ring in rings),
        occurrences=_occurrences(rings),
        clipped=any(ring.clipped for ring in rings),
        confidence=max(ring.confidence for ring in rings),
        evidence=f"{sentence(worst.evidence)} Found in {heard_in} of {captures} captures.",
    )


def _occurrences(rings: Sequence[Ring]) -> int:
    """Return how often it came up in the capture in which it did so most.

    What rang on after every sound did not come up as often as there were sounds, where a howl was
    seen growing.
    """
    grew = [ring for ring in rings if ring.growth_db_per_s > 0]
    times: Counter[int] = Counter()
    for ring in grew or rings:
        times[ring.capture] += ring.occurrences
    return max(times.values())
