"""The list of trials at the bench: what is planned, done and waiting, in a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict

from django.db.models import Count, Q
from django.urls import reverse

from specimens.models import BenchPlace, Conflict, Specimen, Trial

from .context import trial_name
from .pack import label
from .places import measured


def programmes() -> list[dict]:
    """The programmes with their trials: those with work to do first. Three queries."""
    counts = {
        row["trial"]: row
        for row in BenchPlace.objects.alias(done=measured()).values("trial").order_by("trial").annotate(
            places=Count("pk"), measured=Count("pk", filter=Q(done=True))
        )
    }  # fmt: skip
    open_conflicts = dict(
        Conflict.objects.filter(seen_at__isnull=True).order_by("trial").values_list("trial").annotate(Count("pk"))
    )
    found: dict[str, dict] = {}
    trials = Trial.objects.exclude(property__kind="certification").select_related(
        "programme", "property", "condition", "revision"
    )
    for trial in trials.order_by("programme__name", "code"):
        programme = found.setdefault(trial.programme.slug, {
            "name": trial.programme.name, "slug": trial.programme.slug, "open": [], "finished": [], "unplanned": [],
        })  # fmt: skip
        row = _row(trial, counts.get(trial.pk), open_conflicts.get(trial.pk, 0))
        programme[row["group"]].append(row)
    return sorted(found.values(), key=lambda one: (not one["open"], one["name"]))


def _row(trial: Trial, count: dict | None, conflicts: int) -> dict:
    where = {"programme": trial.programme.slug, "code": trial.code}
    planned, done = (count["places"], count["measured"]) if count else (0, 0)
    group = "unplanned" if not planned else "finished" if done >= planned else "open"
    return {
        "code": trial.code, "name": str(trial.property), "condition": str(trial.condition or ""),
        "hazardous": bool(trial.revision and trial.revision.hazardous), "planned": planned, "done": done,
        "group": group, "conflicts": conflicts, "address": reverse("bench-trial", kwargs=where),
        "plan": reverse("bench-plan", kwargs=where),
    }  # fmt: skip


def pages_of(specimens: list[Specimen]) -> list[dict]:
    """The trial pages that scanned specimens belong to; the one where there is work left first. One query."""
    places = BenchPlace.objects.filter(specimen__in=specimens).annotate(done=measured())
    rows = list(places.select_related("trial__programme", "trial__property", "trial__condition", "specimen"))
    of_trial: dict[tuple[int, int], list[BenchPlace]] = defaultdict(list)
    for row in rows:
        of_trial[row.trial_id, row.specimen_id].append(row)
    waiting = {key: places for key, places in of_trial.items() if not all(place.done for place in places)}
    found = []
    for (_, _), group in sorted((waiting or of_trial).items()):
        trial, specimen = group[0].trial, group[0].specimen
        page = reverse("bench-trial", kwargs={"programme": trial.programme.slug, "code": trial.code})
        found.append({
            "address": f"{page}#{label(specimen)}", "name": trial_name(trial), "programme": trial.programme.name,
        })  # fmt: skip
    return found
