"""How numbers are written, against what the standards print."""

from __future__ import annotations

import doctest
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from comparisons.pages import background, numbers, rangeline, words
from comparisons.pages.numbers import (
    GAP,
    GROUP,
    MINUS,
    places_for,
    rounded,
    significant,
    symbol,
    with_unit,
    write,
)


@pytest.mark.parametrize("module", [numbers, words, background, rangeline])
def test_examples_in_the_docstrings(module):
    found = doctest.testmod(module)
    assert found.attempted and not found.failed


@pytest.mark.parametrize(
    ("value", "places", "printed"),
    [
        # ISO 80000-1:2009, Annex B.2: rounding range 0.1 and 10 (from memory).
        (12.223, 1, "12.2"),
        (12.251, 1, "12.3"),
        (12.275, 1, "12.3"),
        (1223.3, -1, "1220"),
        (1225.1, -1, "1230"),
        (1227.5, -1, "1230"),
        # B.3, rule A: of two equally near multiples the even one (from memory).
        (12.25, 1, "12.2"),
        (12.35, 1, "12.4"),
        (1225.0, -1, "1220"),
        (1235.0, -1, "1240"),
    ],
)
def test_rounding_as_in_iso_80000_1_annex_b(value, places, printed):
    assert write(value, places) == printed


@pytest.mark.parametrize(
    ("estimate", "uncertainty", "printed"),
    [
        # JCGM 100:2008, 7.2.6: y = 10.05762 ohm with u_c = 27 milliohm is rounded to 10.058 ohm.
        (10.05762, 0.027, "10.058"),
        # JCGM 100:2008, 7.2.2: m_S = 100.02147 g with u_c = 0.35 mg.
        (100.02147, 0.00035, "100.02147"),
    ],
)
def test_an_estimate_has_the_digits_of_its_uncertainty(estimate, uncertainty, printed):
    assert write(estimate, places_for(uncertainty)) == printed


def test_an_uncertainty_has_two_digits():
    # JCGM 100:2008, 7.2.6: u(x) = 28.05 kHz becomes 28 kHz.
    assert write(28.05, places_for(28.05)) == "28"
    assert write(0.0996, places_for(0.0996)) == "0.10"
    assert write(99.6, places_for(99.6)) == "100"
    assert places_for(0) is None
    assert places_for(None) is None
    assert places_for(float("nan")) is None


def test_what_cannot_be_written_is_left_out():
    assert write(None, 2) == ""
    assert write(float("inf"), 2) == ""
    assert write(float("nan"), 2) == ""


def test_signs_and_groups():
    # ISO 80000-1:2009, 7.3.1: groups of three by a small space (from memory); four digits stay together.
    assert write(1234, 0) == "1234"
    assert write(-12345.6, 1) == f"{MINUS}12{GROUP}345.6"
    assert write(-0.04, 1) == "0.0"
    assert write(0.04, 1, signed=True) == "0.0"
    assert write(-3.26, 1, signed=True) == f"{MINUS}3.3"
    assert write(7e-10) == f"7{GAP}×{GAP}10⁻¹⁰"


def test_typed_numbers_keep_their_digits():
    assert write(Decimal("1.50")) == "1.50"
    assert write("0.300") == "0.300"


def test_units_are_printed_by_their_symbols():
    assert symbol("N/mm^2") == "N/mm²"
    assert symbol("degC") == "°C"
    assert symbol("percent") == "%"
    assert symbol("lbf/in") == "lbf/in"
    assert symbol("um") == "µm"
    assert symbol("kg*m/s**2") == "kg·m/s²"
    assert symbol("") == symbol(None) == ""


def test_a_space_stands_before_every_unit_but_the_degree_of_an_angle():
    # ISO 80000-1:2009, 7.1.4, and the SI brochure (9th edition), 5.4.3 and 5.4.7: percent and degree Celsius too.
    assert with_unit("61.2", "N") == f"61.2{GAP}N"
    assert with_unit("10", "percent") == f"10{GAP}%"
    assert with_unit("23", "degC") == f"23{GAP}°C"
    assert with_unit("45", "deg") == "45°"
    assert with_unit("", "N") == ""


def test_a_chance_is_never_printed_as_certain():
    assert numbers.chance(1.0) == f"over 99{GAP}%"
    assert numbers.chance(0.0) == f"under 1{GAP}%"
    assert numbers.chance(0.994) == f"over 99{GAP}%"
    assert numbers.chance(0.5) == f"50{GAP}%"


@given(st.floats(-1e8, 1e8), st.floats(1e-6, 1e6))
def test_rounding_never_moves_a_number_by_more_than_half_a_step(value, uncertainty):
    places = places_for(uncertainty)
    half = Decimal(5).scaleb(-places - 1)
    assert abs(rounded(value, places) - Decimal(repr(value))) <= half
    # Two digits, so the rounded uncertainty lies within 5 % of itself.
    exact = Decimal(repr(uncertainty))
    assert abs(rounded(uncertainty, places) - exact) <= exact / 20


@given(st.decimals(-(10**6), 10**6, allow_nan=False, places=3), st.integers(0, 3))
def test_a_written_number_reads_back_as_the_rounded_one(value, places):
    text = write(value, places).replace(MINUS, "-").replace(GROUP, "")
    assert Decimal(text) == rounded(value, places)


@given(st.floats(1e-6, 1e8))
def test_significant_digits_are_counted_from_the_first(value):
    text = format(rounded(value, significant(value, 3)), "f").replace(".", "").strip("0")
    assert len(text) <= 3 or text.startswith("1000")
