"""Units as the trade writes them."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from specimens.unit_names import KNOWN, SPELLINGS, WORDS
from specimens.units import (
    UnitError,
    affine,
    convert,
    factor,
    parse_unit,
    reading_value,
    require_kind,
    same_kind,
)

# NIST SP 811:2008, Appendix B.8, to its seven figures (constants as in the CRAN package NISTunits); the
# pound-force is exact: 0.45359237 kg (definition of 1959) times 9.80665 m/s2 (CGPM 1901).
SP811 = [
    ("lbf", "N", "4.448222"),
    ("ozf", "N", "0.2780139"),
    ("lbf/ft", "N/m", "14.59390"),
    ("lbf/in", "N/m", "175.1268"),
    ("psi", "kPa", "6.894757"),
    ("in", "mm", "25.4"),
    ("mil", "mm", "0.0254"),
    ("kgf", "N", "9.80665"),
    ("kgf/cm2", "kPa", "98.0665"),
    ("lb", "kg", "0.4535924"),
    ("oz", "g", "28.34952"),
    ("fl oz", "ml", "29.57353"),
    ("gal", "l", "3.785412"),
    ("ft-lbf", "N*m", "1.355818"),
    ("in-lbf", "Nm", "0.1129848"),
    ("mph", "m/s", "0.44704"),
    ("mmHg", "Pa", "133.3224"),
    ("kWh", "MJ", "3.6"),
    ("yd", "m", "0.9144"),
    ("oz/yd^2", "g/m^2", "33.90575"),
    ("denier", "tex", "0.1111111"),
]

# Derived by hand from the exact pound-force, inch and millimetre: widths as tapes and straps are sold by.
WIDTHS = [
    ("ozf/in", "N/100 mm", "1.094543"),
    ("ozf/in", "N/25 mm", "0.2736357"),
    ("lbf/in", "N/100 mm", "17.51268"),
    ("lbf/in", "N/25 mm", "4.37817"),
    ("gf/25 mm", "N/25 mm", "0.00980665"),
    ("cN/25 mm", "N/25 mm", "0.01"),
    ("cN/25 mm", "N/m", "0.4"),
]


@pytest.mark.parametrize(("unit", "other", "published"), SP811 + WIDTHS)
def test_factors_are_those_of_sp_811(unit, other, published):
    figures = len(published.replace(".", "").lstrip("0"))
    rounded = Decimal(f"{factor(unit, other):.{figures - 1}E}")
    assert rounded == Decimal(published)


def test_the_pound_force_is_exact():
    assert factor("lbf", "N") == Decimal("4.4482216152605")
    assert convert("1.50", "lbf", "N") == Decimal("6.67233242289075")


def test_twenty_eight_digits_and_one_rounding():
    assert convert("1", "N", "lbf") == Decimal("0.2248089430997104829100394134")
    assert convert("1", "in", "ft") == Decimal("0.08333333333333333333333333333")


@pytest.mark.parametrize(
    ("value", "unit", "other", "expected"),
    [
        # SP 811, B.8: t/degC = (t/degF - 32)/1.8; T/K = t/degC + 273.15
        ("212", "degF", "degC", "100"),
        ("-40", "°F", "°C", "-40"),
        ("0", "degC", "K", "273.15"),
        ("98.6", "degF", "degC", "37"),
        ("20", "℃", "° F", "68"),
    ],
)
def test_temperatures_convert_with_their_offset(value, unit, other, expected):
    assert convert(value, unit, other) == Decimal(expected)


def test_differences_of_temperature_convert_without_it():
    assert convert("18", "degF", "degC", difference=True) == Decimal("10")
    assert factor("degC", "degF", difference=True) == Decimal("1.8")
    assert factor("degC", "K", difference=True) == 1
    with pytest.raises(UnitError, match="offset"):
        factor("degC", "degF")


def test_inside_a_product_a_temperature_is_a_difference():
    assert factor("W/(m*degC)", "W/(m*K)") == 1


@pytest.mark.parametrize("text", ["mil", "mils", "MIL", "thou"])
def test_mil_is_a_thousandth_of_an_inch(text):
    assert convert("1", text, "mm") == Decimal("0.0254")
    assert parse_unit(text).symbol == "mil"


@pytest.mark.parametrize(
    ("spellings", "symbol"),
    [
        (['"', "in", "inch", "Inches", "IN", "''", "″"], "in"),
        (["'", "ft", "feet", "foot"], "ft"),
        (["N/25 mm", "N/25mm", "N / 25 mm", "N per 25 mm"], "N/25 mm"),
        (["lbf/in", "lbf/inch", "lbf per inch", 'lbf/"'], "lbf/in"),
        (["degF", "°F", "deg F", "℉", "Fahrenheit"], "°F"),
        (["degC", "°C", "ºC", "celsius"], "°C"),
        (["%", "percent", "pct"], "%"),
        (["count", "pcs", "pieces", "each", "items"], "count"),
        (["step", "steps", "rating", "points"], "step"),
        (["N/mm²", "N/mm2", "N/mm^2", "N/mm**2", "N/sq mm"], "N/mm²"),
        (["Nm", "N m", "N*m", "N·m", "N-m"], "N·m"),
        (["µm", "um", "μm"], "µm"),
        (["", "1"], "1"),
        (["fl oz", "US fl oz", "fluid ounces"], "fl oz"),
        (["km/h", "kph"], "km/h"),
        (["mAh"], "mAh"),
        (["J/(kg*K)", "J/kg/K"], "J/(kg·K)"),
        (["Shore A", "shore-a", "ShoreA"], "Shore A"),
        (["dB(A)", "dBA"], "dB(A)"),
    ],
)
def test_the_trades_spellings_are_accepted_and_shown_back(spellings, symbol):
    assert {parse_unit(text).symbol for text in spellings} == {symbol}
    assert all(parse_unit(text).text == text for text in spellings)


def test_every_word_on_the_lists_means_something():
    for word in [*SPELLINGS, *WORDS]:
        assert parse_unit(word).scale > 0
    for name in KNOWN:
        assert name == "ton" or parse_unit(name).scale > 0  # which of three tons, nobody can say


@pytest.mark.parametrize(
    ("found", "expected", "hint"),
    [
        ("lb", "N", "write lbf"),
        ("oz", "N", "write ozf"),
        ("g", "N", "write gf"),
        ("kg", "N", "write kgf"),
        ("lbs", "lbf", "write lbf"),
        ("g/m", "N/25 mm", "write gf/m"),
        ("lb/ft", "N/m", "write lbf/ft"),
    ],
)
def test_a_mass_where_a_force_is_asked_for_is_refused_with_what_to_write(found, expected, hint):
    with pytest.raises(UnitError) as error:
        require_kind(found, expected)
    assert hint in str(error.value) and "\n" not in str(error.value)
    with pytest.raises(UnitError):
        convert("1", found, expected)
    assert not same_kind(found, expected)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("oz/in", "ozf/in"),
        ("lb/in", "lbf/in"),
        ("g/25 mm", "gf/25 mm"),
        ("kg/cm", "kgf/cm"),
        ("lb/in²", "lbf/in²"),
        ("kg/cm2", "kgf/cm2"),
        ("kg*cm", "kgf*cm"),
        ("ft-lb", "ft-lbf"),
    ],
)
def test_a_mass_per_width_is_asked_about_not_guessed(text, hint):
    with pytest.raises(UnitError, match="mass") as error:
        parse_unit(text)
    assert f"write {hint} " in str(error.value)


@pytest.mark.parametrize("text", ["lb", "oz", "g", "kg", "g/m", "lb/ft", "g/m²", "oz/yd²", "mg/cm²", "g/cm3"])
def test_masses_and_densities_are_fine_as_such(text):
    assert parse_unit(text).scale > 0


@pytest.mark.parametrize(
    "text",
    [
        "furlongs", "k", "c", "C", "F", "ton", "pt", "5", "/m", "m/", "(m", "m)", "N//m", "€", "N/25",
        "J/kg K", "2**999999999", "m**99", "0 mm", "25 degC", "N mm/", "__import__('os')", "m;n", "x" * 300,
        "(" * 150, "Mm/N!", "nan", "1e5 m",
    ],
)  # fmt: skip
def test_what_is_unknown_or_may_mean_two_things_is_refused_in_one_line(text):
    with pytest.raises(UnitError) as error:
        parse_unit(text)
    line = str(error.value)
    assert "found" in line and "\n" not in line


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [
        ("N", "lbf", True), ("N/m", "ozf/in", True), ("N", "N/m", False), ("degC", "K", True),
        ("%", "1", True), ("%", "count", False), ("deg", "%", False), ("rpm", "Hz", False),
        ("step", "count", False), ("dB", "%", False), ("psi", "N/mm^2", True), ("lm", "cd", False),
        ("mAh", "Wh", False), ("tex", "g/m", True),
    ],
)  # fmt: skip
def test_kinds(a, b, same):
    assert same_kind(a, b) is same


def test_wrong_kind_is_told_in_words():
    with pytest.raises(UnitError, match="found “mm”, a length, expected a force such as N"):
        require_kind("mm", "N")
    with pytest.raises(UnitError, match="found “N”, a force, expected a mass such as kg"):
        require_kind("N", "kg")


def test_equal_units_leave_the_digits_alone():
    assert str(convert(Decimal("1.500"), "N", "N")) == "1.500"


@pytest.mark.parametrize("value", ["", "abc", "NaN", "Infinity", "1,5"])
def test_no_number_is_refused(value):
    with pytest.raises(UnitError):
        convert(value, "N", "lbf")


@given(
    st.decimals(min_value=-10**6, max_value=10**6, places=4),
    st.sampled_from([("lbf", "N"), ("degF", "degC"), ("mil", "µm"), ("psi", "kPa"), ("ozf/in", "N/25 mm")]),
)
def test_there_and_back_gives_the_same(value, pair):
    there = convert(value, *pair)
    assert abs(convert(there, *reversed(pair)) - value) <= Decimal("1e-20")


@given(st.sampled_from(["in", "mil", "mm", "ft", "yd", "um", "m"]), st.sampled_from(["in", "mm", "thou"]))
def test_scales_are_exact_fractions_and_compose(a, b):
    assert affine(a, "m")[0] == affine(a, b)[0] * affine(b, "m")[0]
    assert isinstance(affine(a, b)[0], Fraction)


def test_values_of_readings():
    assert reading_value("quantity", "2", "lbf", "N") == (8.896443230521, "")
    assert reading_value("quantity", "2", "", "N") == (2.0, "")
    assert reading_value("rating", "4", "step", "step") == (4.0, "")
    assert reading_value("pass_fail", "Pass", "", "") == (1.0, "")
    assert reading_value("pass_fail", "no", "", "") == (0.0, "")
    value, reason = reading_value("pass_fail", "perhaps", "", "")
    assert value is None and "expected pass or fail" in reason
    value, reason = reading_value("quantity", "2", "lb", "N")
    assert value is None and "write lbf" in reason


def test_pint_is_not_imported_before_the_first_use():
    code = "import sys, specimens.units; sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0
