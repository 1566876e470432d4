"""Speech intelligibility index against an independent package and the published tables."""

import numpy as np
import pytest
from mosqito.sq_metrics.speech_intelligibility.sii_ansi._main_sii import _main_sii
from mosqito.sq_metrics.speech_intelligibility.sii_ansi.sii_ansi_level import sii_ansi_level

from shaping.analysis.first_row.speech import (
    BANDS_HZ,
    IMPORTANCE,
    NORMAL_SPEECH_DB,
    NORMAL_SPEECH_OVERALL_DB,
    pink_noise_db,
    speech_intelligibility_index,
)
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.thinning.effect import Listening, intelligibility, thinning_summary


def independent_sii(speech_db, noise_db):
    value, _, _ = _main_sii(
        "third_octave", np.array(speech_db, float), np.array(noise_db, float), None
    )
    return value


def test_importance_and_speech_spectrum_tables():
    """Bands, importance and the spectrum of normal speech.

    Source: ANSI S3.5-1997, table 3 (one-third-octave procedure), as tabulated in MoSQITo 1.2.
    """
    assert BANDS_HZ[0] == 160
    assert BANDS_HZ[-1] == 8000
    published = {160: 0.0083, 500: 0.0578, 1000: 0.0818, 2000: 0.0898, 8000: 0.0185}
    for band_hz, importance in published.items():
        assert IMPORTANCE[BANDS_HZ.index(band_hz)] == importance
    assert IMPORTANCE.sum() == pytest.approx(1.0, abs=1e-9)
    assert IMPORTANCE[:2].sum() == pytest.approx(0.018, abs=0.0005)
    # The table's spectrum adds up to its own overall level once bandwidths are put back.
    bandwidth_db = 10 * np.log10(np.array(BANDS_HZ) * (10**0.05 - 10**-0.05))
    overall_db = 10 * np.log10(np.sum(10 ** ((NORMAL_SPEECH_DB + bandwidth_db) / 10)))
    assert overall_db == pytest.approx(NORMAL_SPEECH_OVERALL_DB, abs=0.3)


@pytest.mark.parametrize("noise_level_db", [20.0, 40.0, 50.0, 60.0, 75.0])
def test_index_of_normal_speech_in_flat_noise(noise_level_db):
    """Normal speech in noise of equal spectrum level in all bands.

    Source: MoSQITo 1.2, `sii_ansi_level(level, "third_octave", "normal")`.
    Tolerance: 1e-6.
    """
    expected, _, _ = sii_ansi_level(noise_level_db, "third_octave", "normal")
    noise_db = np.full(18, 10 * np.log10(10 ** (noise_level_db / 10) / 18))
    ours = speech_intelligibility_index(NORMAL_SPEECH_DB, noise_db)
    assert ours == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("speech_level_db", [-8.0, -20.0])  # one or both within 15 dB of each
@pytest.mark.parametrize("band", range(18))
def test_index_of_soft_speech_in_quiet(band, speech_level_db):
    """One band of soft speech at a time in silence: what the ear's own noise leaves of it.

    Source: MoSQITo 1.2, its third-octave procedure of ANSI S3.5-1997 with given spectra.
    Tolerance: 1e-9.
    """
    speech_db = np.full(18, -60.0)
    speech_db[band] = speech_level_db
    noise_db = np.full(18, -80.0)
    ours = speech_intelligibility_index(speech_db, noise_db)
    assert ours == pytest.approx(independent_sii(speech_db, noise_db), abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_index_of_any_spectra(seed):
    """Arbitrary speech and noise up to levels at which speech distorts in the ear.

    Source: MoSQITo 1.2, ANSI S3.5-1997 third-octave procedure.
    Tolerance: 1e-6.
    """
    rng = np.random.default_rng(seed)
    speech_db = NORMAL_SPEECH_DB + rng.uniform(-10, 55) + rng.uniform(-10, 10, 18)
    noise_db = rng.uniform(-20, 70) + rng.uniform(-15, 15, 18)
    ours = speech_intelligibility_index(speech_db, noise_db)
    assert ours == pytest.approx(independent_sii(speech_db, noise_db), abs=1e-6)


def test_printed_intelligibility_of_a_plan():
    """What a plan prints, before and after thinning, at every distance from the microphone.

    Source: MoSQITo 1.2 on spectra put together here: the cookbook's analogue bell and
    Butterworth's high-pass in closed form, proximity effect by |1 + 1 / (2jkr)|, speed of sound
    343 m/s, each at the band's centre.
    Tolerance: 0.01.
    """
    filters = [
        Filter(FilterKind.HIGH_PASS, 120.0, order=2),
        Filter(FilterKind.PEAKING, 250.0, q=1.0, gain_db=-6.0),
    ]
    centre_hz = np.array(BANDS_HZ)
    w, a = centre_hz / 250.0, 10 ** (-6.0 / 40)
    x_squared = (w - 1 / w) ** 2
    bell_db = 10 * np.log10((x_squared + a**2) / (x_squared + a**-2))
    pass_db = -10 * np.log10(1 + (120.0 / centre_hz) ** 4)
    bandwidth_hz = centre_hz * (10**0.05 - 10**-0.05)
    noise_db = 85 - 10 * np.log10(24) - 10 * np.log10(bandwidth_hz)
    summary = thinning_summary(filters)
    for at in summary.sii_by_distance:
        kr = 2 * np.pi * centre_hz * at.mic_distance_m / 343.0
        voice_db = NORMAL_SPEECH_DB + 90 - 62.35 + 10 * np.log10(1 + 1 / (4 * kr**2))
        before = independent_sii(voice_db, noise_db)
        after = independent_sii(voice_db + bell_db + pass_db, noise_db)
        assert at.sii_before == pytest.approx(before, abs=0.01)
        assert at.sii_after == pytest.approx(after, abs=0.01)
    assert {at.mic_distance_m for at in summary.sii_by_distance} == {0.02, 0.05, 0.10}
    assert summary.sii_before == pytest.approx(
        intelligibility((), mic_distance_m=0.05, listening=Listening())
    )


def test_stage_noise_is_pink():
    """Stage noise of 85 dB has equal power in each third octave and adds up again.

    Source: closed form; definition of pink noise.
    """
    bandwidth_db = 10 * np.log10(1000 * 10 ** (np.arange(-8, 10) / 10) * (10**0.05 - 10**-0.05))
    band_db = pink_noise_db(85.0) + bandwidth_db
    np.testing.assert_allclose(band_db + 10 * np.log10(24), 85.0, atol=1e-9)
