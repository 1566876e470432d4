"""What channels are called, and which of them are left out.

A name comes from the person (``--names``, or ``names.toml`` in the results' folder), or else from
the track list that the recorder wrote into the file, or else from the files' names where one
channel a file was recorded side by side, or else it is the channel's number.

A TOML file of names::

    leave_out = [31, "talkback"]
    [names]
    1 = "lead vocal"
    "vocal mic" = "lead vocal"
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shaping.errors import ParameterError
from shaping.rehearsals.archive.files import channel_stem
from shaping.text.names import briefly, shown

NAMES_FILE = "names.toml"
_LONGEST_NAME = 60  # a choice: what fits a line on a page
_WANTED = (
    'give names as in: 1=lead vocal, 2=choir; or a TOML file with [names] and 1 = "lead vocal"'
)


@dataclass(frozen=True)
class Naming:
    """What a person calls the channels.

    Attributes
    ----------
    names : dict of str to str
        By number, as text, or by the name that a channel would have otherwise.
    left_out : frozenset of str
        Numbers or names, in lower case, of channels that are not wanted in the results.
    """

    names: dict[str, str] = field(default_factory=dict)
    left_out: frozenset[str] = frozenset()

    def called(self, number: int | None, name: str) -> str:
        """Return what to call a channel; `number` is None where numbers mean nothing."""
        given = None if number is None else self.names.get(str(number))
        return given or self.names.get(name.lower(), name)

    def leaves_out(self, number: int | None, *names: str) -> bool:
        """Tell whether a channel of this number, or any of these names, is left out."""
        told = {name.lower() for name in names} | ({str(number)} if number is not None else set())
        return bool(told & self.left_out)


def naming_for(folder: Path, names: str | None = None, leave_out: Sequence[str] = ()) -> Naming:
    """Return the naming that a person asked for.

    Parameters
    ----------
    folder : Path
        Of the results; its ``names.toml`` is read where `names` is not given.
    names : str, optional
        Names as text, or a TOML file's name.
    leave_out : sequence of str
        More channels to leave out.

    Raises
    ------
    ParameterError
        In one sentence, if the names make no sense.
    """
    found = Naming()
    if names is not None and "=" in names and not names.lower().endswith(".toml"):
        found = _from_text(names)
    elif names is not None:
        found = _from_file(Path(names))
    elif (folder / NAMES_FILE).is_file():
        found = _from_file(folder / NAMES_FILE)
    more = frozenset(_plain(name).lower() for name in leave_out)
    return Naming(found.names, found.left_out | more)


def channel_names(records: Sequence[dict[str, Any]], naming: Naming) -> list[list[str | None]]:
    """Return, for each record, the names of its channels; None for those that are left out."""
    by_number = _track_names(records)
    named = []
    for record, stem in zip(records, _stems(records), strict=True):
        own = {int(number): str(name) for number, name in record.get("tracks", ())}
        several = Counter(own.values())
        names: list[str | None] = []
        for number in range(1, record["channels"] + 1):
            counts: int | None = number
            if number in own and stem is None:
                name = own[number]
                if several[name] > 1:
                    name = f"{name}, channel {number}"
            elif stem is not None:
                name = stem if record["channels"] == 1 else f"{stem}, channel {number}"
                counts = None  # every such file has a channel 1
            else:
                name = by_number.get(number, f"channel {number}")
            called = naming.called(counts, name)
            left = naming.leaves_out(counts, name, called)
            names.append(None if left else called)
        named.append(names)
    return named


def _track_names(records: Sequence[dict[str, Any]]) -> dict[int, str]:
    """Return the names that recorders gave to channels, where they always gave the same."""
    given: dict[int, set[str]] = defaultdict(set)
    for record in records:
        for number, name in record.get("tracks", ()):
            given[int(number)].add(str(name))
    return {number: next(iter(names)) for number, names in given.items() if len(names) == 1}


def _stems(records: Sequence[dict[str, Any]]) -> list[str | None]:
    """Return the channel name of each record that is one of several recorded side by side."""
    side_by_side: dict[tuple[str, str, int], set[str]] = defaultdict(set)
    keys = []
    for record in records:
        folder = str(Path(record["path"]).parent)
        keys.append((folder, record["recorded_on"], round(record["duration_s"])))
        side_by_side[keys[-1]].add(channel_stem(Path(record["path"])))
    return [
        channel_stem(Path(record["path"])) if len(side_by_side[key]) > 1 else None
        for record, key in zip(records, keys, strict=True)
    ]


def _from_text(text: str) -> Naming:
    names = {}
    for part in re.split(r"[,;\n]", text):
        if not part.strip():
            continue
        channel, equals, name = part.partition("=")
        if not equals or not channel.strip() or not name.strip():
            raise ParameterError(f"--names: {briefly(part.strip())} names no channel; {_WANTED}")
        names[_plain(channel).lower()] = _plain(name)
    return Naming(names)


def _from_file(path: Path) -> Naming:
    name = shown(path)
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise ParameterError(f"{name}: cannot be read ({error.strerror}); {_WANTED}") from None
    except ValueError as error:  # of TOML, or of UTF-8
        raise ParameterError(f"{name}: this is no TOML ({briefly(error)}); {_WANTED}") from None
    unknown = set(raw) - {"names", "leave_out"}
    names, left_out = raw.get("names", {}), raw.get("leave_out", [])
    if unknown:
        word = briefly(sorted(unknown)[0])
        raise ParameterError(f"{name}: {word} is not known; it takes names and leave_out")
    if not isinstance(names, dict) or not all(
        isinstance(v, str) and v.strip() for v in names.values()
    ):
        raise ParameterError(f"{name}: [names] must give each channel a text; {_WANTED}")
    if not isinstance(left_out, list) or not all(
        isinstance(v, (int, str)) and not isinstance(v, bool) for v in left_out
    ):
        raise ParameterError(f"{name}: leave_out must be a list of numbers and names")
    return Naming(
        {_plain(key).lower(): _plain(value) for key, value in names.items()},
        frozenset(_plain(str(value)).lower() for value in left_out),
    )


def _plain(text: str) -> str:
    return shown(text.strip())[:_LONGEST_NAME]
