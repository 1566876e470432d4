"""From the candidates of one channel to its events: joined, without harmonics, weighed together."""

from __future__ import annotations

from collections.abc import Iterable

from shaping.rehearsals.detector import Candidate
from shaping.rehearsals.events import Event
from shaping.rehearsals.model import LISTED, confidence_of, reason_for, weighed

_GAP_S = 0.6
"""A howl that breaks off for less than this is one event."""

_SAME_RATIO = 1.01  # a loop's pitch moves by less while one howl goes on
_MULTIPLES = range(2, 9)  # as far up as the harmonics of a clipped howl stand out


def events_of(
    candidates: Iterable[Candidate], *, channel: int, listed: float = LISTED
) -> list[Event]:
    """Join what belongs together and return the events worth listing, in order of time.

    Parameters
    ----------
    candidates : iterable of Candidate
        All candidates of one channel of one file.
    channel : int
        Counted from 1.
    listed : float
        Least confidence of what is returned.

    Returns
    -------
    list of Event
    """
    distinct = without_harmonics(joined(candidates))
    evidence = weighed(
        [c.evidence for c, _ in distinct],
        [c.start_s for c, _ in distinct],
        [c.stop_s for c, _ in distinct],
        [c.features.frequency_hz for c, _ in distinct],
        [c.grew for c, _ in distinct],
    )
    events = []
    for (candidate, clipped), strength in zip(distinct, evidence, strict=True):
        confidence = confidence_of(strength)
        if confidence < listed:
            continue
        events.append(
            Event(
                channel=channel,
                start_s=candidate.start_s,
                duration_s=candidate.stop_s - candidate.start_s,
                frequency_hz=candidate.features.frequency_hz,
                growth_db_per_s=max(candidate.features.growth_db_per_s, 0.0),
                # A clipped tone is squarer than a sine, whose peak its level would be.
                peak_dbfs=min(candidate.features.peak_dbfs, 0.0),
                over_db=candidate.features.best_dominance_db,
                clipped=clipped,
                confidence=confidence,
                reason=reason_for(
                    candidate.features, confidence, grew=candidate.grew, clipped=clipped
                ),
            )
        )
    return events


def joined(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Join candidates of one frequency that a short gap parts."""
    result: list[Candidate] = []
    for late in sorted(candidates, key=lambda c: (c.start_s, c.features.frequency_hz)):
        for index in range(len(result) - 1, -1, -1):
            early = result[index]
            ratio = late.features.frequency_hz / early.features.frequency_hz
            close = late.start_s - early.stop_s < _GAP_S
            if close and 1 / _SAME_RATIO < ratio < _SAME_RATIO:
                result[index] = early.joined(late)
                break
            if len(result) - index > 64:
                result.append(late)
                break
        else:
            result.append(late)
    return sorted(result, key=lambda c: (c.start_s, c.features.frequency_hz))


def without_harmonics(candidates: list[Candidate]) -> list[tuple[Candidate, bool]]:
    """Drop the harmonics of louder howls; tell which howls had them, for they clipped.

    Candidates are in order of time.
    """
    dropped: set[int] = set()
    clipped: set[int] = set()
    for first, early in enumerate(candidates):
        for second in range(first + 1, len(candidates)):
            late = candidates[second]
            if late.start_s >= early.stop_s:  # none after it overlaps
                break
            for i, low, j, high in ((first, early, second, late), (second, late, first, early)):
                if _is_harmonic(low, high):
                    dropped.add(j)
                    clipped.add(i)
    return [(c, i in clipped) for i, c in enumerate(candidates) if i not in dropped]


def _is_harmonic(low: Candidate, high: Candidate) -> bool:
    if high.features.peak_dbfs >= low.features.peak_dbfs or low.evidence < 0:
        return False
    ratio = high.features.frequency_hz / low.features.frequency_hz
    if round(ratio) not in _MULTIPLES or abs(ratio / round(ratio) - 1) > 0.004:
        return False
    overlap = min(low.stop_s, high.stop_s) - max(low.start_s, high.start_s)
    return overlap > 0.5 * (high.stop_s - high.start_s)
