"""Trials, claims and changes on the desk: every specimen with its circumstances, filtered and sorted by address."""

from __future__ import annotations

import json
import re

import pytest
from django.core.cache import cache
from django.core.files.base import ContentFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from comparisons.models import Standing
from comparisons.services import evaluation
from comparisons.services.record import record
from comparisons.views import listing as listings
from specimens.models import Attachment, BenchPlace, Instrument, Reading, Run, Specimen, Trial, Void
from tests.public.small_study import import_small
from tests.public.staging import evaluated
from tests.public.test_public_pages import Outline

from .test_desk import signed_in, text_of

__all__ = ["signed_in"]
pytestmark = pytest.mark.django_db
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 20


@pytest.fixture
def reader(signed_in):
    return signed_in("bench-member")


def cells(html: str, column: int) -> list[str]:
    """The texts of one column of the table of specimens, top to bottom."""
    table = html.split('class="dense', 1)[1].split("</table>")[0]
    rows = re.findall(r"<tr(?: class=\"\S+?\")?>(.*?)</tr>", table.split("<tbody>")[1], re.S)
    found = []
    for row in rows:
        parts = re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
        found.append(" ".join(re.sub(r"<[^>]+>", " ", parts[column]).split()))
    return found


def test_every_specimen_stands_there_with_who_when_and_which_gauge(reader):
    evaluated()
    document = json.loads(Standing.objects.get().evaluation.document)
    html = reader.get("/desk/strings/results/pull/").content.decode()
    own = [row for row in document["specimens"] if row["trial"] == "pull"]
    assert cells(html, 2) == [row["specimen"] for row in sorted(own, key=lambda row: row["specimen"])]
    assert sorted(map(float, cells(html, 3))) == sorted(row["value"] for row in own)
    assert set(cells(html, 5)) == {"op-a"}  # as it was typed: no pseudonym
    assert set(cells(html, 6)) == {"2026-01-07 10:00"}
    assert set(cells(html, 7)) == {"Gauge, 200 N"}
    dots = re.findall(r'<svg x="[\d.]+%" overflow="visible" class="unit-\d"><g', html)
    assert len(dots) == len(own)
    outline = Outline(html)
    assert "u0" in text_of(reader.get("/desk/strings/results/pull/"))  # each lane has its unit's name
    assert [attrs for _, attrs in outline.elements if "style" in attrs] == []


@pytest.mark.parametrize(
    ("query", "kept"),
    [
        ("product=p01", 4), ("unit=p00-u1", 2), ("person=op-a", 8), ("gauge=Gauge, 200 N", 8), ("state=counted", 8),
        ("product=p01&unit=p00-u1", 0), ("product=none", 8), ("product=%00", 8), ("unit=" + "x" * 10_000, 8),
        ("state=set aside", 8), ("page=99999999999999999999", 8), ("sort=nothing", 8), ("page=-1", 8),
    ],
)  # fmt: skip
def test_filters_keep_what_is_chosen_and_leave_aside_what_is_not_offered(reader, query, kept):
    evaluated()
    html = reader.get(f"/desk/strings/results/pull/?{query}").content.decode()
    if kept:
        assert len(cells(html, 0)) == kept
    else:
        assert "Nothing of 8 to show" in html


def test_sorting_by_value_turns_round(reader):
    evaluated()
    up = [float(text) for text in cells(reader.get("/desk/strings/results/pull/?sort=value").content.decode(), 3)]
    html = reader.get("/desk/strings/results/pull/?sort=-value&product=p00").content.decode()
    down = [float(text) for text in cells(html, 3)]
    assert up == sorted(up) and len(set(up)) > 1
    assert down == sorted(down, reverse=True)
    assert 'aria-sort="descending"' in html
    assert 'href="/desk/strings/results/pull/?product=p00&amp;sort=value#specimens"' in html  # the filter stays


def test_a_script_gets_the_part_that_changes_and_nothing_else(reader):
    evaluated()
    whole = reader.get("/desk/strings/results/pull/?sort=value").content.decode()
    part = reader.get("/desk/strings/results/pull/?sort=value", headers={"x-part": "1"}).content.decode()
    assert part.strip().startswith("<div data-listing>") and "<html" not in part
    assert part.strip() in whole


def test_long_tables_come_in_pages(reader, monkeypatch):
    monkeypatch.setattr(listings, "PAGE", 3)
    evaluated()
    path = "/desk/strings/results/pull/?sort=specimen"
    pages = [cells(reader.get(f"{path}&page={n}").content.decode(), 2) for n in (1, 2, 3)]
    assert [len(page) for page in pages] == [3, 3, 2]
    assert sum(pages, []) == sorted(sum(pages, []))
    html = reader.get(f"{path}&page=2").content.decode()
    assert 'rel="prev"' in html and 'rel="next"' in html and "4 to 6 of 8" in html


def test_a_void_says_why_and_by_whom(reader, cast):
    comparison = import_small()
    reading = Reading.objects.filter(trial__code="pull").order_by("code").first()
    Void.objects.create(reading=reading, voided_by="Ada", reason="The jaw slipped <b>badly</b>.")
    record(cast["planner"], "voided a reading", comparison=comparison, changes_draft=True)
    evaluation.run_evaluation(comparison)
    html = reader.get("/desk/strings/results/pull/?state=set+aside").content.decode()
    assert len(cells(html, 0)) == 1
    assert "set aside: void: The jaw slipped &lt;b&gt;badly&lt;/b&gt;. (Ada, " in html
    assert "<b>badly" not in html
    assert html.count('class="aside"><g') == 1  # drawn as a cross
    assert len(cells(reader.get("/desk/strings/results/pull/?state=counted").content.decode(), 0)) == 7


def test_what_was_voided_after_the_evaluation_is_told_at_once(reader, cast):
    comparison = evaluated()
    reading = Reading.objects.filter(trial__code="pull").order_by("code").first()
    reader.get("/desk/strings/results/pull/")
    Void.objects.create(reading=reading, voided_by="Ada", reason="Knot.")
    record(cast["planner"], "voided a reading", comparison=comparison, changes_draft=True)
    assert "set aside: void: Knot. (Ada" in text_of(reader.get("/desk/strings/results/pull/"))


def test_a_reading_that_no_evaluation_knows_is_shown_as_such(reader, cast):
    comparison = evaluated()
    old = Reading.objects.filter(trial__code="pull").order_by("code").first()
    specimen = Specimen.objects.create(programme=old.programme, unit=old.specimen.unit, code="p00-u0-new")
    new = Reading.objects.create(
        programme=old.programme, trial=old.trial, product=old.product, specimen=specimen, code="new-1", value="61.5",
        unit_of_measure="N", operator="Bo",
    )  # fmt: skip
    from specimens.models import ConvertedValue

    ConvertedValue.objects.create(reading=new, value=61.5, unit="N", engine="test")
    record(cast["bench-member"], "entered a reading", comparison=comparison, changes_draft=True)
    html = reader.get("/desk/strings/results/pull/?state=not+evaluated+yet").content.decode()
    assert cells(html, 2) == ["p00-u0-new"] and cells(html, 5) == ["Bo"]


def test_without_any_evaluation_the_readings_are_shown(reader):
    import_small()
    html = reader.get("/desk/strings/results/pull/").content.decode()
    assert "Not evaluated yet: what is shown here comes straight from the readings." in html
    assert len(cells(html, 0)) == 8 and {c.split()[0] for c in cells(html, 10)} == {"not"}
    assert text_of(reader.get("/desk/strings/judged/")).count("once the draft was evaluated") == 1


def test_a_value_in_doubt_stands_with_the_mean_with_and_without_it(reader, cast):
    from comparisons.folder.importer import import_tables
    from tests.public.small_study import small_study, table

    tables = small_study(products=2, units=3, per_unit=4)
    rows = list(tables["readings"].rows())
    rows[0]["value"] = "600"  # a decimal point
    comparison, _ = import_tables(tables.replace({"readings": table("readings", rows)}))
    evaluation.run_evaluation(comparison)
    found = json.loads(Standing.objects.get().evaluation.document)["suspects"]
    own = next(row for row in found if row["test"] == "slip")
    text = text_of(reader.get("/desk/strings/results/pull/"))
    assert f"{own['mean_with']:.1f}"[:4] in text and f"{own['mean_without']:.1f}"[:4] in text
    html = reader.get("/desk/strings/results/pull/?state=in+doubt").content.decode()
    assert len(cells(html, 0)) == 1 and html.count('class="ring"') == 1
    assert "1 value in doubt" in text_of(reader.get("/desk/strings/results/"))


def test_letters_are_told_in_words(reader):
    evaluated(products=3, units=3, per_unit=4)
    document = json.loads(Standing.objects.get().evaluation.document)
    pairs = next(row for row in document["differences"] if row["trial"] == "pull")["pairs"]
    text = text_of(reader.get("/desk/strings/results/pull/"))
    for pair in pairs:
        word = {"different": "iffers from", "no_difference_shown": "ot shown to differ from"}.get(pair["decided"])
        assert word is None or word in text


def test_order_and_runs_are_drawn(reader, cast):
    comparison = import_small()
    trial = Trial.objects.get(code="pull")
    Run.objects.create(trial=trial, code="r1", reason="First.")
    assert "<h2 id=\"order-head\"" not in reader.get("/desk/strings/results/pull/").content.decode()
    from comparisons.folder.importer import import_tables
    from tests.public.small_study import small_study, table

    tables = small_study("cords")
    rows = [row | {"order": str(i + 1), "run": "r1" if i < 4 else "r2"} if row["trial"] == "pull" else row
            for i, row in enumerate(tables["readings"].rows())]  # fmt: skip
    runs = [{"trial": "pull", "run": code, "reason": "New jaws.", "pooled_because": "Same gauge."}
            for code in ("r1", "r2")]  # fmt: skip
    comparison, _ = import_tables(tables.replace({"readings": table("readings", rows), "runs": table("runs", runs)}))
    evaluation.run_evaluation(comparison)
    html = reader.get("/desk/cords/results/pull/").content.decode()
    drawing = html.split('<svg class="in-order"')[1].split("</svg>")[0]
    assert drawing.count("<circle") == 8 and ">r1</text>" in drawing and ">r2</text>" in drawing
    text = text_of(reader.get("/desk/cords/results/pull/"))
    assert "New jaws." in text and "Same gauge." in text
    assert len(cells(reader.get("/desk/cords/results/pull/?run=r2").content.decode(), 0)) == 4


def test_ratings_stay_hidden_while_the_panel_is_open(reader, cast):
    comparison = evaluated()
    trial = Trial.objects.get(code="knot")
    specimen = Specimen.objects.filter(readings__trial=trial).first()
    place = BenchPlace.objects.create(trial=trial, specimen=specimen, rater="rater-9", position=1)
    record(cast["planner"], "planned", comparison=comparison, changes_draft=True)
    html = reader.get("/desk/strings/results/knot/").content.decode()
    assert "Ratings are hidden until all of the panel are in." in html and 'class="dense' not in html
    place.delete()
    record(cast["planner"], "planned", comparison=comparison, changes_draft=True)
    assert len(cells(reader.get("/desk/strings/results/knot/").content.decode(), 0)) == 24


def test_passes_and_fails_are_told_in_words(reader):
    evaluated()
    html = reader.get("/desk/strings/results/lit/").content.decode()
    assert set(cells(html, 3)) == {"pass", "fail"}


def test_the_figure_holds_the_dots_of_the_page(reader):
    evaluated()
    document = json.loads(Standing.objects.get().evaluation.document)
    figure = reader.get("/desk/strings/results/pull/chart.json").json()
    drawn = sorted(x for trace in figure["data"] if trace["name"] != "mean" for x in trace["x"])
    assert drawn == sorted(row["value"] for row in document["specimens"] if row["trial"] == "pull")
    assert {trace["marker"]["color"] for trace in figure["data"][:-1]} == {"ink:unit-1", "ink:unit-2"}


@pytest.mark.parametrize("trial", ["none", "a%00b", "x" * 300])
def test_a_trial_that_is_none_is_not_found(reader, trial):
    evaluated()
    for path in (f"/desk/strings/results/{trial}/", f"/desk/strings/results/{trial}/chart.json"):
        assert reader.get(path).status_code == 404


def test_claims_are_filtered_by_statement_and_sorted_by_how_sure(reader):
    evaluated(products=6, units=3, per_unit=4)
    document = json.loads(Standing.objects.get().evaluation.document)
    claims = [row for row in document["claims"] if row["kind"] != "certification"]
    html = reader.get("/desk/strings/judged/").content.decode()
    from comparisons.pages.words import STATEMENTS

    for kind in {row["statement"] for row in claims if row["statement"]}:
        own = reader.get(f"/desk/strings/judged/?statement={kind}&sort=product").content.decode()
        assert len(cells(own, 0)) == sum(row["statement"] == kind for row in claims)
        assert {text.split(" p0")[0].lower() for text in cells(own, 6)} == {STATEMENTS[kind]}
    down = reader.get("/desk/strings/judged/?sort=-chance").content.decode()
    chance = {row["claim"]: row["p_conform"] for row in claims}
    codes = [next(code for code in chance if code in text) for text in cells(down, 6)]
    told = [chance[code] for code in codes]
    assert told == sorted(told, reverse=True) and len(set(told)) > 2
    assert html.count('class="range"') == len(claims)


def test_changes_lead_to_their_trials(reader):
    evaluated()
    html = reader.get("/desk/strings/changes/").content.decode()
    assert 'href="/desk/strings/results/aged/"' in html
    document = json.loads(Standing.objects.get().evaluation.document)
    assert len(document["changes"]) == 2
    assert len(cells(reader.get("/desk/strings/changes/?sort=change").content.decode(), 0)) == 2


def test_two_programmes_are_told_apart(reader, cast):
    """Codes of the results document carry their programme's prefix; the pages find the rows by it."""
    from comparisons.models import ComparisonProgramme

    one = import_small("strings")
    import_small("cords")
    part = one.parts.get()
    part.prefix = "first"
    part.save()
    other = ComparisonProgramme.objects.get(comparison__slug="cords").programme
    ComparisonProgramme.objects.create(comparison=one, programme=other, prefix="second")
    one.criteria.all().delete()
    one.weightings.all().delete()
    record(cast["planner"], "added a programme", comparison=one, changes_draft=True)
    evaluation.run_evaluation(one)
    html = reader.get("/desk/strings/results/second.pull/").content.decode()
    assert set(cells(html, 1)) == {f"second.p0{p}-u{u}" for p in (0, 1) for u in (0, 1)}
    assert {text.split()[0] for text in cells(html, 10)} == {"counted"}
    listed = reader.get("/desk/strings/results/").content.decode()
    assert "/desk/strings/results/first.pull/" in listed and "/desk/strings/results/second.pull/" in listed
    assert reader.get("/desk/strings/results/pull/").status_code == 404


def attach(comparison, path: str, content: bytes, **more) -> Attachment:
    programme = comparison.programmes.get()
    return Attachment.objects.create(
        programme=programme, path=path, content=ContentFile(content, name=path.rsplit("/")[-1]), sha256="0" * 64,
        about="trial", trial=Trial.objects.get(programme=programme, code="pull"), **more,
    )  # fmt: skip


def test_pictures_of_the_draft_are_shown_to_members_alone(client, signed_in):
    comparison = import_small()
    attach(comparison, "files/rig.png", PNG, alt="The rig", caption="How it was <i>held</i>")
    attach(comparison, "files/evil.png", b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>")
    evaluation.run_evaluation(comparison)
    assert client.get("/desk/strings/files/rig.png").status_code == 302
    reader = signed_in("bench-member")
    answer = reader.get("/desk/strings/files/rig.png")
    assert b"".join(answer.streaming_content) == PNG
    assert answer["Content-Type"] == "image/png" and answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Security-Policy"] == "default-src 'none'; sandbox"
    evil = reader.get("/desk/strings/files/evil.png")  # what it is named does not count
    assert evil["Content-Type"] == "application/octet-stream" and evil["Content-Disposition"].startswith("attachment")
    html = reader.get("/desk/strings/results/").content.decode()
    assert '<img src="/desk/strings/files/rig.png" alt="The rig"' in html and "&lt;i&gt;held" in html
    for path in ("none.png", "../rig.png", "a%00b", "%2e%2e/secret-key"):
        assert reader.get(f"/desk/strings/files/{path}").status_code == 404
    import_small("cords")
    assert reader.get("/desk/cords/files/rig.png").status_code == 404


def test_many_gauges_and_people_cost_no_more_queries(reader, cast):
    comparison = evaluated("cords", products=2, per_unit=1)
    other = evaluated("laces", products=5, units=3, per_unit=4)
    for i, reading in enumerate(Reading.objects.filter(programme__comparisons=other, trial__code="pull")[:6]):
        Reading.objects.create(
            programme=reading.programme, trial=reading.trial, product=reading.product, specimen=reading.specimen,
            code=f"again-{i}", value="60", unit_of_measure="N", operator=f"Person {i}",
            instrument=Instrument.objects.create(name=f"Gauge {i}"), replaces=reading, replace_reason="Typed wrongly.",
        )  # fmt: skip
    for one in (comparison, other):
        record(cast["planner"], "changed", comparison=one, changes_draft=True)
    counts = []
    for slug in ("cords", "laces"):
        cache.clear()
        with CaptureQueriesContext(connection) as caught:
            assert reader.get(f"/desk/{slug}/results/pull/").status_code == 200
        counts.append(len(caught))
    assert counts[0] == counts[1]
    text = text_of(reader.get("/desk/laces/results/pull/?state=set+aside"))
    assert "replaced by again-0: Typed wrongly. (Person 0)" in text
