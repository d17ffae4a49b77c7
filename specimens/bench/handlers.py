"""Which service takes which kind of entry: `prepare` reads and checks, `store` writes in one transaction."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from specimens.models.bench import EntryKind

from . import cautions, exposures, photos, readings, runs, voids
from .entries import Entry, Outcome


class Handler(NamedTuple):
    prepare: Callable[[Entry], object]
    store: Callable[[Entry, object], Outcome]


OF_KIND: dict[str, Handler] = {
    EntryKind.READING: Handler(readings.prepare, readings.store),
    EntryKind.VOID: Handler(voids.prepare, voids.store),
    EntryKind.RUN: Handler(runs.prepare, runs.store),
    EntryKind.CAUTIONS: Handler(cautions.prepare, cautions.store),
    EntryKind.PHOTO: Handler(photos.prepare, photos.store),
    EntryKind.EXPOSURE_START: Handler(exposures.prepare_start, exposures.store_start),
    EntryKind.EXPOSURE_END: Handler(exposures.prepare_end, exposures.store_end),
}
