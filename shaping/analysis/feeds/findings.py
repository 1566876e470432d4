"""The records of in-ear feeds: what was recorded, what was measured, what is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from shaping.analysis.feeds.line_up import Place
from shaping.analysis.feeds.outputs import Output


class FeedCode(StrEnum):
    """What can be wrong with a feed, the worst first."""

    HIGH = "high"
    SILENT = "silent"
    LEFT_DEAD = "left-dead"
    RIGHT_DEAD = "right-dead"
    LOW = "low"
    DROPOUTS = "dropouts"
    DISTORTED = "distorted"
    SWAPPED = "swapped"
    INVERTED = "inverted"
    MONO = "mono"
    LIMITED = "limited"
    COMPRESSED = "compressed"
    LATE = "late"
    CROSSTALK = "crosstalk"
    HUM = "hum"
    NOISY = "noisy"
    UNEVEN = "uneven"


SOUND = "sound"
"""The verdict on a feed with no fault."""


class FaultSeverity(StrEnum):
    """Whether a finding makes a feed fail, or is only worth knowing."""

    FAULT = "fault"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a feed.

    Attributes
    ----------
    code : FeedCode
        What.
    severity : FaultSeverity
        Whether the feed fails by it.
    message : str
        What was found, in one sentence.
    action : str
        The one thing to do about it.
    size : float
        How far beyond its threshold, in units of it; sorts faults of one code.
    """

    code: FeedCode
    severity: FaultSeverity
    message: str
    action: str
    size: float


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack as the person names it.

    Attributes
    ----------
    name : str
        Its name.
    path : str
        The recording.
    channels : tuple of int
        One channel, or left and right, counted from 1.
    mono : bool
        Whether one mix for both ears is meant.
    take : str
        Packs of one take were recorded at once, so their delays compare.
    """

    name: str
    path: str
    channels: tuple[int, ...]
    mono: bool
    take: str


@dataclass(frozen=True, eq=False)
class PackMeasure:
    """What the recording of a pack tells by itself.

    Attributes
    ----------
    pack : Pack
        Which.
    place : Place or None
        Where the signal runs; None where it is not in the recording.
    outputs : tuple of Output
        One for each channel; none where the signal is not found.
    peak_dbfs : float
        Highest sample of the recording: what plays where the signal does not.
    """

    pack: Pack
    place: Place | None
    outputs: tuple[Output, ...]
    peak_dbfs: float


@dataclass(frozen=True, eq=False)
class FeedSide:
    """One ear of a feed.

    Attributes
    ----------
    side : str
        ``left``, ``right``, or ``only`` where one channel was recorded.
    output : Output
        What was measured.
    level_db : float or None
        Against the median of the siblings.
    carries : str or None
        ``left``, ``right``, ``both``, or None for nothing.
    crosstalk_db : float or None
        The side that it should not carry, against the one that it carries.
    """

    side: str
    output: Output
    level_db: float | None
    carries: str | None
    crosstalk_db: float | None


@dataclass(frozen=True, eq=False)
class Feed:
    """What is to be said of one pack.

    Attributes
    ----------
    measure : PackMeasure
        What was measured.
    level_db : float or None
        Against the median of its siblings; None without siblings, or where it is silent.
    gain_db : float or None
        Recorded samples over samples of the signal, over its living sides.
    change_db : float or None
        Of its gain since the last good state, against the median change; None where not known.
    delay_ms : float or None
        Against the median of the packs recorded with it.
    sides : tuple of FeedSide
        Its ears.
    faults : tuple of Fault
        The worst first, notes last.
    """

    measure: PackMeasure
    level_db: float | None
    gain_db: float | None
    change_db: float | None
    delay_ms: float | None
    sides: tuple[FeedSide, ...]
    faults: tuple[Fault, ...]

    @property
    def name(self) -> str:
        """Its name."""
        return self.measure.pack.name

    @property
    def verdict(self) -> str:
        """``sound``, or the code of the worst fault."""
        failing = self.failing
        return str(failing[0].code) if failing else SOUND

    @property
    def failing(self) -> tuple[Fault, ...]:
        """The faults by which it fails."""
        return tuple(one for one in self.faults if one.severity is FaultSeverity.FAULT)


@dataclass(frozen=True, slots=True)
class KnownSide:
    """One ear in the last good state: the parts that are compared."""

    gain_db: float
    carries: str | None
    polarity: int
    bands_db: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class KnownFeed:
    """A feed in the last good state.

    Attributes
    ----------
    gain_db : float
        Of the feed, recorded samples over samples of the signal.
    sides : tuple of KnownSide
        Its ears.
    """

    gain_db: float
    sides: tuple[KnownSide, ...]
