"""Numbers as typed, told apart by the person's decimal sign; and the tablet's rules against the analysis' own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from comparisons.analysis import suspects
from tests.services.processes import wait_until


@pytest.fixture(scope="module")
def modules(chromium, served):
    """The page's own modules, run in the browser: `modules("numbers.js", "readNumber", "1.5", ".")`."""
    context = chromium.new_context()
    page = context.new_page()
    page.goto(served[1] + "/sign-in/")

    def call(module: str, name: str, *arguments):
        return page.evaluate(
            "async ([module, name, given]) => { const found = await import(`/static/js/bench/${module}`);"
            " return given.map((one) => found[name](...one)); }",
            [module, name, list(arguments)],
        )

    yield call
    context.close()


def read(modules, sign: str, *texts: str) -> list[dict]:
    return modules("numbers.js", "readNumber", *[[text, sign] for text in texts])


def test_numbers_keep_every_digit_typed(modules):
    pairs = {"12": "12", "12.50": "12.50", "0.10": "0.10", ".5": "0.5", "5.": "5", "-3.2": "-3.2", "−3.2": "-3.2",
             " 7 ": "7", "+4": "4", "1e3": "1e3", "1E-3": "1e-3", "007": "007"}  # fmt: skip
    found = read(modules, ".", *pairs)
    assert [one["text"] for one in found] == list(pairs.values())
    assert [one["number"] for one in found] == [float(text) for text in pairs.values()]


def test_comma_and_point_are_told_apart_and_never_guessed(modules):
    assert read(modules, ",", "1,5")[0]["text"] == "1.5"
    assert read(modules, ".", "1.5")[0]["text"] == "1.5"
    other, = read(modules, ".", "1,5")
    assert not other["ok"] and other["words"] == "Found “1,5” with a comma; the decimal sign chosen here is a point."
    assert other["meant"] == "1.5"
    other, = read(modules, ",", "1.5")
    assert not other["ok"] and other["words"] == "Found “1.5” with a point; the decimal sign chosen here is a comma."
    assert other["meant"] == "1,5"
    for sign, text in ((".", "1,500.5"), (",", "1.500,5"), (".", "1,2,3")):
        refused, = read(modules, sign, text)
        assert not refused["ok"] and not refused.get("meant")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "No value yet: type what the gauge shows."),
        ("twelve", "Found “twelve”, expected a number such as 12.5."),
        ("12N", "Found “12N”, expected a number such as 12.5."),
        ("1.2.3", "Found “1.2.3”, expected a number such as 12.5."),
        ("-", "Found “-”, expected a number such as 12.5."),
        ("NaN", "Found “NaN”, expected a number such as 12.5."),
        ("Infinity", "Found “Infinity”, expected a number such as 12.5."),
        ("0x10", "Found “0x10”, expected a number such as 12.5."),
        ("1e400", "Found “1e400”, larger than any gauge reads."),
        ("1e-400", "Found “1e-400”, smaller than any gauge reads."),
        ("٣", "Found “٣”, expected a number such as 12.5."),
        ("1" * 21, "Found 21 digits, expected at most 20."),
        ("7" * 10_000, "Found 10000 characters, expected a number of at most 20 digits."),
        ("<b>1</b>", "Found “<b>1</b>”, expected a number such as 12.5."),
    ],
)
def test_what_is_no_number_is_refused_in_one_line(modules, text, words):
    refused, = read(modules, ".", text)
    assert not refused["ok"] and refused["words"] == words and "\n" not in words


def test_the_server_takes_what_the_tablet_takes(modules):
    from specimens.bench.typed import plain_number

    texts = ["12", "12.50", ".5", "5.", "-3.2", "1e3", "1E-3", "007", "0", "0.000", "9" * 20, "1e30"]
    for found in read(modules, ".", *texts):
        assert plain_number(found["text"]) == found["text"]


def test_bad_input_is_refused_on_the_screen_and_nothing_is_stored(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet(locale="de-DE") as one:
        one.sign_in("bea", work.address("force"))
        one.page.wait_for_selector(".setup")
        assert one.page.locator("[data-pick='decimal']:checked").get_attribute("value") == ","
        one.begin(value="stand")
        assert one.page.locator("[data-key=',']").inner_text() == ","
        code = one.code
        field = one.page.locator("[data-slot='value']")
        for bad in ("zwölf", "1e400", "7" * 10_000, "1.5"):
            field.fill(bad)
            one.do("save")
            told = one.page.locator(".slot-told.is-trouble").inner_text()
            assert told.startswith("Found ") and len(told) < 160
            assert one.code == code and one.page.locator("dialog").count() == 0
        one.page.get_by_role("button", name="1,5 was meant").tap()
        assert field.input_value() == "1,5"
        one.tap("[data-key='clear']")
        one.keys("61,25")
        assert one.page.locator(".slot-told").inner_text() == "Read as 61,25 N, which is 13,770 lbf."
        one.do("save")
        told = one.page.locator(".told").inner_text()
        assert "61,25 N is finer than" in told and "0,1 N" in told
        one.do("stand")
        one.foot_says("All saved")
        assert one.page.locator(".kept").inner_text().startswith(f"Kept: {code} 61,25 N")
        one.clean()
    found = wait_until(lambda: work.readings("force"), "the reading")
    assert [row["value"] for row in found] == ["61.25"]


def test_typed_text_never_becomes_markup(plan, tablet):
    work = plan(force={"replicates": 1})
    trick = "<img src=x onerror=alert(1)>"
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.page.locator("#operator").fill(trick)
        one.begin(value="stand")
        one.keys("61.2")
        one.page.locator("#note").fill(trick)
        one.save()
        one.foot_says("All saved")
        one.do("last")
        assert trick in one.page.locator(".readings").inner_text()
        assert one.page.locator("#bench img").count() == 0
        one.clean()
    row = wait_until(lambda: work.readings("force"), "the reading")[0]
    assert row["note"] == trick and row["operator"] == trick


# The rules for slips, against the analysis' own


def test_grubbs_limits_are_the_analysis_own(modules):
    """And the limit 2.126645 at n = 8, alpha 0.05, of the NIST/SEMATECH e-Handbook, 1.3.5.17.1."""
    sizes = [3, 4, 6, 7, 8, 10, 20, 50, 100, 200]
    found = modules("suspects.js", "grubbsLimit", *[[n, 0.01] for n in sizes])
    assert found == pytest.approx([suspects.grubbs_critical(n, 0.01) for n in sizes], rel=1e-7)
    assert modules("suspects.js", "grubbsLimit", [8, 0.05]) == pytest.approx([2.126645], abs=1e-5)


def test_suspect_values_are_the_analysis_own(modules):
    draw = np.random.default_rng(4)
    cases, expected = [], []
    for _ in range(300):
        n = int(draw.integers(2, 15))
        siblings = np.round(draw.normal(60, 2, n), 1).tolist()
        value = round(float(draw.normal(60, 8)), 1)
        test = suspects.grubbs([*siblings, value], resolution=0.1)
        cases.append([value, siblings, 0.1])
        expected.append(bool(test.suspect and test.index == n))
    found = modules("suspects.js", "grubbsSuspect", *cases)
    assert [one is not None for one in found] == expected
    assert 10 < sum(expected) < 290


def test_slips_of_unit_are_the_analysis_own(modules):
    """Same finding, same words and same corrected value on random series with and without a slip."""
    draw = np.random.default_rng(5)
    factors = [1, 10, 0.1, 100, 1000, 1e-3, 25.4, 1 / 25.4, 39.37, 2.54, 12, 4.448, 1 / 4.448, 9.807, 102, 16, 60]
    made_of = [
        [], [["force", 1]], [["length", 1]], [["mass", 1]], [["force", 1], ["length", -1]], [["length", 2]],
        [["pressure", 1]], [["time", 1]], [["volume", 1]], [["celsius", 1]],
    ]  # fmt: skip
    cases, expected = [], []
    for _ in range(1500):
        n = int(draw.integers(0, 8))
        centre = float(draw.uniform(5, 200))
        siblings = np.round(draw.normal(centre, centre * draw.choice([0.01, 0.05, 0.3]), n), 2).tolist()
        value = round(float(draw.normal(centre, centre * 0.03) * draw.choice(factors)), 3)
        plausible = (round(centre / 2, 1), round(centre * 2, 1)) if draw.random() < 0.6 else (None, None)
        quantities = made_of[int(draw.integers(len(made_of)))]
        slip = suspects.unit_slip(value, siblings, plausible, quantities=quantities)
        cases.append([value, siblings, *plausible, quantities])
        expected.append(slip)
    found = modules("suspects.js", "unitSlip", *cases)
    assert 300 < sum(slip is not None for slip in expected) < 1400
    for case, ours, theirs in zip(cases, found, expected, strict=True):
        assert (ours is None) == (theirs is None), (case, ours, theirs)
        if theirs is not None:
            assert ours["words"] == theirs.words, case
            assert math.isclose(ours["corrected"], theirs.corrected, rel_tol=1e-12), case
