"""Figures large enough to be read from two metres: five lines high, made of blocks."""

from __future__ import annotations

from typing import Final

HEIGHT: Final = 5

_GLYPHS = {
    "0": ("███", "█ █", "█ █", "█ █", "███"),
    "1": (" █ ", "██ ", " █ ", " █ ", "███"),
    "2": ("███", "  █", "███", "█  ", "███"),
    "3": ("███", "  █", "███", "  █", "███"),
    "4": ("█ █", "█ █", "███", "  █", "  █"),
    "5": ("███", "█  ", "███", "  █", "███"),
    "6": ("███", "█  ", "███", "█ █", "███"),
    "7": ("███", "  █", "  █", "  █", "  █"),
    "8": ("███", "█ █", "███", "█ █", "███"),
    "9": ("███", "█ █", "███", "  █", "███"),
    ".": (" ", " ", " ", " ", "█"),
    "k": ("█  ", "█ █", "██ ", "█ █", "█ █"),
    "H": ("█ █", "█ █", "███", "█ █", "█ █"),
    "z": ("   ", "███", " █ ", "█  ", "███"),
    " ": (" ", " ", " ", " ", " "),
}


def big_text(text: str) -> tuple[str, ...]:
    r"""Return a text in large letters, line by line; letters that are not there are left out.

    >>> print("\n".join(line.rstrip() for line in big_text("2.5")))
    ███   ███
      █   █
    ███   ███
    █       █
    ███ █ ███
    """
    glyphs = [_GLYPHS[letter] for letter in text if letter in _GLYPHS]
    return tuple(" ".join(glyph[line] for glyph in glyphs) for line in range(HEIGHT))
