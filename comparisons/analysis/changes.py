"""Change of each product against its baseline trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .change import Change, paired, separate
from .comparing import own_or_whole
from .pooling import Pool, pool_of
from .summary import LEVEL, Summaries, Summary


@dataclass(frozen=True)
class ChangeOf:
    """The change of one product in one trial, in percent of its baseline.

    law: what its uncertainty rests on. "ratio": mean, u, dof of the trial and of the baseline (six
    numbers, property's unit); "log": mean, u, dof of the log ratio of the same specimens; None: none.
    trial, baseline: rows of the two summaries.
    """

    trial: int
    baseline: int | None
    product: int
    change: Change
    paired: bool
    n: int
    n_baseline: int
    law: str | None = None
    numbers: tuple[float, ...] = ()
    flags: tuple[str, ...] = ()


def _refused(t: int, b: int | None, p: int, reason: str, pair: bool, n: int = 0, n0: int = 0) -> ChangeOf:
    return ChangeOf(t, b, p, Change(None, None, reason, ""), pair, n, n0)


def changes_of(s: Summaries) -> dict[tuple[int, int], ChangeOf]:
    """The change of every product in every trial that has a baseline; None values carry a reason.

    The baseline must measure the same property. The same specimens are used where the trial says
    that it is paired, and then only specimens measured in both.
    """
    study, out = s.study, {}
    place = {t.code: i for i, t in enumerate(study.trials)}
    for t, trial in enumerate(study.trials):
        if not trial.baseline:
            continue
        b = place.get(trial.baseline)
        if b is None or study.trials[b].property != trial.property:
            reason = f"no trial {trial.baseline}" if b is None else "the baseline measures another property"
            out |= {(t, p): _refused(t, b, p, reason, trial.paired) for p in range(len(study.products))}
            continue
        pool = _pool(s, t, b) if trial.paired else None
        for p in range(len(study.products)):
            out[t, p] = _change(s, t, b, p, trial.paired, pool)
    return out


def _change(s: Summaries, t: int, b: int, p: int, pair: bool, pool: Pool | None) -> ChangeOf:
    now, before = s.table[t, p], s.table[b, p]
    for row, name in ((now, "trial"), (before, "baseline")):
        if row.n == 0:
            reason = row.reason if name == "trial" else f"no baseline: {row.reason}"
            return _refused(t, b, p, reason or "not measured", pair, now.n, before.n)
    if now.kind != "quantity":
        return _refused(t, b, p, "only a quantity changes in percent", pair, now.n, before.n)
    if pair:
        return _paired(s, t, b, p, now, before, pool)
    if now.mean is None or before.mean is None:
        row, name = (now, "under the condition") if now.mean is None else (before, "in the baseline")
        return _refused(t, b, p, f"no mean {name}: {row.reason}", pair, now.n, before.n)
    u, dof, several = own_or_whole(s, [now, before])
    change = separate(now.mean, u[0], dof[0], before.mean, u[1], dof[1], level=LEVEL)
    flags = list(change.flags) + (["several_gauges"] if several else [])
    flags += [f for f in ("of_units_tested", "between_units_pooled") if f in now.flags or f in before.flags]
    law, numbers = None, ()
    if change.ci_pct is not None:
        law = "ratio"
        numbers = (now.mean, u[0], dof[0], before.mean, u[1], dof[1])
    return ChangeOf(t, b, p, change, False, now.n, before.n, law, numbers, tuple(flags))


def _matched(s: Summaries, now: Summary, before: Summary) -> tuple[np.ndarray, np.ndarray]:
    """Rows of Values of the specimens measured in both, baseline first, in the same order."""
    v, cells = s.values, s.cells
    first, second = cells.own_rows(before.cell), cells.own_rows(now.cell)
    first, second = first[v.specimen[first] >= 0], second[v.specimen[second] >= 0]
    _, i, j = np.intersect1d(v.specimen[first], v.specimen[second], return_indices=True)
    return first[i], second[j]


def _pool(s: Summaries, t: int, b: int) -> Pool | None:
    """How the units of one product differ in their log ratios, over the products with two or more."""
    v, products = s.values, []
    for p in range(len(s.study.products)):
        now, before = s.table[t, p], s.table[b, p]
        if now.n == 0 or before.n == 0 or now.kind != "quantity":
            continue
        first, second = _matched(s, now, before)
        usable = (v.unit[second] >= 0).all() and (v.bound[first] == 0).all() and (v.bound[second] == 0).all()
        if len(first) and usable and (v.value[first] > 0).all() and (v.value[second] > 0).all():
            _, unit = np.unique(v.unit[second], return_inverse=True)
            products.append((np.log(v.value[second]) - np.log(v.value[first]), unit))
    return pool_of(products)


def _paired(s: Summaries, t: int, b: int, p: int, now: Summary, before: Summary, pool) -> ChangeOf:
    v = s.values
    first, second = _matched(s, now, before)
    if not len(first):
        return _refused(t, b, p, "no specimen was measured before and after", True, now.n, before.n)
    exact = (v.bound[first] == 0) & (v.bound[second] == 0)
    if not exact.all():
        reason = "a specimen's value is only a bound: no change in percent"
        return _refused(t, b, p, reason, True, len(first), len(first))
    units = v.unit[second]
    known = bool((units >= 0).all())
    change = paired(v.value[second], v.value[first], units if known else None, level=LEVEL, pool=pool)
    flags = list(change.flags)
    if not (known and len(np.unique(units)) > 1) and "between_units_pooled" not in flags:
        flags.append("of_units_tested")
    if len(first) < max(now.n, before.n):
        flags.append("only_specimens_measured_in_both")
    law, numbers = ("log", change.log) if change.log else (None, ())
    return ChangeOf(t, b, p, change, True, len(second), len(first), law, numbers, tuple(flags))


def change_rows(s: Summaries, changes: dict[tuple[int, int], ChangeOf]) -> list[dict]:
    """The `changes` rows of the document, sorted by trial and product."""
    study = s.study
    return [
        {
            "trial": study.trials[t].code, "baseline": study.trials[t].baseline, "product": study.products[p],
            "change_pct": c.change.change_pct,
            "ci_pct": list(c.change.ci_pct) if c.change.ci_pct else None,
            "paired": c.paired, "n": c.n, "n_baseline": c.n_baseline, "method": c.change.method or None,
            "reason": c.change.reason or None, "flags": list(c.flags),
        }
        for (t, p), c in sorted(changes.items())
    ]  # fmt: skip
