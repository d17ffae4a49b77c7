"""Where to test next: which further specimens would most reduce the chance of naming the wrong winner.

Pre-posterior simulation: what further specimens might show is drawn from what is known now, the ranks
are worked out as they would be then, and the chance of a wrong winner, 1 - max P(best), is averaged.
Base draws are common to all candidates. Sources: H. Raiffa and R. Schlaifer (1961), Applied Statistical
Decision Theory, ch. 4 and 5 (pre-posterior analysis); P. I. Frazier and W. B. Powell (2010), Decision
Analysis 7, 378-403 (small batches may show no gain where larger ones do); from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from .drawing import (
    LEAST_BASELINE,
    MEANS,
    Block,
    Plan,
    Weighed,
    generator,
    needed,
    score_in_place,
    scored,
    student,
    uses_of,
)
from .estimates import CriterionEstimates
from .ranking import MOST_PAIRED, Sureness, on_grid
from .study import Study
from .summary import Summaries, Summary
from .words import CLEAR, MC_ERRORS

SCREENING = 2  # replicates in which every batch is tried; the others go to the most promising
REPLICATES = 6  # independent repetitions after the screening: their spread is the Monte Carlo error
KEPT = 16  # batches that are followed up
DRAWS = 1_500  # base draws of one replicate
OUTCOMES = 24  # outcomes of the further specimens that are tried in one replicate, stratified
NEW_UNITS = (1, 2, 4)
MORE_SPECIMENS = (1, 3)  # times as many again as each unit gave so far
CANDIDATES = 10  # products and trials tried: those whose uncertainty moves the score most
CONTENDER = 0.01  # P(best) below which nothing more is tested of a product
CHUNK = 12
NORMAL_SCORES = np.linspace(-5.0, 5.0, 801)
NOISE = 1e-9  # a gain below this is rounding
NOT_OFFERED_RATINGS = "ratings: more raters would rate every product, which is not simulated"
NOT_OFFERED_UNITS = "nothing shows how units differ: test two units of some product first"


@dataclass(frozen=True)
class Batch:
    """One candidate: further specimens of one product in one trial. units: new ones, 0 for units in hand."""

    trial: int
    product: int
    kind: str  # new_unit | same_units | specimens
    units: int
    specimens: int


@dataclass(frozen=True)
class Gain:
    """gain: fall of the chance of a wrong winner; error: its Monte Carlo standard error."""

    batch: Batch
    gain: float
    error: float

    @property
    def shown(self) -> bool:
        return self.gain > max(MC_ERRORS * self.error, NOISE)


@dataclass(frozen=True)
class MeanNow:
    """What is known of one mean: value, u, dof; m: items that u rests on; within: variance within units."""

    value: float
    u: float
    dof: float
    source: str
    m: int
    per_unit: int
    within: float
    within_dof: int


def new_items(now: MeanNow, j: int, z: np.ndarray, normal: np.ndarray, chi2: np.ndarray) -> tuple:
    """(value, u, dof) after j further independent items (units, or specimens of the units tested).

    z, chi2: shape (outcomes,), standard normal and chi-square (dof) variates for the true mean and
    variance; normal: shape (outcomes, j), for the items. The same formulas as for the first items, on
    all of them: with u = s/sqrt(m), the variance is drawn as dof s^2/chi2 and the mean as t.
    """
    s2 = now.u**2 * now.m
    sigma = np.sqrt(s2 * now.dof / chi2)
    mu = now.value + sigma * z / np.sqrt(now.m)
    x = mu[:, None] + sigma[:, None] * normal
    mean_x = x.mean(axis=1)
    total = now.m + j
    value = (now.m * now.value + j * mean_x) / total
    squares = now.dof * s2 + ((x - mean_x[:, None]) ** 2).sum(axis=1)
    squares = squares + now.m * j / total * (mean_x - now.value) ** 2
    dof = now.dof + j
    return value, np.sqrt(squares / dof / total), dof


def new_units_of_one(now: MeanNow, j: int, z: np.ndarray, normal: np.ndarray, chi2: np.ndarray) -> tuple:
    """(value, u, dof) when a product of one unit, whose spread is borrowed, gets j further units.

    From then on its own units carry the inference: SD(unit means)/sqrt(1 + j), j degrees of freedom.
    """
    sigma = now.u * np.sqrt(now.dof / chi2)
    mu = now.value + sigma * z
    x = np.column_stack([np.full(len(z), now.value), mu[:, None] + sigma[:, None] * normal])
    return x.mean(axis=1), x.std(axis=1, ddof=1) / np.sqrt(1 + j), float(j)


def more_of_same(now: MeanNow, factor: int, z: np.ndarray, chi2: np.ndarray) -> tuple:
    """(value, u, dof) when each unit gives `factor` times as many specimens again.

    Only the part within units shrinks: u^2 = (s_b^2 + s_w^2/n)/m, with s_b^2 not below zero; what the
    units say of each other, and so the degrees of freedom, stays.
    """
    s2, n = now.u**2 * now.m, now.per_unit
    part = min(now.within / n, s2)
    after = s2 - part + part / (1 + factor)
    move = np.sqrt((s2 - after) / now.m * now.within_dof / chi2)
    return now.value + move * z, np.full(len(z), np.sqrt(after / now.m)), now.dof


def known_now(s: Summaries, row: Summary, value: float, u: float, dof: float) -> MeanNow | None:
    """What is known of one product's mean in a trial; None where nothing could be simulated."""
    if row.cell < 0 or not (u > 0 and np.isfinite(dof) and dof > 0):
        return None
    i, cells = row.cell, s.cells
    m, n = int(cells.m[i]), int(cells.n[i])
    within = float(cells.within_variance[i]) if np.isfinite(cells.within_variance[i]) else 0.0
    items = {"units": m, "specimens": n, "censored": int(dof) + 1}.get(row.source, 1)
    per_unit = max(1, round(n / m))
    return MeanNow(value, u, dof, row.source, items, per_unit, within, int(cells.within_dof[i]))


def batches_of(now: MeanNow, trial: int, product: int) -> list[Batch]:
    """The batches that can be simulated for one product in one trial.

    A product of which one unit was tested, in a trial that shows nothing of how units differ, can
    only be offered more specimens of that unit.
    """
    out = []
    if now.source in ("units", "pooled", "pooled_percent") or (now.source == "censored" and now.m >= 2):
        out += [Batch(trial, product, "new_unit", j, j * now.per_unit) for j in NEW_UNITS]
    if now.source in ("units", "pooled", "pooled_percent") and now.within > 0 and now.within_dof > 0:
        units = now.m
        out += [Batch(trial, product, "same_units", 0, f * units * now.per_unit) for f in MORE_SPECIMENS]
    if now.source == "specimens":
        out += [Batch(trial, product, "specimens", 0, f * now.m) for f in MORE_SPECIMENS]
    return out


def after_batch(now: MeanNow, batch: Batch, stream: np.random.Generator) -> tuple:
    """(value, u, dof) of the mean after the batch, for OUTCOMES outcomes; the mean is drawn in strata."""
    from scipy.special import ndtri

    cells = (np.arange(OUTCOMES) + stream.random(OUTCOMES)) / OUTCOMES
    z = ndtri(np.clip(cells, 1e-12, 1 - 1e-12))
    if batch.kind == "same_units":
        chi2 = stream.chisquare(now.within_dof, OUTCOMES)
        return more_of_same(now, batch.specimens // (now.m * now.per_unit), z, chi2)
    j = batch.units if batch.kind == "new_unit" else batch.specimens
    chi2, normal = stream.chisquare(now.dof, OUTCOMES), stream.standard_normal((OUTCOMES, j))
    if now.source.startswith("pooled"):
        return new_units_of_one(now, j, z, normal, chi2)
    return new_items(now, j, z, normal, chi2)


@lru_cache(maxsize=256)
def _t_quantiles(dof: float) -> np.ndarray:
    from scipy.special import ndtr, stdtrit

    return stdtrit(dof, ndtr(NORMAL_SCORES))


def recast(noise: np.ndarray, dof: float, to: float) -> np.ndarray:
    """Student's t noise carried over to other degrees of freedom at the same quantiles.

    So that a batch that changes nothing changes no draw: the base draws stay common. Interpolated in
    normal scores; beyond five of them the last value stands.

    >>> x = recast(np.array([-2.0, 0.0, 2.776445]), 4.0, 9.0)
    >>> x.round(2).tolist()
    [-1.74, 0.0, 2.26]
    """
    if to == dof:
        return noise
    return np.interp(np.interp(noise, _t_quantiles(dof), NORMAL_SCORES), NORMAL_SCORES, _t_quantiles(to))


class Base:
    """The base draws of one replicate: scores of each criterion and totals of one board."""

    def __init__(self, plan: Plan, table: Weighed, ranked: list[int], index: int):
        self.plan, self.table, self.ranked = plan, table, ranked
        self.criteria = needed(plan, [table])
        # Far more uses than are made: every trial's means stay at hand for the candidates.
        uses = dict.fromkeys(uses_of(plan, self.criteria), 1 << 60)
        self.block = Block(plan, "next", index, DRAWS, uses)
        P = plan.products
        spare = np.zeros((3, P))
        self.part: dict[int, np.ndarray] = {}
        self.meets: dict[int, np.ndarray] = {}
        total = np.repeat(table.constant[:, None], DRAWS, axis=1)
        for i in self.criteria:
            law = plan.laws[i]
            ok = np.ones((P, DRAWS), dtype=bool)
            x = scored(self.block, law, *spare, ok)
            if not ok.all():
                self.meets[i] = ok
            w = table.weights.get(i)
            if w is not None:
                share = x if x is not None else np.repeat(law.score[:, None], DRAWS, axis=1)
                self.part[i] = w[:, None] * share
                total += self.part[i]
        self.total = total
        self._best: dict[int, tuple] = {}
        self._noise: dict[int, np.ndarray] = {}
        meets = np.ones((P, DRAWS), dtype=bool)
        for ok in self.meets.values():
            meets &= ok
        self.played = on_grid(total[ranked])
        self.played[~meets[ranked]] = -np.inf
        self.wrong = 1.0 - float(_first(self.played).mean(axis=1).max())

    def noise(self, trial: int) -> np.ndarray:
        """The t noise that the trial's means were drawn with, shape (products, draws)."""
        if trial not in self._noise:
            law = self.plan.means[trial]
            self._noise[trial] = student(self.block.stream(MEANS, trial), law.dof, law.u != 0, DRAWS)
        return self._noise[trial]

    def touched(self, trial: int) -> list[int]:
        """Criteria that a trial's mean (or pass share) enters."""
        out = []
        for i in self.criteria:
            law = self.plan.laws[i]
            if law.kind in ("mean", "share") and law.trial == trial:
                out.append(i)
            elif law.kind == "ratio" and trial in (law.trial, law.baseline):
                out.append(i)
        return out

    def rest(self, p: int, touched: list[int]) -> tuple[np.ndarray, np.ndarray]:
        """Total of product `p` without the criteria touched, and whether its other must-haves are met."""
        total = self.total[p] - sum((self.part[i][p] for i in touched if i in self.part), np.zeros(DRAWS))
        ok = np.ones(DRAWS, dtype=bool)
        for i, met in self.meets.items():
            if i not in touched:
                ok &= met[p]
        return total, ok

    def _others(self, p: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Best score of the others in each draw, how many reach it, and their shares of it."""
        if p not in self._best:
            others = np.delete(self.played, self.ranked.index(p), axis=0)
            best = others.max(axis=0)
            count = np.where(np.isneginf(others), 0.0, others == best).sum(axis=0)
            shares = _first(others)
            # Of very many, only those that come first most often can be named the winner.
            likely = np.argsort(-shares.sum(axis=1), kind="stable")[:MOST_PAIRED]
            self._best[p] = best, count, shares[np.sort(likely)]
        return self._best[p]

    def wrong_with(self, p: int, totals: np.ndarray) -> np.ndarray:
        """1 - max P(best) when `totals` (outcomes, draws; on the grid) take the place of product `p`'s."""
        best, count, shares = self._others(p)
        won, lost = totals > best, (totals < best).astype(float)
        own = np.array([np.count_nonzero(row) for row in won], dtype=float)
        if own.sum() + lost.sum() < totals.size:
            level = ((totals == best) & ~np.isneginf(totals)) / (count + 1.0)
            own += level.sum(axis=1)
            lost += level * count
        return 1.0 - np.maximum(own, np.einsum("od,pd->op", lost, shares).max(axis=1)) / DRAWS


def _first(played: np.ndarray) -> np.ndarray:
    """Shares of first place, shape as `played`; none to who is out."""
    first = np.where(np.isneginf(played), 0.0, played == played.max(axis=0))
    count = first.sum(axis=0)
    return np.divide(first, count, out=np.zeros(first.shape), where=count > 0)


def means_after(base: Base, batch: Batch, now: MeanNow, touched: list[int], index: int) -> float:
    """Average chance of a wrong winner after one batch of a measured quantity, in one replicate."""
    plan, p, t = base.plan, batch.product, batch.trial
    stream = generator(plan.seed, "next", index, 9, t, p, batch.specimens, batch.units)
    value, u, dof = after_batch(now, batch, stream)
    law = plan.means[t]
    noise = recast(base.noise(t)[p], now.dof, dof)
    shift = np.zeros((plan.products, DRAWS))
    base.block.shift(law, shift)
    rest, ok = base.rest(p, touched)
    wrong = []
    for start in range(0, OUTCOMES, CHUNK):
        rows = slice(start, start + CHUNK)
        x = u[rows, None] * noise
        x += value[rows, None]
        x += shift[p]
        np.maximum(x, law.low, out=x)
        totals, meets = np.tile(rest, (len(x), 1)), None if ok.all() else np.tile(ok, (len(x), 1))
        for i in touched:
            meets = _enter(base, i, p, t, x, totals, meets)
        played = on_grid(totals)
        if meets is not None:
            played[~meets] = -np.inf
        wrong.append(base.wrong_with(p, played))
    return float(np.concatenate(wrong).mean())


def _enter(base: Base, i: int, p: int, t: int, x: np.ndarray, totals: np.ndarray, meets):
    """Add criterion `i`, worked out anew from the drawn means `x` of trial `t`, to the totals of product `p`.

    Returns whether the must-haves are met then; None: all are.
    """
    law = base.plan.laws[i]
    v = x.copy()
    if law.kind == "ratio":
        now = v if t == law.trial else base.block.means(law.trial)[p]
        before = v if t == law.baseline else base.block.means(law.baseline)[p]
        middle = abs(base.plan.means[law.baseline].value[p]) or 1.0
        v = 100.0 * (now / np.maximum(before, LEAST_BASELINE * middle) - 1.0)
    if law.gate is not None:
        met = (v >= law.gate[0]) & (v <= law.gate[1])
        meets = met if meets is None else meets & met
    w = base.table.weights.get(i)
    if w is not None and law.function is not None:
        score_in_place(law.function, v)
        v *= w[p]
        totals += v
    return meets


def shares_after(base: Base, batch: Batch, j: int, i: int) -> float:
    """Average chance of a wrong winner after j further items that pass or fail, in one replicate.

    The base draws of the share are weighed by how likely each outcome makes them: exact, with no
    further randomness (beta-binomial).
    """
    from scipy.special import gammaln, xlog1py, xlogy

    p = batch.product
    theta = base.block.values(base.plan.laws[i])[0][p]
    first = _first(base.played)
    right = 0.0
    for y in range(j + 1):
        log = gammaln(j + 1) - gammaln(y + 1) - gammaln(j - y + 1) + xlogy(y, theta) + xlog1py(j - y, -theta)
        right += float((first @ np.exp(log)).max()) / DRAWS
    return 1.0 - right


def candidates_of(s: Summaries, plan: Plan, found: Sureness, base: Base) -> tuple[list, dict[str, str]]:
    """What is worth trying: (SD of score moved, product, trial, what is known, batches, criteria touched).

    Products that can still be the best, each with the trials whose draws move its score most. Also
    trials of which something cannot be offered, with the reason.
    """
    p_best = {p: found.p_best(p) or 0.0 for p in found.ranked}
    near = sorted(p_best, key=lambda p: (-p_best[p], p))
    near = [p for k, p in enumerate(near) if k < 2 or p_best[p] >= CONTENDER]
    out, refused = [], {}
    for t in range(len(s.study.trials)):
        code = s.study.trials[t].code
        touched = base.touched(t)
        if any(plan.laws[i].kind == "rating" and plan.laws[i].trial == t for i in base.criteria):
            refused[code] = NOT_OFFERED_RATINGS
        for p in near if touched else ():
            row = s.table[t, p]
            kinds = {plan.laws[i].kind for i in touched if plan.laws[i].drawn[p]}
            moved = float(np.std(sum((base.part[i][p] for i in touched if i in base.part), np.zeros(DRAWS))))
            if "share" in kinds:
                i = next(i for i in touched if plan.laws[i].kind == "share")
                on_units = "specimens_not_units" not in plan.laws[i].estimates.product_flags[p]
                per = max(1, round(row.n / row.units)) if on_units and row.units else 1
                kind = "new_unit" if on_units else "specimens"
                items = NEW_UNITS if on_units else tuple(f * max(1, row.n) for f in MORE_SPECIMENS)
                batches = [Batch(t, p, kind, j if on_units else 0, j * per) for j in items]
                out.append((moved, p, t, None, batches, touched))
            elif kinds:
                law = plan.means[t]
                now = known_now(s, row, float(law.value[p]), float(law.u[p]), float(law.dof[p]))
                if now is None:
                    continue
                if now.source == "specimens":
                    refused.setdefault(code, NOT_OFFERED_UNITS)
                out.append((moved, p, t, now, batches_of(now, t, p), touched))
    out.sort(key=lambda c: (-c[0], c[2], c[1]))
    return out[:CANDIDATES], refused


@dataclass(frozen=True)
class Found:
    """gains: of the batches followed up, the greatest first. tried: how many were; refused: trials, why."""

    gains: list[Gain]
    tried: int
    refused: dict[str, str]


def gains_of(s: Summaries, plan: Plan, estimates: list[CriterionEstimates], found: Sureness) -> Found:
    """What further specimens would gain for one weighting.

    Every batch is tried in a few replicates; those that promise most are followed up in fresh ones,
    which alone are counted, so that the choice does not flatter what was chosen.
    """
    table = Weighed.of(estimates, found.board)

    def gain(base: Base, index: int, job: tuple) -> float:
        batch, now, touched = job
        if now is not None:
            return base.wrong - means_after(base, batch, now, touched, index)
        i = next(i for i in touched if plan.laws[i].kind == "share")
        return base.wrong - shares_after(base, batch, batch.units or batch.specimens, i)

    bases = [Base(plan, table, found.ranked, index) for index in range(SCREENING)]
    candidates, refused = candidates_of(s, plan, found, bases[0])
    jobs = [(batch, now, touched) for _, _, _, now, batches, touched in candidates for batch in batches]
    first = [sum(gain(base, index, job) for index, base in enumerate(bases)) for job in jobs]
    kept = sorted(range(len(jobs)), key=lambda k: (-round(first[k], 9), k))[:KEPT]
    sums: list[list[float]] = [[] for _ in kept]
    for index in range(SCREENING, SCREENING + REPLICATES):
        base = Base(plan, table, found.ranked, index)
        for at, k in enumerate(kept):
            sums[at].append(gain(base, index, jobs[k]))
    gains = [
        Gain(jobs[k][0], float(np.round(np.mean(x), 12)), float(np.std(x, ddof=1) / np.sqrt(REPLICATES)))
        for k, x in zip(kept, sums, strict=True)
    ]
    gains.sort(key=lambda g: (-g.gain, g.batch.specimens, g.batch.trial, g.batch.product, g.batch.kind))
    return Found(gains, len(jobs), refused)


def next_rows(s: Summaries, plan: Plan, estimates: list[CriterionEstimates],
              found: Sureness) -> tuple[list[dict], dict]:  # fmt: skip
    """The `next_tests` rows of one weighting, and its summary (`next` of the `scorecards` row).

    p_wrong_now: 1 - max P(best), from the ranks' own draws; p_wrong_after: less the simulated gain.
    """
    known = [x for p in found.ranked if (x := found.p_best(p)) is not None]
    summary = {"p_wrong_now": None, "enough": None, "text": None, "not_offered": [], "tried": 0}
    if len(found.ranked) < 2 or not known:
        return [], summary | {"text": "fewer than two products are ranked by draws"}
    now = max(0.0, 1.0 - max(known))
    tests = gains_of(s, plan, estimates, found)
    gains, refused = tests.gains, tests.refused
    rows = [_row(s.study, found, g, now) for g in gains]
    shown = [g for g in gains if g.shown]
    summary |= {
        "p_wrong_now": now, "enough": not shown, "tried": tests.tried,
        "not_offered": [{"trial": t, "reason": why} for t, why in sorted(refused.items())],
        "text": _text(s.study, now, shown, tests),
    }  # fmt: skip
    return rows, summary


def _row(study: Study, found: Sureness, g: Gain, now: float) -> dict:
    return {
        "weighting": found.board.weighting.id, "trial": study.trials[g.batch.trial].code,
        "product": study.products[g.batch.product], "kind": g.batch.kind, "units": g.batch.units or None,
        "specimens": g.batch.specimens, "p_wrong_now": now,
        "p_wrong_after": min(1.0, max(0.0, now - g.gain)), "gain": g.gain, "gain_mc": g.error,
        "gain_shown": g.shown, "words": "helps" if g.shown else "no gain shown",
    }  # fmt: skip


def _text(study: Study, now: float, shown: list[Gain], tests: Found) -> str:
    if not tests.gains:
        return "no further test could be simulated"
    if not shown:
        if now <= 1 - CLEAR:
            return "enough: more testing will not change it"
        tried = f"none of the {tests.tried} batches tried shows a gain"
        return f"enough: {tried}, so more testing will not change it"
    best = shown[0]
    return (
        f"{best.batch.specimens} more specimens of {study.products[best.batch.product]} in "
        f"{study.trials[best.batch.trial].code} reduce the chance of a wrong winner most: "
        f"from {100 * now:.1f} to {100 * max(0.0, now - best.gain):.1f} %"
    )
