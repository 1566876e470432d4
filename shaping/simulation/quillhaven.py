"""Quillhaven Hall: an invented place with an invented stage, where the shipped captures come from.

The hall is 12 m wide (x), 16 m long (y) and 5.5 m high; the stage fills it from y = 10 m on, the
first row sits at y = 8 m and looks towards rising y, and the musicians look back at it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from shaping.simulation.closed_loop import Stage
from shaping.simulation.colour import Floats, Peak
from shaping.simulation.microphone import Microphone, Pattern
from shaping.simulation.planting import plant_peaks, planted
from shaping.simulation.room import Room, Surface, path_response
from shaping.simulation.wedge import Wedge

SAMPLE_RATE_HZ = 48_000
HALL = Room(
    size_m=(12.0, 16.0, 5.5),
    surfaces=(
        Surface(0.18, 0.30),
        Surface(0.18, 0.30),
        Surface(0.30, 0.65, 500.0),
        Surface(0.25, 0.55, 500.0),
        Surface(0.15, 0.25),
        Surface(0.25, 0.50, 600.0),
    ),
)
FIRST_ROW = Microphone(
    position_m=(5.2, 8.0, 1.2),  # beside the hall's middle line, on which reflections meet
    aim_m=(5.2, 9.0, 1.2),
    pattern=Pattern.OMNIDIRECTIONAL,
    low_hz=15.0,
    high_hz=19_000.0,
    null_leak=0.0,
)
MAINS = Wedge(
    position_m=(3.0, 9.6, 3.2),
    aim_m=(6.0, 6.0, 1.2),
    peaks=(Peak(3_000.0, -1.5, 1.0),),
    radius_m=0.15,
    low_hz=48.0,
    high_hz=18_000.0,
)


@dataclass(frozen=True, slots=True)
class Rig:
    """One monitor and the microphone it feeds, and how its rings are planted."""

    name: str
    wedge: Wedge
    microphone: Microphone
    latency_s: float
    spacing_db: tuple[float, ...]
    q: tuple[float, ...]
    band_hz: tuple[float, float]
    clearance_db: float
    preamp_db: float
    seed: int


VOCAL_WEDGE = Rig(
    name="vocal wedge",
    wedge=Wedge(
        position_m=(6.0, 10.7, 0.35),
        aim_m=(6.0, 11.7, 1.6),
        peaks=(Peak(1_900.0, 2.5, 2.0), Peak(700.0, -2.0, 1.5), Peak(160.0, 3.0, 1.2)),
    ),
    microphone=Microphone(
        position_m=(6.0, 11.6, 1.55),
        aim_m=(6.0, 11.7, 1.60),
        pattern=Pattern.CARDIOID,
        peaks=(Peak(4_500.0, 5.0, 0.9), Peak(9_000.0, 2.5, 2.0)),
    ),
    latency_s=0.0042,
    spacing_db=(0.0, 0.7, 1.5),
    q=(9.0, 11.0, 8.0),
    band_hz=(300.0, 5_000.0),
    clearance_db=3.5,
    preamp_db=0.0,
    seed=41,
)
DRUM_FILL = Rig(
    name="drum fill",
    wedge=Wedge(
        position_m=(8.6, 13.6, 0.8),
        aim_m=(7.4, 14.2, 1.1),
        peaks=(Peak(90.0, 3.0, 1.2), Peak(2_600.0, 3.0, 2.5)),
        radius_m=0.165,
        low_hz=42.0,
    ),
    microphone=Microphone(
        position_m=(7.3, 14.2, 1.0),
        aim_m=(7.2, 14.9, 1.1),
        pattern=Pattern.SUPERCARDIOID,
        peaks=(Peak(5_000.0, 4.0, 1.0),),
        low_hz=110.0,
    ),
    latency_s=0.0025,
    spacing_db=(0.0, 0.8),
    q=(10.0, 9.0),
    band_hz=(180.0, 2_500.0),
    clearance_db=3.5,
    preamp_db=10.0,
    seed=52,
)
SPEECH_WEDGE = Rig(
    name="speech wedge",
    wedge=Wedge(
        position_m=(3.4, 10.6, 0.3),
        aim_m=(3.6, 11.8, 1.5),
        peaks=(Peak(1_200.0, 2.0, 2.0), Peak(6_000.0, -3.0, 1.5)),
        radius_m=0.10,
        low_hz=85.0,
    ),
    microphone=Microphone(
        position_m=(3.6, 11.7, 1.35),
        aim_m=(3.6, 12.1, 1.5),
        pattern=Pattern.HYPERCARDIOID,
        peaks=(Peak(3_800.0, 4.0, 1.2),),
    ),
    latency_s=0.0085,
    spacing_db=(0.0,),
    q=(8.0,),
    band_hz=(400.0, 1_500.0),
    clearance_db=3.0,
    preamp_db=0.0,
    seed=63,
)
KEYS_WEDGE = Rig(
    name="keys wedge",
    wedge=Wedge(position_m=(9.6, 11.0, 0.35), aim_m=(9.8, 12.2, 1.3), low_hz=60.0),
    microphone=Microphone(
        position_m=(9.8, 12.0, 1.35), aim_m=(9.8, 12.2, 1.40), pattern=Pattern.CARDIOID
    ),
    latency_s=0.006,
    spacing_db=(0.0,),
    q=(7.0,),
    band_hz=(300.0, 3_000.0),
    clearance_db=1.0,
    preamp_db=0.0,
    seed=74,
)
GUITAR_WEDGE = Rig(
    name="guitar wedge",
    wedge=Wedge(
        position_m=(2.2, 11.2, 0.35),
        aim_m=(2.4, 12.2, 1.5),
        peaks=(Peak(240.0, 2.5, 2.0), Peak(3_200.0, 3.0, 2.0)),
    ),
    microphone=Microphone(
        position_m=(2.4, 12.1, 1.50),
        aim_m=(2.4, 12.3, 1.52),
        pattern=Pattern.CARDIOID,
        peaks=(Peak(4_000.0, 5.5, 1.0), Peak(7_500.0, 2.0, 2.0)),
        low_hz=130.0,
    ),
    latency_s=0.0035,
    spacing_db=(0.0, 0.5, 1.0, 1.6, 2.2, 2.8),
    q=(8.0, 10.0, 9.0, 12.0, 8.0, 10.0),
    band_hz=(280.0, 6_000.0),
    clearance_db=3.5,
    preamp_db=0.0,
    seed=85,
)


def stage(
    rig: Rig, *, moved_m: tuple[float, float, float] = (0.0, 0.0, 0.0), cupped: bool = False
) -> Stage:
    """Build a rig's stage; the planted bumps stay with the wedge when the microphone moves."""
    peaks = plant_peaks(
        _bare_path(rig, rig.microphone),
        sample_rate_hz=SAMPLE_RATE_HZ,
        spacing_db=rig.spacing_db,
        q=rig.q,
        clearance_db=rig.clearance_db,
        band_hz=rig.band_hz,
        rng=np.random.default_rng(rig.seed),
    )
    x, y, z = (float(c) for c in np.add(rig.microphone.position_m, moved_m))
    microphone = replace(rig.microphone, position_m=(x, y, z), cupped=cupped)
    return Stage(
        sample_rate_hz=SAMPLE_RATE_HZ,
        path=planted(_bare_path(rig, microphone), peaks, sample_rate_hz=SAMPLE_RATE_HZ),
        spill=planted(_bare_path(rig, FIRST_ROW), peaks, sample_rate_hz=SAMPLE_RATE_HZ),
        noise_dbfs=-70.0,
    )


def mains_path() -> Floats:
    """Impulse response from the mains' input samples to the first row's samples."""
    return path_response(
        HALL,
        MAINS,
        FIRST_ROW,
        sample_rate_hz=SAMPLE_RATE_HZ,
        length_s=0.6,
        latency_s=0.005,
        seed=96,
    )


def _bare_path(rig: Rig, microphone: Microphone) -> Floats:
    preamp_db = 0.0 if microphone is FIRST_ROW else rig.preamp_db
    path = path_response(
        HALL,
        rig.wedge,
        microphone,
        sample_rate_hz=SAMPLE_RATE_HZ,
        length_s=0.6,
        latency_s=rig.latency_s,
        seed=rig.seed,
    )
    return path * 10 ** (preamp_db / 20)
