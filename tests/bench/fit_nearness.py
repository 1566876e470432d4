"""Fit the line behind `shaping.analysis.ring_out.nearness` to ring-outs in measured rooms.

    python tests/bench/fit_nearness.py [--cases N]

Tuning rooms only. Target of every cell: the highest in-phase gain in it, over that of the point
that howls first, no lower than -15 dB. Least squares; cells above -8 dB count in full, others by
0.3, since there are many. Printed besides: the same line fitted without each room in turn and
judged on it, and the plain height over the neighbourhood through the same steps.
"""

from __future__ import annotations

import argparse

import numpy as np
from measured_data import Part
from measured_ring_out_cases import RingOutCase, ring_out_cases

from shaping.analysis.ring_out.nearness import cell_edges, heights, measures, ring_confidence
from shaping.analysis.ring_out.rings import find_rings

LOWEST_DB = -15.0
HIGH_DB, LOW_WEIGHT = -8.0, 0.3
NEAR_DB = -6.0


def truth_db(case: RingOutCase) -> np.ndarray:
    """Return the highest in-phase gain of every cell over the first howl's, shape (cells,)."""
    edges = cell_edges()
    level_db = np.full(edges.size - 1, LOWEST_DB)
    for point in case.loop.in_phase:
        cell = np.digitize(point.frequency_hz, edges) - 1
        if 0 <= cell < level_db.size:
            level_db[cell] = max(level_db[cell], point.gain_db - case.loop.in_phase[0].gain_db)
    return level_db


def fitted(seen: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Return the weights of a least-squares line, shape (6,)."""
    root = np.sqrt(np.where(level_db > HIGH_DB, 1.0, LOW_WEIGHT))
    return np.linalg.lstsq(seen * root[:, None], level_db * root, rcond=None)[0]


def main() -> None:
    """Print the weights and how well they do."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=120)
    cases = parser.parse_args().cases
    seen, level_db, rooms = [], [], []
    for case in ring_out_cases(Part.TUNING, cases):
        found = heights(case.samples, case.loop.sample_rate_hz)
        rings = find_rings(case.samples, case.loop.sample_rate_hz)
        seen.append(measures(found, ring_confidence(rings, found.frequency_hz)))
        level_db.append(truth_db(case))
        rooms += [case.loop.room] * len(level_db[-1])
    x, y, room = np.concatenate(seen), np.concatenate(level_db), np.array(rooms)
    guess = np.zeros_like(y)
    for one in sorted(set(rooms)):
        own = room == one
        weights = fitted(x[~own], y[~own])
        guess[own] = x[own] @ weights
        print(f"without {one:30s} {np.round(weights, 2)}")
    print("weights", np.round(fitted(x, y), 2))
    near = guess > NEAR_DB
    error = (guess - y)[near]
    print(f"left-out rooms, said to be within 6 dB: bias {error.mean():+.2f}, sd {error.std():.2f}")
    weight = np.where(y > HIGH_DB, 1.0, LOW_WEIGHT)
    total = np.average((y - np.average(y, weights=weight)) ** 2, weights=weight)
    alone = x[:, :2] @ fitted(x[:, :2], y)
    for name, said in (("the line, left-out rooms", guess), ("late height alone", alone)):
        left = np.average((y - said) ** 2, weights=weight)
        print(f"{name:25s} explains {1 - left / total:.1%}")


if __name__ == "__main__":
    main()
