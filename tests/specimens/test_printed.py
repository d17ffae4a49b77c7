"""Values printed twice: check values from published standards and from arithmetic."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from specimens.printed import disagreements, holds, pairs
from specimens.units import convert


def shown(text: str) -> list[tuple[str, str]]:
    return [(a.shown, b.shown) for a, b, _ in pairs(text)]


# Pairs as standards and laboratory reports print them; each is sound.
SOUND = [
    "0.18 mm (0.007 in)",  # ASTM D2301-10(2017), 4.1, Type I
    "0.25 mm (0.010 in)",  # the same, Type II
    "80 °C (176 °F)",  # UL 510:2020, 1.1
    "105 °C (221 °F)",  # arithmetic: 105 x 9/5 + 32
    "7 mil = 0.1778 mm",  # arithmetic: 7 x 25.4 / 1000
    "8.5 mil (0.2159 mm)",  # arithmetic
    "4.5 lb (2.041 kg)",  # arithmetic: 4.5 x 0.45359237
    "12 in/min = 5.08 mm/s",  # arithmetic: 12 x 25.4 / 60
    "2.0 N/10 mm (18.3 oz/in)",  # a laboratory report to EN 60454-2: oz for a force
    "61.3 kV/mm (1557 V/mil)",  # the same report
    "1000 V/mil (39.37 kV/mm)",  # arithmetic: 1000 / 25.4
    "15–20 lbf/in (26.3–35.0 N/cm)",  # arithmetic: 1 lbf/in = 1.7513 N/cm
    # from memory of packages, worked out by hand
    "19 mm x 20 m (3/4 in x 66 ft)",
    "19 mm (3/4 in) x 20 m (66 ft)",
    "¾\" x 66' (19 mm x 20 m)",
    "2900 psi / 20 MPa",
    "2900 psi/20 MPa",
    "-18 to 105 °C (0 to 221 °F)",
    "−18 °C to 80 °C (0 °F to 176 °F)",
    "0,18 mm (7 mil)",
    "1,000 V/mil (39.37 kV/mm)",
    "17 lb (75 N)",
    "1 1/2 in (38 mm)",
    "7 mil thick (0.18 mm)",
    "20 N/25 mm (4.6 lbf/in)",
]


@pytest.mark.parametrize("text", SOUND)
def test_sound_prints_are_paired_and_not_flagged(text):
    assert shown(text), "nothing was compared"
    assert disagreements(text) == []


# The first as two stored copies of ASTM D3005-10, 4.1.1 print it; the others made from sound ones by a slip.
SLIPS = [
    ("0.0178 mm (0.007 in.)", "0.0178 mm is 0.0007 in, a tenth of what the other says"),
    ("7 mil (0.018 mm)", "7 mil is 0.178 mm, ten times what the other says"),
    ("2900 psi / 2 MPa", "2900 psi is 20 MPa, ten times what the other says"),
    ("66 ft (2.01 m)", "66 ft is 20.1 m, ten times what the other says"),
    ("7 mil (178 mm)", "7 mil is 0.178 mm, a thousandth of what the other says"),
    ("80 °C (221 °F)", "80 °C is 176 °F"),
    ("19 mm x 20 m (3/4 in x 60 ft)", "20 m is 65.6 ft"),
    ("3/4\" (18 mm)", "3/4\" is 19.05 mm"),
    ("50 lbf (250 N)", "50 lbf is 222 N"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), SLIPS)
def test_prints_that_contradict_themselves_are_flagged(text, said):
    (found,) = disagreements(text)
    assert found.text.endswith(f"do not agree: {said}")
    assert found.first in text and found.second in text


@pytest.mark.parametrize(
    "text",
    [
        "", "strong", "600 V / 80 °C", "19 mm / 66 ft roll", "25 mm (1)", "23 ± 5 °C (73 ± 9 °F)", "UL 510 (2020)",
        "3 m (10 s)", "0.18 mm (0.19 mm)", "1/0 in (3 mm)", "(", "5 (5 (5 (", "66 ft (20.1 m", "1 2 3 4 5",
        "\x00\u202e7 mil", "9" * 400 + " mm (1 in)",
    ],
)  # fmt: skip
def test_what_is_no_pair_is_left_alone(text):
    assert disagreements(text) == []


def test_only_the_printed_digits_are_held_against_a_print():
    """16.5 mm is 0.6496 in: 0.65 in rounds it, 0.649 in does not."""
    assert disagreements("16.50 mm (0.65 in)") == []
    assert disagreements("16.50 mm (0.650 in)") == []
    assert len(disagreements("16.50 mm (0.640 in)")) == 1
    # of a whole number that ends in zeros two digits count: 100 lbf are 444.8 N
    assert disagreements("100 lbf (440 N)") == []
    assert len(disagreements("100 lbf (400 N)")) == 1


@given(
    value=st.decimals(min_value="0.01", max_value="9999", places=2),
    units=st.sampled_from([("mm", "in"), ("lbf", "N"), ("psi", "kPa"), ("ft", "m"), ("degC", "degF"), ("oz", "g")]),
    places=st.integers(1, 4),
)
def test_a_rounded_conversion_is_never_flagged_and_a_tenfold_slip_always(value, units, places):
    a, b = units
    other = convert(value, a, b)
    rounded = round(other, places)
    assert disagreements(f"{value} {a} ({rounded:f} {b})") == []
    if rounded > 1 and value > 1 and a != "degC":
        assert disagreements(f"{value} {a} ({rounded * 10:f} {b})")


@pytest.mark.parametrize(
    ("text", "value", "unit", "there"),
    [
        ("min. 62 N", "62", "N", True),
        ("min 17 lbf/in", "29.8", "N/cm", True),
        ("0.178 mm", "178", "mm", False),
        ("7 mil (0.18 mm)", "0.178", "mm", True),
        ("extra strong", "62", "N", True),
        ("up to 1,5 kg", "1.5", "kg", True),
        ("rated 4", "5", "", False),
    ],
)
def test_whether_an_amount_is_among_those_printed(text, value, unit, there):
    assert holds(text, Decimal(value), unit) is there


def test_fractions_are_exact():
    (first, second, _) = pairs("5/8 in (15.875 mm)")[0]
    assert first.values == ((Fraction(5, 8), Fraction(0)),)
    assert second.values[0][0] == Fraction("15.875")
