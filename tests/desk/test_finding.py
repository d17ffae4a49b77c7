"""Finding one's way: search over everything, the stages of a comparison, the parts in three clicks."""

from __future__ import annotations

import re

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from comparisons.models import Comparison, ComparisonProgramme
from comparisons.services.record import record
from comparisons.templatetags.finding import sections_at
from comparisons.views import finding
from comparisons.views.stages import stages, tied_sentences
from comparisons.views.standings import places
from specimens.models import (
    BenchPlace,
    Product,
    Programme,
    ProgrammeProduct,
    Property,
    Purchase,
    Specimen,
    Trial,
)
from tests.public.small_study import import_small
from tests.public.staging import evaluated, published
from tests.public.test_public_pages import Outline

from .test_desk import signed_in

__all__ = ["signed_in"]
pytestmark = pytest.mark.django_db


@pytest.fixture
def reader(signed_in):
    return signed_in("bench-member")


def found(client, words: str) -> dict[str, list[str]]:
    """group -> addresses."""
    html = client.get("/desk/search/", {"q": words}).content.decode()
    groups = {}
    for part in html.split('<section aria-labelledby="found-')[1:]:
        name = re.search(r"<h2[^>]*>(.*?)</h2>", part).group(1)
        groups[name] = re.findall(r'<li><a href="([^"]*)"', part)
    return groups


@pytest.mark.parametrize(
    ("words", "group", "address"),
    [
        ("which string holds", "Comparisons", "/desk/strings/"), ("ullvane", "Products", "desk-product"),
        ("ULLVANE 01", "Products", "desk-product"), ("breaking", "Properties", "desk-plan"),
        ("70 degC", "Trials", "/desk/strings/results/aged/"), ("eye protection", "Methods", "desk-methods"),
        ("iso 2062", "Methods", "desk-methods"), ("gauge, 200", "Instruments", "desk-instruments"),
        ("min. 62", "Claims", "desk-claims"), ("pulled them", "Articles", "desk-article"),
        ("p01-u1-pull-0", "Specimens", "/desk/strings/results/pull/?unit=p01-u1#specimens"),
        ("r000003", "Readings", "/desk/strings/results/pull/"), ("shop a", "Purchases", "desk-purchase"),
    ],
)  # fmt: skip
def test_everything_is_found_and_leads_to_its_page(reader, words, group, address):
    import_small()
    groups = found(reader, words)
    assert group in groups, groups
    if address.startswith("/"):
        assert address in groups[group]
    else:
        page = finding.address_of(address, "strings") or finding.address_of(address)
        assert not page or page in groups[group]
    for one in groups[group]:
        assert reader.get(one).status_code == 200


def test_a_code_on_a_label_finds_its_specimen(reader):
    import_small()
    Specimen.objects.filter(code="p00-u0-aged-1").update(blind_code="K7Q2")
    assert found(reader, "k7q2") == {"Specimens": ["/desk/strings/results/aged/?unit=p00-u0#specimens"]}


@pytest.mark.parametrize(
    "words",
    ["", "x", "\x00\x00", "%", "a_b", "' OR 1=1 --", "\u202e\u202e", "<script>alert(1)</script>", "é" * 300, "(" * 99],
)  # fmt: skip
def test_odd_words_are_only_words(reader, words):
    import_small()
    answer = reader.get("/desk/search/", {"q": words})
    assert answer.status_code == 200
    assert "<script>alert" not in answer.content.decode()
    assert found(reader, words) == {}


def test_words_of_other_scripts_are_found_in_any_case(reader):
    """SQLite folds the case of ASCII alone."""
    import_small()
    Comparison.objects.update(title="Ölfeste Schnüre")
    for words in ("ölfeste", "ÖLFESTE", "Ölfeste schnüre"):
        assert "Comparisons" in found(reader, words), words


def test_groups_are_cut_and_say_so(reader):
    import_small(products=20)
    html = reader.get("/desk/search/", {"q": "ullvane"}).content.decode()
    assert "There are more." in html
    assert len(found(reader, "ullvane")["Products"]) == finding.MOST


def test_search_takes_a_fixed_number_of_queries(reader):
    def count() -> int:
        with CaptureQueriesContext(connection) as caught:
            reader.get("/desk/search/", {"q": "p0"})
        return len(caught)

    import_small()
    few = count()
    for i in range(4):
        import_small(f"more-{i}", products=4)
    # session, user, roles; programmes; 12 kinds of things; trials of the specimens by plan and by reading
    assert count() == few == 18


def told(user, slug="strings"):
    return stages(user, places(user, slug))[slug]


def test_a_new_comparison_is_led_step_by_step(cast):
    planner = cast["planner"]
    comparison = Comparison.objects.create(slug="new", title="New", question="Which?", currency="EUR")
    programme = Programme.objects.create(slug="new", name="New")
    ComparisonProgramme.objects.create(comparison=comparison, programme=programme)
    assert told(planner, "new").todo == "Say which products are compared"
    assert told(cast["bench-member"], "new").todo == "A planner or an editor: say which products are compared"
    product = ProgrammeProduct.objects.create(
        programme=programme, code="a", product=Product.objects.create(maker="Ullvane", model="A")
    )
    record(planner, "added a product", comparison=comparison)
    assert told(planner, "new").todo == "Plan the trials"
    force = Property.objects.create(programme=programme, code="force", kind="quantity", unit="N", better="more")
    trial = Trial.objects.create(programme=programme, code="pull", property=force, units_planned=2, replicates=3)
    record(planner, "planned a trial", programme=programme)
    assert told(planner, "new").todo == "Say what counts: the criteria"
    criterion = comparison.criteria.create(code="c", position=0, kind="trial", trial=trial)
    record(planner, "added a criterion", comparison=comparison)
    assert told(planner, "new").todo == "Say how much each criterion counts"
    comparison.weightings.create(code="w", position=0).weights.create(criterion=criterion, weight="1")
    record(planner, "weighed", comparison=comparison)
    assert told(planner, "new").todo == "Buy 1 product, and keep the receipts"
    Purchase.objects.create(programme=programme, product=product, code="a-shop", obtained="bought")
    record(planner, "bought", programme=programme)
    assert told(planner, "new").todo == "Write down what the makers claim"
    product.claims.create(programme=programme, code="a-min", property=force, sense="at_least", value="10", unit="N")
    record(planner, "wrote down a claim", programme=programme)
    assert told(planner, "new").todo == "Freeze the plan before the first reading"
    comparison.plan_frozen_at = timezone.now()
    comparison.save(update_fields=["plan_frozen_at"])
    record(planner, "froze the plan", comparison=comparison)
    found = told(planner, "new")
    assert (found.todo, found.todo_address) == ("Plan the bench work of force", "/bench/plan/new/pull/")
    assert "0 of 6 specimens measured in 1 trial" in [step.words for step in found.steps]


def test_specimens_that_wait_at_the_bench_come_before_judging(cast, reader):
    comparison = import_small()
    trial = Trial.objects.get(code="pull")
    unit = Specimen.objects.first().unit
    for i in range(3):
        specimen = Specimen.objects.create(programme=unit.programme, unit=unit, code=f"wait-{i}")
        BenchPlace.objects.create(trial=trial, specimen=specimen, position=i + 1)
    record(cast["planner"], "planned", programme=unit.programme)
    found = told(cast["planner"])
    assert (found.todo, found.todo_address) == ("Measure: 3 specimens left", "/desk/strings/bench/")
    html = reader.get("/desk/strings/").content.decode()
    assert 'Next: <a href="/desk/strings/bench/">Measure: 3 specimens left</a>' in html
    assert comparison.slug == "strings"
    assert 'data-part="/bench/progress/' in reader.get("/desk/strings/bench/").content.decode()


def test_stages_are_told_with_counts(cast):
    planner = cast["planner"]
    evaluated()
    words = {step.name: step.words for step in told(planner).steps}
    assert words == {
        "Planned": "2 products, 4 trials, 2 criteria, frozen 5 January 2026",
        "Bought": "2 of 2 products in hand, 2 claims written down",
        "At the bench": "32 of 32 specimens measured in 4 trials",
        "Judged": "evaluated as it stands", "Written": "article of 6 words", "In review": "not asked for yet",
        "Published": "not yet",
    }  # fmt: skip
    published(cast, "cords")
    found = told(planner, "cords")
    assert found.reached.name == "Published" and found.reached.done and found.todo == ""


def test_ties_are_counted():
    assert tied_sentences("[A is stronger](holds:difference/pull/a/b/better). [5 N](value:x). [B](HOLDS:most/x).") == 2


def test_counts_are_kept_until_the_record_names_a_later_event(cast):
    comparison = evaluated()
    planner = cast["planner"]
    told(planner)
    Comparison.objects.filter(pk=comparison.pk).update(article="one two three")
    with CaptureQueriesContext(connection) as caught:
        told(planner)
    assert len(caught) == 4  # comparisons and standings; programmes, last events
    record(planner, "wrote", comparison=comparison, changes_draft=True)
    assert "article of 3 words" in [step.words for step in told(planner).steps]
    cache.clear()


def test_the_parts_of_a_comparison_say_where_one_is():
    at = {part["name"]: part["current"] for part in sections_at("strings", "/desk/strings/results/pull/")}
    assert at["Results"] == "true" and [name for name, now in at.items() if now] == ["Results"]
    at = {part["name"]: part["current"] for part in sections_at("strings", "/desk/strings/judged/")}
    assert at["Results"] == "true"
    at = {part["name"]: part["current"] for part in sections_at("strings", "/desk/strings/")}
    assert [name for name, now in at.items() if now == "page"] == ["Where it stands"]


def test_every_page_of_a_comparison_is_three_clicks_from_the_desk(reader):
    evaluated()

    def links(path: str) -> set[str]:
        outline = Outline(reader.get(path).content.decode())
        hrefs = {attrs.get("href", "") for attrs in outline.all("a")}
        return {href.split("#")[0].split("?")[0] for href in hrefs if href.startswith("/")}

    near = {"/desk/"}
    for _ in range(3):
        near |= {link for path in list(near) if path.startswith("/desk/") and "." not in path for link in links(path)}
    own = ["desk-results", "desk-judged", "desk-changes", "desk-bench", "desk-scorecard", "desk-record"]
    wanted = {reverse(name, args=["strings"]) for name in own}
    wanted |= {reverse("desk-trial", args=["strings", code]) for code in ("pull", "aged", "knot", "lit")}
    wanted |= {reverse("desk-team-record"), *(part["address"] for part in sections_at("strings", "/"))}
    assert wanted <= near
