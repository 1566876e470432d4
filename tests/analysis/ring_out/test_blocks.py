"""Long captures are searched minute by minute, with five seconds in common."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.ring_out.rings import _blocks


@pytest.mark.parametrize(
    ("seconds", "blocks"),
    [
        (10.0, [(0.0, 10.0)]),
        (60.0, [(0.0, 60.0)]),
        (60.1, [(0.0, 60.0), (55.0, 5.1)]),
        (115.0, [(0.0, 60.0), (55.0, 60.0)]),
        (130.0, [(0.0, 60.0), (55.0, 60.0), (110.0, 20.0)]),
        (3.0, [(0.0, 3.0)]),
    ],
)
def test_blocks_of_a_minute_overlap_by_five_seconds(
    seconds: float, blocks: list[tuple[float, float]]
) -> None:
    rate = 100
    found = [
        (start / rate, part.size / rate)
        for start, part in _blocks(np.zeros(round(seconds * rate), np.float32), rate)
    ]
    assert found == blocks
