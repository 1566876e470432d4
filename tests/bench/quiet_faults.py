"""What the quiet ring-out promises of sound and of faulty measurements on measured rooms.

    python tests/bench/quiet_faults.py [--part tuning|report] [--each 12] [--sound 100] [--verbose]

Every case of `quiet_cases` is judged as `shaping suggest` would judge it. A promise (the safe end
of the 95 % interval) is unsafe where it lies more than 0.5 dB over the truth. A case counts as
safe, too, where the number is withheld or the capture refused.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from measured_data import Part
from quiet_cases import FAULTS, Case, case
from scipy import stats

from shaping.analysis.loop.alignment import CLOCKS_APART, NOT_FOUND
from shaping.analysis.loop.faults import SWAPPED
from shaping.analysis.loop.promise import gain_interval, withheld
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.stability import in_phase_interval
from shaping.capture.recording import CaptureKind
from shaping.errors import CaptureError

ALLOWED_DB = 0.5
_REFUSALS = {"other-file": NOT_FOUND, "clock": CLOCKS_APART, "swapped": SWAPPED}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was said of one case.

    Attributes
    ----------
    fault, name : str
        As in `Case`.
    codes : tuple of str
        Notes and refusals.
    low_over_db, low_db, high_db : float
        Promise over the truth, and both ends of the interval less the truth; NaN where withheld.
    in_phase_held : bool or None
        Whether the truth in phase lies within its interval; None where withheld.
    named : bool
        Whether a code names the cause, or, of a sound case, nothing is named.
    seconds : float
        Processor time.
    """

    fault: str
    name: str
    codes: tuple[str, ...]
    low_db: float
    estimate_db: float
    high_db: float
    in_phase_held: bool | None
    named: bool
    seconds: float

    @property
    def promised(self) -> bool:
        """Whether a number was given."""
        return not np.isnan(self.low_db)

    @property
    def unsafe(self) -> bool:
        """Whether it was more than there is."""
        return self.promised and self.low_db > ALLOWED_DB

    @property
    def held(self) -> bool:
        """Whether the truth lies within the interval."""
        return self.low_db <= 0 <= self.high_db


def judge(measured: Case) -> Outcome:
    """Judge one case."""
    began = time.process_time()
    low = estimate = high = np.nan
    in_phase = None
    try:
        response = estimate_loop_response(
            measured.capture,
            measured.reference,
            capture_rate_hz=48_000,
            reference_rate_hz=48_000,
            kind=CaptureKind.SWEEP if measured.sweep else CaptureKind.PINK_NOISE,
        )
        codes = tuple(str(note.code) for note in response.quality)
        if not withheld(response):
            found = gain_interval(response)
            low, estimate, high = (
                value - measured.worst_db
                for value in (found.low_db, found.estimate_db, found.high_db)
            )
            least, most = in_phase_interval(response)
            in_phase = least - ALLOWED_DB <= measured.in_phase_db <= most + ALLOWED_DB
    except CaptureError as error:
        codes = tuple(code for code, text in _REFUSALS.items() if text in str(error))
        codes = codes or ("refused",)
    named = bool(measured.causes & set(codes)) if measured.causes else not codes
    seconds = time.process_time() - began
    return Outcome(
        measured.fault, measured.name, codes, low, estimate, high, in_phase, named, seconds
    )


def judged(part: Part, *, each: int, sound: int, only: str = "") -> list[Outcome]:
    """Judge so many cases of every fault and so many sound ones; a quarter of those are sweeps."""
    counts = dict.fromkeys(FAULTS, each)
    counts["sound"], counts["sound sweep"] = sound - sound // 4, sound // 4
    return [
        judge(case(fault, number, part))
        for fault, count in counts.items()
        if only in fault
        for number in range(count)
    ]


def share_words(hits: int, count: int) -> str:
    """Return a share with its exact 95 % interval.

    >>> share_words(0, 100)
    '0.0 % (0 of 100; 95 %: 0.0 to 3.6)'
    """
    if not count:
        return "none"
    interval = stats.binomtest(hits, count).proportion_ci(method="exact")
    return (
        f"{100 * hits / count:.1f} % ({hits} of {count}; 95 %: {100 * interval.low:.1f} to "
        f"{100 * interval.high:.1f})"
    )


def table(outcomes: Sequence[Outcome]) -> str:
    """Return the campaign's table, one line a fault."""
    lines = [
        "| fault | cases | promised | unsafe | most too much | cause named | said most |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for fault in dict.fromkeys(one.fault for one in outcomes):
        mine = [one for one in outcomes if one.fault == fault]
        promised = [one.low_db for one in mine if one.promised]
        said = [code for one in mine for code in one.codes] or ["nothing"]
        usual = max(sorted(set(said)), key=said.count)
        most = f"{max(promised):+.2f} dB" if promised else "-"
        lines.append(
            f"| {fault} | {len(mine)} | {len(promised)} | {sum(o.unsafe for o in mine)} | {most} | "
            f"{sum(o.named for o in mine)} | {usual} ({said.count(usual)}) |"
        )
    return "\n".join(lines)


def numbers(outcomes: Sequence[Outcome]) -> dict[str, float]:
    """Return the figures: counts, so that shares and intervals follow."""
    sound = [one for one in outcomes if one.fault.startswith("sound")]
    faulty = [one for one in outcomes if not one.fault.startswith("sound")]
    promised = [one for one in sound if one.promised]
    return {
        "cases": len(outcomes),
        "faulty": len(faulty),
        "unsafe": sum(one.unsafe for one in faulty),
        "unsafe_any": sum(one.unsafe for one in outcomes),
        "named": sum(one.named for one in faulty),
        "sound": len(sound),
        "sound_warned": sum(bool(one.codes) or not one.promised for one in sound),
        "sound_promised": len(promised),
        "held": sum(one.held for one in promised),
        "in_phase_held": sum(bool(one.in_phase_held) for one in promised),
        "width_db": float(np.median([one.high_db - one.low_db for one in promised])),
        "seconds": float(np.median([one.seconds for one in outcomes])),
    }


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures on rooms that nothing was tuned on."""
    return numbers(judged(Part.REPORT, each=1 if quick else 12, sound=8 if quick else 100))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=["tuning", "report"], default="report")
    parser.add_argument("--each", type=int, default=12)
    parser.add_argument("--sound", type=int, default=100)
    parser.add_argument("--only", default="", metavar="WORD", help="faults whose name holds it")
    parser.add_argument("--verbose", action="store_true", help="a line for every case")
    options = parser.parse_args()
    outcomes = judged(Part(options.part), each=options.each, sound=options.sound, only=options.only)
    if options.verbose:
        for one in outcomes:
            mark = f"{'UNSAFE' if one.unsafe else '':6} {'' if one.named else 'MISNAMED':8}"
            print(
                f"{mark} {one.name}: low {one.low_db:+.2f}, estimate {one.estimate_db:+.2f}, "
                f"high {one.high_db:+.2f}, in phase {one.in_phase_held}; "
                f"{', '.join(one.codes) or 'nothing said'}"
            )
    got = numbers(outcomes)
    print(table(outcomes))
    print(f"unsafe promises, faulty: {share_words(int(got['unsafe']), int(got['faulty']))}")
    print(f"cause named: {share_words(int(got['named']), int(got['faulty']))}")
    print(f"sound warned: {share_words(int(got['sound_warned']), int(got['sound']))}")
    print(f"interval holds: {share_words(int(got['held']), int(got['sound_promised']))}")
    in_phase = share_words(int(got["in_phase_held"]), int(got["sound_promised"]))
    print(f"in-phase interval holds: {in_phase}")
    print(f"median width {got['width_db']:.2f} dB, {got['seconds']:.2f} s a case")


if __name__ == "__main__":
    main()
