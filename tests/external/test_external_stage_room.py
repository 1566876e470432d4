"""The virtual room against room acoustics: image sources, reverberation time, statistics."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.simulation import microphone, wedge
from shaping.simulation.microphone import Microphone, Pattern
from shaping.simulation.room import Room, Surface, eyring_t60_s, image_sources, path_response
from shaping.simulation.wedge import Wedge

RATE = 48_000
SIZE = (7.1, 5.3, 3.2)
SOURCE, RECEIVER = (1.3, 1.7, 0.4), (4.2, 3.1, 1.6)


def uniform_room(absorption: float, size=SIZE) -> Room:
    return Room(size, (Surface(absorption, absorption),) * 6)


def test_image_sources_agree_with_a_room_acoustics_library():
    """Distances and reflection losses of all images up to third order.

    Source: pyroomacoustics (open-source room simulation), its `Room.image_source_model`.
    """
    pra = pytest.importorskip("pyroomacoustics")
    absorption = 0.3
    other = pra.ShoeBox(SIZE, fs=RATE, materials=pra.Material(absorption), max_order=3)
    other.add_source(list(SOURCE))
    other.add_microphone(list(RECEIVER))
    other.image_source_model()
    source = other.sources[0]
    theirs_m = np.linalg.norm(source.images.T - np.array(RECEIVER), axis=1)
    theirs = sorted(zip(np.round(theirs_m, 5), np.round(source.damping[0], 5), strict=True))
    images = image_sources(SIZE, SOURCE, RECEIVER, max_distance_m=float(theirs_m.max()) + 1e-3)
    order = images.hits.sum(axis=1)
    few = order <= 3
    factor = np.sqrt(1 - absorption) ** order[few]
    ours = sorted(zip(np.round(images.distance_m[few], 5), np.round(factor, 5), strict=True))
    assert len(ours) == len(theirs) == 63
    np.testing.assert_allclose(np.array(ours), np.array(theirs), atol=2e-5)


def test_departure_directions_point_along_the_mirrored_path():
    """The direct sound leaves towards the receiver; the floor reflection leaves downwards.

    Source: law of reflection, by hand.
    """
    images = image_sources(SIZE, SOURCE, RECEIVER, max_distance_m=6.0)
    order = images.hits.sum(axis=1)
    direct = images.departure[order == 0][0]
    straight = np.subtract(RECEIVER, SOURCE)
    np.testing.assert_allclose(direct, straight / np.linalg.norm(straight))
    floor = images.departure[(order == 1) & (images.hits[:, 4] == 1)][0]
    bounce = np.array([RECEIVER[0] - SOURCE[0], RECEIVER[1] - SOURCE[1], -RECEIVER[2] - SOURCE[2]])
    np.testing.assert_allclose(floor, bounce / np.linalg.norm(bounce))


@pytest.mark.parametrize("absorption", [0.2, 0.4])
def test_images_decay_at_the_eyring_rate(absorption):
    """The energy of the images alone, in a near-cubic room, falls as Eyring's formula says.

    Source: C. F. Eyring, "Reverberation time in 'dead' rooms", J. Acoust. Soc. Am. 1, 1930. The
    formula assumes a diffuse field, which images in a box are not: 15 %.
    """
    size = (5.0, 4.7, 4.4)
    t60_s = float(eyring_t60_s(uniform_room(absorption, size), np.array([1000.0]))[0])
    reach_s = 0.55 * t60_s
    images = image_sources(
        size, (1.3, 1.7, 1.4), (3.2, 3.1, 2.6), max_distance_m=reach_s * wedge.SPEED_OF_SOUND
    )
    energy = (1 - absorption) ** images.hits.sum(axis=1) / images.distance_m**2
    bins = np.linspace(0.1 * t60_s, reach_s, 25)
    arrival_s = images.distance_m / wedge.SPEED_OF_SOUND
    level_db = 10 * np.log10(np.histogram(arrival_s, bins, weights=energy)[0])
    slope = np.polyfit((bins[1:] + bins[:-1]) / 2, level_db, 1)[0]
    assert -60 / slope == pytest.approx(t60_s, rel=0.15)


def test_eyring_turns_into_sabine_for_small_absorption():
    """T60 = 0.161 V / (S alpha) for small alpha.

    Source: W. C. Sabine's formula with the handbook constant 0.161 s/m (20 degrees Celsius).
    """
    small = uniform_room(0.01)
    sabine_s = 0.161 * small.volume_m3 / (0.01 * sum(small.surface_areas_m2))
    assert eyring_t60_s(small, np.array([500.0]))[0] == pytest.approx(sabine_s, rel=0.01)


def flat_path(house: Room, **keywords) -> np.ndarray:
    """Response between an omnidirectional, nearly flat loudspeaker and microphone."""
    loudspeaker = Wedge(SOURCE, RECEIVER, low_hz=5.0, high_hz=22_000.0, rear_db=0.0)
    omni = Microphone(
        RECEIVER, SOURCE, Pattern.OMNIDIRECTIONAL, low_hz=5.0, high_hz=22_000.0, null_leak=0.0
    )
    arguments = {"length_s": 0.8, "latency_s": 0.002, "seed": 3, **keywords}
    return path_response(house, loudspeaker, omni, sample_rate_hz=RATE, **arguments)


def test_whole_response_decays_at_the_eyring_rate():
    """Early part, tail and the seam between them form one exponential decay.

    Source: M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37,
    1965 (backward integration); rate from Eyring's formula. 8 %: one draw of the tail.
    """
    house = uniform_room(0.25)
    response = flat_path(house)
    energy = np.cumsum(response[::-1] ** 2)[::-1]
    level_db = 10 * np.log10(energy / energy[0])
    time_s = np.arange(response.size) / RATE
    used = (level_db < -5) & (level_db > -35)
    slope = np.polyfit(time_s[used], level_db[used], 1)[0]
    t60_s = float(eyring_t60_s(house, np.array([1000.0]))[0])
    assert -60 / slope == pytest.approx(t60_s, rel=0.08)


def test_tail_goes_on_where_the_images_stop():
    """The tail holds the energy of the images it stands for.

    Source: image density 4 pi c^3 t^2 / V (H. Kuttruff, Room Acoustics); here against the images
    themselves, counted from 60 to 110 ms in a near-cubic room. 1 dB: one draw of the tail.
    """
    size, absorption = (5.0, 4.7, 4.4), 0.2
    start_s, stop_s = 0.060, 0.110
    images = image_sources(size, SOURCE, RECEIVER, max_distance_m=stop_s * wedge.SPEED_OF_SOUND)
    late = images.distance_m > start_s * wedge.SPEED_OF_SOUND
    order = images.hits.sum(axis=1)
    of_images = np.sum(((1 - absorption) ** order / images.distance_m**2)[late])
    response = flat_path(uniform_room(absorption, size))
    span = response[round((start_s + 0.002) * RATE) : round((stop_s + 0.002) * RATE)]
    spectrum = np.abs(np.fft.rfft(span)) ** 2
    of_tail = spectrum[(spectrum.size // 24) : (spectrum.size // 3)].mean()
    assert 10 * np.log10(of_tail / of_images) == pytest.approx(0.0, abs=1.0)


def test_direct_sound_arrives_on_time_at_one_over_distance():
    """The direct sound comes after latency plus distance over 343 m/s, at 1/d.

    Source: free-field propagation (inverse distance law), speed of sound 343 m/s at 20 degrees.
    """
    response = flat_path(uniform_room(0.9999999))
    distance_m = float(np.linalg.norm(np.subtract(RECEIVER, SOURCE)))
    arrival = (0.002 + distance_m / 343.0) * RATE
    assert np.argmax(np.abs(response)) == pytest.approx(arrival, abs=2)
    spectrum = np.abs(np.fft.rfft(response, RATE))
    assert np.median(spectrum[500:5000]) == pytest.approx(1 / distance_m, rel=0.05)


def test_diffuse_response_varies_as_schroeder_found():
    """The level of a diffuse response over frequency has a standard deviation near 5.6 dB.

    Source: M. R. Schroeder, "Statistical parameters of the frequency response curves of large
    rooms", J. Audio Eng. Soc. 35(5), 299-306, 1987; 5.57 dB for a Rayleigh amplitude.
    """
    response = flat_path(uniform_room(0.15), length_s=1.2).copy()
    response[: round(0.06 * RATE)] = 0.0
    level_db = 20 * np.log10(np.abs(np.fft.rfft(response)))
    frequency_hz = np.fft.rfftfreq(response.size, 1 / RATE)
    assert level_db[(frequency_hz > 500) & (frequency_hz < 8000)].std() == pytest.approx(
        5.57, abs=0.3
    )


@pytest.mark.parametrize(
    ("pattern", "null_degrees", "rear_db"),
    [
        (Pattern.CARDIOID, 180.0, None),
        (Pattern.SUPERCARDIOID, 125.3, -11.4),
        (Pattern.HYPERCARDIOID, 109.5, -6.0),
    ],
)
def test_patterns_have_their_nulls_where_the_handbooks_put_them(pattern, null_degrees, rear_db):
    """Nulls of the first-order patterns, and the rear lobes.

    Source: closed form of a + (1 - a) cos(angle), as in microphone handbooks (from memory):
    supercardioid about 126 degrees and -12 dB, hypercardioid 110 degrees and -6 dB.
    """
    mic = Microphone((0, 0, 0), (1, 0, 0), pattern, null_leak=0.0)
    degrees = np.arange(0.0, 180.1, 0.1)
    level = microphone.off_axis_response(mic, np.cos(np.radians(degrees)), np.array([1_500.0]))
    level = np.abs(level[:, 0])
    assert degrees[np.argmin(level)] == pytest.approx(null_degrees, abs=1.5)
    if rear_db is not None:
        assert 20 * np.log10(level[-1]) == pytest.approx(rear_db, abs=0.6)


def test_wedge_is_omnidirectional_in_the_bass_and_narrows_as_a_piston():
    """Across the axis -3 dB where k a = 1.61; within 1 dB all round below ka = 0.4.

    Source: directivity of a piston, 2 J1(x)/x = 0.707 at x = 1.61 (loudspeaker handbooks; the
    value can be checked with a table of J1).
    """
    from scipy.special import j1

    assert 2 * j1(1.616) / 1.616 == pytest.approx(np.sqrt(0.5), abs=0.002)
    monitor = Wedge((0, 0, 0), (1, 0, 0), radius_m=0.127)
    corner_hz = 1.61 * 343.0 / (2 * np.pi * 0.127)
    side = wedge.off_axis_response(monitor, np.array([0.0]), np.array([corner_hz]))[0]
    assert 20 * np.log10(np.abs(side[0])) == pytest.approx(-3.0, abs=0.3)
    behind = wedge.off_axis_response(monitor, np.array([-1.0]), np.array([150.0]))[0, 0]
    assert abs(20 * np.log10(np.abs(behind))) < 1.0
