"""What a plan takes and what it can tell apart: units to buy, money, days, and differences.

Nothing here is a result: it is reckoned from the plan, from usual spreads and from the spread that was seen.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import lru_cache

from django.core.cache import cache
from django.db.models import Count, Max, Min
from django.utils import timezone

from comparisons.models import Comparison, Evaluation, Standing
from specimens import models as sm
from specimens.models.trials import AbsenceReason, ReadingKind
from specimens.units import UnitError, convert

from .library import library
from .timetable import Slot, Work, timetable

POWER, ALPHA = 0.8, 0.05  # common practice
ITEM = frozenset({"item", "items", "count", "piece", "pieces"})
_LEFT_OUT = (AbsenceReason.NOT_PLANNED, AbsenceReason.NOT_APPLICABLE, AbsenceReason.EXCLUDED)
KEPT_S = 24 * 3600


# -- what can be told apart ------------------------------------------------------------------------------


@lru_cache(maxsize=2048)
def least_effect(units: int) -> float | None:
    """The least difference of two means, in SD between units, that so many units of each tell apart.

    With a power of 80 % at 5 % significance, two-sided, of two products looked at alone: the effect at which the
    two-sample t test reaches it (Cohen 1988, chapter 2, by the noncentral t). None for fewer than two units.

    >>> round(least_effect(17), 2), least_effect(1)
    (0.99, None)
    """
    from scipy.optimize import brentq

    from comparisons.analysis.planning import power_two_samples

    if units < 2:
        return None
    return float(brentq(lambda effect: power_two_samples(units, effect, ALPHA) - POWER, 1e-6, 60.0, xtol=1e-6))


@lru_cache(maxsize=2048)
def units_for(wanted: float, cv: float) -> int | None:
    """Units of each product that tell a difference of `wanted` percent at a spread of `cv` percent; None: out of reach.

    >>> units_for(10.0, 10.0)
    17
    """
    from comparisons.analysis.planning import n_to_tell

    return n_to_tell(wanted, cv, power=POWER, alpha=ALPHA).n


@dataclass
class Telling:
    """What one trial can tell apart. cv: percent, with where it comes from; least: percent; needed: units, for wanted.

    reason: why nothing can be said, "" where it can.
    """

    trial: sm.Trial
    name: str
    units: int | None
    replicates: int | None
    cv: float | None = None
    cv_from: str = ""
    seen: float | None = None
    seen_from: str = ""
    least: float | None = None
    least_seen: float | None = None
    wanted: float | None = None
    needed: int | None = None
    needed_words: str = ""
    reason: str = ""
    advice: str = ""


def telling(trials: list[sm.Trial], spreads: dict[str, tuple[float, str]]) -> list[Telling]:
    """For each trial what difference its planned units tell apart, and how many the wanted difference needs.

    trials: with property, revision.method and expected loaded. spreads: code -> (spread seen between units, in
    percent, and where). No query.
    """
    return [_telling(trial, spreads.get(trial.code)) for trial in trials]


def _telling(trial: sm.Trial, seen: tuple[float, str] | None) -> Telling:
    plan = getattr(trial, "expected", None)
    made = Telling(trial, trial_words(trial), trial.units_planned, trial.replicates)
    kind = trial.property.kind
    if plan is not None:
        made.cv = float(plan.typical_cv) if plan.typical_cv is not None else None
        made.wanted = float(plan.wanted_difference) if plan.wanted_difference is not None else None
        made.cv_from = _provenance(trial, plan.typical_cv)
    if seen:
        made.seen, made.seen_from = seen
    if kind == ReadingKind.PASS_FAIL:
        made.reason = _pass_fail(trial)
        return made
    if kind == ReadingKind.RATING:
        made.reason = "Ratings are compared by their ranks: at least two raters, better more, and units beside them."
        return made
    spread = made.cv if made.cv is not None else made.seen
    if not spread:
        made.reason = "Write a typical spread into the trial, or measure first." if spread is None else (
            "A spread of zero tells nothing: write what units usually differ by.")  # fmt: skip
    if made.units is None:
        made.reason = made.reason or "Plan how many units of each product are tested."
        effect = None
    else:
        effect = least_effect(min(made.units, 100_000))
        if effect is None:
            made.reason = made.reason or (
                "One unit of each product: no difference between products can be told, whatever the replicates."
            )
    if effect is not None and spread:
        made.least = effect * spread
        if made.seen and made.cv is not None:
            made.least_seen = effect * made.seen
    if made.wanted and spread:
        made.needed = units_for(made.wanted, spread)
        made.needed_words = _needed(made)
    made.advice = _advice(made)
    return made


def _needed(one: Telling) -> str:
    if one.needed is None:
        return "more than a million units: out of reach"
    if one.units is None:
        return f"{one.needed} units of each"
    if one.units < one.needed:
        return f"{one.needed} units of each, {one.needed - one.units} more than planned"
    return f"{one.needed} units of each: enough are planned"


def _advice(one: Telling) -> str:
    if (one.replicates or 1) > 1 and (one.units or 0) < max(one.needed or 0, 3):
        return (
            f"More units, not more pieces: {one.replicates} specimens of one unit average out how pieces of a unit "
            "differ, never how units do."
        )
    return ""


def _pass_fail(trial: sm.Trial) -> str:
    from comparisons.analysis.passfail import all_passed_bound

    if not trial.units_planned:
        return "Plan how many units of each product are tested."
    share = all_passed_bound(trial.units_planned)
    n = trial.units_planned
    return (
        f"If all {n} pass, at least {100 * share:.1f} % of all items would (95 %, one-sided)." if n > 1
        else "One that passes says that at least 5.0 % of all items would (95 %, one-sided)."
    )  # fmt: skip


def _provenance(trial: sm.Trial, cv) -> str:
    if cv is None:
        return ""
    if trial.revision is not None:
        found = library().spreads().get((trial.revision.method.title, trial.property.code, str(cv)))
        if found:
            return found
    return "the team’s own figure"


def trial_words(trial: sm.Trial) -> str:
    """A trial by its property and condition."""
    return f"{trial.property}, {trial.condition}" if trial.condition_id else str(trial.property)


def spreads_seen(comparison: Comparison) -> dict[str, tuple[float, str]]:
    """trial's code -> (spread between units in percent, where it was seen): of this comparison's evaluation, else of
    the one that it was started from. Two or three queries; what is read out of a document is kept."""
    found: dict[str, tuple[float, str]] = {}
    for one, said in ((comparison.based_on, f"seen in “{comparison.based_on}”" if comparison.based_on else ""),
                      (comparison, "seen here")):  # fmt: skip
        if one is None:
            continue
        key = Standing.objects.filter(comparison=one).values_list("evaluation_id", flat=True).first()
        for code, cv in (_spreads_of(key) if key else {}).items():
            found[code] = (cv, said)
    return found


def _spreads_of(evaluation: int) -> dict[str, float]:
    kept = cache.get(name := f"spreads:{evaluation}")
    if kept is None:
        text = Evaluation.objects.values_list("document", flat=True).get(pk=evaluation)
        kept = {row["trial"]: row["cv_pct"] for row in json.loads(text).get("plans") or [] if row["cv_pct"]}
        cache.set(name, kept, KEPT_S)
    return kept


# -- units to buy, and what they cost --------------------------------------------------------------------


@dataclass
class Buying:
    """What one product takes. needed: units; there: numbered already; price: of one; cost: of what is still to buy."""

    product: sm.ProgrammeProduct
    needed: int
    there: int
    why: str
    price: Decimal | None = None
    cost: Decimal | None = None
    whole: Decimal | None = None
    where: str = ""
    notes: list[str] = field(default_factory=list)

    @property
    def to_buy(self) -> int:
        return max(self.needed - self.there, 0)


@dataclass
class Budget:
    """All products together. spent: bought already; to_spend: what is still to buy, of products with a price."""

    rows: list[Buying]
    spent: Decimal
    to_spend: Decimal
    budget: Decimal | None
    missing: list[str]

    @property
    def total(self) -> Decimal:
        return self.spent + self.to_spend

    @property
    def left(self) -> Decimal | None:
        return None if self.budget is None else self.budget - self.total


ASSUMED = (
    "Of each product as many units are bought as the most demanding trial asks for. A trial whose specimen takes whole "
    "items (material in “item”) uses them up, and those add up over the trials. Material in another unit, such as m, "
    "is cut: it adds up against what one unit holds. A trial with no material leaves the unit whole for the next one, "
    "and a paired trial takes the specimens of its baseline. Spares are not reckoned in."
)


def budget(comparison: Comparison, programme: sm.Programme, trials: list[sm.Trial]) -> Budget:
    """Units to buy of each product and their price. trials: with property, expected and absences loaded. 5 queries."""
    left_out = {(one.trial_id, one.product_id) for trial in trials for one in trial.absences.all()
                if one.reason in _LEFT_OUT}  # fmt: skip
    there = dict(programme.units.order_by().values_list("product").annotate(Count("pk")))
    paid = _paid_for_one(programme, comparison.currency)
    rows, missing, to_spend = [], [], Decimal(0)
    for product in programme.products.select_related("product", "expected"):
        own = [trial for trial in trials if (trial.pk, product.pk) not in left_out]
        row = _buying(product, own, there.get(product.pk, 0))
        plan = getattr(product, "expected", None)
        if plan is not None and plan.price is not None:
            row.price, row.where = Decimal(plan.price), plan.where
            row.cost = row.price * row.to_buy
            to_spend += row.cost
        elif product.pk in paid:
            row.price, row.where = paid[product.pk], "as paid before"
            row.cost = row.price * row.to_buy
            to_spend += row.cost
        elif row.to_buy:
            missing.append(f"{product}: no price of one unit")
        missing += [f"{product}: {note}" for note in row.notes]
        rows.append(row)
    for trial in trials:
        if trial.units_planned is None and not trial.paired and trial.property.kind != ReadingKind.CERTIFICATION:
            missing.append(f"trial {trial.code}: units are not planned")
    spent = sum(
        (Decimal(price or 0) + Decimal(shipping or 0)
         for price, shipping, currency in programme.purchases.values_list("price", "shipping", "currency")
         if currency in ("", comparison.currency)), Decimal(0),
    )  # fmt: skip
    return Budget(rows, spent, to_spend, Decimal(comparison.budget) if comparison.budget is not None else None, missing)


def _paid_for_one(programme: sm.Programme, currency: str) -> dict[int, Decimal]:
    """What one item of a product cost so far, by the dearest of its purchases. One query."""
    paid: dict[int, Decimal] = {}
    for product, price, packs, items, own in programme.purchases.exclude(price=None).values_list(
        "product", "price", "packs", "items_per_pack", "currency"
    ):
        if own in ("", currency):
            one = Decimal(price) / (Decimal(packs or 1) * Decimal(items or 1))
            paid[product] = max(one, paid.get(product, one))
    return {product: one.quantize(Decimal("0.01")) for product, one in paid.items()}


def _buying(product, trials, there: int) -> Buying:
    most, most_code, used_up, cut = 0, "", 0, defaultdict(Decimal)
    for trial in trials:
        units = trial.units_planned or 0
        if trial.paired:
            continue
        if units > most:
            most, most_code = units, trial.code
        plan = getattr(trial, "expected", None)
        if plan is None or plan.per_specimen is None or not units:
            continue
        amount = Decimal(plan.per_specimen) * units * (trial.replicates or 1)
        if plan.per_specimen_unit in ITEM:
            used_up += math.ceil(amount)
        else:
            cut[plan.per_specimen_unit] += amount
    needed, why = most, f"{most} for {most_code}" if most else ""
    if used_up > needed:
        needed, why = used_up, f"{used_up} are used up"
    row = Buying(product, needed, there, why)
    if cut:
        _material(row, product, cut)
    return row


def _material(row: Buying, product, cut: dict[str, Decimal]) -> None:
    """Raise the number of units to what the material takes, where it is known what one unit holds."""
    plan = getattr(product, "expected", None)
    if plan is None or plan.content is None:
        row.notes.append("how much one unit holds is not said, so the material is not reckoned in")
        return
    total = Decimal(0)
    for unit, amount in cut.items():
        try:
            total += convert(amount, unit, plan.content_unit)
        except (UnitError, ArithmeticError) as error:
            row.notes.append(str(error))
            return
    units = math.ceil(total / Decimal(plan.content))
    if units > row.needed:
        row.needed = units
        row.why = f"{total.normalize():f} {plan.content_unit} of material"


# -- days ------------------------------------------------------------------------------------------------


@dataclass
class Appointment:
    """One trial in the calendar: its slot, hours at the bench, what was done, and whether it is late, in words."""

    trial: sm.Trial
    name: str
    slot: Slot
    soak_days: float
    hours: float | None
    done: int
    planned: int | None
    late: str = ""
    doubt: str = ""


def calendar(comparison: Comparison, programme: sm.Programme, trials: list[sm.Trial], today: date | None = None):
    """(appointments, first day, whether that day was set): when each trial falls. Three queries.

    trials: with property, condition, expected, absences and divide_by loaded.
    """
    today = today or timezone.localdate()
    start = comparison.starts_on or today
    products = programme.products.count()
    read = {row["trial"]: row for row in sm.Reading.objects.filter(trial__in=trials, void__isnull=True).order_by()
            .values("trial").annotate(n=Count("specimen", distinct=True), loose=Count("pk"), first=Min("taken_at"),
                                      last=Max("taken_at"))}  # fmt: skip
    soaking = set(sm.Exposure.objects.filter(specimen__programme=programme).order_by().values_list("condition")
                  .distinct().values_list("condition", flat=True))  # fmt: skip
    work, facts = [], {}
    by_key = {trial.pk: trial for trial in trials}
    for trial in trials:
        if trial.property.kind == ReadingKind.CERTIFICATION:
            continue
        plan = getattr(trial, "expected", None)
        soak, recovery, doubt = _days_of(trial.condition)
        left_out = sum(one.reason in _LEFT_OUT for one in trial.absences.all())
        source = by_key.get(trial.baseline_id, trial) if trial.paired else trial
        planned = None
        if source.units_planned is not None:
            planned = source.units_planned * (source.replicates or 1) * max(products - left_out, 0)
        hours = None
        if plan is not None and plan.hands_on is not None and planned is not None:
            hours = float(plan.hands_on) * planned / 60
        after = source.code if trial.paired and source is not trial else ""
        dims = {row.property_id for row in trial.divide_by.all()}
        needs = tuple(other.code for other in trials if other.property_id in dims and other is not trial)
        work.append(Work(trial.code, soak, recovery, hours, after, plan.starts_on if plan else None, needs))
        facts[trial.code] = (trial, soak, hours, planned, doubt)
    made = []
    for slot in timetable(work, start):
        trial, soak, hours, planned, doubt = facts[slot.code]
        found = read.get(trial.pk)
        done = (found["n"] or found["loose"]) if found else 0
        one = Appointment(trial, trial_words(trial), slot, soak, hours, done, planned, doubt=doubt)
        one.late = _late(one, trial.condition_id in soaking, today)
        made.append(one)
    return made, start, comparison.starts_on is not None


def _late(one: Appointment, soaked: bool, today: date) -> str:
    """Whether a trial is behind its day, in words; "" where it is not, or nothing is planned of it."""
    if one.planned is None or one.planned == 0 or one.done >= one.planned:
        return ""
    slot = one.slot
    if one.soak_days and not soaked and not one.done and slot.soak_start < today:
        return f"should have gone in {_ago(slot.soak_start, today)}"
    if slot.bench_end < today:
        return f"should have been measured {_ago(slot.bench_end, today)}: {one.done} of {one.planned} done"
    if not one.done and slot.bench_start < today:
        return f"measuring should have begun {_ago(slot.bench_start, today)}"
    return ""


def _ago(day: date, today: date) -> str:
    days = (today - day).days
    return f"on {day.day} {day:%B %Y}, {days} {'day' if days == 1 else 'days'} ago"


def _days_of(condition) -> tuple[float, float, str]:
    """(days in the condition, days of rest, doubt) of a condition; none: 0, 0."""
    if condition is None:
        return 0.0, 0.0, ""
    found = []
    for amount, unit in ((condition.duration, condition.duration_unit), (condition.recovery, condition.recovery_unit)):
        if amount is None:
            found.append(0.0)
            continue
        try:
            found.append(float(convert(Decimal(amount), unit, "d")))
        except (UnitError, ArithmeticError) as error:
            return 0.0, 0.0, str(error)
    doubt = "no duration is written down" if condition.duration is None else ""
    return found[0], found[1], doubt
