"""Readings against the order in which they were really taken, as an SVG's coordinates."""

from __future__ import annotations

from decimal import Decimal

from specimens.models import BenchPlace, Reading, Trial

from .pack import label

WIDTH, HEIGHT = 640, 160


def of_trial(trial: Trial) -> dict | None:
    """Where each reading that stands lies, by order and value; None with fewer than two. Two queries.

    jumped: how many specimens were not measured in their planned turn.
    """
    rows = Reading.objects.filter(
        trial=trial, replaced_by__isnull=True, void__isnull=True, converted__value__isnull=False
    ).exclude(order="").select_related("converted", "specimen", "product")
    found = sorted(((Decimal(row.order), row) for row in rows), key=lambda pair: (pair[0], pair[1].pk))
    if len(found) < 2:
        return None
    values = [row.converted.value for _, row in found]
    orders = [float(order) for order, _ in found]
    low, high, first, last = min(values), max(values), orders[0], orders[-1]
    up, across = (high - low) or 1.0, (last - first) or 1.0
    points = [
        {
            "x": round((order - first) / across * WIDTH, 1), "y": round((1 - (value - low) / up) * HEIGHT, 1),
            "title": f"{label(row.specimen) if row.specimen else row.code}: {row.value} {row.unit_of_measure}".strip(),
        }
        for order, value, (_, row) in zip(orders, values, found, strict=True)
    ]
    position = {
        place.specimen_id: place.position for place in BenchPlace.objects.filter(trial=trial, rater="", run="")
    }
    first_time = dict.fromkeys(row.specimen_id for _, row in found if row.specimen_id in position)
    planned = [position[specimen] for specimen in first_time]
    jumped, least = 0, float("inf")
    for place in reversed(planned):
        jumped += place > least
        least = min(least, place)
    unit = found[0][1].converted.unit
    return {
        "width": WIDTH, "height": HEIGHT, "points": points, "low": f"{low:.4g}", "high": f"{high:.4g}", "unit": unit,
        "n": len(points), "jumped": jumped,
    }  # fmt: skip
