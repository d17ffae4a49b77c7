"""Which readings a gauge found wrong has taken."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

from django.db.models import Q, QuerySet

from specimens.models import InstrumentFault, Reading


def open_faults() -> QuerySet[InstrumentFault]:
    """Faults on which nobody has decided, the newest first."""
    return InstrumentFault.objects.filter(closed_at__isnull=True).select_related("instrument").order_by("-recorded_at")


def in_days(since, until=None) -> Q:
    """Readings of those days (in UTC, as results count days), or without a day: they may be of any."""
    start = datetime.combine(since, time.min, UTC)
    inside = Q(taken_at__gte=start)
    if until is not None:
        inside &= Q(taken_at__lt=datetime.combine(until, time.min, UTC) + timedelta(days=1))
    return inside | Q(taken_at__isnull=True)


def readings_of(fault: InstrumentFault) -> QuerySet[Reading]:
    """Every reading that may be wrong by this fault, voided and replaced ones among them."""
    return Reading.objects.filter(in_days(fault.since, fault.until), instrument=fault.instrument_id)
