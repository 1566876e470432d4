"""Fuzz what is read from text: plans in JSON and limits in TOML.

Mutated and spliced inputs must give a result or one of the package's own errors with a one-line
message; anything else is a defect and is printed with the seed that makes it again.

    python -m tests.bench.fuzz_text --inputs 20000
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.errors import LimitsError, PlanError
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.to_json import plan_from_json, plan_to_json
from tests.plan.plan_makers import capture, ring

TOKENS = [
    "NaN",
    "-Infinity",
    "1e999",
    "-0",
    "1e-320",
    "null",
    "true",
    "[]",
    "{}",
    "[[[[[[",
    '"\\ud800"',
    "''",
    "nan",
    "inf",
    "0x10",
    "99999999999999",
    "-1",
    "0",
    "0.5",
    '"peaking"',
    '"notch"',
    '"third-octave"',
    "1979-05-27",
    "=",
    ",",
    ":",
    "#",
    "\n",
    "\x00",
    "\x1b[31m",
    "é",
]


def mutated(text: str, generator: random.Random) -> str:
    """Return the text with a few pieces changed, doubled, dropped or replaced by tokens."""
    for _ in range(generator.randint(1, 5)):
        start = generator.randrange(len(text) + 1)
        end = min(len(text), start + int(generator.expovariate(1 / 6)))
        kind = generator.randrange(5)
        if kind == 0:
            piece = generator.choice(TOKENS)
        elif kind == 1:
            piece = "".join(chr(generator.randrange(1, 300)) for _ in range(end - start))
        elif kind == 2:
            piece = text[start:end] * generator.randint(2, 40)
        elif kind == 3:
            other = generator.randrange(len(text) + 1)
            piece = text[other : other + generator.randint(1, 60)]
        else:
            piece = ""
        text = text[:start] + piece + text[end:]
    return text


def swapped_number(text: str, generator: random.Random) -> str:
    """Return the text with one of its numbers replaced: the damage that still parses."""
    digits = [n for n, c in enumerate(text) if c.isdigit() and not text[n - 1].isalnum()]
    start = generator.choice(digits)
    end = start
    while end < len(text) and (text[end].isdigit() or text[end] in ".-e"):
        end += 1
    values = ("0", "-1", "1e300", "0.1", "7", "1e-9", "true", '"x"', "[]", "99999")
    return text[:start] + generator.choice(values) + text[end:]


def run(
    name: str,
    seeds: list[str],
    read: Callable[[str], object],
    expected: type[Exception],
    *,
    inputs: int,
    seed: int,
) -> int:
    """Feed mutated inputs, print the counts, and return the number of defects."""
    counts: Counter[str] = Counter()
    slowest_s, defects = 0.0, 0
    for number in range(inputs):
        generator = random.Random(f"{name}-{seed}-{number}")
        change = mutated if generator.random() < 0.5 else swapped_number
        text = change(generator.choice(seeds), generator)
        began = time.perf_counter()
        try:
            read(text)
            counts["read"] += 1
        except expected as error:
            counts["refused"] += 1
            if not str(error).isprintable() or len(str(error)) > 400:
                defects += 1
                print(f"{name} input {number}: message not plain: {str(error)!r}")
        except Exception as error:
            defects += 1
            print(f"{name} input {number}: {type(error).__name__}: {error}")
        slowest_s = max(slowest_s, time.perf_counter() - began)
    print(
        f"{name}: {inputs} inputs, {counts['read']} read, {counts['refused']} refused, "
        f"{defects} defects, slowest {1000 * slowest_s:.0f} ms"
    )
    return defects


def main() -> int:
    """Run both fuzzers; the exit code is 1 if there was any defect."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = [ring(300.0 * 1.5**n, clipped=n == 1, occurrences=n + 1) for n in range(4)]
    plans = [
        plan_to_json(
            plan_from_rings([capture()], found, load_limits(name), thinning=ThinningAmount.MEDIUM)
        )
        for name in preset_names()
    ]
    presets = resources.files("shaping.equaliser") / "presets"
    limits = [(presets / f"{name}.toml").read_text(encoding="utf-8") for name in preset_names()]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "limits.toml"

        def read_limits(text: str) -> object:
            file.write_bytes(text.encode("utf-8", "surrogatepass"))
            return load_limits(str(file))

        def read_plan(text: str) -> object:
            return plan_to_json(plan_from_json(text))

        defects = run(
            "plan JSON", plans, read_plan, PlanError, inputs=options.inputs, seed=options.seed
        ) + run(
            "limits TOML",
            limits,
            read_limits,
            LimitsError,
            inputs=options.inputs,
            seed=options.seed,
        )
    return int(defects > 0)


if __name__ == "__main__":
    sys.exit(main())
