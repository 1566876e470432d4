"""Names and times as a person reads them: always on one line, nothing a terminal could act on."""

from __future__ import annotations

import os


def shown(path: str | bytes | os.PathLike[str]) -> str:
    r"""Return `path` with control and other invisible characters escaped.

    >>> shown("-rf wedge's.wav")
    "-rf wedge's.wav"
    >>> shown("two\nlines.wav")
    'two\\nlines.wav'
    """
    text = os.fsdecode(path)
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def clock(seconds: float) -> str:
    """Return a duration or a moment: seconds below a minute, then minutes and hours.

    >>> clock(4.04), clock(61), clock(3725)
    ('4.0 s', '1:01 min', '1:02:05 h')
    """
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d} h" if hours else f"{minutes}:{rest:02d} min"


def briefly(value: object) -> str:
    r"""Return a value that somebody wrote, for a message: one line of at most 60 characters.

    >>> briefly("four"), briefly(ValueError("two\nlines"))
    ("'four'", 'two lines')
    """
    text = str(value) if isinstance(value, Exception) else repr(value)
    text = "".join(c if c.isprintable() else " " for c in text)
    return text if len(text) <= 60 else f"{text[:59]}…"
