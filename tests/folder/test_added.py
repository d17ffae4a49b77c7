"""What came later to the study folder: older studies keep their digests, and what it says is judged."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from comparisons.analysis import evaluate
from comparisons.folder.digest import approval_digest, content_digest, inputs_digest
from comparisons.folder.read import read_study
from comparisons.load import study_from_tables
from tests.public.small_study import small_study, table

FIXTURES = Path(__file__).parents[2] / "fixtures"


def test_an_older_study_keeps_its_digests():
    """Taken with the engine as it was before those columns and tables were there."""
    tables = read_study(FIXTURES / "insect-sprays")
    tables = tables.replace({"limitations": table("limitations", [])})  # which it did not have then
    assert inputs_digest(tables).startswith("3588f6bccd47")
    assert approval_digest(tables).startswith("b6342793317f")
    assert content_digest(tables).startswith("a915a1954964")


def correction(**more) -> dict[str, str]:
    return {
        "correction": "gauge-1", "instrument": "gauge", "since": "2026-01-07", "until": "2026-01-07",
        "factor": "0.9", "reason": "It showed too much", **more,
    }  # fmt: skip


def with_table(tables, name, rows):
    return tables.replace({**dict(tables.items()), name: table(name, rows)})


def means(tables, trial: str) -> np.ndarray:
    document = evaluate(study_from_tables(tables))
    return np.array([row["mean"] for row in document["summaries"] if row["trial"] == trial])


def notes(tables) -> list[str]:
    return [note["text"] for note in evaluate(study_from_tables(tables))["notes"]]


def test_readings_of_a_gauge_found_wrong_are_multiplied_by_the_stated_factor():
    plain = small_study()
    corrected = with_table(plain, "corrections", [correction()])
    assert means(corrected, "pull") == pytest.approx(0.9 * means(plain, "pull"), rel=1e-12)
    assert means(corrected, "knot") == pytest.approx(means(plain, "knot"), rel=1e-12)  # rated by eye
    assert inputs_digest(corrected) != inputs_digest(plain)
    assert "8 readings by gauge from 2026-01-07 to 2026-01-07 are multiplied by 0.9 (correction gauge-1)" in notes(
        corrected
    )


@pytest.mark.parametrize("changed", [
    {"undone_at": "2026-02-01T00:00:00Z", "undone_reason": "It was another one"},
    {"since": "2026-01-08", "until": "2026-01-09"},
])  # fmt: skip
def test_an_undone_correction_or_one_of_other_days_changes_no_value(changed):
    plain = small_study()
    corrected = with_table(plain, "corrections", [correction(**changed)])
    assert means(corrected, "pull") == pytest.approx(means(plain, "pull"), rel=1e-15)


def test_two_corrections_are_both_applied():
    plain = small_study()
    both = with_table(plain, "corrections", [correction(), correction(correction="gauge-2", factor="2")])
    assert means(both, "pull") == pytest.approx(1.8 * means(plain, "pull"), rel=1e-12)


def test_a_reading_without_a_day_is_left_as_it_is_and_told():
    plain = small_study()
    readings = plain["readings"]
    undated = plain.replace(
        {**dict(plain.items()), "readings": readings.with_columns(taken_at=[""] * len(readings))}
    )
    corrected = with_table(undated, "corrections", [correction()])
    assert means(corrected, "pull") == pytest.approx(means(plain, "pull"), rel=1e-15)
    assert any("have no day" in text for text in notes(corrected))


def two_runs(**second):
    """Each product measured in two runs, the second under another revision of the method."""
    plain = small_study()
    readings = plain["readings"]
    runs = ["r2" if t == "pull" and s.endswith("1") else "r1" if t == "pull" else ""
            for t, s in zip(readings["trial"], readings["specimen"], strict=True)]  # fmt: skip
    methods = [row for row in plain["methods"].rows()]
    methods.append({**methods[0], "revision": "2"})
    trials = [{**row, "revision": "1" if row["method"] else ""} for row in plain["trials"].rows()]
    return plain.replace({
        **dict(plain.items()),
        "methods": table("methods", methods),
        "trials": table("trials", trials),
        "readings": readings.with_columns(run=runs),
        "runs": table("runs", [
            {"trial": "pull", "run": "r1", "started_at": "2026-01-07"},
            {"trial": "pull", "run": "r2", "started_at": "2026-01-08", **second},
        ]),
    })  # fmt: skip


def counted(tables) -> int:
    document = evaluate(study_from_tables(tables))
    return sum(row["n"] for row in document["summaries"] if row["trial"] == "pull")


def test_runs_under_two_revisions_are_not_mixed_by_an_anchor_product():
    assert counted(two_runs(anchor_product="p00")) == 8  # one method: the anchor joins the runs
    assert counted(two_runs(anchor_product="p00", revision="2")) == 4
    assert any("another revision of the method" in t for t in notes(two_runs(anchor_product="p00", revision="2")))


def test_they_are_mixed_where_somebody_states_why_they_are_equivalent():
    tables = two_runs(revision="2", pooled_because="Only the order of two steps was changed")
    assert counted(tables) == 8
