"""The range line: what is drawn where, and what is read out."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from comparisons.pages.rangeline import (
    Axis,
    Claimed,
    Line,
    axis_for,
    draw,
    draw_axis,
    fixed,
    legend,
    rows_needed,
)

AXIS = fixed(0.0, 100.0)


def drawn(line: Line, axis: Axis = AXIS, rows: int = 1):
    svg = draw(axis, line, rows)
    return ElementTree.fromstring(svg), svg


def only(root, name: str):
    found = [e for e in root.iter() if e.get("class") == name]
    assert len(found) == 1, f"{len(found)} elements of class {name}"
    return found[0]


def test_the_mean_and_the_bar_lie_where_the_numbers_say():
    root, _ = drawn(Line("61.2 N", mean=61.2, low=58.9, high=63.5))
    mean, bar = only(root, "mean"), only(root, "likely")
    assert mean.get("x1") == mean.get("x2") == "61.2%"
    assert (bar.get("x1"), bar.get("x2")) == ("58.9%", "63.5%")


def test_specimens_are_ticks_one_row_for_each_unit():
    root, _ = drawn(Line("x", seen=[[(10.0, 0), (20.0, 0)], [(30.0, 0)]]), rows=2)
    ticks = re.findall(r"M(\d+) (\d+)v", only(root, "seen").get("d"))
    assert [x for x, _ in ticks] == ["100", "200", "300"]
    assert ticks[0][1] == ticks[1][1] != ticks[2][1]


def test_more_units_than_rows_share_one():
    units = [[(float(i), 0)] for i in range(9)]
    assert rows_needed([units]) == 1
    assert rows_needed([units[:3], units[:2]]) == 3
    root, _ = drawn(Line("x", seen=units), rows=rows_needed([units]))
    assert len({y for _, y in re.findall(r"M(\d+) (\d+)v", only(root, "seen").get("d"))}) == 1


@pytest.mark.parametrize(
    ("claim", "marks"),
    [
        (Claimed("at_least", 65.0, 65.0), [("65%", "h7")]),
        (Claimed("at_most", 65.0, None, 65.0), [("65%", "h-7")]),
        (Claimed("between", None, 40.0, 60.0), [("40%", "h7"), ("60%", "h-7")]),
        (Claimed("nominal", 50.0, 48.0, 52.0), [("48%", "h7"), ("52%", "h-7"), ("50%", "L4")]),
        (Claimed("nominal", 50.0), [("50%", "L4")]),
    ],
)
def test_a_claim_is_a_notch_that_points_to_what_was_promised(claim, marks):
    root, _ = drawn(Line("x", mean=50.0, claims=[claim]))
    found = [(e.get("x"), e[0].get("d")) for e in root.iter() if e.get("class") == "claim"]
    assert len(found) == len(marks)
    for (at, shape), (wanted, flag) in zip(found, marks, strict=True):
        assert at == wanted
        assert flag in shape


def test_sources_that_disagree_are_drawn_broken():
    _, svg = drawn(Line("x", claims=[Claimed("at_least", 65.0, 65.0, open=True)]))
    assert "stroke-dasharray" in svg


def test_a_bound_is_an_arrow_to_the_open_side():
    root, _ = drawn(Line("at least 70 N", at_least=70.0))
    assert not [e for e in root.iter() if e.get("class") == "mean"]
    assert any("M700" in (e.get("d") or "") and "H1000" in e.get("d") for e in root.iter())
    assert [e.get("x") for e in root.iter() if e.get("x")] == ["100%"]


def test_a_bound_among_specimens_is_no_tick():
    root, _ = drawn(Line("x", seen=[[(50.0, 1)]]))
    assert not [e for e in root.iter() if e.get("class") == "seen"]


def test_an_interval_beyond_the_axis_is_left_open_there():
    _, inside = drawn(Line("x", mean=50.0, low=40.0, high=60.0))
    root, outside = drawn(Line("x", mean=50.0, low=-300.0, high=60.0))
    assert only(root, "likely").get("x1") == "0%"
    assert outside.count("<path") > inside.count("<path")


def test_it_is_read_out_as_words_and_escapes_them():
    root, svg = drawn(Line('5" & <b> 61.2 N, likely 58.9 to 63.5; claimed at least 65', mean=61.2))
    assert root.get("role") == "img"
    assert root.get("aria-label") == '5" & <b> 61.2 N, likely 58.9 to 63.5; claimed at least 65'
    assert "<b>" not in svg


def test_it_keeps_the_policy():
    for svg in (draw(AXIS, Line("x", mean=1.0, low=0.0, high=2.0, claims=[Claimed("at_least", 1.0, 1.0)])),
                draw_axis(AXIS), *(item["svg"] for item in legend())):  # fmt: skip
        ElementTree.fromstring(svg)
        assert "style=" not in svg
        assert "<style" not in svg
        assert "href" not in svg


def test_one_wide_interval_does_not_shrink_the_rest():
    # Student's t with one degree of freedom: k = 12.7 at 95 %.
    axis = axis_for([58.0, 60.0, 62.0], [(60.0 - 127.0, 60.0 + 127.0)])
    assert axis.low > 50
    assert axis.high < 70


def test_an_axis_shows_every_value_and_claim():
    axis = axis_for([58.0, 62.0, 80.0], [(57.0, 63.0)])
    assert all(axis.holds(v) for v in (57.0, 58.0, 62.0, 80.0))


def test_an_axis_holds_zero_where_change_is_measured_from_it():
    axis = axis_for([-8.0, -12.0], zero=True)
    assert axis.holds(0.0)
    assert 0.0 in axis.ticks


def test_no_values_no_axis():
    assert axis_for([]) is None
    assert axis_for([None, float("nan")]) is None


@pytest.mark.parametrize("same", [0.0, 5.0, -3.0, 1e-9, 1e9])
def test_equal_values_have_an_axis_too(same):
    axis = axis_for([same, same])
    assert axis.low < axis.high
    assert axis.holds(same)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=8).filter(lambda v: max(v) - min(v) > 1e-3))
def test_ticks_are_few_even_and_inside(values):
    axis = axis_for(values)
    assert 2 <= len(axis.ticks) <= 8
    assert all(axis.low - 1e-9 <= t <= axis.high + 1e-9 for t in axis.ticks)
    steps = {round(b - a, 9) for a, b in zip(axis.ticks, axis.ticks[1:], strict=False)}
    assert len({round(s / max(steps), 6) for s in steps}) <= 1
    assert all(axis.holds(v) for v in values)


@given(st.floats(-1e5, 1e5), st.floats(0.0, 1e5))
def test_places_keep_their_order(value, more):
    axis = axis_for([-1e5, 2e5])
    assert 0 <= axis.at(value) <= axis.at(value + more) <= 1000
