"""The cautions, in one place: plain sentences shown where a person would act.

They are common practice of the trade, no published source; for limits of exposure they defer to
local codes and qualified people.
"""

from __future__ import annotations

RING_OUT: tuple[str, ...] = (
    "Feedback can injure hearing and destroy drivers: warn everyone on and near the stage first.",
    "Take in-ear monitors out, put hearing protection on, and keep the limiter in.",
    "Start low, raise the send slowly with a hand on the fader, and pull it down at the first "
    "ring.",
)
"""For anyone who rings out a wedge, or tries a plan at the gain where it rang."""

TEST_SIGNAL: tuple[str, ...] = (
    "Start with the playback level all the way down and raise it slowly, to loud speech at most, a "
    "hand on the fader.",
    "Warn everyone on and near the stage, take in-ear monitors out, and keep the limiter in.",
    "Mute the mic everywhere while the signal plays (mains, every wedge, in-ears, stream), record "
    "it before the mute, and stop if a driver distorts or smells hot.",
    "Never play a test signal into headphones or in-ear monitors.",
)
"""For anyone who plays a test signal through a wedge."""

THINNING: tuple[str, ...] = (
    "Tell the musicians before you change their wedge, and keep the limiter in.",
    "If you turn the wedge up afterwards to make up for what was taken out, go slowly with a hand "
    "on the fader: it can howl, and feedback can injure hearing.",
)
"""For anyone who thins a wedge."""

IN_EAR: tuple[str, ...] = (
    "Tell the musician, and have the pack turned down or the in-ears out before you change their "
    "mix: a change of it is as near to the ear as any.",
    "Keep the pack's limiter in, and bring the level back slowly, from the bottom up.",
)
"""For anyone who changes the mix of an in-ear."""

LISTENING: tuple[str, ...] = (
    "Turn the volume down before you press play, then raise it slowly: captures and tests can "
    "hold sudden loud tones.",
)
"""For anyone who listens to a capture or a rendering."""

FEEDS: tuple[str, ...] = (
    "Take every pack off the ears first, and let nobody put one on until the signal has ended: it "
    "sounds in all of them at once.",
    "Start with the playback level all the way down and raise it slowly, until the mixes' meters "
    "stand no higher than in a song.",
    "Keep the limiters of packs and transmitters in, and route the signal to the packs alone: no "
    "wedge, no mains.",
)
"""For anyone who plays the test signal of in-ear feeds, or turns one up."""

SAFE_LEVELS = "How loud and how long is safe is for local codes and qualified people to say."
"""Where nothing was recorded."""

EXPOSURE = (
    "How loud and how long is safe is for local codes and qualified people to say; this "
    "recording is uncalibrated and gives no sound pressure level."
)
"""Wherever recorded levels are shown."""

MEASURED_LEVELS: tuple[str, ...] = (
    "What documents say is shown as it stands there and is no verdict: how loud and how long is "
    "safe is for local codes and qualified people to say, and for a hearing test.",
    "Levels hold where the mic stood; nearer to a wedge, a side fill or drums they are higher.",
    "A day counts whole: what was heard before and after this recording adds to it.",
)
"""Wherever sound pressure levels of a calibrated recording are shown."""
