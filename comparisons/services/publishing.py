"""Publishing: a standing approval becomes an edition that never changes."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable
from pathlib import Path

from django.db import transaction
from django.utils import timezone

from comparisons.models import Comparison, Edition
from comparisons.models.editions import JobKind
from comparisons.published_search import index_edition

from .approval import PUBLISHED, latest_request, unpublished_approval
from .corrections import require_not_withdrawn
from .errors import NotReady, Stale
from .evaluation import State, read_state
from .readiness import points, require_not_held, require_ready
from .record import hold_still, record
from .roles import EDITOR, role_name
from .tied import require_carried

EDITION_SCHEMA = "evenhand-edition/1"
RESULTS, PAGE, ABOUT = "edition/results.json", "edition/page.json", "edition/edition.json"


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def canonical(value) -> bytes:
    """JSON in one fixed spelling: sorted keys, no spaces, UTF-8; ValueError on NaN and infinity."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode()


def manifest_sha256(package: str, results: str, page: str, previous: str | None) -> str:
    """The digest of an edition: over the digests of its three parts and that of the edition before."""
    return sha256(canonical({"package": package, "results": results, "page": page, "previous": previous}))


def publish(comparison: Comparison, *, actor=None, fence: Callable[[], None] | None = None) -> Edition:
    """Freeze the approved draft as the next edition.

    NotReady where no approval stands, or a point came up since that stops; Stale where the draft is no longer
    what was approved. `fence` is called inside the transaction that writes; it raises where the work was taken over.
    The package is the public study zip with the results and the page in it. It cannot hold its own
    digest; whoever has it can work out that of the edition, since it names the one before.
    """
    from comparisons.folder.exporter import write_zip
    from comparisons.page import build_page

    approval = unpublished_approval(comparison)
    if approval is None:
        raise NotReady(_why_nothing_to_publish(comparison))
    request = approval.request
    evaluation = request.evaluation
    state = read_state(comparison)
    if state.approval_digest != request.digest or state.inputs_digest != evaluation.inputs_digest:
        raise Stale("The draft has changed since it was approved: evaluate it and ask for approval again.")
    require_carried(comparison, evaluation, state.tables)
    require_ready(points(comparison, state=state, evaluation=evaluation))
    require_not_withdrawn(comparison, request.digest)
    results = evaluation.document.encode()
    page = canonical(build_page(state.tables, json.loads(evaluation.document)))
    previous = _newest(comparison)
    number = previous.number + 1 if previous else 1
    published_at = timezone.now().replace(microsecond=0)
    about = {
        "schema": EDITION_SCHEMA,
        "comparison": comparison.slug,
        "number": number,
        "published_at": published_at.isoformat().replace("+00:00", "Z"),
        "inputs_digest": state.inputs_digest,
        "approval_digest": state.approval_digest,
        "engine": evaluation.engine,
        "results_schema": evaluation.schema,
        "results_sha256": sha256(results),
        "page_sha256": sha256(page),
        "page_builder": page_builder(),
        "previous": previous.sha256 if previous else None,
        "asked_by": role_name(request.requested_by),
        "approved_by": EDITOR,
    }
    if request.corrects_since is not None:  # earlier editions have no such part
        about["correction"] = correction_told(request)
    buffer = io.BytesIO()
    write_zip(state.tables, buffer, {RESULTS: results, PAGE: page, ABOUT: canonical(about)})
    package = buffer.getvalue()
    _require_readable(package, state)
    digests = {"package": sha256(package), "results": sha256(results), "page": sha256(page)}
    with transaction.atomic():
        if fence is not None:
            fence()
        hold_still(comparison)
        still = unpublished_approval(comparison)
        newest = _newest(comparison)
        require_not_held(comparison)
        if still is None or still.pk != approval.pk or (newest and newest.pk) != (previous and previous.pk):
            raise Stale("Another edition or request came in between: look at it, then publish again.")
        edition = Edition.objects.create(
            comparison=comparison, number=number, approval=approval, evaluation=evaluation, previous=previous,
            published_at=published_at, package=package, results=results, page=page,
            **{f"{part}_sha256": digest for part, digest in digests.items()},
            sha256=manifest_sha256(**digests, previous=about["previous"]), correction=request.correction,
            correction_why=request.correction_why, corrects_since=request.corrects_since,
        )
        index_edition(edition, json.loads(page))
        record(
            actor, PUBLISHED, comparison=comparison, thing="edition", code=str(number),
            after={"sha256": edition.sha256, "draft_event": state.event_id},
        )
        ask_for_report(edition, actor=actor)
    return edition


def ask_for_report(edition: Edition, *, actor=None) -> None:
    """Have the PDF of an edition made by a worker (`services.reports`)."""
    from comparisons import jobs

    jobs.enqueue(JobKind.REPORT, edition.comparison, f"report-{edition.number}", actor)


def correction_told(row) -> dict | None:
    """What a package says of its edition's correction, from the edition or its request; None where there is none."""
    if row.corrects_since is None:
        return None
    return {"what": row.correction, "why": row.correction_why, "since": row.corrects_since}


def page_builder() -> str:
    """A digest of what makes pages: our own source and the libraries that write into them.

    Another builder may word the same results differently; `verify` builds a page again only where the
    builder is the one that made it.
    """
    from importlib.metadata import version

    from comparisons import pages

    digest = hashlib.sha256()
    for path in sorted(Path(pages.__file__).parent.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    for library in ("markdown-it-py", "nh3", "plotly"):
        digest.update(f"{library} {version(library)}\n".encode())
    return digest.hexdigest()


def _require_readable(package: bytes, state: State) -> None:
    """What cannot be read back as what was approved is not frozen for ever."""
    from comparisons.folder.digest import approval_digest, inputs_digest
    from comparisons.folder.read import StudyError, read_study

    try:
        tables = read_study(io.BytesIO(package))
    except StudyError as error:
        raise NotReady(f"The public study cannot be read back: {error.lines[0]}") from error
    if inputs_digest(tables) != state.inputs_digest or approval_digest(tables) != state.approval_digest:
        raise NotReady("The public study does not say what was approved: tell whoever runs this server.")


def _newest(comparison: Comparison) -> Edition | None:
    return comparison.editions.only("id", "number", "sha256").order_by("-number").first()


def _why_nothing_to_publish(comparison: Comparison) -> str:
    request = latest_request(comparison)
    approval = getattr(request, "approval", None)
    if request is None:
        return "Nobody has asked for approval: evaluate the draft, ask for approval, then publish."
    if approval is None:
        return "Nobody has decided on the request for approval: an editor has to approve it first."
    if edition := Edition.objects.filter(approval=approval).only("number").first():
        return f"What was approved is published as edition {edition.number}: ask for approval of what is new."
    return "The request for approval was returned: put it right, evaluate, and ask again."
