"""Which output feeds which wedge, and which input holds which mic, as a person types it."""

from __future__ import annotations

from collections.abc import Sequence

from shaping.errors import ParameterError
from shaping.text.names import briefly

_MOST = 1024


def mics_of(text: str) -> dict[str, int]:
    """Return the input of each mic, counted from 1.

    Parameters
    ----------
    text : str
        ``lead=1, choir=2``; a number alone is a mic of that name.

    Raises
    ------
    ParameterError
        If it cannot be read, or two mics share a name or an input.

    Examples
    --------
    >>> mics_of("lead=1, choir = 3"), mics_of("2")
    ({'lead': 1, 'choir': 3}, {'mic 2': 2})
    """
    found: dict[str, int] = {}
    for part in text.split(","):
        name, equals, number = part.rpartition("=")
        channel = _channel(number, part)
        name = name.strip() if equals else f"mic {channel}"
        if not name or name in found or channel in found.values():
            raise ParameterError(
                f"{briefly(text)}: give each mic a name and an input of its own, such as "
                '"lead=1, choir=2"'
            )
        found[name] = channel
    return found


def outputs_of(texts: Sequence[str], wedges: Sequence[str]) -> dict[str, int]:
    """Return the output of each wedge, counted from 1.

    Parameters
    ----------
    texts : sequence of str
        ``vocal left=1``, one for each; with one wedge a number alone will do.
    wedges : sequence of str
        Names of all wedges.

    Raises
    ------
    ParameterError
        If one cannot be read, names no wedge, or two share an output.
    """
    found: dict[str, int] = {}
    for text in texts:
        name, equals, number = text.rpartition("=")
        channel = _channel(number, text)
        if not equals and len(wedges) > 1:
            raise ParameterError(
                f'say which wedge output {channel} feeds, such as --output "{wedges[0]}={channel}"'
            )
        name = name.strip() if equals else wedges[0]
        if name not in wedges:
            known = ", ".join(briefly(one) for one in wedges)
            raise ParameterError(f"there is no wedge named {briefly(name)}; there are {known}")
        if name in found or channel in found.values():
            raise ParameterError(f"{briefly(text)}: give each wedge one output of its own")
        found[name] = channel
    return found


def _channel(number: str, text: str) -> int:
    try:
        channel = int(number)
    except ValueError:
        channel = 0
    if not 1 <= channel <= _MOST:
        raise ParameterError(
            f"{briefly(text.strip())}: name a channel by its number, counted from 1"
        )
    return channel
