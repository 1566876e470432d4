"""Every figure the project promises: target, reached, and how it was measured.

    python tests/bench/figures.py [--quick] [--only WORD]

Prints the table and writes it to tests/bench/FIGURES.md, with the machine and the date. Each bench
runs in a process of its own and returns its figures from ``measure(quick=...)``; ``--quick`` makes
smaller runs, and says so in the table; ``--only`` runs the benches whose name holds the word, and
writes nothing. The full table takes about half an hour on two cores.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import re
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

BENCH = Path(__file__).resolve().parent
ROOT = BENCH.parents[1]
RESULT = BENCH / "FIGURES.md"

Numbers = dict[str, float]


@dataclass(frozen=True)
class Row:
    """One promise.

    Attributes
    ----------
    what, target : str
        The promise, in words.
    reached : callable
        Says what was reached, from the bench's numbers.
    met : callable
        Tells whether that is enough.
    how : str
        How it was measured.
    """

    what: str
    target: str
    reached: Callable[[Numbers], str]
    met: Callable[[Numbers], bool]
    how: str


def share(part: float, whole: float) -> float:
    """Return a share, none of nothing."""
    return part / whole if whole else 0.0


def exact(part: float, whole: float) -> str:
    """Return a share with its exact binomial interval of 95 %."""
    from scipy.stats import binomtest

    if not whole:
        return "none of none"
    interval = binomtest(round(part), round(whole)).proportion_ci(method="exact")
    return (
        f"{part / whole:.1%} ({part:.0f} of {whole:.0f}; {interval.low:.1%} to {interval.high:.1%})"
    )


FILTERS = (
    Row(
        "cookbook designs against independent implementations, coefficients",
        "1e-9",
        lambda n: f"{n['coefficient']:.0e}",
        lambda n: n["coefficient"] <= 1e-9,
        "{designs:.0f} designs at 8 to 192 kHz against scipy's bilinear transform of the analogue "
        "prototypes, python-control and iirnotch; largest difference",
    ),
    Row(
        "the same, response",
        "0.01 dB",
        lambda n: f"{n['response_db']:.0e} dB",
        lambda n: n["response_db"] <= 0.01,
        "the same designs against the prototypes' closed form, 20 Hz to 0.499 of the sample rate",
    ),
)
RING_OUTS = (
    Row(
        "rings found in ring-outs",
        ">= 95 %",
        lambda n: f"{share(n['found'], n['clear']):.1%} ({n['found']:.0f} of {n['clear']:.0f})",
        lambda n: share(n["found"], n["clear"]) >= 0.95,
        "held-out virtual stages with speech, music, hum, held notes and silence, one in three "
        "clipped; clear rings reported as certain within 0.5 % of the simulated truth",
    ),
    Row(
        "false rings",
        "<= 5 %",
        lambda n: f"{share(n['false'], n['certain']):.1%} ({n['false']:.0f} of {n['certain']:.0f})",
        lambda n: share(n["false"], n["certain"]) <= 0.05,
        "of the rings reported as certain, those on no mode that was unstable or rang on",
    ),
    Row(
        "frequency of a ring, median error",
        "0.1 %",
        lambda n: f"{n['median_error']:.4%}",
        lambda n: n["median_error"] <= 0.001,
        "the same ring-outs, against the simulated truth",
    ),
    Row(
        "frequency of a ring, worst error",
        "0.5 %",
        lambda n: f"{n['worst_error']:.3%}",
        lambda n: n["worst_error"] <= 0.005,
        "the same; a ring further off counts as missed and as false above",
    ),
)
MEASURED_RING_OUTS = (
    Row(
        "ring-outs in measured rooms: stable at the highest send of the recording, parametric-4",
        ">= 95 %",
        lambda n: exact(n["stable"], n["cases"]),
        lambda n: share(n["stable"], n["cases"]) >= 0.95,
        "{cases:.0f} ring-outs in rooms that nothing was tuned on, one plan each, no thinning; the "
        "plainest method (percentile of the height over the neighbourhood, four cuts of 6 dB): "
        "{stable_plain:.0f}",
    ),
    Row(
        "the same with 3 dB margin, where four oracle cuts reach it",
        ">= 80 %",
        lambda n: exact(n["with_margin_reachable"], n["reachable"]),
        lambda n: share(n["with_margin_reachable"], n["reachable"]) >= 0.8,
        "oracle: 6 dB, Q 4, again and again where the true loop howls first; of all ring-outs "
        "{with_margin:.0f} of {cases:.0f} have 3 dB; the plainest method reaches "
        "{with_margin_reachable_plain:.0f} of {reachable:.0f}",
    ),
    Row(
        "median stable gain added, against four oracle cuts",
        ">= 0.8 x",
        lambda n: (
            f"{n['added_median_db'] / n['oracle_median_db']:.2f} x ({n['added_median_db']:.1f} dB)"
        ),
        lambda n: n["added_median_db"] >= 0.8 * n["oracle_median_db"],
        "oracle {oracle_median_db:.1f} dB for 1.9 dB of level removed, plainest method "
        "{plain_median_db:.1f} dB for as much; the plans remove {tone_median_db:.1f} dB",
    ),
    Row(
        "dominant howl found",
        ">= 98 %",
        lambda n: exact(n["dominant"], n["cases"]),
        lambda n: share(n["dominant"], n["cases"]) >= 0.98,
        "the unstable mode that stood loudest for half a second, a certain ring within 0.5 %",
    ),
    Row(
        "certain rings on no in-phase point within 3 dB of howling",
        "<= 3 %",
        lambda n: exact(n["false"], n["certain"]),
        lambda n: share(n["false"], n["certain"]) <= 0.03,
        "at the highest send of the recording; within 2 Hz and 0.1 %",
    ),
    Row(
        "promised added gain: its 90 % interval holds the truth",
        "85 to 95 %",
        lambda n: exact(n["held"], n["told"]),
        lambda n: 0.85 <= share(n["held"], n["told"]) <= 0.95,
        "fitted in tuning rooms, judged in the others",
    ),
    Row(
        "speech, music and held notes without feedback: plans with a cut marked certain",
        "<= 2 %",
        lambda n: exact(n["free_cut"], n["free"]),
        lambda n: share(n["free_cut"], n["free"]) <= 0.02,
        "stretches of 15 s of recordings that nothing was tuned on",
    ),
)
QUIET = (
    Row(
        "predicted stable gain, 30 s of pink noise at 20 dB SNR",
        "within 0.5 dB on 95 % of stages",
        lambda n: f"{n['within_half_db']:.1%}; 95 % within {n['error_95_db']:.2f} dB",
        lambda n: n["within_half_db"] >= 0.95,
        "{stages:.0f} held-out virtual stages, clocks up to 200 ppm apart, same path, worst case "
        "over the phase",
    ),
    Row(
        "added stable gain against a long global optimiser's under the same limits",
        ">= 95 %",
        lambda n: f"mean {n['evolved_mean']:.1%}, least {n['evolved_least']:.1%}",
        lambda n: n["evolved_least"] >= 0.95,
        "scipy's differential evolution over the same settings with as many cuts, on "
        "{evolved_stages:.0f} stages",
    ),
    Row(
        "time to choose the cuts",
        "< 2 s",
        lambda n: f"longest {n['cuts_longest_s']:.2f} s",
        lambda n: n["cuts_longest_s"] < 2.0,
        "processor time on one core, the slowest of {stages:.0f} stages, up to six cuts",
    ),
    Row(
        "added stable gain delivered in the closed loop",
        "within 1 dB of the prediction",
        lambda n: (
            f"worst {n['delivered_worst_db']:.2f} dB; loop turns where predicted on "
            f"{n['closed_as_predicted']:.0f} of {n['closed']:.0f}"
        ),
        lambda n: n["delivered_worst_db"] <= 1.0 and n["closed_as_predicted"] == n["closed"],
        "against the stage's own poles with the plan in its equaliser; on {closed:.0f} stages the "
        "loop was also run in the time domain 0.5 dB under and 0.5 dB over that gain",
    ),
)
DETECTION = (
    Row(
        "howls of 0.5 s and more, 10 dB over the programme, found in rehearsals",
        ">= 95 %",
        lambda n: f"{share(n['found'], n['howls']):.1%} ({n['found']:.0f} of {n['howls']:.0f})",
        lambda n: share(n["found"], n["howls"]) >= 0.95,
        "closed loops of virtual stages over recorded music and speech held out from tuning",
    ),
    Row(
        "false events in music and speech without feedback",
        "<= 1 per hour",
        lambda n: f"{share(n['false'], n['hours']):.2f} per hour ({n['hours']:.1f} h)",
        lambda n: share(n["false"], n["hours"]) <= 1.0,
        "recorded music and speech held out from tuning, no feedback in it",
    ),
)
SPEED = (
    Row(
        "rehearsals: speed, of merely reading the file and taking the same FFTs",
        ">= 0.5",
        lambda n: f"{n['rate']:.2f}",
        lambda n: n["rate"] >= 0.5,
        "processor time of one core, in turns in the same run, 48 kHz 24-bit mono",
    ),
    Row(
        "rehearsals: peak memory whatever the length",
        "<= 300 MB",
        lambda n: f"{n['peak_mb']:.0f} MB",
        lambda n: n["peak_mb"] <= 300,
        "a fresh process scanning recordings of up to {hours:.1f} h; the highest",
    ),
)
START_UP = (
    Row(
        "suggest on a 30 s capture with plot, of starting Python with its libraries",
        "<= 2.5",
        lambda n: f"{n['ratio']:.2f} (processor time {n['cpu_ratio']:.2f})",
        lambda n: n["ratio"] <= 2.5,
        "fresh processes in turns, warm caches, medians of time on the clock: {job_s:.2f} s "
        "against {yardstick_s:.2f} s",
    ),
)

BENCHES: dict[str, tuple[Row, ...]] = {
    "filter_accuracy": FILTERS,
    "ring_outs": RING_OUTS,
    "measured_ring_outs": MEASURED_RING_OUTS,
    "quiet_ring_out": QUIET,
    "rehearsals_detection": DETECTION,
    "rehearsals_speed": SPEED,
    "start_up": START_UP,
}

_MEASURE = """
import contextlib, importlib, json, sys
with contextlib.redirect_stdout(sys.stderr):
    numbers = importlib.import_module(sys.argv[1]).measure(quick=sys.argv[2] == "quick")
print(json.dumps(numbers))
"""


def numbers_of(bench: str, *, quick: bool) -> Numbers | str:
    """Run a bench in a process of its own; return its numbers, or what went wrong."""
    paths = os.pathsep.join([str(BENCH), str(ROOT), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE, bench, "quick" if quick else "full"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1"},
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode:
        return f"not measured: {bench}.py ended with exit code {done.returncode}"
    numbers: Numbers = json.loads(done.stdout)
    return numbers


def machine() -> str:
    """Describe the machine and the libraries."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        found = re.search(r"model name\s*:\s*(.+)", info.read_text())
        model = found[1].strip() if found else model
    libraries = ", ".join(
        f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "scipy", "matplotlib")
    )
    return (
        f"{model}, {os.cpu_count()} cores, {platform.system()}; "
        f"Python {platform.python_version()}, {libraries}"
    )


def table(results: dict[str, Numbers | str]) -> list[tuple[str, str, str, str, str]]:
    """Return the cells of the table: promise, target, reached, met, how."""
    cells = []
    for bench, numbers in results.items():
        for row in BENCHES[bench]:
            if isinstance(numbers, str):
                cells.append((row.what, row.target, numbers, "not known", ""))
                continue
            met = "yes" if row.met(numbers) else "NO"
            how = f"{row.how.format(**numbers)} (`{bench}.py`)"
            cells.append((row.what, row.target, row.reached(numbers), met, how))
    return cells


def markdown(cells: list[tuple[str, str, str, str, str]], *, quick: bool, took_s: float) -> str:
    """Return the page that is written."""
    lines = [
        "# Figures",
        "",
        "Written by `python tests/bench/figures.py`; do not edit.",
        "",
        f"- Machine: {machine()}",
        f"- Date: {datetime.now(UTC):%Y-%m-%d}, in {took_s / 60:.0f} min",
        *(["- Smaller runs than the figures call for (`--quick`)"] if quick else []),
        "",
        "| what | target | reached | met | how |",
        "| --- | --- | --- | --- | --- |",
        *("| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in cells),
        "",
    ]
    return "\n".join(lines)


def main() -> int:
    """Run the benches, print the table, write the page; return 1 if a figure is not reached."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="smaller runs")
    parser.add_argument("--only", metavar="WORD", default="", help="benches whose name holds it")
    options = parser.parse_args()
    began = time.monotonic()
    chosen = [bench for bench in BENCHES if options.only in bench]
    results = {}
    for bench in chosen:
        print(f"{bench} ...", file=sys.stderr, flush=True)
        results[bench] = numbers_of(bench, quick=options.quick)
    cells = table(results)
    page = markdown(cells, quick=options.quick, took_s=time.monotonic() - began)
    print(page)
    if not options.only:
        RESULT.write_text(page, encoding="utf-8")
    return int(any(met != "yes" for *_, met, _ in cells))


if __name__ == "__main__":
    sys.exit(main())
