"""What readers see of a plan: its texts, what was left out, runs under two wordings, and when it was frozen."""

from __future__ import annotations

import json

import pytest
from django.template.loader import render_to_string

from comparisons.folder.exporter import tables_from_db
from comparisons.models import Comparison, LeftOut
from comparisons.page import build_page
from comparisons.services import evaluation
from specimens import models as sm
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db


def page_of(comparison) -> dict:
    document = json.loads(evaluation.run_evaluation(comparison).document)
    return build_page(tables_from_db(comparison, public=True), document)


def text_of(page, name: str) -> str:
    return " ".join(render_to_string(f"fragments/{name}.html", {"page": page}).split())


@pytest.fixture
def strings():
    return import_small()


def test_the_texts_of_the_plan_are_printed_and_markup_in_them_is_text(strings):
    Comparison.objects.filter(pk=strings.pk).update(
        tie_rule="They share the place.", funding="Readers pay.\n\nNo maker does.", market_scan="<b>Three</b> shops.",
        inclusion="Sold in two shops.", characteristics="Strength first.",
    )  # fmt: skip
    LeftOut.objects.create(comparison=strings, maker="Brenn", model="Cord", variant="red", why="Sold out.")
    strings.refresh_from_db()
    text = text_of(page_of(strings), "_plan")
    assert "What is said where products are not shown to differ</h3> <p>They share the place.</p>" in text
    assert "<p>Readers pay.</p> <p>No maker does.</p>" in text
    assert "&lt;b&gt;Three" in text and "<b>Three" not in text
    assert "<strong>Brenn Cord red:</strong> Sold out." in text


def test_a_plan_that_was_frozen_after_the_first_reading_says_so(strings):
    assert page_of(strings)["plan"]["frozen_after"] == ""
    Comparison.objects.filter(pk=strings.pk).update(plan_frozen_at_text="2026-01-07T12:00:00+00:00")
    strings.refresh_from_db()
    page = page_of(strings)
    assert page["plan"]["frozen_after"] == "7 January 2026"
    assert "The first reading had been taken before, on 7 January 2026." in text_of(page, "_plan")


def test_a_run_under_another_wording_is_told_with_why_the_two_are_equivalent(strings):
    trial = sm.Trial.objects.get(code="pull")
    old = trial.revision
    second = sm.MethodRevision.objects.create(
        method=old.method, revision="2", steps="1. Pull it slowly.", cautions=old.cautions, hazardous=True
    )
    sm.Run.objects.create(trial=trial, code="r1", started_at_text="2026-01-07", reason="First run.")
    run = sm.Run.objects.create(trial=trial, code="r2", started_at_text="2026-02-01", reason="Slower.", revision=second)
    page = page_of(strings)
    assert {method["revision"] for method in page["methods"]} == {"1", "2"}
    text = text_of(page, "_how")
    assert "Not taken together with the run before it" in text
    run.pooled_because = "Ten strings by both: no difference shown."
    run.save()
    text = text_of(page_of(strings), "_how")
    assert "revision 2. Slower." in text
    assert "Taken together with the run before it: Ten strings by both: no difference shown." in text
    assert text.count("Slower.") == 1


def test_a_method_that_no_trial_names_is_printed_with_its_cautions(strings):
    programme = strings.parts.get().programme
    method = sm.Method.objects.create(title="Conditioning: flame")
    revision = sm.MethodRevision.objects.create(
        method=method, revision="1", cautions="Open flame: hood.", hazardous=True
    )
    sm.MethodInProgramme.objects.create(programme=programme, method=method, code="flame").revisions.add(revision)
    text = text_of(page_of(strings), "_how")
    assert "For conditioning and other preparation." in text and "Open flame: hood." in text
