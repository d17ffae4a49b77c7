"""An edition as a PDF: the same content as its page, made once, with nothing fetched."""

from __future__ import annotations

import importlib.abc
import io
import json
import re
import sys
import zipfile

import pypdfium2
import pytest
from django.db import DatabaseError, transaction
from django.urls import reverse

from comparisons import jobs
from comparisons.models import EditionReport, Job
from comparisons.models.editions import JobKind
from comparisons.services import reports
from comparisons.services.errors import NotReady
from tests.public.staging import published

pytestmark = pytest.mark.django_db


def squeezed(text: str) -> str:
    """Text without spaces and hyphens: a setter breaks lines where it likes."""
    return re.sub(r"[\s\u00ad\u200b\ufffe-]+", "", text)


def text_of(content: bytes) -> str:
    document = pypdfium2.PdfDocument(content)
    return squeezed("".join(page.get_textpage().get_text_bounded() for page in document))


@pytest.fixture
def pdf(edition):
    return reports.make_report(edition)


def test_the_pdf_says_what_the_page_says(edition, pdf):
    page = json.loads(bytes(edition.page))
    text = text_of(bytes(pdf.content))
    told = [page["title"], page["question"], page["counts"], page["answer"]["lead"]]
    for ranking in page["rankings"]:
        told += [row["name"] for row in ranking["rows"]]
    for table in page["claims"]:
        for row in table["rows"]:
            told += [row["name"], row["statement"], row["measured"]["text"], row["likely"]]
    for trial in page["trials"]:
        told.append(trial["title"])
    assert len(told) > 12
    assert [one for one in told if one and squeezed(one).lower() not in text.lower()] == []
    assert edition.sha256 in text and "Westandbyit." in text
    assert pdf.pages >= 2


def test_it_is_made_once_and_would_be_the_same_again(edition, pdf):
    assert reports.make_report(edition).pk == pdf.pk
    content, pages, engine = reports.to_pdf(edition)
    assert content == bytes(pdf.content) and (pages, engine) == (pdf.pages, pdf.engine)
    with pytest.raises(DatabaseError, match="never changed"), transaction.atomic():
        EditionReport.objects.update(pages=1)


def test_a_worker_makes_it_and_the_address_hands_it_out(edition, client):
    address = reverse("edition-report", args=["strings", 1])
    before = client.get(address)
    assert before.status_code == 404 and b"not made yet" in before.content
    jobs.enqueue(JobKind.REPORT, edition.comparison, "report-1")
    assert [job.status for job in jobs.drain()] == ["done"]
    answer = client.get(address)
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    assert answer.content.startswith(b"%PDF-") and "immutable" in answer["Cache-Control"]
    assert client.get(address, HTTP_IF_NONE_MATCH=answer["ETag"]).status_code == 304
    assert client.get(reverse("edition-report", args=["strings", 999])).status_code == 404


@pytest.mark.report
def test_publishing_has_it_made(cast):
    edition = published(cast)
    assert [job.kind for job in Job.objects.order_by("id")] == [JobKind.PUBLISH, JobKind.REPORT]
    assert bytes(edition.report.content).startswith(b"%PDF-")


def test_where_the_libraries_are_absent_it_says_which(edition, monkeypatch):
    class Absent(importlib.abc.MetaPathFinder):
        def find_spec(self, name, path=None, target=None):
            if name.split(".")[0] == "weasyprint":
                raise OSError("cannot load library 'libpango-1.0-0'")

    import comparisons.services as services

    for name in [n for n in sys.modules if n.split(".")[0] == "weasyprint" or n.endswith("services.typesetting")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delattr(services, "typesetting", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Absent(), *sys.meta_path])
    with pytest.raises(NotReady, match="libpango-1.0-0.*apt-get"):
        reports.to_pdf(edition)


@pytest.mark.parametrize("path", ["/etc/passwd", "/c/strings/editions/1/files/../../x", "/static/../secret", "/desk/"])
def test_nothing_else_is_read(path):
    from comparisons.services.typesetting import _Fetcher

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr("files/pack.jpg", b"picture")
    fetcher = _Fetcher("/c/strings/editions/1/", zipfile.ZipFile(out))
    assert fetcher._bytes("/c/strings/editions/1/files/pack.jpg") == b"picture"
    assert b"{" in fetcher._bytes("/static/css/range.css")
    with pytest.raises(Exception, match="not part of the edition|traversal|outside"):
        fetcher._bytes(path)
