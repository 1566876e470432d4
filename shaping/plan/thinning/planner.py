"""Plans that only thin: from a model of a wedge, or fitted to two captures at the first row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from shaping.analysis.first_row.interference import Interference, interference
from shaping.analysis.first_row.spill import LOW_MIDS_HZ, Spill, compare_first_rows
from shaping.analysis.third_octave import band_levels
from shaping.capture import cautions
from shaping.capture.quality import require_usable
from shaping.capture.recording import Capture
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.assemble import in_dialling_order, summarise_capture
from shaping.plan.plan import Plan, PlannedFilter, ThinningSummary
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.fit import fit_cautions, fit_thinning
from shaping.plan.thinning.starting_points import (
    ThinningAmount,
    WedgeUse,
    chosen_amount,
    left_out,
    thinning_filters,
)

BELOW_MAINS_DB = 6.0
"""How far under the mains the wedges' low mids shall lie unless told otherwise: both together are
then 1.0 dB over the mains alone (powers added). Our choice."""

_EVERY_USE_HAS_A_HIGH_PASS = ThinningAmount.MEDIUM
"""A fit has no amount; from this one on every use of a wedge is thinned with all there is."""

_IN_EAR = (
    "An in-ear spills to nobody and cannot howl while it is in the ear: no low-mid cut for the "
    "first rows, and no feedback cut, belongs in its mix.",
    "Whether lows are missing is for the fit to say first: an in-ear that does not seal has none, "
    "whatever is dialled in.",
)

_BY_EAR = (
    "These settings are a starting point: raise the high-pass until the wedge just sounds thin, "
    "then back off a little."
)


def thin(
    limits: Limits,
    *,
    amount: ThinningAmount | str = ThinningAmount.LIGHT,
    use: WedgeUse = WedgeUse.VOCAL,
) -> Suggestion:
    """Plan thinning from presets, with figures from a model of a wedge on the floor.

    Parameters
    ----------
    limits : Limits
        The equaliser.
    amount : ThinningAmount or str
        How much to thin: none, light, medium or strong.
    use : WedgeUse
        What the wedge is for.

    Returns
    -------
    Suggestion
        Without captures.

    Raises
    ------
    ParameterError
        If there is no such amount.

    Examples
    --------
    >>> from shaping import load_limits
    >>> plan = thin(load_limits("parametric-4"), amount="medium").plan
    >>> [(one.filter.kind.value, one.filter.frequency_hz) for one in plan.filters]
    [('high-pass', 120.0), ('peaking', 250.0)]
    """
    wanted = chosen_amount(amount)
    filters = thinning_filters(wanted, limits, use=use)
    dialled = [planned.filter for planned in filters]
    # In ears spill to nobody, and what is not thinned saves and costs nothing.
    summary = thinning_summary(dialled, use=use) if dialled and use != WedgeUse.IN_EAR else None
    has_high_pass = any(one.kind is FilterKind.HIGH_PASS for one in dialled)
    starting = _IN_EAR if use is WedgeUse.IN_EAR else ([_BY_EAR] if has_high_pass else [])
    said = (*starting, *left_out(wanted, limits, use=use))
    plan = _plan((), filters, limits, summary, said)
    if use is WedgeUse.IN_EAR:
        kept = [one for one in plan.cautions if one not in cautions.THINNING]
        plan = replace(plan, cautions=(*cautions.IN_EAR, *kept))
    return Suggestion(plan)


def first_row_spill(wedges: Capture, mains: Capture) -> Spill:
    """Return wedges and mains in third octaves.

    Parameters
    ----------
    wedges, mains : Capture
        The same microphone, place and gain at the first row; wedges alone, mains alone.

    Raises
    ------
    CaptureError
        If a capture cannot answer.
    """
    for capture in (wedges, mains):
        require_usable(capture)
    return compare_first_rows(
        *(band_levels(capture.samples, capture.sample_rate_hz) for capture in (wedges, mains))
    )


def thin_to_first_row(
    wedges: Capture,
    mains: Capture,
    limits: Limits,
    *,
    below_mains_db: float = BELOW_MAINS_DB,
    use: WedgeUse = WedgeUse.VOCAL,
) -> Suggestion:
    """Plan the smallest thinning that brings the wedges' low mids under the mains'.

    Parameters
    ----------
    wedges, mains : Capture
        The same microphone, place and gain at the first row; wedges alone, mains alone.
    limits : Limits
        The equaliser.
    below_mains_db : float
        How far under the mains 125-500 Hz of the wedges shall lie, in dB.
    use : WedgeUse
        What the wedge is for.

    Returns
    -------
    Suggestion
        With both captures and what was measured of them.

    Raises
    ------
    CaptureError
        If a capture cannot answer.
    ParameterError
        If `below_mains_db` is out of range.

    Examples
    --------
    >>> from shaping import CaptureKind, load_limits, read_capture
    >>> wedges, mains = (
    ...     read_capture(f"audio_samples/first_row_{what}.flac", kind=CaptureKind.FIRST_ROW)
    ...     for what in ("wedges", "mains")
    ... )
    >>> plan = thin_to_first_row(wedges, mains, load_limits("parametric-4")).plan
    >>> plan.thinning.spill_change_db < 0
    True
    """
    if use is WedgeUse.IN_EAR:
        raise ParameterError(
            "an in-ear spills nothing into the first rows, so there is nothing to fit there; leave "
            "the recordings out"
        )
    spill = first_row_spill(wedges, mains)
    fit = fit_thinning(spill, limits, below_mains_db=below_mains_db, use=use)
    dialled = [planned.filter for planned in fit.filters]
    summary = thinning_summary(
        dialled, use=use, spill=spill, meeting=_meeting(wedges, mains, spill, dialled)
    )
    said = (*fit_cautions(fit), *left_out(_EVERY_USE_HAS_A_HIGH_PASS, limits, use=use))
    plan = _plan((wedges, mains), fit.filters, limits, summary, said)
    return Suggestion(plan, (wedges, mains), spill=spill)


def _meeting(
    wedges: Capture, mains: Capture, spill: Spill, filters: Sequence[Filter]
) -> Interference | None:
    """Return how both add up in the low mids, where their recordings show it."""
    rate_hz = wedges.sample_rate_hz
    if mains.sample_rate_hz != rate_hz:
        return None
    low_hz, high_hz = LOW_MIDS_HZ
    return interference(
        wedges.samples.astype(np.float64),
        mains.samples.astype(np.float64),
        rate_hz,
        bands_hz=[hz for hz in spill.nominal_hz if low_hz <= hz <= high_hz],
        sos=cascade_sos(filters, sample_rate_hz=rate_hz),
    )


def _plan(
    captures: tuple[Capture, ...],
    filters: tuple[PlannedFilter, ...],
    limits: Limits,
    summary: ThinningSummary | None,
    said: tuple[str, ...],
) -> Plan:
    return Plan(
        captures=tuple(summarise_capture(c) for c in captures),
        limits=limits,
        filters=in_dialling_order(filters),
        rings=(),
        resonances=(),
        loop=None,
        thinning=summary,
        unserved=(),
        cautions=(
            *(cautions.THINNING if filters else ()),
            *said,
            cautions.EXPOSURE if captures else cautions.SAFE_LEVELS,
        ),
    )
