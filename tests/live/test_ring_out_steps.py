"""A ring-out led step by step, and in a closed loop with a hand that does what it is told."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.filters.design import cascade_sos
from shaping.live.ring_out_loop import Keys, lead_ring_out
from shaping.live.ring_out_steps import (
    MOST_ROUNDS,
    SEVERAL,
    Progress,
    Round,
    Step,
    advanced,
    summary,
    told,
)
from shaping.live.sources import Source
from shaping.live.watch.watcher import GrowingRing
from shaping.plan.suggestion import Suggestion
from shaping.simulation.closed_loop import ClosedLoop, Stage, room_noise
from shaping.simulation.truth import stable_gain_db

RATE = 48_000


def ring(hertz: float, peak: float = -20.0) -> GrowingRing:
    return GrowingRing(0, hertz, 1.0, 2.0, 1.5, 40.0, peak, 0.9)


def step(now: Progress, *standing: GrowingRing, entered=None, ended=False) -> Progress:
    def plan(progress: Progress) -> Suggestion:
        from shaping.live.ring_out_steps import plan_of_round

        silence = np.zeros((RATE, 1), np.float32)
        return plan_of_round(
            silence, progress, load_limits("parametric-4"), sample_rate_hz=RATE, name="round"
        )

    return advanced(now, standing, entered=entered, ended=ended, plan=plan)


def test_raise_pull_dial_and_raise_again():
    now = Progress()
    assert told(now).startswith("Raise the send slowly,")
    assert step(now).step is Step.RAISE
    now = step(now, ring(1000.0))
    assert now.step is Step.PULL
    assert "1.00 kHz" in told(now)
    now = step(now, ring(1001.0, -10.0), ring(400.0))
    assert now.step is Step.PULL
    assert [round(r.frequency_hz) for r in now.rings] == [1001, 400]
    now = step(now)
    assert now.step is Step.DIAL
    assert now.suggestion is not None
    assert "dB" in told(now)
    assert step(now, entered=None).step is Step.DIAL
    now = step(now, entered="-12,5")
    assert now.step is Step.RAISE
    assert now.rounds[0].send_db == -12.5
    assert now.in_place
    assert told(now).startswith("Raise the send slowly again")
    now = step(now, entered="-8", ended=True)
    assert now.step is Step.DONE
    assert now.won_db == 4.5
    assert any("+4.5 dB over where it first rang" in line for line in summary(now))


def test_what_nobody_said_is_not_known():
    now = step(step(step(Progress(), ring(1000.0))), entered="loud")
    assert now.rounds[0].send_db is None
    assert any("not known" in line for line in summary(step(now, ended=True)))
    assert summary(step(Progress(), ended=True))[0].startswith("Nothing rang")


@pytest.mark.parametrize("rounds", [MOST_ROUNDS - 1, MOST_ROUNDS])
def test_it_ends_after_so_many_rounds(rounds):
    now = Progress(step=Step.DIAL, rounds=(Round((ring(500.0),), ()),) * rounds)
    done = step(now, entered="").step is Step.DONE
    assert done == (rounds == MOST_ROUNDS)


@pytest.mark.parametrize("count", [SEVERAL - 1, SEVERAL])
def test_it_ends_where_several_tones_ring_at_once(count):
    rings = tuple(ring(300.0 * 1.4**n) for n in range(count))
    now = Progress(step=Step.DIAL, rounds=(Round(rings, ()),))
    after = step(now, entered="")
    assert (after.step is Step.DONE) == (count == SEVERAL)
    if count == SEVERAL:
        assert "several" in after.why_done


class Hand:
    """Rides the fader of a closed loop as it is told."""

    def __init__(self, stage: Stage, start_db: float) -> None:
        self.loop = ClosedLoop(stage, sections=8)
        self.stage, self.gain_db, self.told = stage, start_db, ""
        self.floor_db = start_db
        self.pressed: list[Keys] = []

    def blocks(self, seconds: float):
        n = round(seconds * RATE)
        noise = room_noise(self.stage, n + self.loop.block, seed=4)
        size = self.loop.block
        for start in range(0, n, size):
            step_s = size / RATE
            if self.told.startswith("Raise"):
                self.gain_db += 2.0 * step_s
                self.floor_db = self.gain_db - 8.0
            elif self.told.startswith("Pull"):
                self.gain_db = max(self.gain_db - 40 * step_s, self.floor_db)
            sound = self.loop.advance(noise[start : start + size], 10 ** (self.gain_db / 20))
            yield np.asarray(sound, np.float32)[:, None]

    def keys(self) -> Keys:
        return self.pressed.pop() if self.pressed else Keys()

    def look(self, _watch, text: str) -> bool:
        if text.startswith("Dial") and not self.told.startswith("Dial"):
            self.pressed.append(Keys(f"{self.gain_db:.1f}"))
        self.told = text
        return True


@pytest.mark.slow
def test_a_hand_that_does_what_it_is_told_wins_stable_gain():
    """The plan of the led ring-out raises the true stable gain of the loop it was made in."""
    rng = np.random.default_rng(8)
    path = np.zeros(6000)
    tail = np.arange(5400)
    path[600:] = 0.1 * rng.standard_normal(5400) * np.exp(-tail / 900)
    path[600] = 0.5
    stage = Stage(RATE, path, wedge_limit=0.5, noise_dbfs=-65.0)
    before_db = stable_gain_db(stage)
    limits = load_limits("parametric-6")
    hand = Hand(stage, before_db - 4.0)
    dialled: list = []

    source = Source("loop", RATE, (0,), hand.blocks(20.0), lambda: 0)
    original = hand.keys

    def keys() -> Keys:
        pressed = original()
        if pressed.entered is not None and latest:
            filters = [cut.filter for cut in latest[-1]]
            dialled.append(filters)
            hand.loop.set_eq(cascade_sos(filters, sample_rate_hz=RATE))
        return pressed

    latest: list = []
    from shaping.live import ring_out_loop

    plan_of_round = ring_out_loop.plan_of_round

    def noted(*values, **named):
        made = plan_of_round(*values, **named)
        from shaping.live.watch.cutting import cuttings_of

        latest.append(cuttings_of(made.plan))
        return made

    ring_out_loop.plan_of_round = noted
    try:
        _, progress = lead_ring_out(
            source, limits, keys=keys, tell=lambda _told: None, look=hand.look
        )
    finally:
        ring_out_loop.plan_of_round = plan_of_round
    assert progress.rounds
    after_db = stable_gain_db(stage, eq_sos=cascade_sos(dialled[-1], sample_rate_hz=RATE))
    assert after_db - before_db > 1.0
