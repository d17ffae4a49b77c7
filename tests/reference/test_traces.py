"""Reading and reducing force-extension traces.

No published trace with a published answer was found for any of the rules, ISO 6133 included. The
traces here are made by hand so that every answer follows on paper; they are not published examples.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from comparisons.analysis.traces import Trace, TraceError, find_peaks, read_trace, reduce_trace

properties = settings(deadline=None, derandomize=True, max_examples=100)


def zigzag(heights, valley=0.0, step=1.0):
    """A trace with a peak of each height, `step` apart, down to `valley` between."""
    force = [valley]
    for h in heights:
        force += [h, valley]
    return Trace(np.array(force, dtype=float), np.arange(len(force)) * step / 2)


# -- reading -----------------------------------------------------------------------------------------

POINTS = [(0.0, 1.5), (0.1, 2.25), (0.2, -3.0)]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize(
    "heading", ["", "Extension (mm){s}Force (N)\n", "Sample{s}17\n\nExtension{s}Load\nmm{s}N\n"]
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_decimals_and_headings(separator, decimal, heading, end):
    if separator == decimal:
        rows = [f'"{x}","{f}"'.replace(".", ",") for x, f in POINTS]
    else:
        rows = [f"{x}{separator}{f}".replace(".", decimal) for x, f in POINTS]
    text = (heading.format(s=separator) + "\n".join(rows) + "\n").replace("\n", end)
    trace = read_trace(text)
    assert list(zip(trace.extension, trace.force, strict=True)) == POINTS
    assert trace.time is None
    assert trace.skipped == heading.count("\n")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings(encoding):
    text = "Zeit (s);Weg (µm);Kraft (N)\n0;0;1\n1;10;2,5\n"
    trace = read_trace(text.encode(encoding))
    assert trace.force.tolist() == [1.0, 2.5]
    assert trace.extension.tolist() == [0.0, 10.0]
    assert trace.time.tolist() == [0.0, 1.0]
    assert trace.headings == {"force": "Kraft (N)", "extension": "Weg (µm)", "time": "Zeit (s)"}


def test_columns_are_chosen_by_heading_or_number():
    text = "Time,Load A,Load B,Travel\n0,1,2,3\n1,4,5,6\n"
    with pytest.raises(TraceError, match="several columns could be the force.*Load A.*Load B"):
        read_trace(text)
    assert read_trace(text, force="load b").force.tolist() == [2.0, 5.0]
    assert read_trace(text, force=2).force.tolist() == [1.0, 4.0]
    assert read_trace(text, force=2).extension.tolist() == [3.0, 6.0]
    assert read_trace(text, force=2, extension=1, time=4).extension.tolist() == [0.0, 1.0]
    assert read_trace("1;2;3\n4;5;6\n", force=3).extension is None


def test_quoted_numbers_exponents_and_true_minus_signs():
    trace = read_trace('Extension,Force\n"0.0","\u22121.5"\n1e-1,+2.5E1\n')
    assert trace.force.tolist() == [-1.5, 25.0]
    assert trace.extension.tolist() == [0.0, 0.1]


def test_empty_lines_and_empty_cells_at_the_end_of_lines():
    assert read_trace("Extension;Force;\n0;1;\n\n1;2;\n\n").force.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("text", "more", "words"),
    [
        ("", {}, "no row of numbers"),
        ("Force\n1\n2\n", {}, "no row of numbers"),
        ("Extension,Force\n", {}, "no row of numbers"),
        ("Extension,Force\n0,1\n", {}, "only one point"),
        ("Extension,Force\n0,1\n1,x\n", {}, r"line 3, column 2 \(Force\): 'x' is no number"),
        ("Extension,Force\n0,1\n1,\n", {}, r"line 3, column 2 \(Force\): '' is no number"),
        ("Extension,Force\n0,1\n1,nan\n", {}, "'nan' is no number"),
        ("Extension,Force\n0,1\n1,inf\n", {}, "'inf' is no number"),
        ("Extension,Force\n0,1\n1,1e999\n", {}, "'1e999' is no number"),
        ("Extension;Force\n0;1,5\n1;2.5\n", {}, r"decimal points \(line 3\) and decimal commas \(line 2\)"),
        ("Extension;Force\n0;999\n1;1,001\n", {}, "thousands or decimals"),
        ("Extension,Force\n0,0,1,5\n0,1,2,5\n", {}, "both between the columns and in the numbers"),
        ("0;1;2\n1;2;3\n", {}, "no column is known to be the force.*3 columns without headings"),
        ("Extension,Width\n0,1\n1,2\n", {}, "no column is known to be the force"),
        ("Extension,Force\n0,1\n1,2\n", {"force": 3}, "no column 3; the trace has 2"),
        ("Extension,Force\n0,1\n1,2\n", {"force": 0}, "no column 0"),
        ("Extension,Force\n0,1\n1,2\n", {"force": "Load"}, "no column 'Load'"),
        ("A,A\n0,1\n1,2\n", {"force": "A"}, "more than one column 'A'"),
        ("Extension,Force\n0,1\n1,2\n", {"force": 2, "extension": 2}, "chosen twice"),
        ("Time,Force\n0,1\n1,2\n0.5,2\n", {}, "time runs backwards"),
        ("Extension,Force\n0,1\n1,2\n", {"max_bytes": 10}, "larger than 10 bytes"),
        (b"Extension,Force\n0,1\n1,2\n", {"max_bytes": 10}, "larger than 10 bytes"),
        (b"PK\x03\x04\x00\x00", {}, "no text"),
        (None, {}, "expected the text"),
        ("Force," + "9" * 200_000 + "\n0,1\n", {}, "line 1 could not be read"),
    ],
)
def test_what_is_no_trace_is_refused_in_words(text, more, words):
    with pytest.raises(TraceError, match=words):
        read_trace(text, **more)


def test_more_rows_than_are_read(monkeypatch):
    monkeypatch.setattr("comparisons.analysis.traces.MAX_ROWS", 3)
    assert len(read_trace("0;1\n" * 3).force) == 3
    with pytest.raises(TraceError, match="4 rows of data; at most 3"):
        read_trace("0;1\n" * 4)


@properties
@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text):
    try:
        trace = read_trace(text)
    except TraceError as error:
        assert str(error)
    else:
        assert np.isfinite(trace.force).all() and len(trace.force) >= 2


@properties
@given(
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(-(10**6), 10**6)), min_size=2, max_size=30),
    st.sampled_from([";", "\t"]),
    st.booleans(),
)
def test_what_was_written_is_read_back(rows, separator, comma):
    lines = [f"{x / 1000:.3f}{separator}{f / 1000:.3f}" for x, f in rows]
    text = "\n".join(["Extension" + separator + "Force", *lines])
    trace = read_trace(text.replace(".", ",") if comma else text)
    assert trace.extension == pytest.approx([x / 1000 for x, _ in rows])
    assert trace.force == pytest.approx([f / 1000 for _, f in rows])


# -- reducing ----------------------------------------------------------------------------------------


def test_peak():
    trace = zigzag([3, 7, 5])
    found = reduce_trace(trace, "peak")
    assert (found.value, found.n, found.peaks) == (7.0, 7, [(1.5, 7.0)])
    windowed = reduce_trace(trace, "peak", start=2.0, stop=3.0)
    assert (windowed.value, windowed.n, windowed.window) == (5.0, 3, [2.0, 3.0])
    assert reduce_trace(Trace(np.array([1.0, 4, 2])), "peak").value == 4.0


def test_mean_of_a_window_by_the_closed_form():
    # Force 2 x + 1: over [2, 5] the mean is 8, also where the window's ends lie between points.
    x = np.linspace(0, 10, 41)
    found = reduce_trace(Trace(2 * x + 1, x), "mean_window", start=2.1, stop=4.9)
    assert found.value == pytest.approx(8.0)
    assert found.n == np.sum((x >= 2.1) & (x <= 4.9))
    assert found.window == [2.1, 4.9]


def test_mean_of_a_window_does_not_weigh_by_sampling():
    rng = np.random.default_rng(0)
    x = np.sort(np.concatenate([np.linspace(0, 80, 300), rng.uniform(20, 30, 5000)]))
    force = 10 + 3 * np.sin(x / 5)
    found = reduce_trace(Trace(force, x), "mean_window", start=15, stop=65)
    exact = integrate.quad(lambda v: 10 + 3 * math.sin(v / 5), 15, 65)[0] / 50
    assert found.value == pytest.approx(exact, abs=1e-3)
    assert abs(force[(x >= 15) & (x <= 65)].mean() - exact) > 0.5


def test_mean_of_a_window_in_time():
    t = np.arange(11.0)
    trace = Trace(np.array([0, 0, 4, 4, 4, 4, 4, 0, 0, 0, 0.0]), None, t)
    found = reduce_trace(trace, "mean_window", axis="time", start=2, stop=6)
    assert (found.value, found.n) == (4.0, 5)
    assert "no extension" in reduce_trace(trace, "mean_window", start=2, stop=6).reason


def test_median_of_peaks():
    found = reduce_trace(zigzag([3, 9, 5, 4]), "median_peaks")
    assert (found.value, found.n, found.peak_range) == (4.5, 4, 6.0)
    assert found.peaks == [(0.5, 3.0), (1.5, 9.0), (2.5, 5.0), (3.5, 4.0)]
    part = reduce_trace(zigzag([3, 9, 5, 4]), "median_peaks", start=1, stop=3)
    assert (part.value, part.n) == (7.0, 2)


def test_prominence_tells_peaks_from_noise():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 100, 4001)
    clean = 20 + 5 * np.sin(2 * np.pi * x / 10 - np.pi / 2)
    noisy = Trace(clean + rng.normal(0, 0.02, len(x)), x)
    places = find_peaks(noisy)
    assert len(places) == 10
    assert x[places] == pytest.approx(np.arange(5, 100, 10), abs=0.6)
    assert len(find_peaks(noisy, prominence=1e-6)) > 300
    assert len(find_peaks(noisy, prominence=50.0)) == 0


# ISO 6133: limits of 5 and 20 peaks, the central 80 % and the nine lines are from memory.


def test_iso_6133_fewer_than_five_peaks_takes_all():
    found = reduce_trace(zigzag([3, 9, 5, 4]), "iso_6133")
    assert (found.rule, found.value, found.n) == ("iso_6133_a", 4.5, 4)


def test_iso_6133_five_to_twenty_peaks_takes_the_central_80_percent():
    # Eleven peaks at 0.5, 1.5, ..., 10.5: from 1.5 to 9.5 nine remain; the extremes at the ends fall out.
    heights = [99, 11, 12, 13, 14, 15, 16, 17, 18, 19, 99]
    found = reduce_trace(zigzag(heights), "iso_6133")
    assert (found.rule, found.value, found.n) == ("iso_6133_b", 15.0, 9)
    assert found.peak_range == 8.0
    assert found.window == [1.5, 9.5]


def test_iso_6133_more_than_twenty_peaks_takes_those_at_nine_lines():
    # 41 peaks at 0.5 ... 40.5: the central 80 % runs from 4.5 to 36.5, nine lines are 4 apart.
    heights = np.arange(1.0, 42.0)
    found = reduce_trace(zigzag(heights), "iso_6133")
    assert (found.rule, found.n) == ("iso_6133_c", 9)
    assert [p[0] for p in found.peaks] == pytest.approx(np.arange(4.5, 37, 4))
    assert found.value == 21.0


def test_iso_6133_method_must_fit_the_number_of_peaks():
    few = zigzag([3, 9, 5, 4])
    assert "iso_6133_a is meant" in reduce_trace(few, "iso_6133_c").reason
    assert reduce_trace(few, "iso_6133_a").value == 4.5
    assert "no such rule" in reduce_trace(few, "iso_6133_d").reason


@pytest.mark.parametrize(("n", "rule"), [(4, "a"), (5, "b"), (20, "b"), (21, "c")])
def test_iso_6133_limits(n, rule):
    assert reduce_trace(zigzag([2.0] * n), "iso_6133").rule == f"iso_6133_{rule}"


def test_slope_against_scipy():
    rng = np.random.default_rng(1)
    x = np.linspace(0, 4, 60)
    trace = Trace(1000 + 12.5 * x + rng.normal(0, 1, 60), x)
    found = reduce_trace(trace, "slope", start=1.0, stop=3.0)
    keep = (x >= 1) & (x <= 3)
    assert found.value == pytest.approx(stats.linregress(x[keep], trace.force[keep]).slope)
    assert found.n == keep.sum()


def test_value_at_break():
    trace = Trace(np.array([0, 5, 9, 10, 9.5, 1, 0.0]), np.arange(7.0), np.arange(7.0) / 2)
    assert reduce_trace(trace, "break").value == 4.0
    assert reduce_trace(trace, "break", of="force").value == 9.5
    assert reduce_trace(trace, "break", of="time").value == 2.0
    assert reduce_trace(trace, "break", drop=0.03).value == 3.0
    assert reduce_trace(trace, "break").window == [4.0, 5.0]
    unbroken = Trace(np.array([0, 5, 9.0]), np.arange(3.0))
    assert "no break was recorded" in reduce_trace(unbroken, "break").reason


def test_jitter_of_the_axis_is_levelled_and_a_return_stroke_refused():
    x = np.linspace(0, 50, 501)
    shaken = x + np.where(np.arange(501) % 7 == 0, -0.03, 0)
    still = reduce_trace(Trace(2 * x, x), "mean_window", start=10, stop=40)
    assert reduce_trace(Trace(2 * x, shaken), "mean_window", start=10, stop=40).value == pytest.approx(
        still.value, rel=1e-3
    )
    back = Trace(np.concatenate([x, x[::-1]]), np.concatenate([x, x[::-1]]))
    for rule, more in (("mean_window", {"start": 1, "stop": 9}), ("slope", {}), ("median_peaks", {})):
        assert "runs backwards" in reduce_trace(back, rule, **more).reason
    assert reduce_trace(back, "peak").value == 50.0


@pytest.mark.parametrize(
    ("rule", "parameters", "words"),
    [
        ("middle", {}, "no such rule"),
        ("peak", {"width": 3}, "no parameter width"),
        ("peak", {"start": 2, "stop": 1}, "start must lie before"),
        ("peak", {"start": "2"}, "must be a number"),
        ("peak", {"start": float("nan")}, "must be a number"),
        ("peak", {"start": 100}, "no point"),
        ("peak", {"axis": "time"}, "no time column"),
        ("peak", {"axis": "force"}, "axis is"),
        ("mean_window", {}, "must be given"),
        ("mean_window", {"start": 1, "stop": 40}, "does not fill"),
        ("mean_window", {"start": 1.01, "stop": 1.02}, "fewer than two points"),
        ("median_peaks", {"prominence": 0}, "above 0"),
        ("median_peaks", {"start": 3.1}, "no peak"),
        ("median_peaks", {"axis": "time"}, "no time column"),
        ("slope", {"start": 3.4}, "fewer than two"),
        ("break", {"drop": 0}, "drop"),
        ("break", {"drop": 1.5}, "drop"),
        ("break", {"of": "colour"}, "of is"),
        ("break", {"of": "time"}, "no time column"),
    ],
)
def test_refusals_have_a_reason(rule, parameters, words):
    found = reduce_trace(zigzag([3, 9, 5]), rule, **parameters)
    assert found.value is None and found.peaks == [] and found.n == 0
    assert words in found.reason
    assert found.parameters == parameters


@pytest.mark.parametrize(
    "trace",
    [
        Trace(np.array([1.0])),
        Trace(np.array([1.0, np.nan])),
        Trace(np.array([1.0, 2.0]), np.array([1.0])),
        Trace(np.array([1.0, 2.0]), np.array([1.0, np.inf])),
    ],
)
def test_a_broken_trace_is_refused(trace):
    assert reduce_trace(trace, "peak").value is None


def test_a_flat_or_negative_trace():
    flat = Trace(np.full(9, 2.0), np.arange(9.0))
    assert "no peak" in reduce_trace(flat, "median_peaks").reason
    assert "never rises" in reduce_trace(Trace(-np.ones(9), np.arange(9.0)), "break").reason


RULES = [
    ("peak", {}),
    ("mean_window", {"start": 1.0, "stop": 4.0}),
    ("median_peaks", {}),
    ("iso_6133", {}),
    ("break", {"of": "force"}),
    ("slope", {}),
]


@properties
@given(st.lists(st.integers(1, 50), min_size=5, max_size=30), st.integers(-3, 6).map(lambda k: 2.0**k))
def test_force_in_another_unit_scales_the_value(heights, scale):
    trace = zigzag(heights)
    for rule, parameters in RULES:
        one = reduce_trace(trace, rule, **parameters)
        two = reduce_trace(Trace(trace.force * scale, trace.extension), rule, **parameters)
        assert one.reason == two.reason
        assert one.value is two.value is None or two.value == pytest.approx(one.value * scale)
        assert one.n == two.n


@properties
@given(st.lists(st.integers(1, 50), min_size=5, max_size=30), st.integers(-40, 40))
def test_an_offset_of_the_axis_moves_windows_only(heights, offset):
    trace = zigzag(heights)
    moved = Trace(trace.force, trace.extension + offset)
    for rule, parameters in RULES:
        shifted = {k: v + offset if k in ("start", "stop") else v for k, v in parameters.items()}
        assert reduce_trace(moved, rule, **shifted).value == pytest.approx(
            reduce_trace(trace, rule, **parameters).value
        )


def test_reading_and_reducing_together():
    x = np.arange(0, 100.5, 0.5)
    force = 8 + np.sin(x)
    rows = [f"{a:.1f};{f:.6f}".replace(".", ",") for a, f in zip(x, force, strict=True)]
    text = "\n".join(["Weg (mm);Kraft (N)", *rows])
    found = reduce_trace(read_trace(text), "mean_window", start=25, stop=75)
    assert found.value == pytest.approx(8 + (math.cos(25) - math.cos(75)) / 50, abs=2e-3)
