"""A pair of side fills in words: what both together are at a place, and what helps."""

from __future__ import annotations

import re

from shaping.analysis.first_row.pairs import PairSum, pair_sum
from shaping.errors import ParameterError
from shaping.text.frequency import hertz_text
from shaping.text.names import briefly
from shaping.text.quantities import gain_text
from shaping.text.sentences import listing

_ALONE_S = 0.0003  # 10 cm: dips from 1.7 kHz up, in which every move of the head is as large


def read_pair(text: str) -> PairSum:
    """Return a pair from two distances that somebody typed, such as ``2.5, 4``.

    Raises
    ------
    ParameterError
        If they are no two distances.
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[, ]\s*(\d+(?:\.\d+)?)\s*", text)
    if found is None:
        raise ParameterError(
            "a pair is the distances in metres from both side fills to one place, such as "
            f'"2.5, 4", not {briefly(text)}'
        )
    return pair_sum(float(found[1]), float(found[2]))


def pair_texts(pair: PairSum, *, nearer: str = "", further: str = "") -> tuple[str, ...]:
    """Return what a pair with one signal does at a place, in plain sentences.

    Parameters
    ----------
    pair : PairSum
        From `pair_sum`.
    nearer, further : str
        What the two are called, where they have names.
    """
    close, far = nearer or "the nearer one", further or "the further one"
    if pair.later_s < _ALONE_S:
        return (
            f"Both arrive together here, {gain_text(pair.peak_db)} over one of them; a step to "
            "either side opens dips in it.",
        )
    dips = listing([hertz_text(hz) for hz in pair.dips_hz])
    return (
        f"Here {far} arrives {1000 * pair.later_s:.1f} ms later and {pair.softer_db:.1f} dB softer "
        f"than {close}. Both together are {gain_text(pair.powers_db)} over {close} alone on "
        f"average, between {gain_text(pair.peak_db)} and {gain_text(pair.dip_db)} where they add "
        f"up or cancel: dips at {dips} and so on, every {hertz_text(1 / pair.later_s)}; from "
        f"{hertz_text(pair.even_from_hz)} up third octaves even them out. Direct sound alone: the "
        "room fills dips in.",
        f"{close[:1].upper() + close[1:]} delayed by {1000 * pair.later_s:.1f} ms would line both "
        "up here and nowhere else. No equaliser fills these dips, for every step moves them: one "
        "side fill turned down, or off, does.",
    )
