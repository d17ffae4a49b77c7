"""What was measured, drawn again and again within its uncertainty, and scored each time.

In one draw a trial's mean is one number for a product, whatever the number of criteria that use it
(as itself, against a baseline, as a baseline), and a gauge has one error in offset and one in gain,
the same for every product and trial that it measured. Streams are keyed by the study's seed, the
block of draws and the trial, so that results depend neither on workers nor on what else is drawn.

Sources: JCGM 101:2008, 6.4.9 (scaled and shifted t), 6.4.2 (rectangular); Jeffreys' prior for a
share; T. C. Hesterberg (2015) for resampled raters (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .estimates import CriterionEstimates
from .gauges import GaugeErrors
from .ratings import RESAMPLE_RATERS, resampled_means
from .scores import Board
from .study import Study
from .value_functions import ValueFunction

DRAWS = 20_000
BLOCK_SIZES = (2500, 1250, 500, 250)
BLOCK_CELLS = 250_000  # draws x products of one block: what one array of a block may hold
SCORE_BYTES = 100_000_000  # drawn scores that are held at one time
PURPOSES = {"results": 1, "weights": 2, "next": 3, "medians": 4}
GAUGES, MEANS, LOGS, SHARES, PANELS = range(5)  # kinds of stream within a block
LEAST_BASELINE = 1e-9  # a drawn baseline is held above this share of its mean
NO_LAW = {
    "median": "a median has no sampling law here",
    "min": "a minimum has no sampling law here",
    "max": "a maximum has no sampling law here",
}
OPINION = "an opinion: fewer than three raters"
NO_SPREAD = "one specimen or no spread: nothing shows how sure it is"


def generator(seed: int, purpose: str, *key: int) -> np.random.Generator:
    """The stream of that purpose (see PURPOSES) and key; the same wherever it is asked for.

    >>> a, b = generator(7, "results", 0), generator(7, "results", 0)
    >>> bool(a.random() == b.random())
    True
    """
    return np.random.default_rng([PURPOSES[purpose], 2 * abs(int(seed)) + (seed < 0), *key])


def block_size(products: int) -> int:
    """Draws in one block for so many products: their number alone decides."""
    return next((b for b in BLOCK_SIZES if b * products <= BLOCK_CELLS), BLOCK_SIZES[-1])


@dataclass(frozen=True)
class TrialMeans:
    """Law of one trial's means: value + u t(dof) + the gauges' errors, one entry a product.

    value, u: the property's unit (u = 0: not drawn); dof: infinity for a normal law. offset, gain:
    shape (products, gauges), as in `CriterionEstimates`. low: physical limit, -inf where none is known.
    """

    value: np.ndarray
    u: np.ndarray
    dof: np.ndarray
    offset: np.ndarray
    gain: np.ndarray
    low: float = -np.inf


@dataclass(frozen=True)
class CriterionLaw:
    """How one criterion's value is drawn.

    kind: mean, ratio, log, share, rating or fixed. drawn: which products are. trial, baseline: indices.
    a, b: parameters (log: mean and u of the log ratio, dof; share: Beta's). low, high: physical limits.
    score: scores at the point, for what is not drawn; 0 to 1, 0 where missing.
    gate: limits (least, most) of a must-have that is held to in each draw; None without.
    """

    estimates: CriterionEstimates
    kind: str
    drawn: np.ndarray
    trial: int = -1
    baseline: int = -1
    a: np.ndarray | None = None
    b: np.ndarray | None = None
    dof: np.ndarray | None = None
    low: float = -np.inf
    high: float = np.inf
    score: np.ndarray = field(default_factory=lambda: np.zeros(0))
    gate: tuple[float, float] | None = None

    @property
    def function(self) -> ValueFunction | None:
        return self.estimates.function


@dataclass(frozen=True)
class Plan:
    """All that is drawn for a study: laws of criteria (in the study's order) and of trials' means."""

    products: int
    seed: int
    errors: GaugeErrors
    states: np.ndarray  # calibration state of each gauge, numbered
    laws: tuple[CriterionLaw, ...]
    means: dict[int, TrialMeans]
    panels: dict[int, np.ndarray]


def plan_of(study: Study, estimates: list[CriterionEstimates], errors: GaugeErrors) -> Plan:
    """What has to be drawn for these estimates. Nothing is drawn yet."""
    place = {t.code: i for i, t in enumerate(study.trials)}
    laws, parts = [], {}
    for e in estimates:
        baseline = -1
        if e.trial is not None and study.trials[e.trial].baseline:
            baseline = place.get(study.trials[e.trial].baseline, -1)
        law = _law(study, e, baseline)
        laws.append(law)
        low = _physical(study, e)
        if law.kind == "mean":
            rows = law.drawn
            _merge(parts, e.trial, rows, (e.value, e.u_own, e.dof, e.offset, e.gain), low)
        elif law.kind == "ratio":
            rows, r = law.drawn, e.ratio
            _merge(parts, e.trial, rows, (r[:, 0], r[:, 1], r[:, 2], e.offset, e.gain), 0.0)
            _merge(parts, baseline, rows, (r[:, 3], r[:, 4], r[:, 5], e.base_offset, e.base_gain), 0.0)
    states = sorted({(g.instrument, g.calibrated_on or "") for g in study.gauges})
    number = {state: i for i, state in enumerate(states)}
    return Plan(
        products=len(study.products), seed=study.seed, errors=errors,
        states=np.array([number[g.instrument, g.calibrated_on or ""] for g in study.gauges], dtype=np.intp),
        laws=tuple(laws), means={t: TrialMeans(**parts[t]) for t in sorted(parts)},
        panels={law.trial: law.estimates.panel for law in laws if law.kind == "rating"},
    )  # fmt: skip


def _physical(study: Study, e: CriterionEstimates) -> float:
    """Zero where the property cannot lie below it: no plausible value does, or its logarithm is scored."""
    if e.trial is None:
        return -np.inf
    least = study.properties[study.trials[e.trial].property].plausible_low
    logarithmic = e.function is not None and e.function.form == "logarithmic"
    return 0.0 if logarithmic or (least is not None and least >= 0) else -np.inf


def _merge(parts: dict, trial: int, rows: np.ndarray, columns: tuple, low: float) -> None:
    value, u, dof, offset, gain = columns
    if trial not in parts:
        size = len(value)
        parts[trial] = {
            "value": np.zeros(size), "u": np.zeros(size), "dof": np.full(size, np.inf),
            "offset": np.zeros(offset.shape), "gain": np.zeros(gain.shape), "low": -np.inf,
        }  # fmt: skip
    part = parts[trial]
    new = rows & (part["u"] == 0) & (part["value"] == 0)
    part["value"][new], part["offset"][new], part["gain"][new] = value[new], offset[new], gain[new]
    part["u"][new] = np.nan_to_num(u[new])
    part["dof"][new] = np.where(np.isfinite(dof[new]) & (dof[new] > 0), dof[new], np.inf)
    part["low"] = max(part["low"], low)


def _law(study: Study, e: CriterionEstimates, baseline: int) -> CriterionLaw:
    known = {"t": "mean", "ratio": "ratio", "log": "log", "beta": "share", "panel": "rating"}
    kinds = sorted({known[x] for x in e.law if x in known})
    score = np.nan_to_num(e.score) / 100.0
    if not kinds or (e.function is None and not e.criterion.must):
        return CriterionLaw(e, "fixed", np.zeros(len(e.value), dtype=bool), score=score)
    kind = kinds[0]
    drawn = np.array([known.get(x) == kind for x in e.law])
    more: dict = {}
    if kind == "log":
        more = {"a": e.ratio[:, 0], "b": e.ratio[:, 1], "dof": e.ratio[:, 2]}
    elif kind == "share":
        more = {"a": e.k + 0.5, "b": e.n - e.k + 0.5}
    elif kind == "rating":
        prop = study.properties[study.trials[e.trial].property]
        low, high = prop.scale_low, prop.scale_high
        more = {
            "a": e.value, "b": e.u_own, "dof": e.dof, "low": -np.inf if low is None else low,
            "high": np.inf if high is None else high,
        }  # fmt: skip
    elif kind == "mean":
        more = {"low": _physical(study, e)}
    trial = -1 if e.trial is None else e.trial
    return CriterionLaw(e, kind, drawn, trial, baseline, score=score, gate=_gate(e), **more)


def _gate(e: CriterionEstimates) -> tuple[float, float] | None:
    """Least and greatest value that meets a must-have in a draw; None where it is no question of draws.

    A pass share of one is asked of the specimens tested: no drawn share ever reaches it.
    """
    c = e.criterion
    limit = c.floor
    if not c.must or limit is None or (e.kind == "share" and limit >= 1.0):
        return None
    better = e.function.better if e.function is not None else c.better
    if better == "target":
        ceiling = e.function.ceiling if e.function is not None else c.ceiling
        return (min(limit, np.inf if ceiling is None else ceiling), np.inf if ceiling is None else ceiling)
    return (-np.inf, limit) if better == "less" else (limit, np.inf)


def not_drawn(e: CriterionEstimates) -> str:
    """Why no product's value of this criterion is drawn though it is scored, "" where some is or need be."""
    measure = "median" if e.criterion.measure == "median" else e.kind
    return NO_LAW.get(measure, "") if not np.isnan(e.score).all() else ""


def unsure(e: CriterionEstimates, p: int) -> str:
    """Why the score of product `p` in this criterion may be off by nobody knows how much; "" where known."""
    if np.isnan(e.score[p]) or e.law[p] != "":
        return ""
    if "opinion" in e.product_flags[p] or "raters_not_linked" in e.product_flags[p]:
        return OPINION
    return NO_SPREAD if e.kind in ("mean", "change") else ""


class Block:
    """One block of draws; arrays have the shape (products, draws).

    uses: how often each trial's means will be asked for (once, where not said): they are kept until
    then. spare: arrays of that shape to draw into, which saves making new ones.
    """

    def __init__(self, plan: Plan, purpose: str, index: int, size: int, uses: dict[int, int] | None = None,
                 spare: list[np.ndarray] | None = None):  # fmt: skip
        self.plan, self.purpose, self.index, self.size = plan, purpose, index, size
        self._left = dict(uses or {})
        self._spare = [] if spare is None else spare
        self._means: dict[int, np.ndarray] = {}
        self._gauges: dict[tuple[str, int], np.ndarray] = {}
        self.truncated: dict[int, np.ndarray] = {}

    def stream(self, kind: int, number: int) -> np.random.Generator:
        return generator(self.plan.seed, self.purpose, self.index, kind, number)

    def gauge_error(self, what: str, g: int) -> np.ndarray | None:
        """Drawn offset (reading unit) or relative gain of gauge `g`; None where none is stated.

        A physical instrument has one error of accuracy in all its states and units; what its
        calibration left open is one error in each calibration state.
        """
        errors = self.plan.errors
        key = (what, g)
        if key not in self._gauges:
            half = (errors.accuracy_offset if what == "offset" else errors.accuracy_gain)[g]
            open_ = errors.calibration[g] if what == "offset" else 0.0
            total = None
            instrument = int(errors.instrument[g])
            if half > 0:
                number = 3 * instrument + (what == "gain")
                total = half * self.stream(GAUGES, number).uniform(-1.0, 1.0, self.size)
            if open_ > 0:
                number = 3 * int(self.plan.states[g]) + 2
                part = open_ * self.stream(GAUGES, number).standard_normal(self.size)
                total = part if total is None else total + part
            self._gauges[key] = total
        return self._gauges[key]

    def shift(self, means: TrialMeans, x: np.ndarray) -> None:
        """Add the gauges' errors to `x`, means of one trial."""
        for what, by in (("offset", means.offset), ("gain", means.gain)):
            for g in np.flatnonzero(by.any(axis=0)):
                error = self.gauge_error(what, int(g))
                if error is None:
                    continue
                # Mostly a gauge moves all products alike, and then no array of that size is made.
                same = bool((by[:, g] == by[0, g]).all())
                x += by[0, g] * error if same else by[:, g, None] * error

    def means(self, trial: int) -> np.ndarray:
        """Drawn means of one trial, at or above its physical limit; yours to change."""
        if trial not in self._means:
            law = self.plan.means[trial]
            out = self._spare.pop() if self._spare else None
            x = student(self.stream(MEANS, trial), law.dof, law.u != 0, self.size, out)
            x *= law.u[:, None]
            x += law.value[:, None]
            self.shift(law, x)
            self.truncated[trial] = below(x, law.low)
            if self.truncated[trial].any():
                np.maximum(x, law.low, out=x)
            self._means[trial] = x
        self._left[trial] = self._left.get(trial, 1) - 1
        return self._means.pop(trial) if self._left[trial] <= 0 else self._means[trial].copy()

    def values(self, law: CriterionLaw) -> tuple[np.ndarray, np.ndarray]:
        """Drawn values of one criterion, and how many draws of each product were held at a physical limit.

        Rows of products that are not drawn are of no use.
        """
        if law.kind == "mean":
            x = self.means(law.trial)
            return x, self.truncated[law.trial]
        if law.kind == "ratio":
            return self._ratio(law)
        rows = law.drawn
        none = np.zeros(len(rows), dtype=int)
        if law.kind == "log":
            x = student(self.stream(LOGS, law.trial), law.dof, rows, self.size)
            with np.errstate(over="ignore", invalid="ignore"):
                return 100.0 * np.expm1(law.a[:, None] + law.b[:, None] * x), none
        if law.kind == "share":
            x = np.zeros((len(rows), self.size))
            stream = self.stream(SHARES, law.trial)
            for p in np.flatnonzero(rows):
                x[p] = stream.beta(law.a[p], law.b[p], self.size)
            return x, none
        return self._rating(law)

    def _ratio(self, law: CriterionLaw) -> tuple[np.ndarray, np.ndarray]:
        x, before = self.means(law.trial), self.means(law.baseline)
        cut = self.truncated[law.trial] + self.truncated[law.baseline]
        middle = np.abs(self.plan.means[law.baseline].value)
        np.maximum(before, LEAST_BASELINE * np.where(middle > 0, middle, 1.0)[:, None], out=before)
        x /= before
        x -= 1.0
        x *= 100.0
        return x, cut

    def _rating(self, law: CriterionLaw) -> tuple[np.ndarray, np.ndarray]:
        rows, stream = law.drawn, self.stream(PANELS, law.trial)
        panel = self.plan.panels[law.trial]
        x = np.zeros((len(rows), self.size))
        means = None
        if panel is not None and (~np.isnan(panel[:, rows])).any(axis=1).sum() >= RESAMPLE_RATERS:
            means, _ = resampled_means(panel[:, rows], stream, self.size)
        if means is not None:
            x[rows] = means.T
        else:
            x = student(stream, law.dof, rows, self.size)
            x *= np.nan_to_num(law.b)[:, None]
            x += np.nan_to_num(law.a)[:, None]
        cut = below(x, law.low) + above(x, law.high)
        return np.clip(x, law.low, law.high, out=x), cut


def student(stream: np.random.Generator, dof: np.ndarray, rows: np.ndarray, size: int,
            out: np.ndarray | None = None) -> np.ndarray:  # fmt: skip
    """Student's t for each row that is asked for (0 elsewhere), shape (rows, size); infinite dof: normal."""
    x = out if out is not None and out.shape == (len(dof), size) else np.empty((len(dof), size))
    at = 0
    while at < len(dof):
        end = at + 1
        while end < len(dof) and rows[end] == rows[at] and dof[end] == dof[at]:
            end += 1
        if rows[at] and np.isfinite(dof[at]):
            x[at:end] = stream.standard_t(dof[at], (end - at, size))
        elif rows[at]:
            stream.standard_normal(out=x[at:end])
        else:
            x[at:end] = 0.0
        at = end
    return x


def below(x: np.ndarray, limit: float) -> np.ndarray:
    """How many entries of each row lie below `limit`; rows whose least one does not are not gone through."""
    count = np.zeros(len(x), dtype=int)
    if limit > -np.inf and x.size:
        for i in np.flatnonzero(x.min(axis=1) < limit):
            count[i] = np.count_nonzero(x[i] < limit)
    return count


def above(x: np.ndarray, limit: float) -> np.ndarray:
    """How many entries of each row lie above `limit`; as `below`."""
    count = np.zeros(len(x), dtype=int)
    if limit < np.inf and x.size:
        for i in np.flatnonzero(x.max(axis=1) > limit):
            count[i] = np.count_nonzero(x[i] > limit)
    return count


def score_in_place(f: ValueFunction, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn values into scores of 0 to 1, in place: what `f(x)/100` gives, without its temporary arrays.

    Returns how many of each row lay beyond the anchor that scores least, and beyond the one that scores most.
    """
    if f.better == "target":
        falling = (f.ceiling - x) / (f.ceiling - f.target - f.band)
        x -= f.floor
        x *= 1.0 / (f.target - f.band - f.floor)
        np.minimum(x, falling, out=x)
        low, high = below(x, 0.0), np.zeros(len(x), dtype=int)
    else:
        if f.form == "logarithmic":
            with np.errstate(divide="ignore"):
                np.log(np.maximum(x, 0.0, out=x), out=x)
            x -= np.log(f.floor)
            x *= 1.0 / np.log(f.ceiling / f.floor)
        else:
            x -= f.floor
            x *= 1.0 / (f.ceiling - f.floor)
        low, high = below(x, 0.0), above(x, 1.0)
    np.clip(x, 0.0, 1.0, out=x)
    if f.exponent != 1.0:
        np.power(x, f.exponent, out=x)
    return low, high


@dataclass(frozen=True)
class Weighed:
    """What turns scores of criteria into totals of 0 to 1: weights (criteria, products), and a constant.

    The weights of what a product has sum to one; what it misses is in the constant (worst case) or gone.
    """

    weights: dict[int, np.ndarray]
    constant: np.ndarray
    has_score: np.ndarray

    @classmethod
    def of(cls, estimates: list[CriterionEstimates], board: Board) -> Weighed:
        shape = (len(board.criteria), len(board.score))
        score = np.array([estimates[i].score for i in board.criteria], dtype=float).reshape(shape)
        spared = np.array([estimates[i].not_applicable for i in board.criteria], dtype=bool).reshape(shape)
        low = np.array([estimates[i].score_low for i in board.criteria], dtype=float).reshape(shape)
        there = ~np.isnan(score)
        at_worst = ~there & ~spared if board.weighting.missing == "worst_case" else np.zeros_like(there)
        w = board.weights[:, None] * (there | at_worst)
        total = w.sum(axis=0)
        w = np.divide(w, total, out=np.zeros(w.shape), where=total > 0)
        return cls(
            {i: w[j] * there[j] for j, i in enumerate(board.criteria)},
            (w * at_worst * low).sum(axis=0) / 100.0, ~np.isnan(board.score),
        )  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """Drawn scores.

    scores: one array a board, shape (products, draws), 0 to 1. meets: shape (products, draws), whether
    all drawn must-haves are met; None without any. low, high, cut: shares of draws beyond the anchors
    and at a physical limit, shape (criteria, products); gates: criteria held to in each draw.
    """

    scores: list[np.ndarray]
    meets: np.ndarray | None
    low: np.ndarray
    high: np.ndarray
    cut: np.ndarray
    gates: tuple[int, ...]
    draws: int


def needed(plan: Plan, tables: list[Weighed]) -> list[int]:
    """Criteria whose draws matter: with a weight in one of the tables, or must-haves held to in draws."""
    used = {i for t in tables for i in t.weights}
    return [
        i for i, law in enumerate(plan.laws)
        if i in used or (law.gate is not None and law.drawn.any())
    ]  # fmt: skip


def uses_of(plan: Plan, criteria: list[int]) -> dict[int, int]:
    """How often each trial's means are asked for by these criteria."""
    uses: dict[int, int] = {}
    for i in criteria:
        law = plan.laws[i]
        for t in {"mean": [law.trial], "ratio": [law.trial, law.baseline]}.get(law.kind, []):
            uses[t] = uses.get(t, 0) + 1
    return uses


def draw(plan: Plan, tables: list[Weighed], draws: int = DRAWS, purpose: str = "results") -> Drawn:
    """Scores of all products on each of `tables`, drawn `draws` times; what is drawn is common to them."""
    P, criteria = plan.products, needed(plan, tables)
    uses, step = uses_of(plan, criteria), block_size(plan.products)
    scores = [np.empty((P, draws)) for _ in tables]
    gates = tuple(i for i in criteria if plan.laws[i].gate is not None and plan.laws[i].drawn.any())
    meets = np.ones((P, draws), dtype=bool) if gates else None
    low, high, cut = (np.zeros((len(plan.laws), P)) for _ in range(3))
    part, spare = np.empty((P, step)), []
    for index, start in enumerate(range(0, draws, step)):
        stop = min(start + step, draws)
        block = Block(plan, purpose, index, stop - start, uses, spare)
        totals = [s[:, start:stop] for s in scores]
        for total, table in zip(totals, tables, strict=True):
            total[:] = table.constant[:, None]
        for i in criteria:
            law = plan.laws[i]
            x = scored(block, law, low[i], high[i], cut[i], None if meets is None else meets[:, start:stop])
            for total, table in zip(totals, tables, strict=True):
                w = table.weights.get(i)
                if w is not None and x is not None:
                    view = part[:, : stop - start]
                    np.multiply(x, w[:, None], out=view)
                    total += view
                elif w is not None:
                    total += (w * law.score)[:, None]
            if x is not None and not spare:
                spare.append(x)
    for share in (low, high, cut):
        share /= draws
    return Drawn(scores, meets, low, high, cut, gates, draws)


def scored(block: Block, law: CriterionLaw, low, high, cut, meets) -> np.ndarray | None:
    """Drawn scores of one criterion, 0 to 1; None where nothing is drawn or it has no value function.

    Counts are added to `low`, `high` and `cut`; `meets` is narrowed to where a must-have is met.
    """
    if law.kind == "fixed":
        return None
    x, truncated = block.values(law)
    whole = bool(law.drawn.all())
    cut += truncated if whole else truncated * law.drawn
    if law.gate is not None and meets is not None:
        least, most = law.gate
        meets &= ((x >= least) & (x <= most)) | ~law.drawn[:, None]
    if law.function is None:
        return None
    least, most = score_in_place(law.function, x)
    low += least if whole else least * law.drawn
    high += most if whole else most * law.drawn
    if not whole:
        x[~law.drawn] = law.score[~law.drawn, None]
    return x
