"""What is said of in-ear feeds: the same words on the terminal, the page and the figure."""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.feeds.findings import SOUND, FaultSeverity, Feed, FeedCode, FeedSide
from shaping.analysis.feeds.measure import Signal
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.capture.cautions import FEEDS
from shaping.text.names import shown
from shaping.text.quantities import gain_text
from shaping.text.sentences import listing

VERDICTS = {
    SOUND: "sound",
    FeedCode.HIGH: "too loud",
    FeedCode.SILENT: "silent",
    FeedCode.LEFT_DEAD: "left side dead",
    FeedCode.RIGHT_DEAD: "right side dead",
    FeedCode.LOW: "too low",
    FeedCode.DROPOUTS: "dropouts",
    FeedCode.DISTORTED: "distorted",
    FeedCode.SWAPPED: "sides swapped",
    FeedCode.INVERTED: "polarity turned",
    FeedCode.MONO: "mono",
    FeedCode.LIMITED: "limiter busy",
    FeedCode.COMPRESSED: "compressed",
    FeedCode.LATE: "late",
    FeedCode.CROSSTALK: "crosstalk",
    FeedCode.HUM: "hum",
    FeedCode.NOISY: "noisy",
    FeedCode.UNEVEN: "uneven",
}

CANNOT_TELL = (
    "A recording of a pack's output does not tell how loud it is at the ear, whether an earpiece "
    "seals, or whether one is dead or damaged: put each on, turned down first, before the service.",
    "It is one run: what comes and goes (a radio further away, a battery an hour later) may not "
    "have been there.",
)
"""What no recording of an output can tell."""

SAME_GAIN = (
    "Levels compare only where every pack was recorded at one and the same input gain, with its "
    "volume where it is used."
)
ONE_CHANNEL = (
    "Of a pack of which one channel was recorded, nothing is said of its sides: dead, swapped, "
    "mono, crosstalk."
)
APART = (
    "Packs recorded one after the other cannot be compared for delay; --together says that they "
    "were started together."
)
ALONE = "One pack alone has no siblings: its level and response are not judged without --known."
TWO = (
    "Of two packs nobody can tell which is off: of their levels the lower one is named, of their "
    "responses the less flat one. --known settles it."
)
STARTING_POINTS = (
    "From where on a finding counts as a fault are starting points of common practice, not limits "
    "of any standard; a packs file sets others (shaping feeds new FILE)."
)
TELLING_DB = 1.0
"""The levels of two ears are told apart from here on; balance knobs are no finer."""

FEEDS_HEADING = "Before you turn anything up or play the signal again"


@dataclass(frozen=True, eq=False)
class FeedsReport:
    """Feeds with what they were judged by.

    Attributes
    ----------
    feeds : tuple of Feed
        The worst first.
    thresholds : Thresholds
        From where on a finding was a fault.
    reference : str
        The file that was played.
    signal : Signal
        What it holds.
    known : str or None
        The file of the last good state.
    """

    feeds: tuple[Feed, ...]
    thresholds: Thresholds
    reference: str
    signal: Signal
    known: str | None


def title(report: FeedsReport) -> str:
    """Return the answer in one line."""
    count = len(report.feeds)
    failing = [one for one in report.feeds if one.failing]
    of = f"{count} in-ear feed{'s' if count > 1 else ''}"
    if not failing:
        return f"{of}: sound" if count == 1 else f"All {of} are sound"
    if count == 1:
        return f"{of}: {verdict_text(failing[0])}"
    return f"{len(failing)} of {of} {'fails' if len(failing) == 1 else 'fail'}"


def answer(report: FeedsReport) -> tuple[str, ...]:
    """Return which feeds fail by what, and which are sound."""
    failing = [one for one in report.feeds if one.failing]
    sound = [shown(one.name) for one in report.feeds if not one.failing]
    told = [
        f"{shown(one.name)}: {listing([VERDICTS[fault.code] for fault in one.failing])}."
        for one in failing
    ]
    if sound and failing:
        told.append(f"Sound: {listing(sound)}.")
    return tuple(told)


def verdict_text(feed: Feed) -> str:
    """Return a feed's verdict in words, with how many other faults there are."""
    if not feed.failing:
        return VERDICTS[SOUND]
    more = len(feed.failing) - 1
    return VERDICTS[feed.failing[0].code] + (f" (+{more})" if more else "")


def level_text(feed: Feed) -> str:
    """Return a feed's level against its siblings."""
    if feed.gain_db is None:
        return "nothing"
    return "" if feed.level_db is None else gain_text(feed.level_db)


def change_text(feed: Feed) -> str:
    """Return a feed's change since the last good state."""
    return "" if feed.change_db is None else gain_text(feed.change_db)


def side_text(side: FeedSide, *, with_level: bool) -> str:
    """Return what one ear gets."""
    if side.carries is None:
        return "nothing"
    carried = "both sides" if side.carries == "both" else side.carries
    if with_level and side.level_db is not None:
        return f"{carried}, {gain_text(side.level_db)}"
    return carried


def ears_text(feed: Feed) -> str:
    """Return what comes out on the left and on the right; levels where they differ."""
    if not feed.sides:
        return "nothing"
    levels = [one.level_db for one in feed.sides if one.level_db is not None]
    differ = len(levels) == 2 and abs(levels[0] - levels[1]) >= TELLING_DB
    return " | ".join(side_text(one, with_level=differ) for one in feed.sides)


def ears_sentence(feed: Feed) -> str:
    """Return the same as words of their own, where no heading stands above them."""
    if not feed.sides:
        return "nothing of the signal"
    if len(feed.sides) == 1:
        return f"one channel recorded: {side_text(feed.sides[0], with_level=False)}"
    left, right = ears_text(feed).split(" | ")
    return f"left ear gets {left}, right ear gets {right}"


def notes(report: FeedsReport) -> tuple[str, ...]:
    """Return what is worth knowing of feeds and is no fault."""
    return tuple(
        f"{shown(feed.name)}: {fault.message} {fault.action}"
        for feed in report.feeds
        for fault in feed.faults
        if fault.severity is FaultSeverity.NOTE
    )


def limits_of_this(report: FeedsReport) -> tuple[str, ...]:
    """Return what these recordings cannot tell."""
    measures = [one.measure for one in report.feeds]
    told = list(CANNOT_TELL)
    if len(measures) == 1 and report.known is None:
        told.append(ALONE)
    elif len(measures) > 1:
        told.append(SAME_GAIN)
    if len(measures) == 2 and report.known is None:
        told.append(TWO)
    if any(len(one.pack.channels) == 1 for one in measures):
        told.append(ONE_CHANNEL)
    if len(measures) > 1 and len({one.pack.take for one in measures}) > 1:
        told.append(APART)
    told.append(STARTING_POINTS)
    return tuple(told)


def cautions(report: FeedsReport) -> tuple[str, ...]:
    """Return every caution of a result."""
    return (*FEEDS, *limits_of_this(report))
