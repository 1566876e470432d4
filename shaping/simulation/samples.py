"""The shipped captures, remade bit for bit: ``python -m shaping.simulation.samples audio_samples``.

Every sample is made by one function below from the invented scenario of
`shaping.simulation.quillhaven`, with its truth. ``truth.json`` and ``README.md`` are written beside
them. FLAC files hold 16-bit samples; what is promised are the samples, since the coding of the
file may change with the version of the FLAC library.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy import signal

from shaping.capture.signals import pink_noise
from shaping.errors import OutputError
from shaping.filters.butterworth import high_pass_cascade
from shaping.filters.kinds import Filter, FilterKind
from shaping.simulation import programme, truth
from shaping.simulation import quillhaven as hall
from shaping.simulation.closed_loop import Stage, converted, measure, room_noise
from shaping.simulation.colour import Floats
from shaping.simulation.programme import Voice
from shaping.simulation.recorder import recorded
from shaping.simulation.ring_out import Engineer, RingOut, cuts_sos, ring_out
from shaping.simulation.samples_readme import readme

RATE = hall.SAMPLE_RATE_HZ
NOISE_S = 18.0
NOISE_DBFS = -36.0
CLOCK_PPM = 40.0
PLAN = (
    Filter(FilterKind.HIGH_PASS, 110.0, order=2),
    Filter(FilterKind.PEAKING, 260.0, q=1.0, gain_db=-4.0),
)  # the thinning of "after"; the cuts on the planted bumps are added to it
STEP_BY_STEP = Engineer(
    rings=1, ramp_db_per_s=1.2, heard_dbfs=-40.0, reaction_s=0.5, hold_s=0.6, approach_db=4.0
)


@dataclass(frozen=True, eq=False)
class Sample:
    """Samples as they are stored, shape (n,) or (n, channels), int16, and what is true of them."""

    pcm: NDArray[np.int16]
    truth: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of ``audio_samples/``."""

    name: str
    kind: str
    description: str
    make: Callable[[], Sample]


def vocal_wedge_ring_out() -> Sample:
    """Push up the vocal wedge while somebody speaks."""
    sound = programme.speech(21 * RATE, sample_rate_hz=RATE, seed=7, level_dbfs=-30.0)
    engineer = Engineer(rings=3, ramp_db_per_s=1.5, heard_dbfs=-42.0, reaction_s=0.2)
    return _ring_out_sample(hall.stage(hall.VOCAL_WEDGE), sound, engineer, seed=1)


def drum_fill_ring_out() -> Sample:
    """Push up the drum fill while the band plays."""
    sound = programme.music(
        20 * RATE, sample_rate_hz=RATE, seed=8, level_dbfs=-30.0, voices=(Voice.PLUCKED,)
    )
    stage = replace(hall.stage(hall.DRUM_FILL), wedge_limit=0.9)
    engineer = Engineer(rings=2, ramp_db_per_s=1.6, heard_dbfs=-38.0, reaction_s=0.4, hold_s=1.4)
    return _ring_out_sample(stage, sound, engineer, seed=2)


def speech_wedge_ring_out() -> Sample:
    """Push up the speech wedge slowly over mains hum."""
    n = 20 * RATE
    sound = programme.hum(n, sample_rate_hz=RATE, seed=9, level_dbfs=-46.0)
    words = programme.speech(n, sample_rate_hz=RATE, seed=10, level_dbfs=-34.0)
    words[9 * RATE :] = 0.0
    engineer = Engineer(
        rings=1, ramp_db_per_s=0.35, heard_dbfs=-36.0, reaction_s=0.6, hold_s=0.4, approach_db=3.5
    )
    return _ring_out_sample(hall.stage(hall.SPEECH_WEDGE), sound + words, engineer, seed=3)


def keys_wedge_no_ring() -> Sample:
    """Push up the keys wedge, but not far enough."""
    sound = programme.music(
        20 * RATE,
        sample_rate_hz=RATE,
        seed=11,
        level_dbfs=-32.0,
        voices=(Voice.ORGAN, Voice.FLUTE),
        drums=False,
    )
    engineer = Engineer(rings=0, ramp_db_per_s=1.0, stop_short_db=6.0, approach_db=14.0)
    return _ring_out_sample(hall.stage(hall.KEYS_WEDGE), sound, engineer, seed=4)


def guitar_wedge_ring_out() -> Sample:
    """Push up the guitar wedge six times."""
    sound = np.zeros(27 * RATE)
    engineer = Engineer(
        rings=6, ramp_db_per_s=2.0, heard_dbfs=-54.0, reaction_s=0.4, back_db=4.0, approach_db=4.0
    )
    return _ring_out_sample(hall.stage(hall.GUITAR_WEDGE), sound, engineer, seed=5)


def stage_tracks_ring_out() -> Sample:
    """Record every mic of the stage while the lead vocal's wedge is pushed up."""
    n = 9 * RATE
    stage = hall.stage(hall.VOCAL_WEDGE)
    words = programme.speech(n, sample_rate_hz=RATE, seed=15, level_dbfs=-32.0)
    lead = ring_out(stage, words, STEP_BY_STEP, seed=7)
    guitar = programme.music(
        n, sample_rate_hz=RATE, seed=16, level_dbfs=-16.0, voices=(Voice.PLUCKED,), drums=False
    )
    choir = 0.04 * lead.samples + room_noise(replace(stage, noise_dbfs=-84.0), n, seed=78)
    tracks = np.stack([converted(guitar), lead.samples, converted(choir)], axis=1)
    rings = {"1": {"rings": []}, "2": _ring_truth(stage, lead), "3": {"hears": 2}}
    return Sample(_pcm(tracks), {"channels": rings})


def stage_in_place_ring_out() -> Sample:
    """Push up the same wedge again with two cuts dialled in."""
    stage = hall.stage(hall.VOCAL_WEDGE)
    cuts = _sensible_cuts(stage)[:2]
    sos = cuts_sos(cuts, sample_rate_hz=RATE)
    equalised = replace(stage, path=np.asarray(signal.sosfilt(sos, stage.path)))
    words = programme.speech(9 * RATE, sample_rate_hz=RATE, seed=17, level_dbfs=-32.0)
    sample = _ring_out_sample(equalised, words, STEP_BY_STEP, seed=8)
    typed = ", ".join(f"{c.frequency_hz:g} {c.gain_db:g} q{c.q:g}" for c in cuts)
    return Sample(sample.pcm, {**sample.truth, "in_place": typed})


def pink_noise_reference() -> Sample:
    """Make the noise that is played."""
    return Sample(_pcm(_noise()), {"level_dbfs": NOISE_DBFS, "duration_s": NOISE_S})


def vocal_wedge_noise() -> Sample:
    """Record the noise where the singer is."""
    return _noise_sample(hall.stage(hall.VOCAL_WEDGE), start_s=-1.3, seed=21)


def vocal_wedge_noise_moved() -> Sample:
    """Record the noise beside that place."""
    stage = hall.stage(hall.VOCAL_WEDGE, moved_m=(-0.15, 0.04, -0.06))
    return _noise_sample(stage, start_s=-0.6, seed=22)


def vocal_wedge_noise_after() -> Sample:
    """Record the noise through a plan."""
    stage = hall.stage(hall.VOCAL_WEDGE)
    cuts = _sensible_cuts(stage)
    plan = (*PLAN, *cuts)
    sos = np.concatenate(
        [high_pass_cascade(110.0, 2, sample_rate_hz=RATE), cuts_sos(plan[1:], sample_rate_hz=RATE)]
    )
    sample = _noise_sample(stage, start_s=-0.9, seed=23, sos=sos)
    return Sample(sample.pcm, {**sample.truth, "filters": [asdict(f) for f in plan]})


def first_row_wedges() -> Sample:
    """Record the spill of the wedge."""
    spill = hall.stage(hall.VOCAL_WEDGE).spill
    assert spill is not None
    return _first_row_sample(spill, level_db=0.0, seed=31)


def first_row_mains() -> Sample:
    """Record the mains."""
    return _first_row_sample(hall.mains_path(), level_db=6.0, seed=32)


def rehearsal() -> Sample:
    """Record a song with two howls, and the piano beside it."""
    n = 20 * RATE
    stage = replace(hall.stage(hall.VOCAL_WEDGE), noise_dbfs=-66.0)
    song = programme.music(n, sample_rate_hz=RATE, seed=12, level_dbfs=-31.0)
    voice = programme.speech(n, sample_rate_hz=RATE, seed=13, level_dbfs=-27.0)
    engineer = Engineer(
        rings=2, ramp_db_per_s=1.4, heard_dbfs=-28.0, reaction_s=0.5, hold_s=0.5, approach_db=5.0
    )
    howls = ring_out(stage, 0.35 * song + voice, engineer, seed=6)
    piano = converted(0.7 * song + 0.05 * voice + room_noise(stage, n, seed=77))
    facts = {"channels": {"1": _ring_truth(stage, howls), "2": {"rings": []}}}
    return Sample(_pcm(np.stack([howls.samples, piano], axis=1)), facts)


ENTRIES = (
    Entry(
        "vocal_wedge_ring_out.flac",
        "ring-out",
        "Three rings while somebody speaks into the microphone.",
        vocal_wedge_ring_out,
    ),
    Entry(
        "drum_fill_ring_out.flac",
        "ring-out",
        "Two rings left standing until the channel clips, the band playing.",
        drum_fill_ring_out,
    ),
    Entry(
        "speech_wedge_ring_out.flac",
        "ring-out",
        "One slow ring over mains hum; before it, the same frequency rings on after the words.",
        speech_wedge_ring_out,
    ),
    Entry(
        "keys_wedge_no_ring.flac",
        "ring-out",
        "A send that stops short of the first ring, under organ and flute.",
        keys_wedge_no_ring,
    ),
    Entry(
        "guitar_wedge_ring_out.flac",
        "ring-out",
        "Six rings one after another in a quiet room.",
        guitar_wedge_ring_out,
    ),
    Entry(
        "stage_tracks_ring_out.flac",
        "ring-out",
        "Three channels of a stage: a loud guitar, the lead vocal that rings, and the choir's mic.",
        stage_tracks_ring_out,
    ),
    Entry(
        "stage_in_place_ring_out.flac",
        "ring-out",
        "The lead vocal again with two cuts in place (`in_place` in its truth): the next ring.",
        stage_in_place_ring_out,
    ),
    Entry(
        "pink_noise_reference.flac",
        "reference",
        "The pink noise played through the vocal wedge in the captures below.",
        pink_noise_reference,
    ),
    Entry(
        "vocal_wedge_noise.flac",
        "pink-noise",
        "Pink noise through the vocal wedge, its send muted, the microphone where the singer is.",
        vocal_wedge_noise,
    ),
    Entry(
        "vocal_wedge_noise_moved.flac",
        "pink-noise",
        "The same with the microphone 16 cm away: another stance, same wedge.",
        vocal_wedge_noise_moved,
    ),
    Entry(
        "vocal_wedge_noise_after.flac",
        "pink-noise",
        "Pink noise through the vocal wedge again, with a plan dialled into the wedge's equaliser.",
        vocal_wedge_noise_after,
    ),
    Entry(
        "first_row_wedges.flac",
        "first-row",
        "The band through the vocal wedge alone, mains off, heard in the first row.",
        first_row_wedges,
    ),
    Entry(
        "first_row_mains.flac",
        "first-row",
        "The same music through the mains alone, wedges off, heard in the first row.",
        first_row_mains,
    ),
    Entry(
        "rehearsal.flac",
        "rehearsal",
        "A song on two channels: the vocal's howls twice, the second time at two pitches.",
        rehearsal,
    ),
)


def write(directory: Path, entries: tuple[Entry, ...] = ENTRIES) -> None:
    """Make the samples, their ``truth.json`` and ``README.md`` in `directory`.

    Raises
    ------
    OutputError
        If something cannot be written there.
    """
    facts: dict[str, Any] = {}
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for entry in entries:
            sample = entry.make()
            sf.write(directory / entry.name, sample.pcm, RATE, subtype="PCM_16", format="FLAC")
            facts[entry.name] = {"kind": entry.kind, **_rounded(sample.truth)}
        text = json.dumps(facts, indent=1) + "\n"
        (directory / "truth.json").write_text(text, encoding="utf-8")
        rows = [(entry.name, entry.kind, entry.description) for entry in entries]
        text = readme(rows, sample_rate_hz=RATE, clock_ppm=CLOCK_PPM)
        (directory / "README.md").write_text(text, encoding="utf-8")
    except (OSError, sf.LibsndfileError) as error:
        raise OutputError(f"cannot write the samples to {directory}: {error}") from error


def _ring_out_sample(stage: Stage, sound: Floats, engineer: Engineer, *, seed: int) -> Sample:
    result = ring_out(stage, sound, engineer, seed=seed)
    return Sample(_pcm(result.samples), _ring_truth(stage, result))


def _ring_truth(stage: Stage, result: RingOut) -> dict[str, Any]:
    return {
        "clipped": result.clipped,
        "howl_gain_db": result.howl_gain_db,
        **_stability(stage),
        "rings": [asdict(ring) for ring in result.clear_rings],
        "faint_rings": [asdict(ring) for ring in result.rings if not ring.clear],
        "lingering_hz": sorted({round(mode.frequency_hz, 1) for mode in result.lingering}),
        "cuts_dialled": [asdict(cut) for cut in result.cuts],
    }


def _stability(stage: Stage, sos: Floats | None = None) -> dict[str, float]:
    return {
        "in_phase_stable_gain_db": truth.stable_gain_db(stage, eq_sos=sos),
        "stable_gain_db": truth.worst_case_stable_gain_db(stage, eq_sos=sos),
    }


@lru_cache(maxsize=1)
def _noise() -> Floats:
    noise = pink_noise(NOISE_S, sample_rate_hz=RATE, level_dbfs=NOISE_DBFS, seed=20)
    return _from_pcm(_pcm(noise))


def _noise_sample(stage: Stage, *, start_s: float, seed: int, sos: Floats | None = None) -> Sample:
    lead = round(2.0 * RATE)
    played = np.pad(_noise(), lead)
    if sos is not None:
        played = signal.sosfilt(sos, played)
    heard = measure(stage, played, seed=seed)
    capture = recorded(
        heard,
        sample_rate_hz=RATE,
        start_s=lead / RATE + start_s,
        duration_s=NOISE_S + 2.0,
        clock_ppm=CLOCK_PPM,
    )
    facts = {
        "reference": "pink_noise_reference.flac",
        "delay_s": stage.delay_s,
        "reference_starts_at_s": -start_s,
        "clock_ppm": CLOCK_PPM,
        **_stability(stage, sos),
        "critical": _critical(stage, sos),
    }
    return Sample(_pcm(capture), facts)


def _critical(stage: Stage, sos: Floats | None) -> list[dict[str, float]]:
    """Return the in-phase points that would howl first."""
    found_hz, level_db = truth.in_phase_points(*truth.open_loop(stage, eq_sos=sos))
    return [
        {"frequency_hz": float(found_hz[i]), "gain_db": float(-level_db[i])}
        for i in np.argsort(-level_db)[:8]
    ]


def _sensible_cuts(stage: Stage) -> tuple[Filter, ...]:
    """Three cuts at the loop's worst places, 3 to 6 dB deep."""
    cuts: tuple[Filter, ...] = ()
    for depth_db in (-6.0, -4.5, -3.0):
        sos = cuts_sos(cuts, sample_rate_hz=RATE) if cuts else None
        frequency_hz = float(round(_critical(stage, sos)[0]["frequency_hz"]))
        cuts = (*cuts, Filter(FilterKind.PEAKING, frequency_hz, q=8.0, gain_db=depth_db))
    return cuts


def _first_row_sample(path: Floats, *, level_db: float, seed: int) -> Sample:
    band = programme.music(15 * RATE, sample_rate_hz=RATE, seed=14, level_dbfs=-30.0 + level_db)
    stage = Stage(RATE, path, noise_dbfs=-75.0, wedge_limit=4.0)
    return Sample(_pcm(measure(stage, band, seed=seed)), {"drive_db": level_db})


def _pcm(samples: NDArray[np.floating[Any]]) -> NDArray[np.int16]:
    scaled = np.rint(np.asarray(samples, dtype=np.float64) * 32768.0)
    return np.clip(scaled, -32768, 32767).astype(np.int16)


def _from_pcm(pcm: NDArray[np.int16]) -> Floats:
    return pcm.astype(np.float64) / 32768.0


def _rounded(value: Any) -> Any:
    """Round to six figures: enough for any check, and the same text on every machine."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value


def main(argv: list[str] | None = None) -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Remake the shipped captures.")
    parser.add_argument("directory", type=Path)
    write(parser.parse_args(argv).directory)


if __name__ == "__main__":
    main()
