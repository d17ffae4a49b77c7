"""What makers claim: written down as printed, from each source; which source governs, and why.

A claim is what one source says of one property of one product. Where sources disagree nothing is judged
in public until an editor says which governs and why; all of them stay (`analysis.claims.conflicts_of`). A
certification is a claim with a state; of one that was not found the team says that it could not verify it
on that day, and no more.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from comparisons.models import Comparison
from specimens.models import Claim, Programme, ProgrammeProduct, Property
from specimens.models.base import CODE_LENGTH
from specimens.models.claims import CertificationState, Sense
from specimens.printed import disagreements, holds

from . import editing
from .errors import NotAllowed, NotReady, Stale
from .products import free_code
from .record import lock_programme, record
from .roles import is_editor, require_editor, require_preparer
from .row_checks import cells_of, check_row, stored_tables

COPIED = (
    "property", "trial", "condition", "of", "sense", "value", "low", "high", "tolerance_minus", "tolerance_plus",
    "unit", "scope", "source", "wording", "seen_on", "not_tested_because",
)  # fmt: skip
# Which amounts a claim of that sense holds.
AMOUNTS = {
    "at_least": {"value"}, "at_most": {"value"}, "nominal": {"value", "tolerance_minus", "tolerance_plus"},
    "between": {"low", "high"}, "yes": set(),
}  # fmt: skip
LABELS = {"value": "value", "low": "lower end", "high": "upper end", "tolerance_minus": "tolerance below",
          "tolerance_plus": "tolerance above"}  # fmt: skip


# -- writing down ----------------------------------------------------------------------------------------


def claim_code(product: str, prop: str, taken) -> str:
    """A free code for a claim: the product's and the property's, numbered from the second."""
    return free_code(f"{product}-{prop}"[: CODE_LENGTH - 6].strip("-._"), taken)


def check_claim(claim: Claim) -> None:
    """Raise editing.Invalid, by field, where a claim breaks a rule of the study folder or of good record keeping."""
    errors: dict[str, list[str]] = defaultdict(list)
    belongs = AMOUNTS.get(claim.sense, set())
    for name, label in LABELS.items():
        if getattr(claim, name) is not None and name not in belongs:
            errors[name].append(f"Found a {label}, which a claim of “{claim.get_sense_display()}” does not have.")
    if claim.certification_state == CertificationState.VERIFIED and not claim.reference.strip():
        errors["reference"].append("Found nothing, expected the number of the entry in the issuer’s directory.")
    if claim.not_tested_because.strip() and claim.trial_id:
        errors["not_tested_because"].append(
            "Found a reason beside a trial that tests the claim, expected one of the two."
        )
    try:
        check_row(
            claim.programme, "claims", cells_of(claim, "claims"), {"claim": "", "product": "", "property": ""},
            replacing={claim.code},
        )  # fmt: skip
    except editing.Invalid as invalid:
        for name, lines in invalid.errors.items():
            errors[name] += lines
    if errors:
        raise editing.Invalid(dict(errors))


def add_claim(actor, claim: Claim, *, comparison: Comparison | None = None) -> Claim:
    """Write a claim down. Invalid where it may not be."""
    require_preparer(actor, "write down a claim")
    with transaction.atomic():
        lock_programme(claim.programme)
        if not claim.code:
            taken = set(claim.programme.claims.values_list("code", flat=True))
            claim.code = claim_code(claim.product.code, claim.property.code, taken)
        check_claim(claim)
        return editing.create(actor, claim, comparison=comparison, programme=claim.programme, thing="claim")


def change_claim(actor, claim: Claim, values: dict, *, seen: str, comparison: Comparison | None = None) -> Claim:
    """Change what is written down of a claim. editing.Changed where somebody else did meanwhile."""
    require_preparer(actor, "change a claim")
    with transaction.atomic():
        lock_programme(claim.programme)
        changed = Claim.objects.select_related("product", "property", "programme").get(pk=claim.pk)
        stored = editing.state(changed, values)
        for name, value in values.items():
            setattr(changed, name, value)
        if changed.governs and not is_editor(actor) and editing.state(changed, values) != stored:
            raise NotAllowed("An editor said that this source counts: an editor has to change what it says.")
        check_claim(changed)
        return editing.save(
            actor, claim, values, seen=seen, comparison=comparison, programme=claim.programme, thing="claim"
        )  # fmt: skip


def remove_claim(actor, claim: Claim, *, comparison: Comparison | None = None) -> None:
    """Take away a claim that was written down by mistake; NotReady where files hang on it."""
    editing.remove(actor, claim, comparison=comparison, programme=claim.programme, thing="claim")


# -- many at once ----------------------------------------------------------------------------------------


def add_column(
    actor, programme: Programme, prop: Property, shared: dict, rows: dict[ProgrammeProduct, dict], *,
    comparison: Comparison | None = None,
) -> list[Claim]:
    """One claim of a property for each of several products: `shared` fields, and each product's own.

    All or nothing. Invalid names the fields as "product code field".
    """  # fmt: skip
    require_preparer(actor, "write down claims")
    errors: dict[str, list[str]] = {}
    made = []
    with transaction.atomic():
        lock_programme(programme)
        for product, own in rows.items():
            claim = Claim(programme=programme, product=product, property=prop, **{**shared, **own})
            try:
                made.append(add_claim(actor, claim, comparison=comparison))
            except editing.Invalid as invalid:
                for name, lines in invalid.errors.items():
                    errors[name if name in shared else f"{product.code} {name}"] = lines
        if errors:
            raise editing.Invalid(errors)
    return made


def set_column(
    actor, programme: Programme, prop: Property, *, source: str = "", seen_on=None, blank_only: bool = True,
    comparison: Comparison | None = None,
) -> int:
    """The same source and date for all claims of a property, or for those that have none; how many changed."""
    require_preparer(actor, "change claims")
    if not source.strip() and seen_on is None:
        raise editing.Invalid({"source": ["Found neither a source nor a date, expected at least one of them."]})
    count = 0
    with transaction.atomic():
        lock_programme(programme)
        for claim in programme.claims.filter(property=prop).select_related("product", "property", "programme"):
            values = {}
            if source.strip() and not (blank_only and claim.source):
                values["source"] = source.strip()
            if seen_on is not None and not (blank_only and claim.seen_on):
                values["seen_on"] = seen_on
            if values and editing.state(claim, values) != {n: editing.plain(v) for n, v in values.items()}:
                change_claim(actor, claim, values, seen=editing.fingerprint(claim, values), comparison=comparison)
                count += 1
    return count


def copy_row(
    actor, source: ProgrammeProduct, target: ProgrammeProduct, *, comparison: Comparison | None = None
) -> tuple[int, int]:
    """Copy the claims of one product to another; a property of which the other has a claim is passed over.

    Which source governs, and what was found of a certification, is not copied: that is of one product
    alone. Returns (copied, passed over).
    """
    require_preparer(actor, "copy claims")
    if source.pk == target.pk:
        raise NotReady("Choose another product to copy to.")
    with transaction.atomic():
        lock_programme(target.programme)
        there = set(target.claims.values_list("property_id", flat=True))
        copied = passed = 0
        for claim in source.claims.select_related("property"):
            if claim.property_id in there:
                passed += 1
                continue
            values = {name: getattr(claim, name) for name in COPIED}
            if claim.certification_state:
                values["certification_state"] = (
                    claim.certification_state if claim.certification_state in ("not_looked_for", "not_claimed")
                    else CertificationState.CLAIMED
                )  # fmt: skip
            add_claim(actor, Claim(programme=target.programme, product=target, **values), comparison=comparison)
            copied += 1
        if not copied and not passed:
            raise NotReady(f"“{source}” has no claims to copy.")
        return copied, passed


# -- sources that disagree -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Conflict:
    """Claims of one product and property that do not agree. governing: the code of the one that counts, or ""."""

    product: str
    property: str
    claims: tuple[str, ...]
    governing: str


def conflicts(programme: Programme) -> list[Conflict]:
    """The groups of claims that disagree, by the rules by which they are judged. Some eight queries."""
    return _conflicts(_groups(_study(programme)))


def _study(programme: Programme):
    """The programme's claims and trials as the analysis reads them, without readings."""
    from comparisons.load import study_from_tables

    return study_from_tables(stored_tables(programme))


def _conflicts(groups: list[list]) -> list[Conflict]:
    from comparisons.analysis.claims import conflicts_of

    held = {code for rows in groups for code in conflicts_of(rows)}
    found = []
    for rows in groups:
        if not any(a.claim.code in held for a in rows):
            continue
        governing = [a.claim.code for a in rows if a.claim.governs and a.claim.code not in held]
        first = rows[0].claim
        found.append(Conflict(first.product, first.property, tuple(a.claim.code for a in rows),
                              governing[0] if len(governing) == 1 else ""))  # fmt: skip
    return found


def _groups(study) -> list[list]:
    from comparisons.analysis.claims import answers_of

    groups: dict[tuple, list] = defaultdict(list)
    for answer in answers_of(study):
        groups[answer.group].append(answer)
    return list(groups.values())


def rivals(claim: Claim) -> list[Claim]:
    """The claims that speak of the same thing as this one, itself among them."""
    groups = _groups(_study(claim.programme))
    codes = next(
        ({a.claim.code for a in rows} for rows in groups if any(a.claim.code == claim.code for a in rows)),
        {claim.code},
    )
    same = {"product": claim.product_id, "property": claim.property_id}
    found = claim.programme.claims.filter(**same).order_by("code")
    key = (claim.condition_id, claim.of or "value", claim.scope or "typical")
    return [c for c in found if c.code in codes or (c.condition_id, c.of or "value", c.scope or "typical") == key]


def fingerprint_of(claims) -> str:
    """What a form that chooses between sources carries: whether any of them changed since it was shown."""
    return "-".join(editing.fingerprint(claim)[:12] for claim in sorted(claims, key=lambda c: c.code))


def govern(actor, claim: Claim, reason: str, *, seen: str, comparison: Comparison | None = None) -> Claim:
    """Say that this source governs and why; the others stay and are shown. Editors alone do so."""
    require_editor(actor, "say which source governs")
    reason = reason.strip()
    if not reason:
        raise editing.Invalid({"reason": ["Write why this source counts: readers see the reason beside all of them."]})
    with transaction.atomic():
        lock_programme(claim.programme)
        rows = rivals(claim)
        if fingerprint_of(rows) != seen:
            raise Stale("A claim of this property was changed meanwhile: look at all of them, then choose again.")
        for other in rows:
            if other.pk != claim.pk and other.governs:
                _set_governs(actor, other, False, "", comparison)
        mine = next(row for row in rows if row.pk == claim.pk)
        _set_governs(actor, mine, True, reason, comparison)
        return mine


def leave_open(actor, claim: Claim, *, seen: str, comparison: Comparison | None = None) -> Claim:
    """Take back that a source governs: the sources disagree in sight again, and nothing is judged."""
    require_editor(actor, "say which source governs")
    with transaction.atomic():
        lock_programme(claim.programme)
        rows = rivals(claim)
        if fingerprint_of(rows) != seen:
            raise Stale("A claim of this property was changed meanwhile: look at all of them, then choose again.")
        mine = next(row for row in rows if row.pk == claim.pk)
        _set_governs(actor, mine, False, "", comparison)
        return mine


def _set_governs(actor, claim: Claim, governs: bool, reason: str, comparison) -> None:
    before = {"governs": claim.governs, "governs_reason": claim.governs_reason}
    claim.governs, claim.governs_reason = governs, reason
    cells = cells_of(claim, "claims")
    check_row(claim.programme, "claims", cells, {"governs_reason": "reason"}, replacing={claim.code})
    claim.save(update_fields=["governs", "governs_reason"])
    record(
        actor, "chose" if governs else "left open", comparison=comparison, programme=claim.programme, thing="claim",
        code=claim.code, before=before, after={"governs": governs, "governs_reason": reason}, why=reason,
        changes_draft=True,
    )  # fmt: skip


# -- what is said of them --------------------------------------------------------------------------------


def printed_twice(claim: Claim) -> list[str]:
    """Where what is printed does not agree with itself: one line for each pair of units; [] where all is well."""
    return [one.text for one in disagreements(claim.wording)]


def not_as_printed(claim: Claim, unit: str) -> str:
    """Where an amount that was written down is not among those printed; "" where it is, or nothing is printed."""
    if not claim.wording.strip():
        return ""
    missing = [
        str(amount) for name in ("value", "low", "high")
        if (amount := getattr(claim, name)) is not None and not holds(claim.wording, amount, claim.unit or unit)
    ]  # fmt: skip
    if not missing:
        return ""
    shown = f"{' and '.join(missing)} {claim.unit or unit}".strip()
    return f"{shown} is written down, but the wording does not print it"


def claim_points(programme: Programme) -> list[dict]:
    """What a check before publication asks about claims; some ten queries, whatever the size.

    Each: kind, text (one line), stops (else a written reason lets it pass), and codes to link by: claim,
    product, property.
    """
    found: list[dict] = []
    claims = list(programme.claims.select_related("product__product", "property", "trial").order_by("code"))
    by_code = {claim.code: claim for claim in claims}

    def point(kind: str, claim: Claim, text: str, stops: bool = False) -> None:
        said = f"{claim.product}, {str(claim.property)[:1].lower()}{str(claim.property)[1:]}: {text}"
        found.append({"kind": kind, "text": said, "stops": stops, "claim": claim.code,
                      "product": claim.product.code, "property": claim.property.code})  # fmt: skip

    groups = _groups(_study(programme))
    for conflict in _conflicts(groups):
        if not conflict.governing:
            named = "; ".join(by_code[code].source or "a source that is not named" for code in conflict.claims)
            point("sources_disagree", by_code[conflict.claims[0]], f"sources disagree ({named}), and none governs")
    unanswered = {a.claim.code: a.reason for rows in groups for a in rows if a.trial is None}
    today = timezone.localdate()
    for claim in claims:
        certified = claim.property.kind == "certification"
        asked = not certified or claim.certification_state not in ("not_looked_for", "not_claimed")
        if asked and not claim.source.strip():
            point("no_source", claim, "where it was seen is not written down", True)
        if asked and not claim.wording.strip():
            point("no_wording", claim, "the wording as printed is not written down")
        if asked and claim.seen_on is None:
            point("no_date", claim, "when it was seen is not written down")
        for name in ("seen_on", "checked_on"):
            if (day := getattr(claim, name)) and day > today:
                point("date_ahead", claim, f"{day.isoformat()} lies ahead", True)
        for text in printed_twice(claim):
            point("printed_twice", claim, text)
        if text := not_as_printed(claim, claim.property.unit):
            point("not_as_printed", claim, text)
        if certified and claim.certification_state in ("", "claimed"):
            point("not_looked_up", claim, "claimed, and not looked up in the issuer’s directory")
        if certified and claim.certification_state == "not_looked_for":
            point("not_looked_for", claim, "not looked for yet")
        if not certified and claim.code in unanswered and not claim.not_tested_because.strip():
            point("not_tested", claim, f"{unanswered[claim.code]}, and why is not written down")
    return found


SENSES_OF = {
    "quantity": (Sense.AT_LEAST, Sense.AT_MOST, Sense.NOMINAL, Sense.BETWEEN),
    "rating": (Sense.AT_LEAST, Sense.AT_MOST, Sense.NOMINAL, Sense.BETWEEN),
    "pass_fail": (Sense.YES,),
    "certification": (Sense.YES,),
}  # fmt: skip
