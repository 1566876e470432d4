"""The last good state: reading it, and keeping this one for the next week."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import to_builtins

from shaping.analysis.feeds.files.feeds_form import FEEDS_FORM, FeedForm, FeedsForm
from shaping.analysis.feeds.files.to_json import feed_to_dict
from shaping.analysis.feeds.findings import SOUND, Feed, KnownFeed, KnownSide
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ
from shaping.errors import FeedsError
from shaping.reading.form import from_json, read_text
from shaping.text.names import shown

_FEW = 2
"""From more packs than this on, what all have in common is the recorder's gain."""


def load_known(path: str) -> FeedsForm:
    """Read a state that was kept, or the JSON of a run.

    Raises
    ------
    FeedsError
        If it cannot be read or is no result of feeds.
    """
    text = read_text(path, FEEDS_FORM)
    try:
        return from_json(text, FEEDS_FORM)
    except FeedsError as error:
        raise FeedsError(f"{shown(path)}: {error}") from error


def known_feeds(form: FeedsForm) -> dict[str, KnownFeed]:
    """Return the sound feeds of a state by name; those that failed then are nothing to hold to."""
    same_bands = [float(one) for one in form.bands_hz] == [float(one) for one in RESPONSE_BANDS_HZ]
    found = {}
    for one in form.feeds:
        if one.verdict == SOUND and one.gain_db is not None:
            found[one.name] = KnownFeed(one.gain_db, _sides(one, same_bands))
    return found


def _sides(feed: FeedForm, same_bands: bool) -> tuple[KnownSide, ...]:
    nothing = (math.nan,) * len(RESPONSE_BANDS_HZ)
    return tuple(
        KnownSide(
            gain_db=math.nan if side.gain_db is None else side.gain_db,
            carries=side.carries,
            polarity=side.polarity,
            bands_db=tuple(math.nan if db is None else db for db in side.bands_db)
            if same_bands and len(side.bands_db) == len(RESPONSE_BANDS_HZ)
            else nothing,
        )
        for side in feed.sides
    )


def state_to_json(result: dict[str, Any], feeds: Sequence[Feed], last: FeedsForm | None) -> str:
    """Return the state to keep: what is sound now, and of the rest what was known before.

    What is taken over from before is moved by what all sound feeds changed in common, the
    recorder's gain, so that it still compares.

    Parameters
    ----------
    result : dict
        This run, as `feeds_to_dict` gives it.
    feeds : sequence of Feed
        This run.
    last : FeedsForm, optional
        The state before.

    Returns
    -------
    str
        JSON text of the schema ``shaping.feeds/1``.
    """
    sound = {one.name: feed_to_dict(one) for one in feeds if one.verdict == SOUND}
    before = known_feeds(last) if last else {}
    moved = [
        now["gain_db"] - before[name].gain_db
        for name, now in sound.items()
        if name in before and now["gain_db"] is not None
    ]
    common = float(np.median(moved)) if len(moved) > _FEW else 0.0
    kept = [
        _moved(to_builtins(one), common)
        for one in (last.feeds if last else ())
        if one.name in before and one.name not in sound
    ]
    values = {**result, "feeds": [*sound.values(), *kept], "cautions": []}
    return json.dumps(values, indent=2, allow_nan=False) + "\n"


def _moved(feed: dict[str, Any], by_db: float) -> dict[str, Any]:
    for one in (feed, *feed["sides"]):
        if one.get("gain_db") is not None:
            one["gain_db"] = round(one["gain_db"] + by_db, 3)
    return feed
