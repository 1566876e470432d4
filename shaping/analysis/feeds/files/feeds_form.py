"""What the result may hold: schema ``shaping.feeds/1``, published as ``feeds.schema.json``.

Names, units and meaning of the keys are stable; more keys may come, so keys that are not known are
passed over. A key that is null counts as left out. The last good state is a file of this schema.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from shaping.analysis.feeds.findings import FaultSeverity, FeedCode
from shaping.errors import FeedsError
from shaping.reading.form import Form

FEEDS_SCHEMA = "shaping.feeds/1"
_MAX_BYTES = 8 * 1024 * 1024

Text = Annotated[str, Meta(max_length=20_000)]
Level = Annotated[float, Meta(ge=-1000.0, le=1000.0)]
Carried = Literal["left", "right", "both"]
Channel = Annotated[int, Meta(ge=1, le=100_000, description="counted from 1")]
_few = Meta(max_length=10_000)

Verdict = Literal[
    "sound",
    "silent",
    "low",
    "high",
    "left-dead",
    "right-dead",
    "swapped",
    "inverted",
    "mono",
    "crosstalk",
    "late",
    "dropouts",
    "hum",
    "noisy",
    "limited",
    "compressed",
    "distorted",
    "uneven",
]


class FaultForm(Struct, kw_only=True, frozen=True):
    """One finding: a fault makes the feed fail, a note is only worth knowing."""

    code: FeedCode
    severity: FaultSeverity
    message: Text
    action: Text = ""


class LimiterForm(Struct, kw_only=True, frozen=True):
    """A limiter or compressor; levels against the hold of the signal."""

    knee_db: Level
    ratio: Annotated[float, Meta(ge=1.0, le=1e6)] | None = None
    loss_db: Level


class FeedSideForm(Struct, kw_only=True, frozen=True):
    """One ear."""

    side: Literal["left", "right", "only"]
    level_db: Annotated[Level, Meta(description="against the median of the siblings")] | None = None
    gain_db: (
        Annotated[Level, Meta(description="recorded samples over samples of the signal")] | None
    ) = None
    carries: Carried | None = None
    polarity: Annotated[int, Meta(ge=-1, le=1, description="0: cannot be told")] = 0
    crosstalk_db: Level | None = None
    delay_ms: Annotated[float, Meta(ge=-1e4, le=1e4)] | None = None
    distortion_db: Annotated[Level, Meta(description="against the signal")] | None = None
    noise_db: Annotated[Level, Meta(description="A-weighted, against the hold")] | None = None
    hum_db: Annotated[Level, Meta(description="against the hold")] | None = None
    mains_hz: Literal[50, 60] | None = None
    limiter: LimiterForm | None = None
    dropouts_s: Annotated[tuple[Annotated[float, Meta(ge=0, le=1e6)], ...], _few] = ()
    bands_db: Annotated[
        tuple[Level | None, ...], Meta(max_length=64, description="gain at each of bands_hz")
    ] = ()


class FeedForm(Struct, kw_only=True, frozen=True):
    """One pack."""

    name: Text
    path: Text = ""
    channels: Annotated[tuple[Channel, ...], Meta(max_length=2)] = ()
    mono: Annotated[bool, Meta(description="one mix for both ears is meant")] = False
    verdict: Annotated[Verdict, Meta(description="sound, or the worst fault")]
    level_db: Annotated[Level, Meta(description="against the median of its siblings")] | None = None
    change_db: Annotated[Level, Meta(description="since the last good state")] | None = None
    gain_db: Level | None = None
    delay_ms: (
        Annotated[float, Meta(ge=-1e4, le=1e4, description="against the packs of its recording")]
        | None
    ) = None
    sides: Annotated[tuple[FeedSideForm, ...], Meta(max_length=2)] = ()
    faults: Annotated[tuple[FaultForm, ...], Meta(max_length=100)] = ()


class PlayedForm(Struct, kw_only=True, frozen=True):
    """The test signal."""

    path: Text
    sample_rate_hz: Annotated[int, Meta(ge=1, le=1_000_000)]
    level_dbfs: Level


class FeedsForm(Struct, kw_only=True, frozen=True):
    """In-ear feeds, the worst first."""

    schema: Literal["shaping.feeds/1"]
    reference: PlayedForm | None = None
    thresholds: dict[str, float] = {}
    bands_hz: Annotated[tuple[Annotated[float, Meta(gt=0, le=1e6)], ...], Meta(max_length=64)] = ()
    feeds: Annotated[tuple[FeedForm, ...], Meta(max_length=1000)]
    cautions: Annotated[tuple[Text, ...], Meta(max_length=100)] = ()


FEEDS_FORM = Form(
    "result of feeds",
    FeedsForm,
    FeedsError,
    _MAX_BYTES,
    lambda: (
        "keep a good state with: shaping feeds RECORDING... --reference FILE --known FILE "
        "--save-known"
    ),
)
