"""A shoebox room: early reflections by image sources, a diffuse tail after them.

Coordinates run from one floor corner: x, y along the floor, z upwards, in metres. Impulse
responses are normalised so that a source straight ahead in free field arrives with ``1 / d``,
d in metres. Air absorption is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from shaping.errors import ParameterError
from shaping.simulation import microphone as mic
from shaping.simulation import wedge as wdg
from shaping.simulation.colour import Complexes, Floats, bin_frequencies, shelf_response
from shaping.simulation.microphone import Microphone
from shaping.simulation.wedge import SPEED_OF_SOUND, Wedge

MIXING_S = 0.045  # from here on single reflections give way to the diffuse tail
_GUARD = 48  # samples kept before the first arrival for the band-limited pulse to rise in


@dataclass(frozen=True, slots=True)
class Surface:
    """Absorption of one surface: `low` in the bass, `high` in the treble, changing at `corner_hz`.

    Absorption coefficients are of energy, 0 < alpha < 1; the pressure reflection factor is
    ``sqrt(1 - alpha)``.
    """

    low: float
    high: float
    corner_hz: float = 800.0


@dataclass(frozen=True, slots=True)
class Room:
    """A shoebox.

    Attributes
    ----------
    size_m : tuple of float
        Length (x), width (y) and height (z).
    surfaces : tuple of Surface
        At x = 0, x = length, y = 0, y = width, the floor, the ceiling.
    """

    size_m: tuple[float, float, float]
    surfaces: tuple[Surface, Surface, Surface, Surface, Surface, Surface]

    @property
    def volume_m3(self) -> float:
        """Volume in cubic metres."""
        return float(np.prod(self.size_m))

    @property
    def surface_areas_m2(self) -> tuple[float, ...]:
        """Areas in the order of `surfaces`."""
        x, y, z = self.size_m
        return (y * z, y * z, x * z, x * z, x * y, x * y)


@dataclass(frozen=True, eq=False)
class ImageSources:
    """Mirror images of one source as a receiver sees them.

    Attributes
    ----------
    vector_m : ndarray, shape (n, 3)
        From the receiver to each image.
    departure : ndarray, shape (n, 3)
        Unit vector along which the sound left the real source.
    hits : ndarray of int, shape (n, 6)
        Reflections at each surface.
    """

    vector_m: NDArray[np.float64]
    departure: NDArray[np.float64]
    hits: NDArray[np.int64]

    @property
    def distance_m(self) -> NDArray[np.float64]:
        """Path length of each image, shape (n,)."""
        return np.asarray(np.linalg.norm(self.vector_m, axis=1))


def image_sources(
    size_m: tuple[float, float, float],
    source_m: tuple[float, float, float],
    receiver_m: tuple[float, float, float],
    *,
    max_distance_m: float,
) -> ImageSources:
    """Every image of the source nearer to the receiver than `max_distance_m`.

    References
    ----------
    .. [1] J. B. Allen and D. A. Berkley, "Image method for efficiently simulating small-room
       acoustics", J. Acoust. Soc. Am. 65(4), 943-950, 1979.
    """
    coordinates, hits, flips = [], [], []
    for length, source in zip(size_m, source_m, strict=True):
        reach = int(np.ceil(max_distance_m / (2 * length))) + 1
        order = np.repeat(np.arange(-reach, reach + 1), 2)
        mirrored = np.tile([0, 1], 2 * reach + 1)
        coordinates.append((1 - 2 * mirrored) * source + 2 * order * length)
        hits.append(np.stack([np.abs(order - mirrored), np.abs(order)], axis=1))
        flips.append(1 - 2 * mirrored)
    offset = [c - r for c, r in zip(coordinates, receiver_m, strict=True)]
    squared = (
        offset[0][:, None, None] ** 2 + offset[1][None, :, None] ** 2 + offset[2][None, None] ** 2
    )
    ix, iy, iz = np.nonzero(squared < max_distance_m**2)
    vector = np.stack([offset[0][ix], offset[1][iy], offset[2][iz]], axis=1)
    flip = np.stack([flips[0][ix], flips[1][iy], flips[2][iz]], axis=1)
    distance = np.linalg.norm(vector, axis=1)
    if distance.size == 0 or distance.min() < 1e-6:
        raise ParameterError("source and receiver coincide, or no path is short enough")
    return ImageSources(
        vector_m=vector,
        departure=-vector * flip / distance[:, None],
        hits=np.concatenate([hits[0][ix], hits[1][iy], hits[2][iz]], axis=1),
    )


def mean_reflection(room: Room, frequency_hz: Floats) -> Floats:
    """Mean energy reflection ``1 - alpha`` over all surfaces, weighted by area."""
    areas = np.asarray(room.surface_areas_m2)
    reflected = [np.abs(_reflection(s, frequency_hz)) ** 2 for s in room.surfaces]
    return np.asarray(np.tensordot(areas / areas.sum(), np.asarray(reflected), axes=1))


def eyring_t60_s(room: Room, frequency_hz: Floats) -> Floats:
    """Reverberation time by Eyring's formula, in seconds.

    ``T60 = 24 ln(10) V / (-c S ln(1 - mean alpha))``.

    References
    ----------
    .. [1] C. F. Eyring, "Reverberation time in 'dead' rooms", J. Acoust. Soc. Am. 1, 217-241, 1930.
    """
    surface = sum(room.surface_areas_m2)
    loss = -np.log(mean_reflection(room, frequency_hz))
    return np.asarray(24 * np.log(10) * room.volume_m3 / (SPEED_OF_SOUND * surface * loss))


def path_response(
    room: Room,
    wedge: Wedge,
    microphone: Microphone,
    *,
    sample_rate_hz: int,
    length_s: float,
    latency_s: float,
    seed: int,
) -> Floats:
    """Impulse response from the wedge's input samples to the microphone channel's samples.

    Parameters
    ----------
    room, wedge, microphone : Room, Wedge, Microphone
        The stage. Positions must lie inside the room.
    sample_rate_hz : int
        Sample rate in Hz.
    length_s : float
        Length of the response in seconds, latency included.
    latency_s : float
        Delay of desk and converters in seconds.
    seed : int
        Seed of the diffuse tail.

    Returns
    -------
    ndarray, shape (round(length_s * sample_rate_hz),)
        Exactly zero before the first arrival.
    """
    n = round(length_s * sample_rate_hz)
    n_fft = fft.next_fast_len(2 * n, real=True)
    frequency_hz = bin_frequencies(n_fft, sample_rate_hz=sample_rate_hz)
    images = image_sources(
        room.size_m,
        wedge.position_m,
        microphone.position_m,
        max_distance_m=MIXING_S * SPEED_OF_SOUND,
    )
    early = np.zeros(frequency_hz.size, dtype=np.complex128)
    for chunk in np.array_split(np.arange(images.distance_m.size), max(1, images.hits.size // 96)):
        early += _early_spectrum(room, wedge, microphone, images, chunk, frequency_hz)
    tail = _diffuse_tail(room, wedge, microphone, sample_rate_hz, n_fft, seed)
    spectrum = (early + fft.rfft(tail)) * _band_limit(frequency_hz, sample_rate_hz)
    spectrum *= wdg.on_axis_response(wedge, frequency_hz)
    spectrum *= mic.on_axis_response(microphone, frequency_hz)
    spectrum *= np.exp(-2j * np.pi * frequency_hz * latency_s)
    response = np.asarray(fft.irfft(spectrum, n_fft)[:n], dtype=np.float64)
    first = images.distance_m.min() / SPEED_OF_SOUND + latency_s
    response[: max(1, int(first * sample_rate_hz) - _GUARD)] = 0.0
    fade = min(n // 8, round(0.02 * sample_rate_hz))
    response[n - fade :] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
    return response


def _reflection(surface: Surface, frequency_hz: Floats) -> Complexes:
    low, high = np.sqrt(1 - surface.low), np.sqrt(1 - surface.high)
    return shelf_response(low, high, surface.corner_hz, frequency_hz)


def _mixing_fade(time_s: Floats) -> Floats:
    """Amplitude of single reflections; the tail takes the rest of the power."""
    return np.asarray(np.cos(np.clip((time_s / MIXING_S - 0.6) / 0.4, 0, 1) * np.pi / 2))


def _early_spectrum(
    room: Room,
    wedge: Wedge,
    microphone: Microphone,
    images: ImageSources,
    chunk: NDArray[np.int64],
    frequency_hz: Floats,
) -> Complexes:
    distance = images.distance_m[chunk]
    time_s = distance / SPEED_OF_SOUND
    level = _mixing_fade(time_s) / distance
    spectrum = level[:, None] * np.exp(-2j * np.pi * time_s[:, None] * frequency_hz[None, :])
    for surface, hits in zip(room.surfaces, images.hits[chunk].T, strict=True):
        if hits.any():
            spectrum *= _reflection(surface, frequency_hz)[None, :] ** hits[:, None]
    leaving = images.departure[chunk] @ _unit(wedge.position_m, wedge.aim_m)
    arriving = (images.vector_m[chunk] / distance[:, None]) @ _unit(
        microphone.position_m, microphone.aim_m
    )
    spectrum *= wdg.off_axis_response(wedge, leaving, frequency_hz)
    spectrum *= mic.off_axis_response(microphone, arriving, frequency_hz)
    return np.asarray(spectrum.sum(axis=0))


def _diffuse_tail(
    room: Room,
    wedge: Wedge,
    microphone: Microphone,
    sample_rate_hz: int,
    n: int,
    seed: int,
) -> Floats:
    """Gaussian noise with the energy and the decay the image sources would go on to have.

    Images arrive at ``4 pi c^3 t^2 / V`` per second with energy ``1 / (c t)^2``: together
    ``4 pi c / V`` per second, times the reflections' loss and the mean directivities.
    """
    noise = fft.rfft(np.random.default_rng(seed).standard_normal(n))
    frequency_hz = bin_frequencies(n, sample_rate_hz=sample_rate_hz)
    time_s = np.arange(n) / sample_rate_hz
    centres_hz: Floats = np.asarray(1000.0 * 2.0 ** np.arange(-5, 5))
    t60_s = eyring_t60_s(room, centres_hz)
    cosines = np.asarray(np.linspace(-0.975, 0.975, 40))
    directivity = np.sqrt(
        np.mean(np.abs(wdg.off_axis_response(wedge, cosines, frequency_hz)) ** 2, axis=0)
        * np.mean(np.abs(mic.off_axis_response(microphone, cosines, frequency_hz)) ** 2, axis=0)
    )
    position = np.log2(np.maximum(frequency_hz, 1.0) / centres_hz[0])
    tail = np.zeros(n)
    for band, decay_s in enumerate(t60_s):
        inside = np.clip(position, 0, centres_hz.size - 1) - band
        weight = np.where(np.abs(inside) < 1, np.cos(inside * np.pi / 2) ** 2, 0.0)
        tail += fft.irfft(noise * directivity * weight, n) * 10 ** (-3 * time_s / decay_s)
    power = 4 * np.pi * SPEED_OF_SOUND / (room.volume_m3 * sample_rate_hz)
    return np.asarray(np.sqrt(power * np.maximum(1 - _mixing_fade(time_s) ** 2, 0)) * tail)


def _band_limit(frequency_hz: Floats, sample_rate_hz: int) -> Floats:
    """Limit the band as converters do: full to 0.4 of the sample rate, nothing at half of it."""
    x = np.clip((frequency_hz / sample_rate_hz - 0.4) / 0.1, 0, 1)
    return np.asarray(np.cos(x * np.pi / 2) ** 2)


def _unit(
    origin_m: tuple[float, float, float], target_m: tuple[float, float, float]
) -> NDArray[np.float64]:
    vector = np.subtract(target_m, origin_m)
    return np.asarray(vector / np.linalg.norm(vector))
