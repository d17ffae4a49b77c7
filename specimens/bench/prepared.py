"""A reading entry once it was looked over: what is to be stored, and what was found odd about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from specimens.models import FailureMode, Instrument, Reading, Run, Trial
from specimens.models.trials import Property

from .context import Bench
from .slips import Slip
from .traces import Wish


@dataclass
class Typed:
    """One value as typed, with what is needed to store it; `number` is in the trial's reading unit."""

    trial: Trial
    property: Property
    value: str
    unit: str
    instrument: Instrument | None
    number: float | None
    slips: list[Slip] = field(default_factory=list)


class Piece(NamedTuple):
    """The specimen, as far as a reading needs it."""

    pk: int
    code: str
    blind_code: str
    order_done: object
    unit_id: int
    product_id: int


class Other(NamedTuple):
    """Another reading of the specimen in the same trial, as far as it matters here."""

    pk: int
    run_id: int | None
    operator: str
    rater: str
    void_id: int | None


@dataclass
class Prepared:
    """raters: of the specimen's places in this trial, "" for no rater; [] where it is not planned here."""

    bench: Bench
    specimen: Piece
    raters: list[str]
    main: Typed
    dimensions: list[Typed]
    bound: str
    mode: FailureMode | None
    operator: str
    rater: str
    note: str
    decision: str
    runs: list[Run]
    run: Run | None
    replaces: Reading | None
    replace_reason: str
    panel: bool
    slips: list[Slip] = field(default_factory=list)
    trace: str = ""
    wish: Wish | None = None
    reduction: object = None

    def same_run(self, row: Other) -> bool:
        """Whether a reading belongs to this one's run; one without a run belongs to the first."""
        first = self.runs[0].pk if self.runs else None
        return (row.run_id or first) == (self.run.pk if self.run else first)
