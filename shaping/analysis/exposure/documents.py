"""What published documents say of levels and time: facts from them, never a verdict of ours.

Each reference value is a level over a time, and energy adds up: ``L`` over ``t`` has the energy of
the reference once ``t 10^(L / 10)`` is as large. NIOSH halves the time every 3 dB, which is the
same to 0.3 % and is computed as it is written.

References
----------
.. [1] NIOSH publication 98-126, 1998: recommended exposure limit, 85 dBA over 8 h, 3 dB exchange;
   ``T = 480 / 2^((L - 85) / 3)`` minutes, dose ``100 sum(C / T)`` percent. For work, quiet
   otherwise.
.. [2] Directive 2003/10/EC, article 3: daily exposure and peak; 80 dB(A) and 112 Pa (lower action),
   85 dB(A) and 140 Pa (upper action), 87 dB(A) and 200 Pa (limit). The limit counts worn
   protection, the action values do not.
.. [3] WHO, Global standard for safe listening venues and events, 2022: 100 dB LAeq,15min at most,
   for the audience.
.. [4] ITU-T H.870, 2022: 1.6 Pa^2 h in seven days, 80 dBA over 40 h; for personal listening
   devices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.exposure.levels import level_db

WORKING_DAY_S = 8 * 3600.0  # the day of [1] and [2]
NIOSH_LEVEL_DB = 85.0  # [1]: allowed for a working day
NIOSH_EXCHANGE_DB = 3.0  # [1]: so much louder, half as long
EU_LEVELS_DB = {"lower action value": 80.0, "upper action value": 85.0, "limit value": 87.0}
"""Of a working day, [2]."""
EU_PEAKS_PA = {"lower action value": 112.0, "upper action value": 140.0, "limit value": 200.0}
"""[2], C-weighted."""
WHO_LEVEL_DB = 100.0  # [3]
WHO_SPAN_S = 900  # [3]: 15 minutes
WEEKLY_PA2H = 1.6  # [4]
REFERENCE_PA = 20e-6  # of sound pressure level in air

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reference:
    """One value of a document, and how a recording stands to it.

    Attributes
    ----------
    document, name : str
        The document, and what it calls the value.
    level_db : float
        A-weighted level that reaches it over `span_s`.
    span_s : float
        Time to which the value belongs.
    share : float
        What the recording alone makes of it; 1 reaches it.
    reached_at_s : float
        When it was reached within the recording; NaN where it was not.
    time_s, time_low_s, time_high_s : float
        How long the mean level of the recording takes to reach it, from nothing; with the ends of
        the level's uncertainty.
    """

    document: str
    name: str
    level_db: float
    span_s: float
    share: float
    reached_at_s: float
    time_s: float
    time_low_s: float
    time_high_s: float

    @property
    def passed(self) -> bool:
        """Whether the recording alone reaches it."""
        return self.share >= 1.0


@dataclass(frozen=True, slots=True)
class PeakReference:
    """One peak pressure of a document.

    Attributes
    ----------
    document, name : str
        The document, and what it calls the value.
    level_db : float
        C-weighted peak level.
    passed : bool
        Whether the recording's peak reaches it.
    """

    document: str
    name: str
    level_db: float
    passed: bool


def niosh_time_s(a_level_db: float) -> float:
    """Return how long the NIOSH recommendation allows a level, in seconds.

    >>> niosh_time_s(100.0) / 60
    15.0
    """
    return float(WORKING_DAY_S / 2 ** ((a_level_db - NIOSH_LEVEL_DB) / NIOSH_EXCHANGE_DB))


def niosh_dose(a_level_db: _Real, time_s: _Real) -> float:
    """Return the NIOSH dose of levels that lasted so long each, as a share (1 is 100 %).

    >>> round(niosh_dose(np.array([95.0]), np.array([7200.0])), 2)
    2.52
    """
    return float(niosh_doses(a_level_db, time_s).sum())


def niosh_doses(a_level_db: _Real, time_s: _Real) -> _Real:
    """Return the share that each level adds to the NIOSH dose."""
    halvings = (np.asarray(a_level_db) - NIOSH_LEVEL_DB) / NIOSH_EXCHANGE_DB
    return np.asarray(np.asarray(time_s) * 2.0**halvings / WORKING_DAY_S)


def daily_level_db(a_level_db: float, time_s: float) -> float:
    """Return the daily exposure level LEX,8h of one level over a time, and nothing else that day.

    >>> round(daily_level_db(95.0, 7200.0), 1)
    89.0
    """
    return float(a_level_db + 10 * math.log10(max(time_s, 1e-3) / WORKING_DAY_S))


def sound_exposure_pa2h(a_level_db: float, time_s: float) -> float:
    """Return the sound exposure in Pa^2 h, as ITU-T H.870 counts it.

    >>> round(sound_exposure_pa2h(100.0, 900.0), 3)
    1.0
    """
    return float(REFERENCE_PA**2 * 10 ** (a_level_db / 10) * time_s / 3600)


def peak_db(pressure_pa: float) -> float:
    """Return a peak pressure as a level.

    >>> round(peak_db(140.0), 1)
    136.9
    """
    return 20 * math.log10(pressure_pa / REFERENCE_PA)


def references(
    a_level_db: _Real, time_s: _Real, *, leq_db: float, expanded_db: float
) -> tuple[Reference, ...]:
    """Return the values over a time, each with what the recording makes of it.

    Parameters
    ----------
    a_level_db, time_s : ndarray, shape (seconds,)
        A-weighted level of each second in dB, and its length.
    leq_db : float
        The level of the whole.
    expanded_db : float
        Expanded uncertainty of the levels.
    """
    energy = 10 ** (np.asarray(a_level_db) / 10) * time_s
    found = [
        _reference(
            "NIOSH 98-126",
            "recommended exposure limit",
            (NIOSH_LEVEL_DB, WORKING_DAY_S),
            niosh_doses(a_level_db, time_s),
            time_s,
            tuple(niosh_time_s(leq_db + d) for d in (0.0, expanded_db, -expanded_db)),
        )
    ]
    timed = [("2003/10/EC", name, level, WORKING_DAY_S) for name, level in EU_LEVELS_DB.items()]
    weekly_db = float(level_db(WEEKLY_PA2H / REFERENCE_PA**2 / 40))
    timed.append(("ITU-T H.870", "weekly sound dose", weekly_db, 40 * 3600.0))
    for document, name, level, span_s in timed:
        whole = 10 ** (level / 10) * span_s
        found.append(
            _reference(
                document,
                name,
                (level, span_s),
                energy / whole,
                time_s,
                tuple(
                    span_s * 10 ** ((level - leq_db - d) / 10)
                    for d in (0.0, expanded_db, -expanded_db)
                ),
            )
        )
    return tuple(found)


def _reference(
    document: str,
    name: str,
    value: tuple[float, float],
    shares: _Real,
    time_s: _Real,
    times_s: tuple[float, ...],
) -> Reference:
    total = np.cumsum(shares)
    over = np.flatnonzero(total >= 1.0)
    reached_at_s = float(np.cumsum(time_s)[over[0]]) if over.size else math.nan
    time, low, high = times_s
    share = float(total[-1]) if total.size else 0.0
    return Reference(document, name, *value, share, reached_at_s, time, low, high)


def peak_references(c_peak_db: float) -> tuple[PeakReference, ...]:
    """Return the directive's peak pressures against a C-weighted peak level."""
    return tuple(
        PeakReference("2003/10/EC", name, peak_db(pressure), c_peak_db >= peak_db(pressure))
        for name, pressure in EU_PEAKS_PA.items()
    )
