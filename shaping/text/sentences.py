"""Words put together as sentences."""

from __future__ import annotations

from collections.abc import Sequence

from shaping.text.names import shown


def sentence(text: str) -> str:
    """Return `text` as one sentence: a capital letter first, a full stop last.

    >>> sentence("ring at 2.51 kHz: grew 42 dB/s")
    'Ring at 2.51 kHz: grew 42 dB/s.'
    """
    whole = shown(text).strip()
    if not whole:
        return whole
    return whole[0].upper() + whole[1:] + ("" if whole[-1] in ".!?:" else ".")


def listing(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    >>> listing(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
