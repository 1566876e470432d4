"""From where on a finding about a feed counts as a fault.

No pass limits for a line check of in-ear feeds are published as far as we know: every figure here
is a starting point of common practice, and a packs file can set it (``[thresholds]``).
"""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct


class Thresholds(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """Starting points, to be set as the place and the packs ask for."""

    level_db: Annotated[
        float, Meta(gt=0, le=40, description="off its siblings, or one side off the other")
    ] = 3.0
    silent_db: Annotated[
        float, Meta(ge=20, le=120, description="below its siblings: as good as silent")
    ] = 60.0
    dead_db: Annotated[
        float, Meta(ge=10, le=80, description="below the other side: as good as dead")
    ] = 30.0
    crosstalk_db: Annotated[
        float, Meta(ge=-80, le=-6, description="other side in this one, against this one")
    ] = -30.0
    late_ms: Annotated[
        float, Meta(gt=0, le=500, description="later than the siblings of one recording")
    ] = 3.0
    side_late_ms: Annotated[float, Meta(gt=0, le=500, description="one side later")] = 1.0
    dropouts: Annotated[int, Meta(ge=1, le=1000, description="in one run of the signal")] = 1
    hum_db: Annotated[float, Meta(ge=-120, le=0, description="against the hold")] = -60.0
    noise_db: Annotated[
        float, Meta(ge=-120, le=0, description="A-weighted, against the hold")
    ] = -50.0
    limiter_db: Annotated[
        float,
        Meta(ge=-30, le=0, description="against the hold: a limiter that works below is too busy"),
    ] = -6.0
    compressed_db: Annotated[
        float, Meta(gt=0, le=30, description="gain that the hold loses to a compressor")
    ] = 1.5
    distortion_db: Annotated[
        float, Meta(ge=-80, le=-6, description="against the signal; -30 dB is 3 %")
    ] = -30.0
    uneven_db: Annotated[
        float, Meta(gt=0, le=40, description="a third octave against the same of the siblings")
    ] = 3.0
