"""Leading a ring-out on a source: samples and keys in, steps on the screen, the plan at the end."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shaping.equaliser.limits import Limits
from shaping.live.ring_out_steps import (
    KEPT_S,
    Progress,
    Step,
    advanced,
    plan_of_round,
    told,
)
from shaping.live.sources import Source
from shaping.live.watching import Samples, Told, Watch
from shaping.plan.suggestion import Suggestion


@dataclass(frozen=True, eq=False)
class Keys:
    """What was pressed since last time: a line with Return, or the wish to end."""

    entered: str | None = None
    ended: bool = False


def lead_ring_out(
    source: Source,
    limits: Limits,
    *,
    keys: Callable[[], Keys],
    tell: Callable[[Told], None],
    look: Callable[[Watch, str], bool],
) -> tuple[Watch, Progress]:
    """Lead a ring-out until it is done, or nobody goes on.

    Parameters
    ----------
    source : Source
        What is watched.
    limits : Limits
        The equaliser.
    keys : callable
        Returns what was pressed.
    tell : callable
        Is told of every ring.
    look : callable
        Looks at the watch and at what is to be done; returns whether to go on.
    """
    seen, now = Watch(source, limits), Progress()
    kept: deque[Samples] = deque()
    held = 0

    def plan(progress: Progress) -> Suggestion:
        number = len(progress.rounds) + 1
        return plan_of_round(
            np.concatenate(kept),
            progress,
            limits,
            sample_rate_hz=source.sample_rate_hz,
            name=f"round {number}",
        )

    for block in source.blocks:
        for one in seen.take(block):
            tell(one)
        kept.append(block)
        held += len(block)
        while held - len(kept[0]) > KEPT_S * source.sample_rate_hz:
            held -= len(kept.popleft())
        pressed = keys()
        before = now.step
        now = advanced(now, seen.standing, entered=pressed.entered, ended=pressed.ended, plan=plan)
        if now.step is not before and now.step is Step.RAISE:
            kept.clear()
            kept.append(block[:0])
            held = 0
        if not look(seen, told(now)) or now.step is Step.DONE:
            break
    return seen, now
