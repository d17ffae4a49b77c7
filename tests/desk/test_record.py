"""The record on the desk: who did what when, before and after; filtered, paged, exported, never changed."""

from __future__ import annotations

import csv
import io

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from comparisons.models import Event
from comparisons.services.record import record
from comparisons.views import record_pages
from tests.public.small_study import import_small

from .test_desk import signed_in, text_of

__all__ = ["signed_in"]
pytestmark = pytest.mark.django_db


@pytest.fixture
def reader(signed_in):
    return signed_in("bench-member")


@pytest.fixture
def comparison(cast):
    made = import_small()
    record(
        cast["planner"], "changed a purchase", comparison=made, programme=made.programmes.get(), thing="purchase",
        code="p00-shop", before={"price": "4.50", "seller": "Shop A"}, after={"price": "9.00", "seller": "Shop A"},
        why="Read wrongly.",
    )  # fmt: skip
    record(cast["editor"], "voided a reading", programme=made.programmes.get(), thing="reading", code="r000001")
    return made


def table(html: str) -> str:
    return html.split('class="folds record"')[1].split("</table>")[0]


def test_before_and_after_stand_side_by_side(reader, comparison):
    html = reader.get("/desk/strings/record/").content.decode()
    shown = table(html)
    assert "<del>4.50</del>" in shown and "<ins>9.00</ins>" in shown
    assert "Shop A" not in shown  # what stayed the same
    assert "Why: Read wrongly." in shown
    assert shown.index("voided a reading") < shown.index("changed a purchase")  # the latest first


@pytest.mark.parametrize(
    ("query", "kept"),
    [
        ("person=planner", ["changed a purchase"]), ("thing=reading", ["voided a reading"]),
        ("thing=purchase&code=p00-shop", ["changed a purchase"]), ("code=p00", []),
        ("code=p00*", ["changed a purchase"]),
        ("person=nobody", []), ("until=2001-01-01", []), ("since=2001-01-01&thing=reading", ["voided a reading"]),
        ("code=%00p00-shop", ["changed a purchase"]), ("until=9999-12-31&thing=reading", ["voided a reading"]),
        ("before=0", []), ("before=99999999999999999999&thing=reading", ["voided a reading"]),
    ],
)  # fmt: skip
def test_filters(reader, comparison, query, kept):
    html = reader.get(f"/desk/strings/record/?{query}").content.decode()
    found = [verb for verb in ("changed a purchase", "voided a reading") if f'class="verb">{verb}<' in html]
    assert found == kept


def test_what_is_no_date_is_told_in_one_line(reader, comparison):
    text = text_of(reader.get("/desk/strings/record/?since=9.3.2026"))
    assert "“9.3.2026” is no date: write it as 2026-03-09." in text
    assert "changed a purchase" in text


def test_the_record_comes_in_pages(reader, cast, comparison, monkeypatch):
    monkeypatch.setattr(record_pages, "PAGE", 3)
    for i in range(7):
        record(cast["planner"], f"step-{i}", comparison=comparison)
        record(cast["planner"], f"other-{i}", programme=comparison.programmes.get())
    seen, path = [], "/desk/strings/record/"
    while path:
        html = reader.get(path).content.decode()
        seen += [part.split("<")[0] for part in html.split('class="verb">')[1:]]
        older = [part for part in html.split('rel="next" href="')[1:]]
        path = f"/desk/strings/record/{older[0].split(chr(34))[0]}" if older else ""
    events = Event.objects.order_by("-id").values_list("verb", flat=True)
    assert seen == list(events)


def test_nothing_of_another_comparison_is_shown(reader, cast, comparison):
    other = import_small("cords")
    record(cast["planner"], "a secret step", comparison=other)
    record(cast["planner"], "bought a gauge", thing="instrument", code="g1")
    text = text_of(reader.get("/desk/strings/record/"))
    assert "a secret step" not in text and "bought a gauge" not in text
    team = text_of(reader.get("/desk/record/"))
    assert "bought a gauge" in team and "a secret step" not in team and "voided a reading" not in team


def test_values_are_shown_as_text_and_long_ones_are_cut(reader, cast, comparison):
    record(
        cast["planner"], "wrote <b>it</b>", comparison=comparison, thing="article",
        before={"article": "<script>alert(1)</script>"}, after={"article": "x" * 10_000, "list": [1, {"a": "\u202e"}]},
    )  # fmt: skip
    html = reader.get("/desk/strings/record/?thing=article").content.decode()
    assert "<script>alert" not in html and "<b>it</b>" not in html
    assert "&lt;script&gt;alert(1)" in html and "(10000 characters)" in html


def rows(answer) -> list[dict]:
    return list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode())))


def test_the_export_holds_all_of_it(reader, cast, comparison):
    answer = reader.get("/desk/strings/record.csv")
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert answer["Content-Disposition"] == 'attachment; filename="strings-record.csv"'
    found = rows(answer)
    assert sorted(row["what"] for row in found) == sorted(Event.objects.values_list("verb", flat=True))
    own = next(row for row in found if row["code"] == "p00-shop")
    assert own["who"] == "planner" and own["before"] == '{"price": "4.50", "seller": "Shop A"}'
    assert [row["what"] for row in rows(reader.get("/desk/strings/record.csv?person=editor"))] == ["voided a reading"]


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
def test_no_cell_of_the_export_is_a_formula(reader, cast, comparison, cell):
    """OWASP, "CSV Injection": cells that begin with = + - @ tab or return are taken for formulas."""
    record(cast["planner"], "noted", comparison=comparison, thing="note", code=cell, why=cell, after=cell)
    own = next(row for row in rows(reader.get("/desk/strings/record.csv?thing=note")))
    assert own["why"] == own["code"] == own["after"] == f"'{cell}"


def test_the_record_takes_a_fixed_number_of_queries(reader, cast, comparison):
    def count() -> int:
        cache.clear()
        with CaptureQueriesContext(connection) as caught:
            reader.get("/desk/strings/record/")
        return len(caught)

    few = count()
    for i in range(60):
        record(cast["planner"], f"step-{i}", comparison=comparison, programme=comparison.programmes.get())
    assert count() == few


@pytest.mark.parametrize("path", ["/desk/strings/record/", "/desk/strings/record.csv", "/desk/record/"])
@pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
def test_nothing_on_it_can_be_changed(reader, comparison, path, method):
    before = Event.objects.count()
    assert getattr(reader, method)(path).status_code == 405
    assert Event.objects.count() == before
