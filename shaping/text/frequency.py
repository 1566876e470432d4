"""Frequencies as people read them, with the note: equal temperament, A4 = 440 Hz, middle C = C4."""

from __future__ import annotations

import math

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def nearest_note(frequency_hz: float) -> tuple[str, int]:
    """Return the nearest note's name and the deviation from it in cents.

    >>> nearest_note(440.0)
    ('A4', 0)
    >>> nearest_note(2509.0)
    ('D#7', 14)
    """
    semitones = 69 + 12 * math.log2(frequency_hz / 440.0)
    number = round(semitones)
    cents = round(100 * (semitones - number))
    return f"{_NAMES[number % 12]}{number // 12 - 1}", cents


def note_text(frequency_hz: float) -> str:
    """Return the note as people read it, with cents only where they are 5 or more.

    >>> note_text(2509.0)
    'D#7 +14 cents'
    >>> note_text(440.5)
    'A4'
    """
    name, cents = nearest_note(frequency_hz)
    return name if abs(cents) < 5 else f"{name} {cents:+d} cents"


def hertz_text(frequency_hz: float) -> str:
    """Return a frequency with three significant figures and its unit.

    >>> hertz_text(2514.0), hertz_text(163.4), hertz_text(80.0), hertz_text(999.7)
    ('2.51 kHz', '163 Hz', '80 Hz', '1.00 kHz')
    """
    if frequency_hz >= 999.5:
        digits = 2 if frequency_hz < 9995 else 1
        return f"{frequency_hz / 1000:.{digits}f} kHz"
    return f"{frequency_hz:.0f} Hz" if frequency_hz >= 99.5 else f"{frequency_hz:.3g} Hz"


def frequency_text(frequency_hz: float) -> str:
    """Return a frequency with its note.

    >>> frequency_text(2509.0)
    '2.51 kHz (D#7 +14 cents)'
    """
    return f"{hertz_text(frequency_hz)} ({note_text(frequency_hz)})"
