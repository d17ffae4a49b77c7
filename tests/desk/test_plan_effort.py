"""What a plan takes: differences that can be told apart, units and money, and the calendar."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from comparisons.models import ProductPlan, TrialPlan
from comparisons.pages.calendar_chart import calendar_figure
from comparisons.services import effort, starting
from comparisons.services.timetable import BENCH_HOURS, Work, timetable
from specimens import models as sm
from tests.public.small_study import import_small

BACKEND = "django.contrib.auth.backends.ModelBackend"
DAY = date(2026, 3, 2)


# --- what can be told apart


@pytest.mark.parametrize("n", [2, 3, 5, 10, 17, 40])
def test_the_least_difference_is_where_the_t_test_reaches_its_power(n):
    """Held against SciPy's own noncentral t, not ours: power of the two-sample t test (Cohen 1988, chapter 2)."""
    effect, dof = effort.least_effect(n), 2 * n - 2
    critical, shift = stats.t.ppf(0.975, dof), effect * (n / 2) ** 0.5
    power = stats.nct.sf(critical, dof, shift) + stats.nct.cdf(-critical, dof, shift)
    assert power == pytest.approx(0.8, abs=1e-4)


def test_units_for_a_difference_agree_with_cohens_table():
    """Cohen 1988, table 2.4.1 (two-sided 5 %, power 0.80): d = 0.5 takes 64 of each, d = 0.8 takes 26, d = 1.0 17."""
    assert [effort.units_for(d * 10, 10.0) for d in (0.5, 0.8, 1.0)] == [64, 26, 17]


def test_one_unit_tells_nothing():
    assert effort.least_effect(1) is None


@pytest.fixture
def ties(cast):
    made = starting.start(cast["planner"], title="Ties", question="Which?", currency="EUR", template="cable-tie",
                          trials=["loop", "loop-heat"])  # fmt: skip
    programme = made.parts.get().programme
    for code in "ab":
        sm.ProgrammeProduct.objects.create(
            programme=programme, code=code, product=sm.Product.objects.create(maker="Ullvane", model=code.upper())
        )
    return made


def planned(comparison):
    found = comparison.parts.get().programme.trials.select_related(
        "property", "condition", "revision__method", "expected"
    )
    return list(found.prefetch_related("absences", "divide_by"))


@pytest.mark.django_db
def test_a_trial_says_what_it_tells_apart_and_what_the_wanted_difference_takes(ties):
    TrialPlan.objects.filter(trial__code="loop").update(wanted_difference="5")
    sm.Trial.objects.filter(code="loop-heat").update(units_planned=1, replicates=10)
    loop, heat = effort.telling(planned(ties), {"loop": (7.5, "seen here")})
    assert loop.cv == 5.0 and loop.cv_from == "common practice, no source"
    assert loop.least == pytest.approx(5 * effort.least_effect(10))
    assert loop.least_seen == pytest.approx(7.5 * effort.least_effect(10))
    assert loop.needed == 17 and loop.needed_words == "17 units of each, 7 more than planned"
    assert "One unit of each product" in heat.reason and heat.advice.startswith("More units, not more pieces")
    TrialPlan.objects.filter(trial__code="loop").update(typical_cv="6")
    assert effort.telling(planned(ties), {})[0].cv_from == "the team’s own figure"


@pytest.mark.django_db
def test_pass_or_fail_is_said_by_what_all_passing_would_show(cast):
    made = starting.start(cast["planner"], title="Locks", question="Which?", currency="EUR", template="padlock",
                          trials=["grade-pull"])  # fmt: skip
    (row,) = effort.telling(planned(made), {})
    assert row.reason == "If all 3 pass, at least 36.8 % of all items would (95 %, one-sided)."  # 0.05**(1/3)
    assert row.least is None


@pytest.mark.django_db
def test_the_spread_seen_comes_from_the_evaluation(cast):
    from comparisons.services import evaluation

    made = import_small("strings", 3, 3)
    evaluation.run_evaluation(made)
    found = effort.spreads_seen(made)
    assert found["pull"][1] == "seen here"
    # units differ by 0.7 each of three: SD 0.7 N on means of 60.9, 63.9 and 66.9 N
    expected = 100 * (sum((0.7 / m) ** 2 for m in (60.9, 63.9, 66.9)) / 3) ** 0.5
    assert found["pull"][0] == pytest.approx(expected, rel=1e-3)


# --- units and money


@pytest.mark.django_db
def test_items_used_up_add_up_and_items_that_last_are_shared(ties):
    programme = ties.parts.get().programme
    a = programme.products.get(code="a")
    ProductPlan.objects.create(product=a, price="0.50", where="Shop")
    made = effort.budget(ties, programme, planned(ties))
    row = made.rows[0]
    assert (row.needed, row.why, row.cost) == (20, "20 are used up", Decimal("10.00"))  # two trials, ten ties each
    assert made.missing == ["Ullvane B: no price of one unit"]
    TrialPlan.objects.update(per_specimen=None, per_specimen_unit="")
    row = effort.budget(ties, programme, planned(ties)).rows[0]
    assert (row.needed, row.why) == (10, "10 for loop")
    sm.Absence.objects.create(trial=sm.Trial.objects.get(code="loop"), product=a, reason="not_applicable")
    sm.Trial.objects.filter(code="loop-heat").update(units_planned=4)
    assert effort.budget(ties, programme, planned(ties)).rows[0].needed == 4
    sm.Unit.objects.create(programme=programme, product=a, code="a-1")
    row = effort.budget(ties, programme, planned(ties)).rows[0]
    assert (row.there, row.to_buy, row.cost) == (1, 3, Decimal("1.50"))


@pytest.mark.django_db
def test_material_is_reckoned_in_the_unit_of_the_product(ties):
    programme = ties.parts.get().programme
    a = programme.products.get(code="a")
    TrialPlan.objects.update(per_specimen="0.6", per_specimen_unit="m")
    ProductPlan.objects.create(product=a, price="9", content="250", content_unit="cm")
    one, other = effort.budget(ties, programme, planned(ties)).rows
    # 2 trials x 10 specimens x 0.6 m = 12 m = 1200 cm: five units of 250 cm, fewer than the ten that are planned
    assert one.needed == 10
    ProductPlan.objects.update(content="1", content_unit="m")
    one, other = effort.budget(ties, programme, planned(ties)).rows
    assert (one.needed, one.why) == (12, "12 m of material")
    assert other.notes == ["how much one unit holds is not said, so the material is not reckoned in"]
    ProductPlan.objects.update(content="1", content_unit="kg")
    assert effort.budget(ties, programme, planned(ties)).rows[0].notes  # a mass holds no length


@pytest.mark.django_db
def test_what_was_spent_and_what_is_left_of_the_budget(ties, client, cast):
    programme = ties.parts.get().programme
    a, b = programme.products.order_by("code")
    sm.Purchase.objects.create(programme=programme, product=a, code="a-b1", obtained="bought", price="12.50",
                               shipping="2.50", currency="EUR")  # fmt: skip
    for product in (a, b):
        ProductPlan.objects.create(product=product, price="1")
    ties.budget = "50"
    ties.save()
    made = effort.budget(ties, programme, planned(ties))
    assert (made.spent, made.to_spend, made.total, made.left) == (15, 40, 55, -5)
    client.force_login(cast["planner"], backend=BACKEND)
    page = client.get(reverse("desk-plan-effort", args=["ties"])).content.decode()
    assert "too little" in page and "17 units" not in page


@pytest.mark.django_db
def test_prices_are_typed_for_all_products_at_once(ties, client, cast):
    client.force_login(cast["planner"], backend=BACKEND)
    a, b = ties.parts.get().programme.products.order_by("code")
    address = reverse("desk-plan-prices", args=["ties"])
    page = client.post(address, {f"p{a.pk}-price": "1,50"}).content.decode()
    assert "write a point for decimals" in page and not ProductPlan.objects.exists()
    page = client.post(address, {f"p{a.pk}-price": "1.50", f"p{a.pk}-content": "5"}).content.decode()
    assert "needs its unit" in page and not ProductPlan.objects.exists()
    client.post(address, {f"p{a.pk}-price": "1.50", f"p{b.pk}-price": ""})
    assert [(str(p.price), p.product.code) for p in ProductPlan.objects.all()] == [("1.50", "a")]
    form = client.get(address).context["rows"][0][1]
    client.post(address, {f"p{a.pk}-price": "2", f"p{a.pk}-seen": form["seen"].value()})
    assert str(ProductPlan.objects.get().price) == "2"


# --- the calendar


def test_the_longest_soak_goes_in_first_and_the_bench_is_busy_meanwhile():
    slots = timetable([
        Work("dry", hands_on=3), Work("short", soak=1, hands_on=3), Work("long", soak=28, recovery=1, hands_on=6),
    ], DAY)  # fmt: skip
    assert [s.code for s in slots] == ["long", "short", "dry"]
    by = {s.code: s for s in slots}
    assert by["dry"].bench_start == DAY
    assert (by["short"].soak_end, by["short"].bench_start) == (DAY + timedelta(1), DAY + timedelta(1))
    assert (by["long"].ready, by["long"].bench_start) == (DAY + timedelta(29), DAY + timedelta(29))


def test_a_paired_trial_soaks_after_its_baseline_was_measured_and_that_one_comes_first():
    slots = {s.code: s for s in timetable([
        Work("other", hands_on=6), Work("base", hands_on=12), Work("after", soak=28, hands_on=6, after="base"),
    ], DAY)}  # fmt: skip
    assert (slots["base"].bench_start, slots["base"].bench_end) == (DAY, DAY + timedelta(1))
    assert slots["after"].soak_start == DAY + timedelta(2)
    assert slots["other"].bench_start == DAY + timedelta(2)  # fills the time of the soak


def test_a_dimension_is_measured_before_what_it_divides():
    slots = {s.code: s for s in timetable([
        Work("pull", hands_on=30, needs=("width",)), Work("width", hands_on=3), Work("long", hands_on=12),
    ], DAY)}  # fmt: skip
    assert slots["width"].bench_start == DAY
    assert slots["width"].bench_end <= slots["pull"].bench_start
    circle = timetable([Work("a", needs=("b",)), Work("b", needs=("a",)), Work("c", after="a", hands_on=1)], DAY)
    assert {s.code for s in circle} == {"a", "b", "c"}


def test_a_first_day_that_was_set_is_kept():
    (slot,) = timetable([Work("a", soak=2, hands_on=1, starts_on=DAY + timedelta(10))], DAY)
    assert slot.soak_start == DAY + timedelta(10) and slot.set_by_hand


def test_a_circle_and_huge_numbers_end():
    slots = timetable([Work("a", after="b", soak=1e9), Work("b", after="a", hands_on=1e6)], DAY)
    assert {s.code for s in slots} == {"a", "b"}


WORKS = st.lists(
    st.tuples(st.floats(0, 60), st.floats(0, 5), st.floats(0, 40) | st.none(), st.integers(-1, 7)),
    min_size=1, max_size=8,
)


@settings(max_examples=200, deadline=None)
@given(WORKS)
def test_no_trial_is_measured_before_it_is_ready_and_the_bench_does_one_at_a_time(rows):
    work = [
        Work(
            f"t{i}", soak, rest, hours, f"t{after}" if 0 <= after < i else "", None,
            (f"t{i - 1}",) if i % 3 == 2 else (),
        )
        for i, (soak, rest, hours, after) in enumerate(rows)
    ]
    slots = {s.code: s for s in timetable(work, DAY)}
    assert set(slots) == {one.code for one in work}
    for one in work:
        slot = slots[one.code]
        assert DAY <= slot.soak_start <= slot.soak_end <= slot.ready <= slot.bench_end
        assert slot.bench_start >= slot.ready
        if one.after:
            assert slot.soak_start >= slots[one.after].bench_end
        for code in one.needs:
            assert slot.bench_start >= slots[code].bench_start and slot.bench_end >= slots[code].bench_end
    in_order = sorted(slots.values(), key=lambda s: (s.bench_start, s.bench_end))
    hours = {one.code: one.hands_on or 0 for one in work}
    busy = [s for s in in_order if hours[s.code] > 0]
    for before, behind in zip(busy, busy[1:], strict=False):
        assert behind.bench_start >= before.bench_start
    total = sum(hours.values())
    span = (max(s.bench_end for s in slots.values()) - DAY).days + 1
    assert span * BENCH_HOURS >= total - 1e-6


@pytest.mark.django_db
def test_the_calendar_says_what_is_late_in_words(ties):
    programme = ties.parts.get().programme
    ties.starts_on = DAY
    ties.save()
    dates, start, was_set = effort.calendar(ties, programme, planned(ties), DAY + timedelta(20))
    assert (start, was_set) == (DAY, True)
    heat = next(one for one in dates if one.trial.code == "loop-heat")
    assert (heat.soak_days, heat.slot.ready) == (7, DAY + timedelta(8))  # 168 h, then 24 h of rest
    assert heat.hours == pytest.approx(20 * 4 / 60)  # two products of ten ties, four minutes each
    assert heat.late == "should have gone in on 2 March 2026, 20 days ago"
    loop = next(one for one in dates if one.trial.code == "loop")
    assert loop.late.startswith("should have been measured on 2 March 2026, 20 days ago: 0 of 20 done")
    early = effort.calendar(ties, programme, planned(ties), DAY)[0]
    assert not any(one.late for one in early)


@pytest.mark.django_db
def test_the_calendar_is_a_table_and_a_figure_of_the_same_days(ties, client, cast):
    ties.starts_on = DAY
    ties.save()
    client.force_login(cast["planner"], backend=BACKEND)
    page = client.get(reverse("desk-plan-effort", args=["ties"])).content.decode()
    assert "9 Mar 2026" in page and "Loop tensile strength, Aged 168 h at 100 degC" in page
    figure = client.get(reverse("desk-plan-calendar", args=["ties"])).json()
    soak = next(trace for trace in figure["data"] if trace["name"] == "in the condition")
    assert soak["orientation"] == "h" and soak["base"] == ["2026-03-02"] and soak["x"] == [7 * 86_400_000]
    assert {trace["name"] for trace in figure["data"]} == {"in the condition", "rest", "at the bench"}


def test_the_figure_of_nothing_is_empty():
    assert calendar_figure([])["data"] == []
