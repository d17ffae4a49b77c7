"""Whether a draft may be approved: each point that is open, where it is settled, and the reasons given.

A point stops, or asks for a written reason, or only points at something. What is asked for is computed from
the study's tables and its results document (`readiness_points`); gauges found wrong and readings in conflict are
looked up each time. A reason is published beside the point that it is about (a Limitation): where the point has come to
say something else since, the reason has to be given anew.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

from django.core.cache import cache
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from comparisons.models import Comparison, Evaluation, Limitation
from specimens.models import Attachment, Conflict
from specimens.models.bench import ConflictKind

from .claiming import claim_points
from .errors import NotReady, Stale
from .evaluation import StandingView, State, read_state, standing
from .faults import open_faults, readings_of
from .products import purchase_points
from .readiness_points import Point, code_of, points_of_study
from .record import hold_still, record
from .roles import require_preparer
from .wording import said

GROUPS = (
    ("draft", "The draft"), ("plan", "Plan"), ("products", "Products and purchases"),
    ("bench", "Trials and readings"), ("gauges", "Instruments"),
    ("claims", "Claims"), ("scores", "Scores and awards"), ("article", "Article and photos"),
    ("limits", "Reasons that are no longer about anything"),
)  # fmt: skip
GONE = "gone."
KEPT_S = 24 * 3600


# -- what is open ----------------------------------------------------------------------------------------


def points(comparison: Comparison, *, state: State | None = None, evaluation: Evaluation | None = None) -> list[Point]:
    """Every point of a comparison's draft, in the order of GROUPS, with the reason where one was given for it.

    state, evaluation: the draft read whole, and its evaluation, where the caller holds them; else they are looked
    up, and what rests on them alone is kept for as long as the record names no later change.
    """
    view = standing(comparison)
    if state is not None:
        found = _computed(comparison, state.tables, evaluation)
    else:
        found = _kept(comparison, view)
    found = _of_standing(comparison, view, evaluation) + found + _of_gauges(comparison) + _of_conflicts(comparison)
    return _with_reasons(comparison, found)


def open_points(found: list[Point]) -> list[Point]:
    """The points that keep a draft from being approved, those first that no reason settles."""
    return sorted((point for point in found if point.open), key=lambda point: not point.stops)


def require_ready(found: list[Point]) -> None:
    """NotReady, naming the first open point and how many there are."""
    if waiting := open_points(found):
        more = f" (and {len(waiting) - 1} more)" if len(waiting) > 1 else ""
        do = "Settle it" if waiting[0].stops else "Settle it, or write the reason why it stays"
        raise NotReady(f"Not ready: {waiting[0].text.rstrip('.')}{more}. {do}, on the check page.")


def holds(comparison: Comparison) -> list[Point]:
    """What holds the draft whatever its results say: gauges in doubt, readings in conflict."""
    return _of_gauges(comparison) + _of_conflicts(comparison)


def require_not_held(comparison: Comparison) -> None:
    """NotReady while a gauge that the draft rests on is in doubt, or readings of it are in conflict.

    No digest covers these: they may come up after approval was asked for.
    """
    require_ready(holds(comparison))


def _kept(comparison: Comparison, view: StandingView) -> list[Point]:
    """What is computed, read once for a state of the draft. The day counts: dates of claims may lie ahead."""
    from .record import last_draft_event

    evaluation = view.evaluation
    key = (
        f"points:{comparison.pk}:{evaluation.pk if evaluation else 0}:{last_draft_event(comparison)}"
        f":{timezone.localdate()}"
    )
    found = cache.get(key)
    if found is None:
        found = _computed(comparison, read_state(comparison).tables, evaluation)
        cache.set(key, found, KEPT_S)
    return found


def _computed(comparison: Comparison, tables, evaluation: Evaluation | None) -> list[Point]:
    document = json.loads(evaluation.document) if evaluation else None
    return [
        *points_of_study(comparison.slug, tables, document), *_of_claims(comparison), *_of_products(comparison),
        *_of_pictures(comparison),
    ]  # fmt: skip


def _of_standing(comparison: Comparison, view: StandingView, evaluation: Evaluation | None) -> list[Point]:
    home = f"{reverse('desk-comparison', args=[comparison.slug])}#next"
    if evaluation is None and view.evaluation is None:
        return [Point("draft.not-evaluated", "draft", "The draft is not evaluated yet.", home, stops=True)]
    if evaluation is None and not view.fresh:
        text = "The draft has changed since it was evaluated: evaluate it, then look at this list again."
        return [Point("draft.stale", "draft", text, home, stops=True)]
    return []


_PLAIN_CLAIMS = {  # kinds of points that are said once for all products of a property
    "no_source": "where claims were seen is not written down",
    "no_wording": "the wording of claims as printed is not written down",
    "no_date": "when claims were seen is not written down",
    "not_looked_up": "claimed, and not looked up in the issuer’s directory",
    "not_looked_for": "not looked for yet",
}


_HINTS = {"not_as_printed"}  # an amount may be written down in another unit than it is printed in


def _of_claims(comparison: Comparison) -> list[Point]:
    link = reverse("desk-claims", args=[comparison.slug])
    parts = list(comparison.parts.select_related("programme").order_by("prefix", "id"))
    found: list[Point] = []
    for part in parts:
        prefix = f"{part.prefix or part.programme_id}." if len(parts) > 1 else ""
        together: dict[tuple[str, str, bool], list[str]] = {}
        for row in claim_points(part.programme):
            kind = row["kind"]
            if kind in _PLAIN_CLAIMS:
                together.setdefault((kind, row["property"], row["stops"]), []).append(row["product"])
            else:
                place = code_of("claim", kind.replace("_", "-"), prefix + row["claim"])
                if any(point.code == place for point in found):  # one claim, two remarks of a kind
                    place = code_of(place, hashlib.sha256(row["text"].encode()).hexdigest()[:8])
                asks = row["stops"] or kind not in _HINTS
                found.append(Point(place, "claims", _sentence(row["text"]), link, stops=row["stops"], asks=asks))
        if together:
            names = {p.code: str(p) for p in part.programme.products.select_related("product")}
            titles = {p.code: str(p) for p in part.programme.properties.all()}
            for (kind, prop, stops), products in together.items():
                who = "; ".join(dict.fromkeys(names[code] for code in products))
                text = f"{titles[prop]}: {_PLAIN_CLAIMS[kind]} ({who})."
                place = code_of("claims", kind.replace("_", "-"), prefix + prop)
                found.append(Point(place, "claims", text, link, stops=stops))
    return found


def _of_products(comparison: Comparison) -> list[Point]:
    """How products were obtained: only another currency stops, the rest is pointed out."""
    parts = list(comparison.parts.select_related("programme").order_by("prefix", "id"))
    found = []
    for part in parts:
        prefix = f"{part.prefix or part.programme_id}." if len(parts) > 1 else ""
        for i, row in enumerate(purchase_points(part.programme)):
            code = code_of("product", row["kind"].replace("_", "-"), f"{prefix}{row['code']}", str(i))
            link = reverse("desk-product", args=[comparison.slug, row["product"]])
            found.append(Point(code, "products", f"{row['text']}.", link, stops=row["stops"], asks=row["stops"]))
    return found


def _sentence(text: str) -> str:
    from comparisons.pages.words import sentence

    return sentence(text)


def _of_pictures(comparison: Comparison) -> list[Point]:
    """Photos for readers that nobody has described, each with its own link."""
    from comparisons.folder.digest import is_public
    from comparisons.pages.live import PICTURES

    rows = Attachment.objects.filter(programme__parts__comparison=comparison, alt="").order_by("path")
    found = []
    for pk, path, about, kind, caption in rows.values_list("pk", "path", "about", "kind", "caption"):
        if not is_public(about, kind) or not path.lower().endswith(PICTURES):
            continue
        name = path.removeprefix("files/")
        link = reverse("desk-attachment", args=[comparison.slug, pk])
        if caption.strip():
            text = f"The photo {name} has no alternative text: its caption stands in for it."
            found.append(Point(code_of("photo", str(pk)), "article", text, link, stops=False, asks=False))
        else:
            text = f"The photo {name} has neither alternative text nor caption: say in a sentence what it shows."
            found.append(Point(code_of("photo", str(pk)), "article", text, link, stops=True))
    return found


def _of_gauges(comparison: Comparison) -> list[Point]:
    """Gauges found wrong whose readings the draft rests on, while nobody has decided what that means."""
    from comparisons.pages.words import day

    found = []
    programmes = list(comparison.parts.values_list("programme_id", flat=True))
    for fault in open_faults():
        count = readings_of(fault).filter(programme__in=programmes, void__isnull=True, replaced_by__isnull=True).count()
        if count:
            until = f" to {day(fault.until.isoformat())}" if fault.until else " on"
            text = (
                f"{fault.instrument} was found wrong (from {day(fault.since.isoformat())}{until}), and {count} "
                f"{'reading rests' if count == 1 else 'readings rest'} on it: an editor has to decide what that means."
            )
            link = reverse("desk-fault", args=[fault.pk])
            found.append(Point(f"gauge-fault.{fault.pk}", "gauges", text, link, stops=True))
    return found


def _of_conflicts(comparison: Comparison) -> list[Point]:
    """Readings of the bench that contradict each other and that nobody has looked at, trial by trial."""
    rows = Conflict.objects.filter(trial__programme__parts__comparison=comparison, seen_at__isnull=True)
    by_trial: dict[tuple, list[str]] = {}
    for trial, programme, code, kind in rows.order_by("trial", "found_at").values_list(
        "trial_id", "trial__programme__slug", "trial__code", "kind"
    ):
        by_trial.setdefault((trial, programme, code), []).append(kind)
    found = []
    for (trial, programme, code), kinds in by_trial.items():
        what = ", ".join(f"{ConflictKind(kind).label} ({kinds.count(kind)})" for kind in dict.fromkeys(kinds))
        text = f"Trial {code}: readings in conflict that nobody has looked at: {what}."
        link = reverse("bench-plan", args=[programme, code])
        found.append(Point(f"conflict.{trial}", "bench", text, link, stops=True))
    return found


# -- reasons ---------------------------------------------------------------------------------------------


def _with_reasons(comparison: Comparison, found: list[Point]) -> list[Point]:
    """The points with the reasons that hold for them, and those reasons that hold for nothing any more."""
    given = {row.point: row for row in comparison.limitations.all()}
    made = []
    for point in found:
        row = given.get(point.code) if point.takes_reason else None
        if row is not None:
            del given[point.code]
            holds = row.what == point.text
            point = replace(point, reason=row.reason if holds else "", earlier="" if holds else row.reason)
        made.append(point)
    link = f"{reverse('desk-check', args=[comparison.slug])}#gone"
    for code, row in sorted(given.items()):
        text = f"A reason stands for “{row.what.rstrip('.')}”, which is settled: take the reason back."
        made.append(Point(GONE + code, "limits", text, link, stops=True, earlier=row.reason))
    order = {key: at for at, (key, _) in enumerate(GROUPS)}
    return sorted(made, key=lambda point: order[point.kind])


def seen_of(point: Point) -> str:
    """What a form carries to tell whether a point, or the reason for it, is another one now."""
    return hashlib.sha256("\x1f".join((point.text, point.reason, point.earlier)).encode()).hexdigest()[:16]


class Clash(Stale):
    """Somebody else gave a reason for the same point, or the point says something else now. Nothing was written."""

    def __init__(self, codes: list[str]):
        self.codes = codes
        one = len(codes) == 1
        super().__init__(
            f"{'One point' if one else f'{len(codes)} points'} changed while you had this page open. Your words are "
            f"still in the {'field' if one else 'fields'} below, and nothing was stored: look at what is there now, "
            "then save again."
        )


def give_reasons(comparison: Comparison, *, actor, reasons: dict[str, str], seen: dict[str, str]) -> int:
    """Store a reason for each of these points; a blank one takes it back. How many changed.

    seen: by code, `seen_of` the point as the form showed it. Clash: a point is not as it was seen. NotReady: a
    reason is too long, or its point takes none.
    """
    require_preparer(actor, "give a reason for a point")
    words = {code: said(text, "reason") for code, text in reasons.items()}
    known = {point.code: point for point in points(comparison)}
    changed = 0
    with transaction.atomic():
        hold_still(comparison)
        rows = {row.point: row for row in comparison.limitations.select_for_update()}
        # as they are now, under the lock
        bare = [replace(point, reason="", earlier="") for point in known.values() if point.kind != "limits"]
        current = {point.code: point for point in _with_reasons(comparison, bare)}
        moved = [
            code for code, text in words.items()
            if code not in current and text
            or code in current and seen.get(code) != seen_of(current[code]) and text != current[code].reason
        ]  # fmt: skip
        if moved:
            raise Clash(moved)
        for code, text in words.items():
            point, row = current.get(code), rows.get(code)
            if point is None or not point.takes_reason:
                if text:
                    raise NotReady(f"No reason settles this: {point.text if point else code}")
                continue
            before = {"what": row.what, "reason": row.reason} if row else None
            after = {"what": point.text, "reason": text} if text else None
            if before == after:
                continue
            if after is None:
                row.delete()
            else:
                Limitation.objects.update_or_create(comparison=comparison, point=code, defaults=after)
            record(
                actor, "gave a reason" if after else "took a reason back", comparison=comparison, thing="limitation",
                code=code, before=before, after=after, why=text, changes_draft=True,
            )  # fmt: skip
            changed += 1
    return changed


def take_back_settled(comparison: Comparison, *, actor) -> int:
    """Take back the reasons that are about nothing any more; how many."""
    require_preparer(actor, "take a reason back")
    gone = [point.code.removeprefix(GONE) for point in points(comparison) if point.kind == "limits"]
    with transaction.atomic():
        hold_still(comparison)
        rows = list(comparison.limitations.filter(point__in=gone))
        for row in rows:
            before = {"what": row.what, "reason": row.reason}
            code = row.point
            row.delete()
            record(
                actor, "took a reason back", comparison=comparison, thing="limitation", code=code, before=before,
                why="its point is settled", changes_draft=True,
            )  # fmt: skip
    return len(rows)
