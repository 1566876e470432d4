"""What if: changes to a stage in a line of text, and what they do to stage and settings.

::

    vocal left: 3 gain -4          filter 3 of that wedge's settings, its gain in dB
    vocal left: 3 frequency 500    ... its frequency in Hz; 3 q 6 its Q; 3 off
    vocal left: add 545 -6 q8      one more filter
    vocal left: flat               none at all
    vocal left: limits graphic-31  another equaliser: planned anew
    vocal left: thinning none      planned anew
    lead > vocal left: -8          that send at -8 dB; mute closes it
    lead: mute                     that mic out of every wedge
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.quantise import dial_q
from shaping.errors import ParameterError, StageError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, convert_q
from shaping.plan.thinning.starting_points import ThinningAmount, chosen_amount
from shaping.stage.description.dialled import dialled_filter
from shaping.stage.description.stage import Send, Stage
from shaping.stage.description.stage_file import unknown_name
from shaping.text.names import briefly
from shaping.text.sentences import listing

HOW = (
    "write a change as 'WEDGE: 3 gain -4', 'WEDGE: 3 off', 'WEDGE: add 545 -6 q8', "
    "'WEDGE: limits NAME', 'MIC > WEDGE: -8', 'MIC > WEDGE: mute' or 'MIC: mute'"
)

_FILTER = re.compile(
    r"(?P<number>\d+) (?:(?P<what>gain|frequency|q) (?P<value>[+-]?\d+(\.\d+)?)|off)"
)


@dataclass(frozen=True, slots=True)
class Changed:
    """A stage and settings after changes.

    Attributes
    ----------
    stage : Stage
        With other sends, limits or thinning.
    settings : mapping of str to tuple of Filter
        Settings of every wedge that is to be judged as it is.
    anew : tuple of str
        Wedges that have to be planned anew.
    """

    stage: Stage
    settings: Mapping[str, tuple[Filter, ...]]
    anew: tuple[str, ...]


def apply_changes(
    stage: Stage, settings: Mapping[str, Sequence[Filter]], texts: Sequence[str]
) -> Changed:
    """Return a stage and settings as the texts change them, one after the other.

    Parameters
    ----------
    stage : Stage
        The stage.
    settings : mapping of str to sequence of Filter
        What every wedge's equaliser is planned to be set to, in the order it is dialled in.
    texts : sequence of str
        Changes, as the module header has them.

    Returns
    -------
    Changed

    Raises
    ------
    StageError
        If a text is no change, or names what is not there.
    """
    now = Changed(stage, {name: tuple(one) for name, one in settings.items()}, ())
    for text in texts:
        try:
            now = _apply(now, text)
        except StageError as error:
            raise StageError(f"--set {briefly(text)}: {error}") from None
    return now


def change_filters(filters: Sequence[Filter], limits: Limits, order: str) -> tuple[Filter, ...]:
    """Return filters as one order changes them: ``3 gain -4``, ``3 off``, ``add ...``, ``flat``.

    Raises
    ------
    StageError
        If it is no such order, or there is no such filter.
    """
    order = " ".join(order.lower().split())
    if order == "flat":
        return ()
    if order.startswith("add "):
        return (*filters, dialled_filter(order.removeprefix("add "), limits))
    found = _FILTER.fullmatch(order)
    if found is None:
        raise StageError(f"{briefly(order)} is no change; {HOW}")
    number = int(found["number"])
    if not 1 <= number <= len(filters):
        has = f"{len(filters)} filters" if len(filters) != 1 else "1 filter"
        raise StageError(f"there is no filter {number}; there are {has}, counted from 1")
    at = number - 1
    if found["what"] is None:
        return (*filters[:at], *filters[number:])
    changed = _changed(filters[at], found["what"], float(found["value"]), limits)
    return (*filters[:at], changed, *filters[number:])


def _changed(one: Filter, what: str, value: float, limits: Limits) -> Filter:
    if what == "frequency":
        if not 10 <= value <= 22_000:
            raise StageError(f"a frequency lies from 10 to 22000 Hz, not {value:g}")
        return replace(one, frequency_hz=value)
    if one.order is not None or (one.kind is FilterKind.NOTCH and what == "gain"):
        raise StageError(f"a {one.kind.value} has no {what} to change")
    if what == "gain":
        if abs(value) > 40:
            raise StageError(f"a gain lies within 40 dB, not {value:g}")
        dialled = dial_q(one, limits) or 1.0
        return replace(one, gain_db=value, q=_cookbook_q(dialled, value, one, limits))
    if not 0.05 <= value <= 200:
        raise StageError(f"a Q lies from 0.05 to 200, not {value:g}")
    return replace(one, q=_cookbook_q(value, one.gain_db or 0.0, one, limits))


def _cookbook_q(dialled: float, gain_db: float, one: Filter, limits: Limits) -> float:
    if one.kind is not FilterKind.PEAKING or not gain_db:
        return dialled
    try:
        return convert_q(dialled, gain_db, source=limits.q_convention, target=QConvention.COOKBOOK)
    except ParameterError as error:
        raise StageError(str(error)) from None


def _apply(now: Changed, text: str) -> Changed:
    # The last colon parts name and order, so that names may hold colons themselves.
    name, colon, order = (part.strip() for part in text.rpartition(":"))
    if not colon or not name or not order:
        raise StageError(f"this is no change; {HOW}")
    wedges = [wedge.name for wedge in now.stage.wedges]
    mics = [mic.name for mic in now.stage.mics]
    if name in wedges:
        return _change_wedge(now, name, order)
    if name in mics:
        if order.lower() != "mute":
            raise StageError(f"all that can be said of a mic is mute; {HOW}")
        sends = tuple(send for send in now.stage.sends if send.mic != name)
        return replace(now, stage=replace(now.stage, sends=sends))
    mic, arrow, wedge = (part.strip() for part in name.partition(">"))
    if not arrow:
        raise StageError(unknown_name("wedge or mic", name, [*wedges, *mics]))
    if mic not in mics:
        raise StageError(unknown_name("mic", mic, mics))
    if wedge not in wedges:
        raise StageError(unknown_name("wedge", wedge, wedges))
    return replace(now, stage=_change_send(now.stage, mic, wedge, order))


def _change_send(stage: Stage, mic: str, wedge: str, order: str) -> Stage:
    rest = tuple(send for send in stage.sends if (send.mic, send.wedge) != (mic, wedge))
    if order.lower() == "mute":
        return replace(stage, sends=rest)
    try:
        gain_db = float(order.lower().removesuffix("db"))
    except ValueError:
        gain_db = float("nan")
    if not -120 <= gain_db <= 60:
        raise StageError(f"a send is a gain from -120 to 60 dB, or mute, not {briefly(order)}")
    return replace(stage, sends=(*rest, Send(mic, wedge, gain_db)))


def _change_wedge(now: Changed, name: str, order: str) -> Changed:
    at = now.stage.wedge_index(name)
    wedge = now.stage.wedges[at]
    word, _, value = order.partition(" ")
    if word.lower() in ("limits", "thinning"):
        if word.lower() == "limits":
            wedge = replace(wedge, limits=_limits(value.strip()))
        else:
            wedge = replace(wedge, thinning=_amount(value.strip()))
        wedges = (*now.stage.wedges[:at], wedge, *now.stage.wedges[at + 1 :])
        return replace(
            now,
            stage=replace(now.stage, wedges=wedges),
            settings={key: kept for key, kept in now.settings.items() if key != name},
            anew=tuple(dict.fromkeys((*now.anew, name))),
        )
    if name not in now.settings:
        known = listing([briefly(one) for one in now.settings]) if now.settings else "none"
        raise StageError(f"this wedge is planned anew; wedges with settings to change: {known}")
    changed = change_filters(now.settings[name], wedge.limits, order)
    return replace(now, settings={**now.settings, name: changed})


def _limits(name: str) -> Limits:
    try:
        return load_limits(name)
    except ValueError as error:
        raise StageError(str(error)) from None


def _amount(name: str) -> ThinningAmount:
    try:
        return chosen_amount(name)
    except ParameterError as error:
        raise StageError(str(error)) from None
