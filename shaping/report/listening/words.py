"""What is said of a rendering, in plain sentences."""

from __future__ import annotations

from shaping.report.listening.pair import RenderedPair
from shaping.report.listening.render import Rendering
from shaping.report.listening.rise import Rise
from shaping.text.durations import duration_text
from shaping.text.names import shown
from shaping.text.quantities import gain_text

_HEARD_DB = 0.05  # what rounds to nothing is not worth a word


def rendering_texts(made: Rendering) -> tuple[str, ...]:
    """Return what was written, and what to mind."""
    turned = f", turned down by {-made.gain_db:.1f} dB so as not to clip" if made.gain_db else ""
    return (f"Wrote {shown(made.path)}{turned}.", *_rise_texts(made.rise))


def pair_texts(made: RenderedPair) -> tuple[str, ...]:
    """Return what was written, how the two were matched, the true difference, what to mind."""
    written = (
        f"Wrote {shown(made.without_path)} (as it was) and {shown(made.with_path)} (through the "
        "plan)."
    )
    change_db = made.plan_loudness_change_db
    true = f"{abs(change_db):.1f} dB {'quieter' if change_db < 0 else 'louder'}"
    if made.equally_loud:
        matched = (
            f"Equally loud second by second, {made.loudness_lufs:.1f} LUFS by what is not howl: "
            f"the one with the plan is turned by {gain_text(made.with_gain_low_db)} to "
            f"{gain_text(made.with_gain_high_db)}. In truth the plan makes it {true}: hear that "
            "with --true-level."
        )
    else:
        matched = f"At their true levels: the plan makes it {true}, by what is not howl."
    return (written, matched, *_howl_texts(made), *_rise_texts(made.rise))


def _howl_texts(made: RenderedPair) -> tuple[str, ...]:
    if made.howl_cut_db is None:
        return ()
    cut = f"Where it howls the plan takes {made.howl_cut_db:.1f} dB."
    if made.howls_held_down_db < _HEARD_DB:
        return (cut,)
    return (
        f"{cut} Howls are held down in both, by up to {made.howls_held_down_db:.1f} dB, to spare "
        "your ears.",
    )


def _rise_texts(rise: Rise | None) -> tuple[str, ...]:
    if rise is None:
        return ()
    return (
        f"Warning: from {duration_text(rise.at_s)} on it gets up to {rise.rise_db:.0f} dB louder "
        "than it begins. Set the volume there, not by the first seconds.",
    )
