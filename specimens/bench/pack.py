"""The pack: all that a tablet holds of one trial, so that it can work without network."""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta

from django.contrib.auth import get_user_model
from django.db.models import Prefetch, Q
from django.urls import reverse
from django.utils import timezone

from specimens import roles
from specimens.models import Attachment, BenchPlace, Reading, Specimen, Submission
from specimens.models.bench import EntryKind, EntryStatus
from specimens.models.trials import AbsenceReason

from . import hooks, panels
from .context import Bench, fits, offered, overdue, trial_name
from .windows import windows

CAUTIONS_HOLD = timedelta(hours=12)  # own choice: about a working day
SENT = Prefetch("submissions", Submission.objects.filter(kind=EntryKind.READING).only("pk", "reading_id", "tablet"))
ANCHOR = "anchor "  # kind of an attachment that shows a step of a scale: "anchor 3"


def label(specimen: Specimen) -> str:
    """What a specimen is called at the bench."""
    return specimen.blind_code or specimen.code


def build(bench: Bench, user) -> dict:
    """The pack of a trial for one person: plain JSON. A fixed number of queries, whatever the size."""
    now = timezone.now()
    me = user.get_username()
    raters = panels.raters_of(bench.trial)
    places = _places(bench, me if raters else "")
    keys = [place.specimen_id for place in places]
    readings = _readings(bench, me if raters else None, keys)
    gauges = {instrument.pk: code for code, instrument in bench.instruments.items()}
    document = {
        "trial": _trial(bench),
        "blind": bench.trial.blind,
        "panel": bool(raters),
        "run": bench.run.code if bench.run else "",
        "runs": [
            {"code": run.code, "started_at": _iso(run.started_at), "reason": run.reason} for run in bench.runs
        ],
        "products": _products(bench),
        "instruments": _instruments(bench),
        "units": list(offered(bench.unit, _own_units(bench))) if bench.property.kind == "quantity" else [],
        "me": {"username": me, "name": user.get_full_name() or me},
        "people": [me] if raters else _people(me),
        "urls": _urls(bench),
        "cautions_confirmed_at": _confirmed(bench, user, now),
        "specimens": _specimens(bench, places, readings, raters, gauges),
        "readings": [_told(reading, me, gauges) for reading in readings if reading.trial_id == bench.trial.pk],
        "faults": bench.faults,
    }
    document["etag"] = hashlib.sha256(json.dumps(document, sort_keys=True).encode()).hexdigest()[:32]
    document["at"] = now.isoformat()
    return document


def _iso(at) -> str | None:
    return at.isoformat() if at else None


def _float(number) -> float | None:
    return None if number is None else float(number)


def _trial(bench: Bench) -> dict:
    trial, revision = bench.trial, bench.trial.revision
    return {
        "code": bench.key,
        "name": trial_name(trial),
        "property": _property(bench),
        "reading_unit": bench.unit,
        "quantities": hooks.call("quantities", bench.unit) or [] if bench.property.kind == "quantity" else [],
        "condition": str(trial.condition) if trial.condition else "",
        "method": None if revision is None else {
            "title": revision.method.title,
            "revision": revision.revision,
            "steps": [line.strip() for line in revision.steps.splitlines() if line.strip()],
            "cautions": revision.cautions,
            "hazardous": revision.hazardous,
            "modes": [
                {"code": mode.code, "name": mode.name or mode.code, "counts": mode.counts}
                for mode in bench.modes.values()
            ],
        },
        "dimensions": [
            {
                "trial": dimension.trial.code,
                "name": str(dimension.property),
                "unit": dimension.trial.reading_unit or dimension.property.unit,
                "decimals": dimension.property.decimals,
                "plausible_low": _float(dimension.property.plausible_low),
                "plausible_high": _float(dimension.property.plausible_high),
                "units": list(offered(dimension.trial.reading_unit or dimension.property.unit)),
            }
            for dimension in bench.dimensions
        ],
    }  # fmt: skip


def _property(bench: Bench) -> dict:
    prop = bench.property
    return {
        "name": str(prop), "kind": prop.kind, "unit": prop.unit, "decimals": prop.decimals,
        "plausible_low": _float(prop.plausible_low), "plausible_high": _float(prop.plausible_high),
        "scale_low": _float(prop.scale_low), "scale_high": _float(prop.scale_high),
        "steps": steps(bench),
    }  # fmt: skip


def steps(bench: Bench) -> list[dict]:
    """The steps of a rating scale that have an anchor: value, name and photo. One query for ratings."""
    if bench.property.kind != "rating":
        return []
    found = Attachment.objects.filter(trial=bench.trial, kind__startswith=ANCHOR)
    rows = [
        {"value": one.kind.removeprefix(ANCHOR), "name": one.caption, "alt": one.alt,
         "photo": reverse("bench-file", args=[one.pk])}
        for one in found
    ]  # fmt: skip
    return sorted(rows, key=lambda row: float(row["value"]))


def _own_units(bench: Bench) -> tuple[str, ...]:
    own = (instrument.unit for instrument in bench.instruments.values())
    return (bench.property.unit, *(unit for unit in own if unit))


def _instruments(bench: Bench) -> list[dict]:
    """The gauges of the programme; those that measure this trial's quantity first."""
    today = timezone.now().date()
    asked = {bench.trial.code: bench.unit} | {
        d.trial.code: d.trial.reading_unit or d.property.unit for d in bench.dimensions
    }
    rows = []
    for code, instrument in bench.instruments.items():
        own = instrument.unit
        suits = [trial for trial, unit in asked.items() if not own or not unit or fits(own, unit)]
        shown = own or bench.unit
        rows.append({
            "code": code, "name": instrument.name, "serial": instrument.serial, "unit": instrument.unit,
            "resolution": _float(instrument.resolution), "range_low": _float(instrument.range_low),
            "range_high": _float(instrument.range_high), "due_on": _iso(instrument.due_on),
            "overdue": overdue(instrument, today), "for": suits,
            "units": [row["text"] for row in offered(shown)],
        })  # fmt: skip
    here = bench.trial.code
    return sorted(rows, key=lambda row: (here not in row["for"], not row["for"], row["overdue"], row["name"]))


def _products(bench: Bench) -> list[dict]:
    if bench.trial.blind:
        return []
    found = bench.programme.products.select_related("product").order_by("code")
    return [{"code": row.code, "name": str(row)} for row in found]


def _people(me: str) -> list[str]:
    """Who may be named as the one who read the gauge: members of the team, oneself first."""
    team = get_user_model().objects.filter(is_active=True, groups__name__in=[roles.BENCH, roles.PLANNER, roles.EDITOR])
    names = team.distinct().order_by("username").values_list("username", flat=True)
    return [me, *(name for name in names if name != me)]


def _urls(bench: Bench) -> dict[str, str]:
    of_trial = {"programme": bench.programme.slug, "code": bench.trial.code}
    return {
        "page": reverse("bench-trial", kwargs=of_trial), "pack": reverse("bench-pack", kwargs=of_trial),
        "sheet": reverse("bench-sheet", kwargs=of_trial), "traces": reverse("bench-traces", kwargs=of_trial),
        "submit": reverse("bench-submit"), "list": reverse("bench"), "worker": reverse("bench-worker"),
        "me": reverse("bench-me"), "sign_in": reverse("sign-in"),
    }  # fmt: skip


def _confirmed(bench: Bench, user, now) -> str | None:
    """When this person last confirmed the cautions of the trial's method, where that still holds."""
    if bench.trial.revision is None or not bench.trial.revision.hazardous:
        return None
    return _iso(confirmed_at(bench, user, now))


def confirmed_at(bench: Bench, user, at):
    """The moment of the confirmation that holds at `at`; None where there is none. One query."""
    return (
        Submission.objects.filter(
            trial__revision=bench.trial.revision, kind=EntryKind.CAUTIONS, status=EntryStatus.STORED, user=user,
            done_at__gt=at - CAUTIONS_HOLD, done_at__lte=at + timedelta(minutes=5),
        ).order_by("-done_at").values_list("done_at", flat=True).first()
    )  # fmt: skip


def _places(bench: Bench, rater: str) -> list[BenchPlace]:
    found = BenchPlace.objects.filter(trial=bench.trial, rater=rater).order_by("position")
    return list(found.select_related("specimen__unit__product__product"))


def _readings(bench: Bench, only: str | None, specimens: list[int]) -> list[Reading]:
    """The readings of the trial, and of its dimensions on these specimens; of a panel, one's own. One query."""
    mine = Q(trial=bench.trial)
    if only is not None:
        mine &= Q(rater=only) | Q(rater="", operator=only)
    wanted = mine | Q(trial__in=[d.trial.pk for d in bench.dimensions], specimen__in=specimens)
    found = Reading.objects.filter(wanted).select_related("void", "converted", "replaced_by", "specimen", "run")
    return list(found.prefetch_related(SENT).order_by("pk"))


def _told(reading: Reading, me: str, gauges: dict[int, str]) -> dict:
    void = getattr(reading, "void", None)
    converted = getattr(reading, "converted", None)
    sent = next((str(one.pk) for one in reading.submissions.all()), "")
    return {
        "reading": reading.code, "entry": sent, "specimen": label(reading.specimen) if reading.specimen else "",
        "value": reading.value, "unit": reading.unit_of_measure, "bound": reading.bound,
        "number": converted.value if converted else None,
        "by": reading.rater or reading.operator, "mine": (reading.rater or reading.operator) == me,
        "at": reading.taken_at_text or _iso(reading.taken_at), "mode": reading.failure_mode,
        "void": void.reason if void else "", "replaced": hasattr(reading, "replaced_by"),
        "run": reading.run.code if reading.run else "", "instrument": gauges.get(reading.instrument_id, ""),
    }  # fmt: skip


def alive(reading: Reading) -> bool:
    return not hasattr(reading, "replaced_by") and getattr(reading, "void", None) is None


def _specimens(
    bench: Bench, places: list[BenchPlace], readings: list[Reading], raters: list[str], gauges: dict[int, str]
) -> list[dict]:
    blind = bench.trial.blind
    fit = windows(bench.trial.condition, [place.specimen_id for place in places])
    again = panels.looks_asked(bench.trial) if raters else {}
    dimension = {d.trial.pk: d.trial.code for d in bench.dimensions}
    rows = []
    for place in places:
        specimen = place.specimen
        own = [r for r in readings if r.specimen_id == specimen.pk]
        here = [r for r in own if r.trial_id == bench.trial.pk]
        live = [r for r in here if alive(r) and (not place.run or (r.run and r.run.code == place.run))]
        window, gone = fit.get(specimen.pk), bench.absences.get(specimen.unit.product_id)
        row = {
            "code": "" if blind else specimen.code, "blind_code": label(specimen), "position": place.position,
            "block": place.block, "run": place.run, "done": bool(live), "unit_hint": None, "hint": "",
            "state": AbsenceReason(gone).label if gone else "",
            "again": again.get((specimen.pk, place.rater), ""),
            "ready_from": _iso(window.ready_from) if window else None,
            "ready_until": _iso(window.ready_until) if window else None,
            "conditioning": window.remark(timezone.now()) if window and (not window.ended) else "",
            "have": [
                {"trial": dimension[r.trial_id], "value": r.value, "unit": r.unit_of_measure, "reading": r.code,
                 "instrument": gauges.get(r.instrument_id, ""), "at": r.taken_at_text or _iso(r.taken_at)}
                for r in own if r.trial_id in dimension and alive(r)
            ],
        }  # fmt: skip
        if not blind:
            product = specimen.unit.product
            row |= {"hint": f"{product}, unit {specimen.unit.code}", "unit_hint": specimen.unit.code}
            if not raters:
                row["group"] = product.code
        rows.append(row)
    return rows
