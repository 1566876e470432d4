"""What is dialled in, as people write it: ``hp 100, 545 -6 q8``.

One filter after the other, commas between them: ``hp`` or ``lp`` with a frequency and, if it is
not 12 dB per octave, the slope (``hp 100 24``); a bell as frequency, gain and Q (``545 -6 q8``); a
notch as ``notch 545 q30``. A Q is that of the equaliser's own scale.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from shaping.equaliser.limits import Limits
from shaping.equaliser.quantise import dial_q
from shaping.errors import ParameterError, StageError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, convert_q
from shaping.text.names import briefly

_HOW = "write filters as 'hp 100', '545 -6 q8' or 'notch 545 q30', with commas between them"
_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_PASS = re.compile(rf"(?P<kind>hp|lp) (?P<hz>{_NUMBER})(?: (?P<slope>\d+))?")
_BELL = re.compile(rf"(?P<hz>{_NUMBER}) (?P<gain>{_NUMBER}) q ?(?P<q>{_NUMBER})")
_NOTCH = re.compile(rf"notch (?P<hz>{_NUMBER}) q ?(?P<q>{_NUMBER})")
_MOST = 64  # a choice: more than any equaliser has, so it is a slip
_PASSES = {"hp": FilterKind.HIGH_PASS, "lp": FilterKind.LOW_PASS}


def dialled_filters(text: str, limits: Limits) -> tuple[Filter, ...]:
    """Return the filters that a text names.

    Parameters
    ----------
    text : str
        As the module header has it; empty or ``flat`` for none.
    limits : Limits
        The equaliser, for its own scale of Q. Settings outside its limits are taken as they are:
        they are dialled in, whatever the limits say.

    Returns
    -------
    tuple of Filter
        Their Q is the cookbook's.

    Raises
    ------
    StageError
        If a part is no filter, or its values make none.

    Examples
    --------
    >>> from shaping.equaliser.limits_file import load_limits
    >>> [one.frequency_hz for one in dialled_filters("hp 100, 545 -6 q8", load_limits("free"))]
    [100.0, 545.0]
    """
    parts = [" ".join(part.lower().replace("hz", "").split()) for part in text.split(",")]
    parts = [part for part in parts if part not in ("", "flat")]
    if len(parts) > _MOST:
        raise StageError(f"{len(parts)} filters are more than any equaliser has; {_HOW}")
    return tuple(dialled_filter(part, limits) for part in parts)


def dialled_filter(part: str, limits: Limits) -> Filter:
    """Return the one filter that a part names; errors are those of `dialled_filters`."""
    try:
        if found := _PASS.fullmatch(part):
            slope = int(found["slope"] or 12)
            if slope % 6 or not 6 <= slope <= 48:
                raise StageError(f"a slope is 6, 12, 18 ... 48 dB per octave, not {slope}")
            return _checked(Filter(_PASSES[found["kind"]], float(found["hz"]), order=slope // 6))
        if found := _NOTCH.fullmatch(part):
            return _checked(Filter(FilterKind.NOTCH, float(found["hz"]), q=float(found["q"])))
        if found := _BELL.fullmatch(part):
            gain_db, dial = float(found["gain"]), float(found["q"])
            if abs(gain_db) > 40 or not 0.05 <= dial <= 200:
                raise StageError("a gain lies within 40 dB and a Q from 0.05 to 200")
            q = dial
            if limits.q_convention is not QConvention.COOKBOOK and gain_db:
                q = convert_q(
                    dial, gain_db, source=limits.q_convention, target=QConvention.COOKBOOK
                )
            return _checked(Filter(FilterKind.PEAKING, float(found["hz"]), q=q, gain_db=gain_db))
    except (ParameterError, StageError) as error:
        raise StageError(f"{briefly(part)} cannot be dialled in: {error}") from None
    raise StageError(f"{briefly(part)} is no filter; {_HOW}")


def dialled_text(filters: Sequence[Filter], limits: Limits) -> str:
    """Return filters as `dialled_filters` reads them; ``flat`` for none."""
    return ", ".join(_one_text(one, limits) for one in filters) or "flat"


def _one_text(one: Filter, limits: Limits) -> str:
    if one.order is not None:
        name = "hp" if one.kind is FilterKind.HIGH_PASS else "lp"
        return f"{name} {one.frequency_hz:g}" + ("" if one.order == 2 else f" {6 * one.order}")
    q = dial_q(one, limits) or 0.0
    if one.kind is FilterKind.NOTCH:
        return f"notch {one.frequency_hz:.5g} q{q:.3g}"
    return f"{one.frequency_hz:.5g} {one.gain_db:g} q{q:.3g}"


def _checked(one: Filter) -> Filter:
    if not 10.0 <= one.frequency_hz <= 22_000.0:
        raise StageError(f"a frequency lies from 10 to 22000 Hz, not {one.frequency_hz:g}")
    return one
