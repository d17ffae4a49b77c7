"""Editions made straight from tables, for tests of what readers get: no draft stands behind them."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

from django.contrib.auth.models import User

from comparisons.analysis import evaluate
from comparisons.folder.exporter import write_zip
from comparisons.folder.public import public_form
from comparisons.folder.read import read_study
from comparisons.folder.tables import Tables
from comparisons.load import study_from_tables
from comparisons.models import Approval, ApprovalRequest, Comparison, Edition, Evaluation, Withdrawal
from comparisons.page import build_page
from comparisons.published_search import index_edition
from comparisons.services.publishing import canonical, manifest_sha256, sha256
from tests.public.small_study import small_study

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
FIRST_DAY = datetime(2026, 3, 1, 12, tzinfo=UTC)


@lru_cache
def demo() -> Tables:
    return read_study(DEMO)


@lru_cache
def small(slug: str = "strings", products: int = 2, units: int = 2, per_unit: int = 2) -> Tables:
    return small_study(slug, products, units, per_unit)


_documents: dict[int, tuple] = {}  # by the tables' identity: most tests freeze the same few


def parts_of(tables: Tables) -> tuple[dict, dict, bytes]:
    """Results, page and package of a study as they would be frozen."""
    if id(tables) not in _documents:
        public = public_form(tables)
        document = json.loads(canonical(evaluate(study_from_tables(tables))))
        page = build_page(public, document)
        buffer = io.BytesIO()
        write_zip(public, buffer, {"edition/results.json": canonical(document)})
        _documents[id(tables)] = (tables, document, page, buffer.getvalue())
    return _documents[id(tables)][1:]


def freeze(
    tables: Tables | None = None, *, edit: Callable[[dict], None] | None = None, withdrawn: str = "", **fields
) -> Edition:
    """The next edition of the tables' comparison. edit: changes the page before it is frozen."""
    tables = tables or small()
    slug = tables.comparison["slug"]
    comparison, _ = Comparison.objects.get_or_create(
        slug=slug, defaults={"title": "Draft title", "question": "Draft question?", "currency": "EUR"}
    )
    asking, deciding = (User.objects.get_or_create(username=name)[0] for name in ("asks", "decides"))
    results, page, package = parts_of(tables)
    page = json.loads(json.dumps(page))
    if edit:
        edit(page)
    results_bytes, page_bytes = canonical(results), canonical(page)
    previous = comparison.editions.order_by("-number").first()
    number = previous.number + 1 if previous else 1
    evaluation = Evaluation.objects.create(
        comparison=comparison, inputs_digest=hashlib.sha256(f"{slug}{number}".encode()).hexdigest(), engine="test",
        schema=results["schema"], document=results_bytes.decode(),
    )
    request = ApprovalRequest.objects.create(
        comparison=comparison, evaluation=evaluation, digest="0" * 64, requested_by=asking, **fields
    )
    approval = Approval.objects.create(
        request=request, verdict="approved", requested_by=asking, approved_by=deciding
    )
    digests = {"package": sha256(package), "results": sha256(results_bytes), "page": sha256(page_bytes)}
    edition = Edition.objects.create(
        comparison=comparison, number=number, approval=approval, evaluation=evaluation, previous=previous,
        published_at=FIRST_DAY + timedelta(days=number), package=package, results=results_bytes, page=page_bytes,
        **{f"{part}_sha256": digest for part, digest in digests.items()},
        sha256=manifest_sha256(**digests, previous=previous.sha256 if previous else None), **fields,
    )  # fmt: skip
    index_edition(edition, page)
    if withdrawn:
        Withdrawal.objects.create(edition=edition, reason=withdrawn, withdrawn_by=deciding)
    return edition


def drop(code: str) -> Callable[[dict], None]:
    """Takes a product out of a page."""

    def edit(page: dict) -> None:
        page["products"] = [one for one in page["products"] if one["code"] != code]
        page["sheets"].pop(code)

    return edit


def older(page: dict) -> None:
    """A page as it was frozen before products and methods had pages of their own."""
    del page["sheets"], page["method_sheets"]
