"""What is dialled in, as people write it: read right, or refused with a way out."""

from __future__ import annotations

import pytest

from shaping.equaliser.dialled import DEFAULT_Q, filters_from_file, filters_from_text
from shaping.errors import LimitsError
from shaping.filters.kinds import Filter, FilterKind


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("hp 100", Filter(FilterKind.HIGH_PASS, 100.0, order=2)),
        ("HPF 120Hz 24 dB/oct", Filter(FilterKind.HIGH_PASS, 120.0, order=4)),
        ("545 -6 q8", Filter(FilterKind.PEAKING, 545.0, q=8.0, gain_db=-6.0)),
        ("2.5k −4.5dB Q 3.5", Filter(FilterKind.PEAKING, 2500.0, q=3.5, gain_db=-4.5)),
        ("bell 1250 -3", Filter(FilterKind.PEAKING, 1250.0, q=DEFAULT_Q, gain_db=-3.0)),
        ("notch 800 q30", Filter(FilterKind.NOTCH, 800.0, q=30.0)),
    ],
)
def test_typed_filters_are_read_as_they_are_said(typed, read):
    assert filters_from_text(typed) == (read,)


def test_commas_divide_filters_and_empty_parts_do_not_count():
    assert len(filters_from_text(" hp 100, 545 -6 q8 ,, ")) == 2


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", "nothing is said"),
        ("quiet please", "is no filter"),
        ("545", "is no filter"),
        ("hp 100 13", "slope"),
        ("5 -6 q8", "no frequency"),
        ("545 -60 q8", "no gain"),
        ("545 -6 q900", "no width"),
    ],
)
def test_what_is_no_filter_is_refused_with_an_example(typed, said):
    with pytest.raises(LimitsError, match=said):
        filters_from_text(typed)


def test_a_file_holds_the_same_as_tables(tmp_path):
    path = tmp_path / "in_place.toml"
    path.write_text(
        '[[filter]]\nkind = "high-pass"\nfrequency_hz = 100\n\n'
        "[[filter]]\nfrequency_hz = 545\ngain_db = -6\nq = 8\n"
    )
    assert filters_from_file(path) == filters_from_text("hp 100, 545 -6 q8")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bands = 4", "no \\[\\[filter\\]\\] table"),
        ("[[filter]]\nfrequency_hz = 545", "gain_db is missing"),
        ("[[filter]]\ngain_db = -6", "frequency_hz is missing"),
        ('[[filter]]\nfrequency_hz = "x"\ngain_db = -6', "must be a number"),
        ('[[filter]]\nkind = "comb"\nfrequency_hz = 5', "kind must be"),
        ("[[", "in TOML"),
    ],
)
def test_a_file_that_holds_no_filters_says_what_is_wrong(tmp_path, text, said):
    path = tmp_path / "in_place.toml"
    path.write_text(text)
    with pytest.raises(LimitsError, match=said):
        filters_from_file(path)


@pytest.mark.parametrize(
    ("taken", "refused"),
    [
        ("10 -6 q8", "9.9 -6 q8"),
        ("24k -6 q8", "24.1k -6 q8"),
        ("545 -40 q8", "545 -40.1 q8"),
        ("545 -6 q0.1", "545 -6 q0.09"),
        ("545 -6 q200", "545 -6 q201"),
        ("hp 100 48", "hp 100 54"),
    ],
)
def test_what_lies_beyond_every_equaliser_is_a_slip_of_the_hand(taken, refused):
    assert len(filters_from_text(taken)) == 1
    with pytest.raises(LimitsError):
        filters_from_text(refused)


def test_a_file_of_more_than_64_kib_is_another_file(tmp_path):
    path = tmp_path / "in_place.toml"
    filters = "[[filter]]\nfrequency_hz = 545\ngain_db = -6\n#"
    path.write_text(filters.ljust(65_536, "x"))
    assert len(filters_from_file(path)) == 1
    path.write_text(filters.ljust(65_537, "x"))
    with pytest.raises(LimitsError, match="too large"):
        filters_from_file(path)
