"""Thinning and turning down: two ways to less spill, and what each costs."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.first_row.radiation import WedgeModel
from shaping.analysis.first_row.speech import NORMAL_SPEECH_OVERALL_DB
from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.thinning.effect import Listening
from shaping.plan.thinning.spill_cost import presets_thinned, thinned, turned_down
from shaping.plan.thinning.starting_points import WedgeUse

AT = {"mic_distance_m": 0.05, "listening": Listening(), "wedge": WedgeModel()}


def test_the_presets_rise_in_saving_and_start_at_nothing() -> None:
    costs = presets_thinned(load_limits("parametric-4"), use=WedgeUse.VOCAL, **AT)
    assert [cost.name for cost in costs] == ["none", "light", "medium", "strong"]
    assert costs[0].spill_change_db == pytest.approx(0.0, abs=1e-12)
    assert (np.diff([cost.spill_change_db for cost in costs]) < -1.0).all()


def test_an_equal_gain_everywhere_is_the_wedge_turned_down() -> None:
    """A shelf that acts on all speech bands alike must cost what turning down costs."""
    shelf = Filter(FilterKind.HIGH_SHELF, 20.0, q=0.7, gain_db=-6.0)
    cost = thinned("shelf", [shelf], **AT)
    (down,) = turned_down([6.0], mic_distance_m=0.05, listening=Listening())
    assert cost.spill_change_db == pytest.approx(down.spill_change_db, abs=0.01)
    assert cost.sii == pytest.approx(down.sii, abs=1e-3)


def test_turning_down_costs_a_thirtieth_per_db_where_noise_masks_every_band() -> None:
    """Source: ANSI S3.5-1997, band audibility (E - D + 15) / 30, from memory."""
    # Speech below its masking in every band and above -15 dB: no clipping at either end.
    quiet = Listening(voice_db=NORMAL_SPEECH_OVERALL_DB + 8.0, stage_noise_db=66.0)
    costs = turned_down([0.0, 1.0], mic_distance_m=10.0, listening=quiet)
    assert costs[0].sii - costs[1].sii == pytest.approx(1 / 30, rel=0.15)


def test_the_microphone_must_be_somewhere() -> None:
    with pytest.raises(ParameterError, match="distance"):
        turned_down([1.0], mic_distance_m=0.0, listening=Listening())
