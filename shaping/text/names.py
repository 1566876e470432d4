"""Names and values that somebody else wrote, safe on one line: nothing a terminal could act on."""

from __future__ import annotations

import os
from pathlib import PurePath


def shown(name: str | bytes | os.PathLike[str]) -> str:
    r"""Return a name with control and other invisible characters and broken encodings escaped.

    >>> shown("-rf wedge's.wav")
    "-rf wedge's.wav"
    >>> shown("two\nlines.wav"), shown("\x1b[31m.wav"), shown(b"broken \xff.wav")
    ('two\\nlines.wav', '\\x1b[31m.wav', 'broken \\udcff.wav')
    """
    text = os.fsdecode(name)
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def file_text(path: str, *, longest: int = 60) -> str:
    """Return a file's name, without its folders, shortened in the middle.

    >>> file_text("takes/vocal wedge.wav")
    'vocal wedge.wav'
    >>> file_text("a" * 80 + ".wav", longest=20)
    'aaaaaaaaaaa…aaaa.wav'
    """
    name = shown(PurePath(path).name or path)
    if len(name) <= longest:
        return name
    tail = (longest - 1) * 2 // 5 + 1
    return f"{name[: longest - 1 - tail]}…{name[-tail:]}"


def on_one_line(text: str) -> str:
    r"""Return a text of at most 60 characters, all of them visible.

    >>> on_one_line("two\nlines")
    'two lines'
    """
    text = "".join(c if c.isprintable() else " " for c in text)
    return text if len(text) <= 60 else f"{text[:59]}…"


def briefly(value: object) -> str:
    r"""Return a value that somebody wrote, for a message: one line of at most 60 characters.

    >>> briefly("four"), briefly(ValueError("two\nlines"))
    ("'four'", 'two lines')
    """
    return on_one_line(str(value) if isinstance(value, Exception) else repr(value))
