"""An edition is computed again from its own raw data; whatever was touched is told."""

from __future__ import annotations

import copy
import json
import zipfile
from pathlib import Path

import pytest
from django.contrib.auth.models import Group, User
from django.db import connection

from comparisons.folder.faults import StudyError
from comparisons.folder.importer import import_study
from comparisons.models import Edition
from comparisons.services import approval, evaluation, publishing, verification
from comparisons.services.agreement import differences, share_error
from comparisons.services.errors import NotReady
from comparisons.services.record import record

SPRAYS = Path(__file__).resolve().parents[2] / "fixtures" / "insect-sprays"


def publish_sprays(article: str = "") -> Edition:
    """One more edition of the sprays, through two people."""
    comparison = approval.Comparison.objects.first() or import_study(SPRAYS)
    people = []
    for name, role in (("planner-a", "planner"), ("editor-a", "editor")):
        user, _ = User.objects.get_or_create(username=name)
        user.groups.set(Group.objects.filter(name=role))
        people.append(user)
    if article:
        comparison.article = article
        comparison.save()
        record(people[0], "edited the article", comparison=comparison, changes_draft=True)
    evaluation.run_evaluation(comparison)
    request = approval.ask(comparison, actor=people[0])
    approval.decide(request, actor=people[1], verdict="approved")
    return publishing.publish(comparison)


@pytest.fixture
def edition(db) -> Edition:
    return publish_sprays()


@pytest.fixture
def package(edition, tmp_path) -> Path:
    path = tmp_path / "study.zip"
    path.write_bytes(bytes(edition.package))
    return path


def unpack(package: Path) -> Path:
    folder = package.with_suffix("")
    with zipfile.ZipFile(package) as archive:
        archive.extractall(folder)
    return folder


def packed(package: Path, name: str, data: bytes | None, inner: str = "") -> Path:
    """The package with one entry exchanged (None: left out), its entries in the folder `inner`."""
    target = package.with_name("changed.zip")
    with zipfile.ZipFile(package) as old, zipfile.ZipFile(target, "w") as new:
        for entry in old.namelist():
            kept = data if entry == name else old.read(entry)
            if kept is not None:
                new.writestr(inner + entry, kept)
    return target


def entry(package: Path, name: str) -> bytes:
    with zipfile.ZipFile(package) as archive:
        return archive.read(name)


# equal


def test_an_edition_as_published_is_equal(edition, package):
    edition = Edition.objects.get()
    assert verification.verify_edition(edition) == []
    assert verification.verify_path(package) == []
    assert verification.verify_path(unpack(package)) == []
    assert verification.verify_path(packed(package, "", None, inner="insect-sprays/")) == []
    assert verification.edition_sha256(package) == edition.sha256


def test_a_later_edition_names_the_one_before(edition, tmp_path):
    second = publish_sprays("More words.")
    assert verification.verify_edition(Edition.objects.get(number=2)) == []
    path = tmp_path / "second.zip"
    path.write_bytes(bytes(second.package))
    assert verification.edition_sha256(path) == second.sha256
    assert json.loads(entry(path, publishing.ABOUT))["previous"] == edition.sha256


def test_the_order_of_rows_in_a_copy_does_not_matter(package):
    folder = unpack(package)
    for path in folder.glob("*.csv"):
        head, *rows = path.read_text().splitlines(keepends=True)
        path.write_text("".join([head, *reversed(rows)]))
    assert verification.verify_path(folder) == []


# touched: a copy


def test_a_reading_that_was_touched_is_told(package):
    folder = unpack(package)
    text = (folder / "readings.csv").read_text()
    lines = text.splitlines(keepends=True)
    value = lines[0].rstrip("\n").split(",").index("value")
    cells = lines[1].split(",")
    cells[value] = str(int(cells[value]) + 9)
    (folder / "readings.csv").write_text("".join([lines[0], ",".join(cells), *lines[2:]]))
    found = verification.verify_path(folder)
    assert any(line.startswith("edition/edition.json, inputs_digest") for line in found)
    assert any(line.startswith("summaries[") and ".mean: " in line for line in found)


def test_a_result_that_was_touched_is_told(package):
    document = json.loads(entry(package, publishing.RESULTS))
    row = next(row for row in document["summaries"] if row["mean"])
    row["mean"] *= 1 + 1e-6
    found = verification.verify_path(packed(package, publishing.RESULTS, publishing.canonical(document)))
    assert f"summaries[{row['trial']} {row['product']}].mean: " in "\n".join(found)
    assert any(line.startswith("edition/edition.json, results_sha256") for line in found)


def test_a_page_that_was_touched_is_told_even_with_its_digest_put_right(package):
    page = json.loads(entry(package, publishing.PAGE))
    page["title"] = "Another title"
    data = publishing.canonical(page)
    about = json.loads(entry(package, publishing.ABOUT)) | {"page_sha256": publishing.sha256(data)}
    once = packed(package, publishing.PAGE, data)
    both = packed(once.rename(package), publishing.ABOUT, publishing.canonical(about))
    assert verification.verify_path(both) == ["page: not the one that these data and results make"]
    # by another builder's page only the digest speaks
    other = publishing.canonical(about | {"page_builder": "0" * 64})
    assert verification.verify_path(packed(both.rename(package), publishing.ABOUT, other)) == []


def test_a_word_of_the_article_that_was_touched_is_told(db, tmp_path):
    path = tmp_path / "study.zip"
    path.write_bytes(bytes(publish_sprays("The third spray leads.").package))
    found = verification.verify_path(packed(path, "article.md", b"The fourth spray leads.\n"))
    assert any(line.startswith("edition/edition.json, approval_digest") for line in found)
    assert "page: not the one that these data and results make" in found


@pytest.mark.parametrize("name", [publishing.RESULTS, publishing.PAGE, publishing.ABOUT])
def test_what_is_no_edition_is_refused_in_one_line(package, name):
    for data in (None, b"{", b"\xff", b"[" * 100_000):
        with pytest.raises(NotReady, match="found no edition/|holds no valid JSON") as refused:
            verification.verify_path(packed(package, name, data))
        assert "\n" not in str(refused.value)


def test_what_is_no_zip_is_refused_in_one_line(tmp_path, package):
    (tmp_path / "text.zip").write_text("no zip")
    (tmp_path / "cut.zip").write_bytes(package.read_bytes()[:-200])
    damaged = bytearray(package.read_bytes())
    with zipfile.ZipFile(package) as archive:
        at = archive.getinfo(publishing.RESULTS).header_offset + 200
    damaged[at : at + 50] = b"\0" * 50
    (tmp_path / "damaged.zip").write_bytes(damaged)
    for name in ("text.zip", "cut.zip", "damaged.zip", "missing.zip"):
        with pytest.raises(NotReady, match=name) as refused:
            verification.verify_path(tmp_path / name)
        assert "\n" not in str(refused.value)


def test_a_study_that_cannot_be_read_names_its_faults(package):
    with pytest.raises(StudyError, match="readings.csv"):
        verification.verify_path(packed(package, "readings.csv", None))


# touched: in the database (as whoever owns the file could, past the guards)


def touch(edition: Edition, **columns) -> Edition:
    from specimens import guards

    with guards.lifted():
        Edition.objects.filter(pk=edition.pk).update(**columns)
    return Edition.objects.get(pk=edition.pk)


def test_each_stored_part_is_held_by_its_digest(edition):
    document = json.loads(bytes(edition.results))
    document["seed"] += 1
    forged = publishing.canonical(document)
    found = verification.verify_edition(touch(edition, results=forged))
    assert "results: its digest is not the stored one" in found
    assert "results: the package holds other bytes than the edition" in found
    assert "results: not the evaluation that was approved" in found
    # with the digest of the part put right, the edition's own gives it away
    found = verification.verify_edition(touch(edition, results_sha256=publishing.sha256(forged)))
    assert "edition: its digest is not that of its parts and of the edition before" in found


def test_a_package_that_is_no_zip_is_told_as_a_difference(edition):
    found = verification.verify_edition(touch(edition, package=b"gone"))
    assert found[0] == "package: its digest is not the stored one"
    assert "found no readable zip" in found[-1]


def test_a_part_written_over_as_text_is_told(edition):
    """SQLite keeps text in a column of bytes, as an UPDATE with replace() leaves it there."""
    from specimens import guards

    if connection.vendor != "sqlite":
        forged = touch(edition, page=bytes(edition.page).replace(b"Spray", b"Sprig"))
    else:
        with guards.lifted(), connection.cursor() as cursor:
            cursor.execute("UPDATE comparisons_edition SET page = replace(CAST(page AS TEXT), 'pray', 'prig')")
        forged = Edition.objects.get(pk=edition.pk)
    assert "page: its digest is not the stored one" in verification.verify_edition(forged)


def test_a_chain_with_another_first_edition_is_told(edition):
    second = publish_sprays("More words.")
    touch(edition, sha256="0" * 64)
    found = verification.verify_edition(Edition.objects.get(pk=second.pk))
    assert "edition: its digest is not that of its parts and of the edition before" in found
    assert any(line.startswith("edition/edition.json, previous") for line in found)


# agreement of two documents

DOCUMENT = {
    "engine": "1.0.0",
    "summaries": [
        {"trial": "loop", "product": "alder", "mean": 61.2, "n": 10, "flags": ["one_unit"], "sd": None},
    ],
    "scorecards": [
        {
            "weighting": "general", "draws": 10_000,
            "products": [
                {
                    "product": "alder", "score": 71.5, "p_best": 0.5, "p_best_mc": 0.003,
                    "p_rank": [0.5, 0.5], "p_rank_mc": [0.003, 0.003], "p_meets": 0.5,
                    "ci": [60.0, 80.0], "ci_mc": [0.1, 0.2], "rank_interval": [1, 3],
                }
            ],
            "beats": {"alder": {"birch": 0.75}}, "beats_mc": {"alder": {"birch": 0.004}},
        }
    ],
    "next_tests": [{"trial": "loop", "product": "alder", "p_wrong_now": 0.5}],
}  # fmt: skip


def changed(path: list, value) -> list[str]:
    other = copy.deepcopy(DOCUMENT)
    at = other
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    return differences(DOCUMENT, other)


MEAN = ["summaries", 0, "mean"]
ALDER = ["scorecards", 0, "products", 0]
BEST, RANK, MEETS, CI = [*ALDER, "p_best"], [*ALDER, "p_rank", 1], [*ALDER, "p_meets"], [*ALDER, "ci", 1]
BEATS = ["scorecards", 0, "beats", "alder", "birch"]
SCORE = [*ALDER, "score"]
WRONG = ["next_tests", 0, "p_wrong_now"]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (["engine"], "2.0.0"), (MEAN, 61.2 * (1 + 9e-9)), (SCORE, 71.5 * (1 - 9e-9)), (["summaries", 0, "n"], 10.0),
        # within two of the stated errors: 0.003, 0.003, 0.004, 0.2
        (BEST, 0.5059), (RANK, 0.4941), (BEATS, 0.7579), (CI, 80.39),
        # within two binomial errors at 10,000 draws: 2 * 0.005
        (MEETS, 0.5099), (WRONG, 0.4901),
        ([*ALDER, "rank_interval"], [1, 2]), ([*ALDER, "p_best_mc"], 0.0031),
    ],
)  # fmt: skip
def test_what_agrees(path, value):
    assert changed(path, value) == []


@pytest.mark.parametrize(
    ("path", "value", "line"),
    [
        (MEAN, 61.2 * (1 + 2e-8), "summaries[loop alder].mean: 61.2 published, 61.2000012"),
        (MEAN, None, "summaries[loop alder].mean: 61.2 published, None found again"),
        (MEAN, "61.2", "summaries[loop alder].mean: 61.2 published, '61.2' found again"),
        (["summaries", 0, "sd"], 0.0, "summaries[loop alder].sd: None published, 0.0 found again"),
        (["summaries", 0, "n"], True, "summaries[loop alder].n: 10 published, True found again"),
        (["summaries", 0, "flags"], [], "summaries[loop alder].flags: 1 published, 0 found again"),
        (["summaries", 0, "unit"], "N", "summaries[loop alder].unit: found now, but not published"),
        (BEST, 0.507, "scorecards[general].products[alder].p_best: 0.5 published"),
        (RANK, 0.493, "scorecards[general].products[alder].p_rank[1]: 0.5 published"),
        (BEATS, 0.759, "scorecards[general].beats.alder.birch: 0.75 published"),
        (CI, 80.5, "scorecards[general].products[alder].ci[1]: 80.0 published"),
        (MEETS, 0.5102, "scorecards[general].products[alder].p_meets: 0.5 published"),
        (WRONG, 0.4898, "next_tests[loop alder].p_wrong_now: 0.5 published"),
        (SCORE, 71.6, "scorecards[general].products[alder].score: 71.5 published"),
        ([*ALDER, "rank_interval"], [1, 5], "scorecards[general].products[alder].rank_interval[1]: 3 published"),
        (["scorecards"], [], "scorecards: 1 published, 0 found again"),
        (["claims"], [], "claims: found now, but not published"),
    ],
)
def test_what_does_not_agree(path, value, line):
    (found,) = changed(path, value)
    assert found.startswith(line)


def test_a_forged_error_does_not_widen_what_it_is_held_to():
    forged = copy.deepcopy(DOCUMENT)
    card = forged["scorecards"][0]
    card["draws"] = 4
    card["products"][0] |= {"p_best": 0.9, "p_best_mc": 1.0, "p_meets": 0.9}
    assert len(differences(forged, DOCUMENT)) == 4


def test_another_engine_may_say_more_but_not_less():
    more = copy.deepcopy(DOCUMENT) | {"engine": "2.0.0", "value": []}
    more["summaries"][0]["huber"] = 61.0
    assert differences(DOCUMENT, more) == []
    assert differences(more, DOCUMENT) == [
        "summaries[loop alder].huber: published, but not found again",
        "value: published, but not found again",
    ]  # fmt: skip


def test_many_differences_are_counted():
    other = copy.deepcopy(DOCUMENT)
    other["summaries"] = [{"trial": f"t{i}", "mean": 1} for i in range(200)]
    mine = DOCUMENT | {"summaries": [{"trial": f"t{i}", "mean": 2} for i in range(200)]}
    found = differences(mine, other)
    assert len(found) == 51 and found[-1] == "and 150 more differences"


def test_the_error_of_draws_is_the_binomial_one():
    """The standard error of k of n: scipy.stats.binom.std(n, p) / n."""
    from scipy.stats import binom

    for p in (0.01, 0.3, 0.5, 0.97):
        assert share_error(p, 20_000) == pytest.approx(binom.std(20_000, p) / 20_000, rel=1e-12)
    assert share_error(0.0, 20_000) == share_error(1.0, 20_000) == 1 / 20_000


def test_no_database_is_asked_about_a_path(package):
    with connection.execute_wrapper(_refuse):
        assert verification.verify_path(package) == []


def _refuse(execute, sql, params, many, context):
    raise AssertionError(f"asked the database: {sql}")
