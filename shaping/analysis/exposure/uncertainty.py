"""How far a level may be off: calibrator, instrument, and where the mic stood.

References
----------
.. [1] ISO 9612:2009, annex C (from memory): standard uncertainty of the instrument 0.7 dB (class 1)
   or 1.5 dB (class 2), of the mic's position 1.0 dB; contributions add in squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

COVERAGE = 2.0
"""Expanded uncertainty: about 95 %."""

POSITION_DB = 1.0  # of the place of the mic, one standard deviation; a choice


class MicClass(StrEnum):
    """What the microphone and its recorder are worth, by IEC 61672-1."""

    ONE = "1"
    TWO = "2"
    UNKNOWN = "unknown"


INSTRUMENT_DB = {MicClass.ONE: 0.7, MicClass.TWO: 1.5, MicClass.UNKNOWN: 3.0}
"""An ordinary recording mic was tested for none of this: 3 dB is our own guess."""

CALIBRATOR_DB = 0.4 / math.sqrt(3)
"""A class 2 calibrator, within 0.4 dB; class 1 would gain nothing beside the rest."""

STATED_DB = 1.5
"""A sensitivity that was stated, not measured on the day: our own guess."""

IN_EAR_DB = 2.0
"""How an in-ear seals on an ear simulator and in an ear, and the mean ear of the correction: our
own guess; measured differences between persons are as large."""


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainties of the levels, in dB.

    Attributes
    ----------
    calibration_db, instrument_db, position_db, ear_db : float
        The parts; `ear_db` is 0 in a sound field.
    """

    calibration_db: float
    instrument_db: float
    position_db: float
    ear_db: float

    @property
    def expanded_db(self) -> float:
        """What is told beside a level: about 95 % of true levels lie within it."""
        parts = (self.calibration_db, self.instrument_db, self.position_db, self.ear_db)
        return COVERAGE * math.hypot(*parts)


def uncertainty_of(mic_class: MicClass, *, stated: bool, in_ear: bool) -> Uncertainty:
    """Return the uncertainty of a measurement.

    Parameters
    ----------
    mic_class : MicClass
        Class of microphone and recorder.
    stated : bool
        Whether the sensitivity was stated rather than measured with a calibrator.
    in_ear : bool
        Whether an in-ear was measured on an ear simulator or a coupler: the mic's place is then
        the ear, and the fit is what varies.
    """
    return Uncertainty(
        STATED_DB if stated else CALIBRATOR_DB,
        INSTRUMENT_DB[mic_class],
        0.0 if in_ear else POSITION_DB,
        IN_EAR_DB if in_ear else 0.0,
    )
