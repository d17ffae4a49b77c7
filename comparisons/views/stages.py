"""Where a comparison stands, stage by stage, told from the rows themselves; and the one next thing to do.

Counts over readings are kept for as long as the record names no later event: a page that is looked at again
costs a look at the record and no count.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import datetime

from django.core.cache import cache
from django.db.models import Count, Exists, Max, OuterRef, Q, Subquery

from comparisons.models import ApprovalRequest, Comparison, ComparisonProgramme, Event
from comparisons.pages.numbers import counted
from comparisons.pages.references import HOLDS
from comparisons.pages.words import typeset
from comparisons.services.roles import can_prepare
from comparisons.templatetags.finding import address_of as link
from specimens.bench.context import trial_name
from specimens.bench.listing import measured
from specimens.models import Absence, BenchPlace, Claim, ProgrammeProduct, Purchase, Reading, Trial, Unit

from .standings import Place

KEPT_S = 3600
_TIE = re.compile(rf"\]\(\s*<?{HOLDS}:", re.I)


@dataclass(frozen=True)
class Bench:
    """One trial's work at the bench. planned is None where nobody said how many."""

    programme: str
    code: str
    name: str
    planned: int | None
    done: int
    ordered: bool  # an order of specimens was made for the bench
    key: str = ""  # as the results document calls it

    @property
    def left(self) -> int:
        return max((self.planned or 0) - self.done, 0)


@dataclass(frozen=True)
class Counts:
    """What the rows of a comparison come to."""

    products: int = 0
    in_hand: int = 0
    trials: tuple[Bench, ...] = ()
    claims: int = 0
    criteria: int = 0
    weightings: int = 0
    frozen_at: datetime | None = None
    words: int = 0
    tied: int = 0
    editions: int = 0
    withdrawn: bool = False
    asked: int | None = None

    @property
    def planned(self) -> int:
        return sum(max(trial.planned or 0, trial.done) for trial in self.trials)

    @property
    def done(self) -> int:
        return sum(trial.done for trial in self.trials)


@dataclass(frozen=True)
class Step:
    """One stage. begun: something of it is there; done: nothing of it is left."""

    name: str
    words: str
    begun: bool
    done: bool
    address: str = ""


@dataclass(frozen=True)
class Stages:
    """All stages of a comparison, the one it has reached, and the next thing to do (words, address)."""

    steps: tuple[Step, ...]
    reached: Step | None
    todo: str = ""
    todo_address: str = ""
    programmes: tuple[tuple[str, str], ...] = field(default_factory=tuple)  # (slug, name)
    trials: tuple[Bench, ...] = ()

    @property
    def todo_elsewhere(self) -> bool:
        """Whether the next thing is done on another page than the comparison's own."""
        return bool(self.todo_address) and "#next" not in self.todo_address


def stages(user, found: list[Place]) -> dict[str, Stages]:
    """The stages of each comparison by its address, in a fixed number of queries."""
    pks = [place.pk for place in found]
    programmes = _programmes(pks)
    latest = _latest_events(pks, programmes)
    keys = {pk: f"stages:{pk}:{latest[pk]}" for pk in pks}
    kept = cache.get_many(keys.values())
    missing = [pk for pk in pks if keys[pk] not in kept]
    made = {keys[pk]: one for pk, one in _count(missing, programmes).items()} if missing else {}
    if made:
        cache.set_many(made, KEPT_S)
        kept |= made
    return {place.slug: _told(user, place, kept[keys[place.pk]], programmes[place.pk]) for place in found}


def _programmes(pks) -> dict[int, list[tuple[int, str, str, str, int | None]]]:
    """comparison -> (programme, slug, name, prefix of its codes, its last event) of each of its programmes."""
    last = Event.objects.filter(programme=OuterRef("programme")).order_by("-id").values("id")[:1]
    rows = (
        ComparisonProgramme.objects.filter(comparison__in=pks)
        .order_by("comparison", "prefix", "id")
        .values_list("comparison", "programme", "programme__slug", "programme__name", "prefix", Subquery(last))
    )
    found: dict[int, list] = {pk: [] for pk in pks}
    for comparison, *programme in rows:
        found[comparison].append(tuple(programme))
    return found


def _latest_events(pks, programmes) -> dict[int, int]:
    """The last event of each comparison or of one of its programmes, whether or not it changed the draft."""
    last = Event.objects.filter(comparison=OuterRef("pk")).order_by("-id").values("id")[:1]
    own = dict(Comparison.objects.filter(pk__in=pks).values_list("pk", Subquery(last)))
    return {
        pk: max([own[pk] or 0, *(event or 0 for *_, event in programmes[pk])]) for pk in pks
    }  # fmt: skip


def _count(pks, programmes) -> dict[int, Counts]:
    """The counts of each comparison. Eight queries, whatever the number."""
    wanted = {programme for pk in pks for programme, *_ in programmes[pk]}
    products = ProgrammeProduct.objects.filter(programme__in=wanted).values_list(
        "programme", "product",
        Exists(Purchase.objects.filter(product=OuterRef("pk"))) | Exists(Unit.objects.filter(product=OuterRef("pk"))),
    )  # fmt: skip
    in_hand: dict[int, dict[int, bool]] = defaultdict(dict)
    for programme, product, has in products:
        in_hand[programme][product] = has
    benches = _benches(wanted, {programme: len(found) for programme, found in in_hand.items()})
    claims = dict(
        Claim.objects.filter(programme__in=wanted).order_by().values_list("programme").annotate(Count("pk"))
    )
    rows = Comparison.objects.filter(pk__in=pks).annotate(
        n_criteria=Count("criteria", distinct=True), n_weightings=Count("weightings", distinct=True),
        n_editions=Max("editions__number"),
        n_withdrawn=Count("editions", filter=Q(editions__withdrawal__isnull=False), distinct=True),
        asked=Subquery(
            ApprovalRequest.objects.filter(comparison=OuterRef("pk")).order_by("-id").values("id")[:1]
        ),
    )  # fmt: skip
    made = {}
    for row in rows:
        own = [programme for programme, *_ in programmes[row.pk]]
        known: dict[int, bool] = {}
        for programme in own:
            for product, has in in_hand[programme].items():
                known[product] = known.get(product, False) or has
        made[row.pk] = Counts(
            products=len(known), in_hand=sum(known.values()),
            trials=tuple(
                replace(bench, key=(f"{prefix or programme}." if len(own) > 1 else "") + bench.code)
                for programme, _, _, prefix, _ in programmes[row.pk] for bench in benches[programme]
            ),
            claims=sum(claims.get(programme, 0) for programme in own), criteria=row.n_criteria,
            weightings=row.n_weightings, frozen_at=row.plan_frozen_at, words=len(row.article.split()),
            tied=tied_sentences(row.article), editions=row.n_editions or 0, asked=row.asked,
            withdrawn=bool(row.n_withdrawn),
        )  # fmt: skip
    return made


def tied_sentences(article: str) -> int:
    """How many sentences of an article are tied to the data, by the links that tie them."""
    return len(_TIE.findall(article))


def _benches(programmes, products: dict[int, int]) -> dict[int, list[Bench]]:
    """The trials of each programme with what is planned and done. Four queries."""
    trials = list(
        Trial.objects.filter(programme__in=programmes).exclude(property__kind="certification")
        .select_related("property", "condition", "programme").order_by("programme", "code")
    )  # fmt: skip
    places = {
        trial: (planned, done)
        for trial, planned, done in BenchPlace.objects.filter(trial__programme__in=programmes).alias(done=measured())
        .order_by().values("trial").annotate(n=Count("pk"), n_done=Count("pk", filter=Q(done=True)))
        .values_list("trial", "n", "n_done")
    }  # fmt: skip
    read = dict(
        Reading.objects.filter(programme__in=programmes, void__isnull=True, replaced_by__isnull=True)
        .order_by().values("trial").annotate(
            read=Count("specimen", distinct=True) + Count("pk", filter=Q(specimen__isnull=True), distinct=True)
        ).values_list("trial", "read")
    )  # fmt: skip
    absent = dict(
        Absence.objects.filter(trial__programme__in=programmes).order_by().values_list("trial").annotate(Count("pk"))
    )
    found: dict[int, list[Bench]] = defaultdict(list)
    for trial in trials:
        done = read.get(trial.pk, 0)
        planned = None
        if trial.pk in places:
            planned, done = places[trial.pk]
        elif trial.units_planned and trial.replicates:
            taking_part = products.get(trial.programme_id, 0) - absent.get(trial.pk, 0)
            planned = max(trial.units_planned * trial.replicates * taking_part, 0)
        found[trial.programme_id].append(
            Bench(trial.programme.slug, trial.code, typeset(trial_name(trial)), planned, done, trial.pk in places)
        )
    return found


def _told(user, place: Place, counts: Counts, programmes) -> Stages:
    steps = _steps(place, counts)
    begun = [step for step in steps if step.begun]
    words, address = _todo(user, place, counts)
    return Stages(
        tuple(steps), begun[-1] if begun else None, words, address,
        tuple((slug, name) for _, slug, name, *_ in programmes), counts.trials,
    )  # fmt: skip


def _steps(place: Place, counts: Counts) -> list[Step]:
    slug, some = place.slug, counts.products
    plan = [counted(counts.products, "product"), counted(len(counts.trials), "trial"),
            counted(counts.criteria, "criterion", "criteria")]  # fmt: skip
    if counts.frozen_at:
        plan.append(f"frozen {counts.frozen_at:%-d %B %Y}")
    elif counts.done:
        plan.append("not frozen before the first reading")
    else:
        plan.append("not frozen")
    bought = f"{counts.in_hand} of {counted(some, 'product')} in hand" if some else "nothing to buy yet"
    if some:
        bought += f", {counted(counts.claims, 'claim')} written down"
    open_trials = [trial for trial in counts.trials if trial.left]
    bench = (
        f"{counts.done} of {counted(counts.planned, 'specimen')} measured in {counted(len(counts.trials), 'trial')}"
        if counts.planned else "nothing planned for the bench yet"
    )  # fmt: skip
    measured_all = bool(counts.done) and not open_trials and all(trial.done for trial in counts.trials)
    judged = "not evaluated yet"
    if place.evaluation_id:
        judged = "evaluated as it stands" if place.fresh else "evaluated, and changed since"
    written = "no article yet"
    if counts.words:
        written = f"article of {counted(counts.words, 'word')}"
        written += f", {counted(counts.tied, 'tied sentence')}" if counts.tied else ""
    return [
        Step("Planned", ", ".join(plan), bool(some or counts.trials), bool(counts.frozen_at), link("desk-plan", slug)),
        Step("Bought", bought, bool(counts.in_hand), bool(some) and counts.in_hand == some,
             link("desk-products", slug)),
        Step("At the bench", bench, bool(counts.done), measured_all, link("desk-bench", slug)),
        Step("Judged", judged, bool(place.evaluation_id), place.fresh, link("desk-results", slug)),
        Step("Written", written, bool(counts.words and place.evaluation_id), bool(counts.words),
             link("desk-article", slug)),
        _review(place, counts),
        _published(place, counts),
    ]  # fmt: skip


def _review(place: Place, counts: Counts) -> Step:
    address = link("desk-check", place.slug)
    approval = getattr(place.request, "approval", None) if place.request else None
    if place.request is None:
        words = "not asked for this state" if counts.asked else "not asked for yet"
        return Step("In review", words, False, False, address)
    asked = f"asked for by {place.request.requested_by.get_username()} on {place.request.requested_at:%-d %B}"
    if approval is None:
        return Step("In review", f"{asked}; nobody has decided yet", True, False, address)
    words = f"{asked}; {approval.approved_by.get_username()} {approval.get_verdict_display()}"
    return Step("In review", words, True, approval.verdict == "approved", address)


def _published(place: Place, counts: Counts) -> Step:
    if not place.edition:
        return Step("Published", "not yet", False, False, link("desk-editions", place.slug))
    words = f"edition {place.edition}, {place.edition_at:%-d %B %Y}"
    words += ", an edition is withdrawn" if counts.withdrawn else ""
    done = place.fresh and place.state.startswith("Published")
    words += "" if done else "; the draft has changed since"
    return Step("Published", words, True, done, link("desk-editions", place.slug) or link("comparison", place.slug))


def _todo(user, place: Place, counts: Counts) -> tuple[str, str]:
    """The one next thing: what is under way or waits for a decision, else the first stage with a gap."""
    home = f"{link('desk-comparison', place.slug)}#next"
    if place.waiting or place.wants == "decide" or place.state in ("Waits for approval", "Returned"):
        return place.next, home
    if not place.edition and (gap := _gap(user, place.slug, counts)):
        return gap
    if place.wants == "ask" and not counts.words and not place.edition:
        return "Write the article", link("desk-article", place.slug)
    if place.wants == "ask":
        return "Look at what is open, then ask for approval", link("desk-check", place.slug)
    return place.next, home if place.next else ""


def _gap(user, slug: str, counts: Counts) -> tuple[str, str] | None:
    """The first thing that is missing before results can be judged; None where nothing is."""
    plan, bench = link("desk-plan", slug), link("desk-bench", slug)

    def prepared(text: str, address: str) -> tuple[str, str]:
        return (text if can_prepare(user) else f"A planner or an editor: {text[:1].lower()}{text[1:]}", address)

    if not counts.products:
        return prepared("Say which products are compared", plan)
    if not counts.trials:
        return prepared("Plan the trials", plan)
    if counts.done == 0:
        if not counts.criteria:
            return prepared("Say what counts: the criteria", plan)
        if not counts.weightings:
            return prepared("Say how much each criterion counts", plan)
        if counts.in_hand < counts.products:
            missing = counts.products - counts.in_hand
            return prepared(f"Buy {counted(missing, 'product')}, and keep the receipts", link("desk-products", slug))
        if not counts.claims:
            return prepared("Write down what the makers claim", link("desk-claims", slug))
        if not counts.frozen_at:
            return prepared("Freeze the plan before the first reading", plan)
    if not counts.frozen_at and any(not trial.done for trial in counts.trials):
        return prepared("Freeze the plan: some trials have no reading yet", plan)
    planned_there = any(trial.ordered for trial in counts.trials)
    for trial in counts.trials:
        if not trial.ordered and not trial.done:
            return prepared(
                f"Plan the bench work of {trial.name}", link("bench-plan", trial.programme, trial.code)
            )  # fmt: skip
    if planned_there:
        for trial in counts.trials:
            if trial.ordered and trial.left:
                left = sum(one.left for one in counts.trials if one.ordered)
                return f"Measure: {counted(left, 'specimen')} left", bench
    return None
