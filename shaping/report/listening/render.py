"""One recording rendered through a plan, as loud as the plan makes it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shaping.analysis.loudness import measure_steps
from shaping.capture.audio import inspect
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.report.listening.rise import Rise, rise_of
from shaping.report.listening.streams import (
    CEILING_DBFS,
    check_destination,
    peak_db,
    rendered,
    writing,
)


@dataclass(frozen=True, slots=True)
class Rendering:
    """One recording rendered through a plan.

    Attributes
    ----------
    path : str
        Where it is.
    gain_db : float
        What it was turned down by, beside the filters, to keep it from clipping; 0 or less.
    rise : Rise or None
        Where it gets much louder than it begins.
    """

    path: str
    gain_db: float
    rise: Rise | None = None


def render(
    filters: Iterable[Filter],
    source: str | Path,
    destination: str | Path,
    *,
    force: bool = False,
) -> Rendering:
    """Render a recording through filters.

    Parameters
    ----------
    filters : iterable of Filter
        The plan's filters.
    source : str or Path
        The recording; every channel is filtered.
    destination : str or Path
        Where the result goes, with the suffix of `source`.
    force : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Rendering
        What was written, and how far it was turned down.

    Raises
    ------
    CaptureError
        If the recording cannot be read or holds samples that are no numbers.
    OutputError
        If the result cannot be written there.
    ParameterError
        If a filter does not exist at the recording's sample rate.
    """
    info = inspect(source)
    sos = cascade_sos(filters, sample_rate_hz=info.sample_rate_hz)
    check_destination(destination, source, force=force)
    steps = measure_steps(rendered(sos, info), info.sample_rate_hz)
    gain_db = min(0.0, CEILING_DBFS - peak_db(float(np.max(steps.peak, initial=0.0))))
    with writing(destination, info, force=force) as out:
        for block in rendered(sos, info):
            out.write(block * np.float32(10.0 ** (gain_db / 20.0)))
    return Rendering(str(destination), gain_db, rise_of(steps.power))
