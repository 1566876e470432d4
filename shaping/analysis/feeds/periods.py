"""A recording on the signal's own clock, stretch by stretch, period by period."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.line_up import Place
from shaping.analysis.feeds.played import PERIOD, Stretch
from shaping.analysis.loop.resampling import resample_uniform

Samples = NDArray[np.float32]
Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Heard:
    """What one output of a pack held during one stretch.

    Attributes
    ----------
    stretch : Stretch
        Which.
    periods : ndarray, shape (periods, PERIOD)
        Samples, the settling period first.
    """

    stretch: Stretch
    periods: Floats

    def lines(self, keep: NDArray[np.bool_] | None = None) -> tuple[Complexes, Floats]:
        """Return what repeats, and the power of what does not, on every line of the spectrum.

        Parameters
        ----------
        keep : ndarray of bool, shape (periods,), optional
            Periods to use; all but the settling one by default.

        Returns
        -------
        mean : ndarray of complex, shape (PERIOD / 2 + 1,)
            Mean of the periods' spectra.
        error : ndarray of float, shape (PERIOD / 2 + 1,)
            Variance of that mean.
        """
        used = self.periods[1:] if keep is None else self.periods[keep]
        spectra = np.fft.rfft(used, axis=1) / PERIOD
        mean = spectra.mean(axis=0)
        if len(spectra) < 2:
            return mean, np.zeros(mean.size)
        error = np.mean(np.abs(spectra - mean) ** 2, axis=0) / (len(spectra) - 1)
        return mean, error


def cut_out(
    samples: Samples, sample_rate_hz: int, place: Place, stretch: Stretch, *, signal_rate_hz: int
) -> Heard:
    """Return a stretch of one output, shape (n,), resampled to the signal's clock."""
    speed = 1 + place.clock_ppm * 1e-6
    step = sample_rate_hz * speed / signal_rate_hz
    start = place.offset_s * sample_rate_hz + stretch.start * step
    if abs(step - 1) < 1e-9:
        # One clock for both: the part of a sample that is left over only turns phases.
        start, step = float(round(start)), 1.0
    made = resample_uniform(samples, start=start, step=step, count=stretch.size)
    return Heard(stretch, made.astype(np.float64).reshape(-1, PERIOD))


def pause_of(
    samples: Samples, sample_rate_hz: int, place: Place, pause: Stretch, *, signal_rate_hz: int
) -> Floats:
    """Return the pause of one output, shape (n,), settled and at the recording's own rate."""
    speed = (1 + place.clock_ppm * 1e-6) / signal_rate_hz
    edges = ((pause.start + PERIOD) * speed, (pause.start + pause.size) * speed)
    first, last = (round((place.offset_s + one) * sample_rate_hz) for one in edges)
    return samples[max(first, 0) : max(last, 0)].astype(np.float64)
