"""Gradient boosting of small trees with monotone measures, in numpy, the same on every machine.

Logistic loss, second-order steps, measures cut into at most 48 ranges at quantiles of the
examples. A measure said to be monotone may only ever raise (or lower) the sum: splits that would
break this are not taken, and bounds are handed down the tree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.model import Trees

Real = NDArray[np.float64]

DEPTH = 3
RATE = 0.08
L2 = 8.0
LEAST_WEIGHT = 4.0
RANGES = 48


@dataclass(frozen=True, eq=False)
class Binned:
    """Examples cut into ranges."""

    ranges: NDArray[np.int64]  # n x measures
    edges: list[Real]


def binned(values: Real) -> Binned:
    """Cut measures into ranges; edges are rounded, so that they can be written down."""
    edges = []
    ranges = np.empty(values.shape, np.int64)
    for column in range(values.shape[1]):
        quantiles = np.quantile(values[:, column], np.linspace(0, 1, RANGES + 1)[1:-1])
        cut = np.unique([float(f"{q:.4g}") for q in quantiles])
        edges.append(cut)
        ranges[:, column] = np.searchsorted(cut, values[:, column], side="left")
    return Binned(ranges, edges)


def fit(
    data: Binned, label: NDArray[np.bool_], weight: Real, monotone: NDArray[np.int64], rounds: int
) -> Trees:
    """Boost `rounds` trees."""
    count, measures = data.ranges.shape
    flat = data.ranges + np.arange(measures) * RANGES
    prior = float(np.log(weight[label].sum() / weight[~label].sum()))
    total = np.full(count, prior)
    feature = np.zeros((rounds, 2**DEPTH - 1), np.int64)
    bar = np.full((rounds, 2**DEPTH - 1), np.inf)
    leaf = np.zeros((rounds, 2**DEPTH))
    for tree in range(rounds):
        chance = 1 / (1 + np.exp(-total))
        slope, bend = weight * (chance - label), weight * chance * (1 - chance)
        node = np.zeros(count, np.int64)
        low, high = np.full(1, -np.inf), np.full(1, np.inf)
        for depth in range(DEPTH):
            first, nodes = 2**depth - 1, 2**depth
            cell = (flat + node[:, None] * (measures * RANGES)).ravel()
            shape = (nodes, measures, RANGES)
            size = nodes * measures * RANGES
            sums = [
                np.bincount(cell, np.repeat(v, measures), minlength=size).reshape(shape)
                for v in (slope, bend)
            ]
            best, at = _best_splits(*sums, monotone, low, high)
            next_low, next_high = np.repeat(low, 2), np.repeat(high, 2)
            for number in range(nodes):
                if not np.isfinite(best[number]):
                    continue
                column, place = divmod(int(at[number]), RANGES)
                if place >= data.edges[column].size:
                    continue
                feature[tree, first + number] = column
                bar[tree, first + number] = data.edges[column][place]
                if monotone[column]:
                    left, right = _children(sums, number, column, place)
                    middle = float(np.clip((left + right) / 2, low[number], high[number]))
                    bounds = (
                        (next_high, next_low) if monotone[column] > 0 else (next_low, next_high)
                    )
                    bounds[0][2 * number] = middle
                    bounds[1][2 * number + 1] = middle
            column = feature[tree, first + node]
            limit = np.array(
                [
                    np.searchsorted(data.edges[feature[tree, first + n]], bar[tree, first + n])
                    if np.isfinite(bar[tree, first + n])
                    else RANGES
                    for n in range(nodes)
                ]
            )
            node = 2 * node + (data.ranges[np.arange(count), column] > limit[node])
            low, high = next_low, next_high
        down = np.bincount(node, slope, minlength=2**DEPTH)
        up = np.bincount(node, bend, minlength=2**DEPTH)
        leaf[tree] = np.round(RATE * np.clip(-down / (up + L2), low, high), 4)
        total = total + leaf[tree][node]
    return Trees(feature, bar, leaf, round(prior, 4))


def _best_splits(
    slope: Real, bend: Real, monotone: NDArray[np.int64], low: Real, high: Real
) -> tuple[Real, NDArray[np.int64]]:
    left_g, left_h = np.cumsum(slope, axis=2), np.cumsum(bend, axis=2)
    all_g, all_h = left_g[..., -1:], left_h[..., -1:]
    right_g, right_h = all_g - left_g, all_h - left_h
    bounds = (low[:, None, None], high[:, None, None])
    left = np.clip(-left_g / (left_h + L2), *bounds)
    right = np.clip(-right_g / (right_h + L2), *bounds)
    whole = np.clip(-all_g / (all_h + L2), *bounds)

    def won(g: Real, h: Real, value: Real) -> Real:
        return np.asarray(-(g * value + 0.5 * (h + L2) * value**2))

    gain = won(left_g, left_h, left) + won(right_g, right_h, right) - won(all_g, all_h, whole)
    allowed = (left_h >= LEAST_WEIGHT) & (right_h >= LEAST_WEIGHT)
    allowed &= (right - left) * monotone[None, :, None] >= 0
    gain = np.where(allowed & (gain > 1e-6), gain, -np.inf).reshape(slope.shape[0], -1)
    at = gain.argmax(axis=1)
    return gain[np.arange(at.size), at], at


def _children(sums: list[Real], node: int, column: int, place: int) -> tuple[float, float]:
    g, h = (s[node, column] for s in sums)
    inside = slice(0, place + 1)
    left = -g[inside].sum() / (h[inside].sum() + L2)
    right = -g[place + 1 :].sum() / (h[place + 1 :].sum() + L2)
    return float(left), float(right)
