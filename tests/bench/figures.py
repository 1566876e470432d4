"""Every figure the project promises: target, reached, and how it was measured.

    python tests/bench/figures.py [--quick] [--only WORD]

Prints the table and writes it to tests/bench/FIGURES.md, with the machine and the date. Each bench
runs in a process of its own and returns its figures from ``measure(quick=...)``; ``--quick`` makes
smaller runs, and says so in the table; ``--only`` runs the benches whose name holds the word, and
writes nothing. The full table takes about half an hour on two cores, and another
hour for ``mutants``.
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

from exact import rate_text, share_text
from scipy import stats

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


def interval(hits: float, count: float) -> str:
    """Return a share with its count and its exact 95 % interval (Clopper and Pearson)."""
    if not count:
        return "none"
    found = stats.binomtest(round(hits), round(count)).proportion_ci(method="exact")
    return f"{hits / count:.1%} of {count:.0f} (95 %: {found.low:.1%} to {found.high:.1%})"


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
        lambda n: interval(n["stable"], n["cases"]),
        lambda n: share(n["stable"], n["cases"]) >= 0.95,
        "{cases:.0f} ring-outs in rooms that nothing was tuned on, one plan each, no thinning; the "
        "plainest method (percentile of the height over the neighbourhood, four cuts of 6 dB): "
        "{stable_plain:.0f}",
    ),
    Row(
        "the same with 3 dB margin, where four oracle cuts reach it",
        ">= 80 %",
        lambda n: interval(n["with_margin_reachable"], n["reachable"]),
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
        lambda n: interval(n["dominant"], n["cases"]),
        lambda n: share(n["dominant"], n["cases"]) >= 0.98,
        "the unstable mode that stood loudest for half a second, a certain ring within 0.5 %",
    ),
    Row(
        "certain rings on no in-phase point within 3 dB of howling",
        "<= 3 %",
        lambda n: interval(n["false"], n["certain"]),
        lambda n: share(n["false"], n["certain"]) <= 0.03,
        "at the highest send of the recording; within 2 Hz and 0.1 %",
    ),
    Row(
        "promised added gain: its 90 % interval holds the truth",
        "85 to 95 %",
        lambda n: interval(n["held"], n["told"]),
        lambda n: 0.85 <= share(n["held"], n["told"]) <= 0.95,
        "fitted in tuning rooms, judged in the others",
    ),
    Row(
        "speech, music and held notes without feedback: plans with a cut marked certain",
        "<= 2 %",
        lambda n: interval(n["free_cut"], n["free"]),
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
PROMISES = (
    Row(
        "quiet ring-out: unsafe promises among faulty measurements",
        "<= 1 %",
        lambda n: interval(n["unsafe"], n["faulty"]),
        lambda n: share(n["unsafe"], n["faulty"]) <= 0.01,
        "promised more than 0.5 dB over the truth; {cases:.0f} measurements on measured rooms, "
        "sixteen faults and sound ones",
    ),
    Row(
        "quiet ring-out: cause of a faulty measurement named",
        ">= 90 %",
        lambda n: interval(n["named"], n["faulty"]),
        lambda n: share(n["named"], n["faulty"]) >= 0.9,
        "the same",
    ),
    Row(
        "quiet ring-out: sound measurements refused, withheld or warned",
        "<= 2 %",
        lambda n: interval(n["sound_warned"], n["sound"]),
        lambda n: share(n["sound_warned"], n["sound"]) <= 0.02,
        "the same; 15 to 30 s of noise, 10 to 30 dB over the room's, clocks 200 ppm apart, and "
        "sweeps",
    ),
    Row(
        "quiet ring-out: 95 % interval of the stable gain holds the truth",
        "93 to 98 %",
        lambda n: f"{interval(n['held'], n['sound_promised'])}; width {n['width_db']:.2f} dB",
        lambda n: 0.93 <= share(n["held"], n["sound_promised"]) <= 0.98,
        "sound measurements",
    ),
    Row(
        "quiet ring-out: in-phase range over delays holds the truth in phase",
        ">= 95 %",
        lambda n: interval(n["in_phase_held"], n["sound_promised"]),
        lambda n: share(n["in_phase_held"], n["sound_promised"]) >= 0.95,
        "sound measurements, within 0.5 dB, recorders started at any time",
    ),
)
QUIET_PLANS = (
    Row(
        "--favour gain, six bands: added gain against six cuts of -6 dB Q 8",
        ">= 1.25 x",
        lambda n: f"median {n['gain_over_ordinary']:.2f} x",
        lambda n: n["gain_over_ordinary"] >= 1.25,
        "{loops:.0f} loops on measured rooms",
    ),
    Row(
        "--favour gain against a long global optimiser of added gain alone",
        ">= 95 % in the least",
        lambda n: f"least {n['evolved_least']:.1%}",
        lambda n: n["evolved_least"] >= 0.95,
        "scipy's differential evolution, 20 s each, {evolved_loops:.0f} loops",
    ),
    Row(
        "--favour balanced: tone spent against those six cuts at no less gain",
        "<= 0.5 x",
        lambda n: (
            f"median {n['balanced_tone_over_ordinary']:.2f} x for "
            f"{n['balanced_gain_over_ordinary']:.2f} x the gain (least "
            f"{n['balanced_gain_least']:.2f} x)"
        ),
        lambda n: (
            n["balanced_tone_over_ordinary"] <= 0.5 and n["balanced_gain_over_ordinary"] >= 1.0
        ),
        "{loops:.0f} loops on measured rooms",
    ),
    Row(
        "pink noise without reference: added gain against the same capture with it",
        "median >= 0.9, least >= 0.7 x",
        lambda n: f"median {n['noise_median']:.2f} x, least {n['noise_least']:.2f} x",
        lambda n: n["noise_median"] >= 0.9 and n["noise_least"] >= 0.7,
        "{noise_captures:.0f} captures on measured rooms, judged on the true path",
    ),
    Row(
        "send for a place nobody measured holds there, 1, 3 and 5 measured",
        ">= 93 % of places, median <= 3 dB under the worst",
        lambda n: "; ".join(
            f"{m}: {interval(n[f'held_{m}'], n[f'places_{m}'])}, {n[f'below_{m}']:.1f} dB"
            for m in (1, 3, 5)
            if n[f"places_{m}"]
        ),
        lambda n: all(
            share(n[f"held_{m}"], n[f"places_{m}"]) >= 0.93 and n[f"below_{m}"] <= 3.0
            for m in (1, 3, 5)
            if n[f"places_{m}"]
        ),
        "{grid_sets:.0f} sets of places in measured rooms",
    ),
    Row(
        "added at places not measured, three measured, over the former rule at equal tone",
        ">= 0.3 dB more",
        lambda n: f"{n['over_former_there']:+.2f} dB on {n['former_there']:.2f} dB",
        lambda n: n["over_former_there"] >= 0.3,
        "mean of {former_sets:.0f} sets of places; the former plans remove {former_tone:.2f} dB",
    ),
    Row(
        "plans that add less than 1 dB where broad cuts add 3 dB",
        "none",
        lambda n: f"{n['little']:.0f} of {n['plans']:.0f}",
        lambda n: n["little"] == 0,
        "parametric-4 and parametric-6 with light thinning, measured rooms",
    ),
    Row(
        "time to choose the cuts, any preset",
        "< 1 s with 2 captures, < 3 s with 12",
        lambda n: f"{n['seconds_2']:.2f} s; {n['seconds_12']:.2f} s",
        lambda n: n["seconds_2"] < 1.0 and n["seconds_12"] < 3.0,
        "processor time on one core, the slowest",
    ),
)
DETECTION = (
    *(
        Row(
            what,
            f">= {target:.0%}",
            lambda n, key=key: share_text(n[f"{key}found"], n[f"{key}howls"]),
            lambda n, key=key, target=target: share(n[f"{key}found"], n[f"{key}howls"]) >= target,
            how,
        )
        for what, key, target, how in (
            (
                "howls of 0.5 s and more, 10 dB over the programme, found in rehearsals",
                "",
                0.95,
                "closed loops on measured rooms over music, speech and notes, none of them seen "
                "in tuning; single, two at once, drifting, weak, strong, pumped, near ratios",
            ),
            ("the same, two at once", "two_", 0.9, "of the same scenes, those that overlap"),
            ("the same, drifting", "drifting_", 0.9, "of the same scenes, by 4 cents or more"),
        )
    ),
    *(
        Row(
            f"{what} an hour without feedback",
            f"<= {target}",
            lambda n, key=key, of=of: rate_text(n[f"{key}_{of}"], n[f"{key}_hours"]),
            lambda n, key=key, of=of, target=target: n[f"{key}_{of}"] <= target * n[f"{key}_hours"],
            "recordings of sources unseen in tuning: " + how,
        )
        for what, key, of, target, how in (
            ("false certain events", "real", "false", 1, "music, speech and held notes"),
            ("possible rings, none true,", "real", "possible", 5, "the same"),
            ("false certain events", "notes", "false", 2, "held notes alone"),
            ("false certain events", "made", "false", 2, "made drones, beeps and check tones"),
        )
    ),
    Row(
        "average precision over the best published combination, same frames and counting",
        ">= +0.1",
        lambda n: (
            f"{n['area'] - n['published_area']:+.3f} ({n['area']:.3f}); by what is known "
            f"after 1 s {n['causal_area'] - n['published_causal_area']:+.3f}"
        ),
        lambda n: n["area"] - n["published_area"] >= 0.1,
        "thresholds of the published criteria swept on the very material, best envelope",
    ),
    Row(
        "Brier score of the confidence",
        "<= 0.05",
        lambda n: f"{n['brier']:.3f}",
        lambda n: n["brier"] <= 0.05,
        "all events of the same recordings",
    ),
)
SPEED = (
    Row(
        "rehearsals: speed, of merely reading the file and taking the same FFTs",
        ">= 0.7",
        lambda n: f"{n['rate']:.2f}",
        lambda n: n["rate"] >= 0.7,
        "processor time of one core, in turns in the same run, 48 kHz 24-bit mono",
    ),
    Row(
        "rehearsals: peak memory whatever the length",
        "<= 200 MB",
        lambda n: f"{n['peak_mb']:.0f} MB",
        lambda n: n["peak_mb"] <= 200,
        "a fresh process scanning recordings of up to {hours:.1f} h; the highest",
    ),
    Row(
        "rehearsals: peak memory with 32 channels",
        "<= 200 MB",
        lambda n: f"{n['peak_32_mb']:.0f} MB",
        lambda n: n["peak_32_mb"] <= 200,
        "a fresh process scanning a recording of 32 channels, 24 bits",
    ),
)
KILLS = (
    Row(
        "rehearsals: scans that were killed, ran out of room or lost their cluster",
        "results equal to an undisturbed scan's",
        lambda n: f"{n['equal']:.0f} of {n['through']:.0f} after {n['incidents']:.0f} incidents",
        lambda n: n["equal"] == n["through"] > 0,
        "the same command again until it is through; all three results, byte by byte",
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
LESSON = (
    Row(
        "the lesson page, and with an own wedge: size",
        "<= 4 MB",
        lambda n: f"{n['plain_bytes'] / 1e6:.2f} and {n['own_bytes'] / 1e6:.2f} MB",
        lambda n: max(n["plain_bytes"], n["own_bytes"]) <= 4e6,
        "as the command writes it",
    ),
    Row(
        "first sound after a tap",
        "<= 0.3 s",
        lambda n: f"{n['first_sound_s']:.3f} s, worst {n['first_sound_worst_s']:.3f} s",
        lambda n: n["first_sound_worst_s"] <= 0.3,
        "{taps:.0f} fresh loads in headless Chromium, half of them tapped after 2 s; the others, "
        "tapped while the page still loads: {at_once_s:.3f} s, worst {at_once_worst_s:.3f} s",
    ),
    Row(
        "its filters as a browser renders them, against scipy",
        "<= 1e-5",
        lambda n: f"{n['sample_error']:.1e}",
        lambda n: n["sample_error"] <= 1e-5,
        "largest difference of a sample, impulse responses of {filters:.0f} settings and steps",
    ),
)

LISTENING = (
    Row(
        "A/B pairs: loudness difference, every 3 s window without howl",
        "<= 0.5 LU",
        lambda n: f"{n['worst_lu']:.2f} LU at most; {interval(n['within'], n['windows'])}",
        lambda n: n["worst_lu"] <= 0.5,
        "{pairs:.0f} pairs, {with_howl:.0f} with a howl: ring-outs in measured rooms that nothing "
        "was tuned on, real speech and music; one gain for the whole would be {worst_whole_lu:.1f} "
        "LU apart at most, one by what is not howl {worst_calm_lu:.1f}",
    ),
    Row(
        "the same: a howl with the plan, against without",
        "never louder",
        lambda n: f"{n['howl_louder_lu']:+.2f} LU at most",
        lambda n: n["howl_louder_lu"] <= 0.005,
        "moments in which an unstable mode holds half the power, within 30 dB of the loudest",
    ),
)

MUTANTS = (
    Row(
        "small changes of the code that the default suite notices",
        ">= 85 %",
        lambda n: f"{100 * n['share']:.1f}% ({n['killed']:.0f} of {n['sampled']:.0f})",
        lambda n: n["share"] >= 0.85,
        "a seeded sample over plan, equaliser, analysis, comparison and rehearsals, each against "
        "all tests that reach the changed line; 95 % interval {low:.1%} to {high:.1%}, exact",
    ),
)

STAGE = (
    Row(
        "gain at which a whole stage howls, predicted against the time domain",
        "within 0.5 dB in 95 %, worst 1 dB",
        lambda n: (
            f"{interval(n['within_half_db'] * 2 * n['stages'], 2 * n['stages'])}; "
            f"worst {n['worst_db']:.2f} dB"
        ),
        lambda n: n["within_half_db"] >= 0.95 and n["worst_db"] <= 1.0,
        "{stages:.0f} stages on measured rooms, 2 x 2 to 6 x 4, before and after the plans",
    ),
    Row(
        "deciding mic, wedge and frequency named right",
        ">= 95 %",
        lambda n: interval(n["named"] * n["stages"], n["stages"]),
        lambda n: n["named"] >= 0.95,
        "the same stages",
    ),
    Row(
        "added gain together against planning each wedge alone",
        "never less",
        lambda n: f"least {n['least_gained_db']:+.2f} dB",
        lambda n: n["least_gained_db"] >= 0.0,
        "by the measured paths; a stage planned as alone is equal",
    ),
    Row(
        "the same where cross paths are within 3 dB",
        ">= 1 dB more",
        lambda n: interval(n["gained_1db_where_close"] * n["close_stages"], n["close_stages"]),
        lambda n: n["gained_1db_where_close"] >= 1.0,
        "{close_stages:.0f} stages",
    ),
)
STAGE_OPTIMUM = (
    Row(
        "joint plan against a long global optimiser, two wedges and three mics",
        ">= 95 % of its added gain",
        lambda n: f"least {n['least']:.1%}, median {n['median']:.1%}",
        lambda n: n["least"] >= 0.95,
        "{stages:.0f} stages; the optimiser may set what nobody can dial in",
    ),
)
STAGE_WEEKS = (
    Row(
        "changes found between two weeks, ten kinds",
        ">= 95 %",
        lambda n: f"{n['found']:.1%}",
        lambda n: n["found"] >= 0.95,
        "{trials:.0f} trials on measured rooms",
    ),
    Row(
        "false alarms between two weeks",
        "<= 2 %",
        lambda n: f"{n['false']:.1%}",
        lambda n: n["false"] <= 0.02,
        "weeks in which nothing changed",
    ),
)

LEVELS = (
    *(
        Row(
            f"{name} of real music and speech against truth",
            "+-0.1 dB",
            lambda n, key=key: (
                f"worst {n[f'{key}_worst_db']:.3f} dB, "
                + share_text(n[f"{key}_within"], n["recordings"])
            ),
            lambda n, key=key: n[f"{key}_within"] == n["recordings"],
            "{recordings:.0f} recordings of known level at 44.1, 48 and 96 kHz with a calibrator's "
            "tone; truth from the whole spectrum",
        )
        for name, key in (("LAeq", "a"), ("LCeq", "c"))
    ),
    Row(
        "wrong calibration tones refused",
        "all",
        lambda n: share_text(n["wrong_refused"], n["wrong"]),
        lambda n: n["wrong_refused"] == n["wrong"],
        "eight kinds; right ones refused: {right_refused:.0f} of {right:.0f}",
    ),
)
WALKS = (
    Row(
        "stable gain along a walk: promised low end <= truth + 0.5 dB, walks",
        ">= 99 %",
        lambda n: (
            share_text(n["walks_held"], n["walks"]) + f"; median {n['walks_median_db']:.1f} dB"
        ),
        lambda n: share(n["walks_held"], n["walks"]) >= 0.99,
        "measured position grids; with the plan {walks_after_held:.0f} of {walks:.0f}",
    ),
    Row(
        "the same, every moment of the walks",
        ">= 99 %",
        lambda n: (
            share_text(n["blocks_held"], n["blocks"]) + f"; median {n['blocks_median_db']:.1f} dB"
        ),
        lambda n: share(n["blocks_held"], n["blocks"]) >= 0.99,
        "with the plan {blocks_after_held:.0f} of {blocks:.0f}; the plainest method (mic's power "
        "over the noise's) holds {plain_held:.0f} of {plain:.0f}",
    ),
)
FEEDS = (
    Row(
        "one fault of an in-ear feed found and named right, nothing else named",
        ">= 99 %",
        lambda n: interval(n["single_right"], n["single"]),
        lambda n: share(n["single_right"], n["single"]) >= 0.99,
        "{packs:.0f} simulated packs in mixes of 2 to 16, 17 faults, makers other than in tuning; "
        "rms of each channel against the median: {plain_right:.0f} of {single:.0f}",
    ),
    Row(
        "two faults of a feed, both named and nothing else",
        ">= 95 %",
        lambda n: interval(n["double_right"], n["double"]),
        lambda n: share(n["double_right"], n["double"]) >= 0.95,
        "pairs that can be told together",
    ),
    Row(
        "sound feeds called faulty",
        "<= 0.5 %",
        lambda n: interval(n["sound_called"], n["sound"]),
        lambda n: share(n["sound_called"], n["sound"]) <= 0.005,
        "hiss, hum, music from open mics and guarding limiters below the thresholds; rms of each "
        "channel: {plain_called:.0f}",
    ),
    Row(
        "level of a feed",
        "+-0.2 dB",
        lambda n: (
            f"{interval(n['level_within'], n['levels'])}; worst {n['level_worst_db']:.2f} dB, "
            f"{n['level_not_told']:.0f} not told"
        ),
        lambda n: share(n["level_within"], n["levels"]) >= 0.99,
        "gain of soft sound; feeds with one level (not uneven, not silent); with the median of the "
        "feed's own response counted in: {median_within:.0f}, worst {median_worst_db:.2f} dB",
    ),
    Row(
        "silent or 48 dB low feeds found",
        "always",
        lambda n: interval(n["quiet_found"], n["quiet"]),
        lambda n: n["quiet_found"] == n["quiet"],
        "named silent or low",
    ),
)

WATCH = (
    Row(
        "time to name a ring while watching, median",
        "<= 0.3 s",
        lambda n: f"{n['median_s']:.2f} s of {n['howls']:.0f}",
        lambda n: n["median_s"] <= 0.3,
        "from standing 10 dB over the programme in the third octave around it, scenes of "
        "rehearsals_detection in measured rooms, all classes",
    ),
    Row(
        "rings named within 0.6 s of that",
        ">= 95 %",
        lambda n: share_text(n["soon"], n["howls"]),
        lambda n: share(n["soon"], n["howls"]) >= 0.95,
        "of the same howls; never named counts as late",
    ),
    Row(
        "false certain rings while watching music and speech, an hour",
        "<= 2",
        lambda n: rate_text(n["false"], n["hours"]),
        lambda n: n["false"] <= 2 * n["hours"],
        "recordings of sources unseen in tuning",
    ),
)

STOPS = (
    Row(
        "output silent within 100 ms of a stop, any cause",
        "100 of 100",
        lambda n: f"{n['silent']:.0f} of {n['stops']:.0f}, worst {n['worst_ms']:.0f} ms",
        lambda n: n["silent"] == n["stops"],
        "shaping measure on JACK's dummy driver: key, three signals, clipping, a howl",
    ),
)

PLAN_TIME = (
    Row(
        "from shaping measure to the plan, one wedge, three mics, 20 s of noise",
        "<= 45 s",
        lambda n: f"{n['worst_s']:.1f} s, worst of {n['runs']:.0f}",
        lambda n: n["worst_s"] <= 45,
        "on JACK's dummy driver, {again:.0f} takes made again for lost blocks",
    ),
)

LOAD = (
    Row(
        "30 min of watching 32 channels: lost blocks",
        "0, 50 % of a core free",
        lambda n: f"{n['lost']:.0f}, {n['core_share']:.0%} of one core",
        lambda n: n["lost"] == 0 and n["core_share"] <= 1.5,
        "music on every mic, JACK's dummy driver, {server_lost:.0f} lost by the server itself",
    ),
)

BENCHES: dict[str, tuple[Row, ...]] = {
    "filter_accuracy": FILTERS,
    "ring_outs": RING_OUTS,
    "measured_ring_outs": MEASURED_RING_OUTS,
    "quiet_ring_out": QUIET,
    "quiet_faults": PROMISES,
    "quiet_plans": QUIET_PLANS,
    "rehearsals_detection": DETECTION,
    "stage_margins": STAGE,
    "stage_optimum": STAGE_OPTIMUM,
    "stage_weeks": STAGE_WEEKS,
    "feeds_faults": FEEDS,
    "live_watch": WATCH,
    "live_stops": STOPS,
    "live_plan_time": PLAN_TIME,
    "live_load": LOAD,
    "rehearsals_kills": KILLS,
    "rehearsals_speed": SPEED,
    "exposure_levels": LEVELS,
    "walks": WALKS,
    "start_up": START_UP,
    "listen_pairs": LISTENING,
    "lesson_page": LESSON,
    "mutants": MUTANTS,
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
