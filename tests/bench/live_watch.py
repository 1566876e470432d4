"""How soon the watch names a ring, and how often it is wrong, in measured rooms.

``python tests/bench/live_watch.py`` watches the report part as it would sound live: scenes in
measured rooms (`howl_material`) and programme without feedback (`howl_sources`), side by side as
channels, and prints the time from when a howl stands 10 dB over the programme (in the third octave
around it) to when it is named for certain, by class; false certain rings per hour of music, speech
and held notes; and beside it the plainest methods that could do the job, each at the bar that gives
as many false rings on this very material. ``--quick`` takes a fifth and says so.

The plain methods see the same frames: a peak that stands out by so much for three frames; one that
rises along a straight line by so much.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

import live_scores
import numpy as np
from exact import rate_text, share_text
from live_examples import Watched, watched
from live_scores import Scored
from measured_data import DataMissingError, Part
from numpy.typing import NDArray

from shaping.analysis.findings import CERTAIN
from shaping.live.watch.measures import MEASURE_NAMES
from shaping.live.watch.model import HELD_FRAMES, certain_at, evidence_of

AT_ONCE = 4096
MUSIC_AND_SPEECH = ("music", "speech")


def sums_of(one: Watched) -> NDArray[np.float64]:
    """Return the sums of the watch's trees."""
    parts = [
        evidence_of(one.measures[start : start + AT_ONCE].astype(np.float64))
        for start in range(0, len(one.measures), AT_ONCE)
    ]
    return np.concatenate(parts) if parts else np.zeros(0)


def _column(name: str) -> Callable[[Watched], NDArray[np.float64]]:
    return lambda one: one.measures[:, MEASURE_NAMES.index(name)].astype(np.float64)


PLAIN = {
    "peak over its neighbours": _column("least_stand_off_db"),
    "peak over everything else": _column("dominance_db"),
    "height of a straight line": _column("straight_db"),
}


def plain(
    recordings: Sequence[Watched], of: Callable[[Watched], NDArray[np.float64]]
) -> list[Scored]:
    """Score by one measure alone, held for as many frames as the watch's own sum."""
    return [Scored(one, live_scores.held_sums(one, of(one), HELD_FRAMES)) for one in recordings]


def false_per_hour(many: Sequence[Scored], bar: float, kinds: Sequence[str]) -> tuple[int, float]:
    """Return false certain rings and the hours they come from."""
    own = [one for one in many if one.recording.kind in kinds]
    hours = sum(one.recording.duration_s for one in own) / 3600
    return sum(live_scores.false_rings(one, bar) for one in own), hours


def all_delays(
    many: Sequence[Scored], bar: float, kinds: Sequence[str] = ()
) -> NDArray[np.float64]:
    """Return the time to name every howl, of some classes."""
    return np.array(
        [
            delay
            for one in many
            if not kinds or one.recording.kind in kinds
            for delay in live_scores.delays_s(one, bar)
        ]
    )


def bar_for(many: Sequence[Scored], most_false: int) -> float:
    """Return the lowest bar with no more false rings than that, in music and speech."""
    own = [one for one in many if one.recording.kind in MUSIC_AND_SPEECH]
    highest = np.concatenate([one.evidence[one.recording.label == -1] for one in own])
    low, high = 0.0, float(highest.max()) + 0.1
    for _ in range(20):
        middle = (low + high) / 2
        count = sum(live_scores.false_rings(one, middle) for one in own)
        low, high = (low, middle) if count <= most_false else (middle, high)
    return high


def delay_text(delay: NDArray[np.float64]) -> str:
    """Return median, 95 % and how many were named."""
    if not delay.size:
        return "none"
    worst = float(np.quantile(delay, 0.95, method="higher"))
    worst_text = f"{worst:.2f} s" if np.isfinite(worst) else "not named"
    named = share_text(int(np.isfinite(delay).sum()), delay.size)
    soon = share_text(int(np.sum(delay <= 0.6)), delay.size)
    return f"median {np.median(delay):.2f} s, 95 % {worst_text}; named {named}; in 0.6 s {soon}"


def growths(many: Sequence[Scored]) -> NDArray[np.float64]:
    """Return the growth of every howl, in the order of `all_delays`."""
    return np.array([h.growth_db_per_s for one in many for h in one.recording.howls])


def report(recordings: Sequence[Watched]) -> None:
    """Print everything."""
    many = [live_scores.scored(one, sums_of(one)) for one in recordings]
    bar = certain_at()
    delay = all_delays(many, bar)
    print(f"certain (confidence {CERTAIN}); {delay.size} howls in measured rooms")
    print(f"  all classes: {delay_text(delay)}")
    for kind in sorted({one.recording.kind for one in many if one.recording.howls}):
        print(f"  {kind:10} {delay_text(all_delays(many, bar, (kind,)))}")
    growth = growths(many)
    for low, high in ((5, 15), (15, 40), (40, 100), (100, 400)):
        own = (growth >= low) & (growth < high)
        print(f"  {low} to {high} dB/s: {delay_text(delay[own])}")
    print("false certain rings:")
    for kinds in (MUSIC_AND_SPEECH, ("music",), ("speech",), ("notes",)):
        print(f"  {' and '.join(kinds):16} {rate_text(*false_per_hour(many, bar, kinds))}")
    wrong, _ = false_per_hour(many, bar, MUSIC_AND_SPEECH)
    print(f"plain methods, each at the bar that gives {wrong} false rings too:")
    for name, of in PLAIN.items():
        scores = plain(recordings, of)
        own_bar = bar_for(scores, wrong)
        print(f"  {name} ({own_bar:.1f} dB): {delay_text(all_delays(scores, own_bar))}")


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return what the table of figures needs, of the report part."""
    many = [
        live_scores.scored(one, sums_of(one))
        for one in watched(Part.REPORT, share=5 if quick else 1)
    ]
    bar = certain_at()
    delay = all_delays(many, bar)
    false, hours = false_per_hour(many, bar, MUSIC_AND_SPEECH)
    return {
        "howls": delay.size,
        "named": int(np.isfinite(delay).sum()),
        "median_s": float(np.median(delay)),
        "soon": int(np.sum(delay <= 0.6)),
        "false": false,
        "hours": hours,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a fifth of the material")
    options = parser.parse_args()
    print("report part" + (", a fifth of it" if options.quick else ""))
    report(watched(Part.REPORT, share=5 if options.quick else 1))


if __name__ == "__main__":
    try:
        main()
    except DataMissingError as error:
        raise SystemExit(str(error)) from None
