import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.analysis.first_row.speech import (
    NORMAL_SPEECH_DB,
    masking_db,
    pink_noise_db,
    speech_intelligibility_index,
)
from shaping.errors import ParameterError

SILENCE = np.full(18, -60.0)


def test_normal_speech_in_quiet_is_understood_and_in_loud_noise_is_not():
    assert speech_intelligibility_index(NORMAL_SPEECH_DB, SILENCE) > 0.95
    assert speech_intelligibility_index(NORMAL_SPEECH_DB, SILENCE + 140) == 0.0


@given(st.floats(0, 100), st.floats(0, 30))
def test_more_noise_never_helps(noise_level_db, more_db):
    calm = speech_intelligibility_index(NORMAL_SPEECH_DB, pink_noise_db(noise_level_db))
    loud = speech_intelligibility_index(NORMAL_SPEECH_DB, pink_noise_db(noise_level_db + more_db))
    assert 0.0 <= loud <= calm + 1e-12 <= 1.0 + 1e-9


def test_loud_low_mids_mask_upwards_less_steeply_when_louder():
    def masked_above(level_db):
        noise = SILENCE.copy()
        noise[2] = level_db  # 250 Hz
        return masking_db(SILENCE, noise)[5] - level_db  # 500 Hz, re the masker

    assert masked_above(90.0) > masked_above(60.0) + 10


def test_hearing_loss_costs():
    loss = np.full(18, 40.0)
    assert speech_intelligibility_index(
        NORMAL_SPEECH_DB, SILENCE, hearing_loss_db=loss
    ) < speech_intelligibility_index(NORMAL_SPEECH_DB, SILENCE)


@pytest.mark.parametrize("wrong", [np.zeros(17), np.full(18, np.nan)])
def test_spectra_of_another_shape_are_refused(wrong):
    with pytest.raises(ParameterError, match="18 finite levels"):
        speech_intelligibility_index(wrong, SILENCE)
    with pytest.raises(ParameterError, match="noise"):
        speech_intelligibility_index(NORMAL_SPEECH_DB, wrong)
