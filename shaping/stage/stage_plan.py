"""A stage's plan: settings of every wedge, margins together, what decides, what would help."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.plan.plan import Plan
from shaping.plan.suggestion import Suggestion
from shaping.stage.description.stage import Stage
from shaping.stage.loops.matrix import PathMatrix
from shaping.stage.loops.together import Remedy, Together
from shaping.stage.placing import PlaceAdvice

BANDS_HZ: tuple[float, ...] = tuple(float(1000 * 2 ** (k / 3)) for k in range(-10, 14))
"""Third octaves from 100 Hz to 20 kHz in which a path is remembered from week to week."""


@dataclass(frozen=True, slots=True)
class PathRecord:
    """What is kept of one path at one position of the mics.

    Attributes
    ----------
    mic, wedge : str
        From this wedge to this mic.
    position : str
        Where the mics stood.
    level_db : float
        Mean level from 200 Hz to 4 kHz, samples to samples, without the send.
    bands_db : tuple of float
        Levels in `BANDS_HZ`; not a number where the path cannot be told from noise.
    arrival : float
        Polarity and clarity of the strongest arrival, -1..1: near 1 a clean click as it was
        played, near -1 the same upside down.
    delay_s : float
        When it arrives, from the first sample of the reference.
    """

    mic: str
    wedge: str
    position: str
    level_db: float
    bands_db: tuple[float, ...]
    arrival: float
    delay_s: float


@dataclass(frozen=True, slots=True)
class SendMargin:
    """How far one send may go up alone, as it is and with the plan; infinite where it is no loop.

    Minus infinity where the rest howls without it.
    """

    mic: str
    wedge: str
    gain_db: float
    headroom_db: float
    headroom_after_db: float


@dataclass(frozen=True, slots=True)
class WedgePlan:
    """One wedge's settings.

    Attributes
    ----------
    name : str
        The wedge.
    plan : Plan
        What to dial in; its loop figures are those of this wedge alone, with all its open mics.
    basis : str
        ``noise``, ``ring-out`` or ``nothing``: what the plan rests on.
    headroom_db, headroom_after_db : float
        How far all sends into this wedge may go up together, the others staying.
    """

    name: str
    plan: Plan
    basis: str
    headroom_db: float
    headroom_after_db: float


@dataclass(frozen=True, slots=True)
class StagePlan:
    """Everything a person needs for the whole stage.

    Attributes
    ----------
    stage : Stage
        As in the file.
    wedges : tuple of WedgePlan
        In the stage's order.
    before, after : Together or None
        Margins as it is, and with the plans; None where nothing was measured with a reference.
    alone_db : float
        How far all sends could go up together had every wedge been planned alone.
    joint : bool
        Whether the wedges were planned jointly.
    coupling_db : float
        Level of the strongest cross paths against the loops they couple.
    sends : tuple of SendMargin
        In the order of the stage file.
    paths : tuple of PathRecord
        Every measured path.
    remedies : tuple of Remedy
        What to mute or move with the plan dialled in, the best first.
    places : tuple of PlaceAdvice
        What another place would give.
    cautions : tuple of str
        Plain sentences.
    doubts : tuple of str
        Why nothing is promised: what went wrong with which measurement. Gains are NaN then.
    """

    stage: Stage
    wedges: tuple[WedgePlan, ...]
    before: Together | None
    after: Together | None
    alone_db: float
    joint: bool
    coupling_db: float
    sends: tuple[SendMargin, ...]
    paths: tuple[PathRecord, ...]
    remedies: tuple[Remedy, ...]
    places: tuple[PlaceAdvice, ...]
    cautions: tuple[str, ...]
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class StageSuggestion:
    """A stage's plan with the records it was made from, so that it can be shown and asked again.

    Attributes
    ----------
    plan : StagePlan
        The plan.
    matrices : tuple of PathMatrix
        One for each position of the mics.
    wedges : mapping of str to Suggestion
        Each wedge's plan with its captures, for its own evidence page.
    """

    plan: StagePlan
    matrices: tuple[PathMatrix, ...]
    wedges: Mapping[str, Suggestion]


def path_level_db(frequency_hz: NDArray[np.float64], size: NDArray[np.float64]) -> float:
    """Return the level of a path: mean power per octave from 200 Hz to 4 kHz.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Rising in equal steps.
    size : ndarray, shape (n,)
        Magnitude.

    Returns
    -------
    float
        In dB; minus infinity where nothing was heard.
    """
    band = (frequency_hz >= 200) & (frequency_hz <= 4000)
    weight = 1 / frequency_hz[band]
    power = float(np.sum(weight * size[band] ** 2) / np.sum(weight))
    return 10 * float(np.log10(power)) if power > 0 else -np.inf
