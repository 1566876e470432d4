"""What thinning saves in the first rows and costs on stage, in plain sentences.

Every number that comes from a model says so in the same sentence.
"""

from __future__ import annotations

from shaping.plan.plan import BandInterference, RoomSum, ThinningSummary
from shaping.text.frequency import hertz_text
from shaping.text.quantities import change_text
from shaping.text.sentences import listing

MODEL = "a model, not measured"

_HEARD_SII = 0.02
"""A smaller change of the index is not worth a word; our choice."""

_NOTHING_DB = 0.05  # what rounds to 0.0 dB

_CLARITY = {False: "become less clear", True: "become clearer"}


def thinning_texts(thinning: ThinningSummary) -> tuple[str, ...]:
    """Return what thinning saves in the room and costs on stage, in plain sentences."""
    if abs(thinning.spill_change_db) < _NOTHING_DB:
        basis = "" if thinning.measured else f": {MODEL}"
        return (
            f"From 125 to 500 Hz nothing changes in the first rows{basis}. What the settings take "
            "out lies below.",
        )
    saved = (
        f"{change_text(thinning.spill_change_db)} of this wedge in the first rows, 125 to 500 Hz"
    )
    if not thinning.measured:
        saved += f": {MODEL}"
    if thinning.spill_change_a_db is not None and thinning.spill_change_c_db is not None:
        saved += (
            f" (over all frequencies {change_text(thinning.spill_change_a_db)} A-weighted, "
            f"{change_text(thinning.spill_change_c_db)} C-weighted)"
        )
    room = () if thinning.room is None else room_texts(thinning.room)
    return (f"{saved}.", *room, *_stage_texts(thinning))


def room_texts(room: RoomSum) -> tuple[str, ...]:
    """Return what the first rows hear of mains and wedges together, in plain sentences."""
    over_db = room.mains_over_wedges_db
    where = f"{abs(over_db):.1f} dB {'under' if over_db >= 0 else 'over'} the mains"
    basis = f"the wedges alone were {where}" if room.measured else f"{MODEL}, the wedge {where}"
    together = (
        f"The room hears mains and wedges together: {change_text(room.change_db)}, 125 to 500 Hz, "
        f"powers added ({basis})."
    )
    return (together, *_meeting_texts(room), *_words_texts(room))


def _meeting_texts(room: RoomSum) -> tuple[str, ...]:
    """Return what one seat hears where both carry the same sound."""
    if room.wedges_later_s is None or room.seat_change_db is None or not room.interference:
        return ()
    side = "after" if room.wedges_later_s >= 0 else "before"
    least = min(room.interference, key=lambda one: one.change_db)
    most = max(room.interference, key=lambda one: one.change_db)
    return (
        f"Peaks and dips at this one seat, where the wedges' sound arrives "
        f"{1000 * abs(room.wedges_later_s):.1f} ms {side} the mains' (if both recordings were "
        f"started together): there the two really add up to {change_text(room.seat_change_db)}, "
        f"from {_in_band(least)} to {_in_band(most)}. Powers added is the mean over seats.",
    )


def _in_band(one: BandInterference) -> str:
    return f"{change_text(one.change_db)} at {hertz_text(one.nominal_hz)}"


def _words_texts(room: RoomSum) -> tuple[str, ...]:
    before, after = room.sii_before, room.sii_after
    if before is None or after is None:
        return ()
    basis = "assumed level of the voice" if room.measured else MODEL
    return (
        f"Words from the mains in the first rows: index {before:.2f} before, {after:.2f} after "
        f"({basis}). Thinning helps them a little; the same decibels above 630 Hz would weigh "
        "three to four times as much.",
    )


def _stage_texts(thinning: ThinningSummary) -> tuple[str, ...]:
    before, after = thinning.sii_before, thinning.sii_after
    if before is None or after is None:
        return _level_texts(thinning)
    change = after - before
    verdict = "stay as clear" if abs(change) < _HEARD_SII else _CLARITY[change > 0]
    whole = (
        f"Words {verdict} for the {thinning.listener}: speech intelligibility index {before:.2f} "
        f"before, {after:.2f} after (0 to 1; ANSI S3.5-1997; assumed levels)"
    )
    others = [
        f"{100 * at.mic_distance_m:.0f} cm from the mic {at.sii_before:.2f} and {at.sii_after:.2f}"
        for at in thinning.sii_by_distance
        if (at.sii_before, at.sii_after) != (before, after)
    ]
    return ("; ".join([whole, *others]) + ".",)


def _level_texts(thinning: ThinningSummary) -> tuple[str, ...]:
    """Return what is lost where no voice is what the monitor is for."""
    low, above = thinning.stage_change_db, thinning.stage_change_above_db
    if low is None:
        return ()
    parts = [f"{change_text(low)} from 125 to 500 Hz"]
    if above is not None:
        parts.append(f"{change_text(above)} above 630 Hz")
    return (f"The {thinning.listener} hears {listing(parts)}: what the settings do to even noise.",)
