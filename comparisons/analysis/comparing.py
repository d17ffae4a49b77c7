"""Products set beside each other within one trial: differences, pass shares, ratings, changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .summary import LEVEL, Summaries, Summary

NEARLY_EQUAL = 1e-9  # an SD of more than this share of the mean is a spread, not rounding
MOST_COMPARED = 60  # beyond this the table of pairs is longer than anybody reads


@dataclass(frozen=True)
class Passed:
    """How many passed: passed of n specimens; units_passed of units where each unit speaks with one voice.

    share: unweighted mean of the units' shares; units not known: of the specimens. k, n_items: what an
    interval may count on; on: "units" or "specimens".
    """

    passed: int
    n: int
    share: float
    k: int
    n_items: int
    on: str
    units: int | None
    mixed: bool


def passed_of(s: Summaries, row: Summary) -> Passed:
    """The counts of one pass/fail summary.

    Specimens of one unit are not independent. With two or more units, each unanimous, the units are
    counted; otherwise the specimens are, and the result must be flagged.
    """
    cells = s.cells
    own = s.values.value[cells.own_rows(row.cell)]
    passed, n = int(own.sum()), len(own)
    shares = cells.group_low[cells.groups(row.cell)]
    mixed = bool(((shares > 0) & (shares < 1)).any())
    share = float(cells.low[row.cell])
    if row.units is not None and row.units >= 2 and not mixed:
        return Passed(passed, n, share, int(shares.sum()), len(shares), "units", row.units, False)
    return Passed(passed, n, share, passed, n, "specimens", row.units, mixed)


def instruments_of(s: Summaries, row: Summary) -> frozenset[int]:
    """The instruments with stated errors that measured this product in this trial."""
    if row.cell < 0:
        return frozenset()
    gauges = s.sensitivities.gauge[s.sensitivities.of(row.cell)].tolist()
    return frozenset(int(s.errors.instrument[g]) for g in gauges if s.errors.stated[g])


def own_or_whole(s: Summaries, rows: list[Summary]) -> tuple[list, list, bool]:
    """u and dof of each row for setting the rows against each other, and whether gauges differ.

    What one gauge shares among all of them cancels and is left out. Where the rows were measured
    with different gauges, each carries its own gauges' errors: on the safe side where some share one.
    """
    sets = {instruments_of(s, r) for r in rows if r.u_own is not None}
    if len(sets) <= 1:
        return [r.u_own for r in rows], [r.dof_own for r in rows], False
    u, dof = [], []
    for r in rows:
        if r.u_own is None or r.dof_own is None:
            u.append(None)
            dof.append(None)
            continue
        own, gauge = r.u_own, r.u_gauge or 0.0
        total = float(np.hypot(own, gauge))
        u.append(total)
        dof.append(r.dof_own * (total / own) ** 4 if own > 0 else r.dof_own)
    return u, dof, True


def difference_rows(s: Summaries) -> list[dict]:
    """The `differences` rows of the document, one for each trial with two or more measured products."""
    out = []
    for t, trial in enumerate(s.study.trials):
        rows = [r for r in s.of_trial(t) if r.n > 0]
        if len(rows) < 2:
            continue
        kind = rows[0].kind
        labels = [s.study.products[r.product] for r in rows]
        flags = []
        if len(rows) > MOST_COMPARED:
            out.append({
                "trial": trial.code, "method": None, "level": None, "scale": None, "pairs": [],
                "letters": dict.fromkeys(labels), "no_letter": {}, "omnibus": None,
                "reason": f"more than {MOST_COMPARED} products: pairs are not compared", "flags": [],
            })  # fmt: skip
            continue
        if kind == "quantity":
            found, flags = _means(s, rows, labels)
        elif kind == "pass_fail":
            found, flags = _shares(s, rows, labels)
        elif kind == "rating":
            from .differences import compare_ratings

            found = compare_ratings(s.panels[t][:, [r.product for r in rows]], labels, level=LEVEL)
        else:
            continue
        out.append({
            "trial": trial.code, "method": found.method, "level": found.level, "scale": found.scale,
            "pairs": found.pairs.rows(), "letters": found.letters, "no_letter": found.no_letter,
            "omnibus": found.omnibus, "reason": found.reason or None, "flags": flags,
        })  # fmt: skip
    return out


def _means(s: Summaries, rows: list[Summary], labels: list[str]):
    from .differences import compare_means

    u, dof, several = own_or_whole(s, rows)
    if any(r.units is not None and r.units >= 2 and r.u_own is not None for r in rows):
        # What is known of the units tested alone is not set against products at large as equal.
        dof = [None if "of_units_tested" in r.flags else d for r, d in zip(rows, dof, strict=True)]
    # A product with a borrowed spread is never "without spread", however equal its own specimens.
    values = [
        s.values.value[s.cells.own_rows(r.cell)]
        if r.source in ("units", "specimens") and not (r.sd or 0.0) > NEARLY_EQUAL * abs(r.mean) else None
        for r in rows
    ]  # fmt: skip
    found = compare_means(
        [r.mean for r in rows], u, dof, labels, level=LEVEL,
        n_units=[r.units or 1 for r in rows], values=values, resolution=[r.resolution for r in rows],
    )  # fmt: skip
    flags = ["several_gauges"] if several else []
    if any("of_units_tested" in r.flags for r in rows):
        flags.append("of_units_tested")
    return found, flags


def _shares(s: Summaries, rows: list[Summary], labels: list[str]):
    from .differences import compare_shares

    counts = [passed_of(s, r) for r in rows]
    found = compare_shares([c.k for c in counts], [c.n_items for c in counts], labels, level=LEVEL)
    return found, ["specimens_not_units"] if any(c.on == "specimens" for c in counts) else []


def pass_fail_rows(s: Summaries) -> list[dict]:
    """The `pass_fail` rows of the document, one for each product of each pass/fail trial."""
    from .passfail import clopper_pearson, in_words, wilson

    out = []
    for (t, p), row in sorted(s.table.items()):
        if row.kind != "pass_fail":
            continue
        base = {
            "trial": s.study.trials[t].code, "product": s.study.products[p], "passed": None, "n": row.n,
            "share": None, "units": row.units, "counted_on": None, "k": None, "n_items": None,
            "clopper_pearson": None, "wilson": None, "words": None, "absence": row.absence,
            "reason": row.reason, "flags": list(row.flags),
        }  # fmt: skip
        if row.n:
            c = passed_of(s, row)
            flags = [f for f in row.flags]
            if c.on == "specimens":
                flags.append("specimens_not_units")
            if c.mixed:
                flags.append("units_disagree_within")
            if abs(c.share - c.passed / c.n) > 1e-9:
                flags.append("units_weigh_equally")
            base |= {
                "passed": c.passed, "share": c.share, "counted_on": c.on, "k": c.k,
                "n_items": c.n_items, "clopper_pearson": list(clopper_pearson(c.k, c.n_items, LEVEL)),
                "wilson": list(wilson(c.k, c.n_items, LEVEL)), "words": in_words(c.k, c.n_items, LEVEL),
                "flags": flags,
            }  # fmt: skip
        out.append(base)
    return out


def rating_rows(s: Summaries) -> list[dict]:
    """The `ratings` rows of the document, one for each rating trial with a rating."""
    from .drawing import generator
    from .ratings import agreement, rated_medians

    out = []
    for t in sorted(s.panels):
        panel = s.panels[t]
        rows = [r for r in s.of_trial(t) if r.n > 0]
        if not rows:
            continue
        seen = panel[:, [r.product for r in rows]]
        found = agreement(seen)
        names = s.study.products
        resampled = rated_medians(seen, generator(s.study.seed, "medians", t), LEVEL)
        held = {names[r.product]: _held(m.ci, r.median) for r, m in zip(rows, resampled, strict=True)}
        out.append({
            "trial": s.study.trials[t].code, "raters": found.raters, "products": found.products,
            "kendall_w": found.kendall_w, "p": found.p, "alpha": found.alpha, "words": found.words,
            "medians": {names[r.product]: r.median for r in rows}, "medians_ci": held,
            "medians_reason": {
                names[r.product]: m.reason for r, m in zip(rows, resampled, strict=True) if m.reason
            },
            "means": {names[r.product]: r.mean for r in rows},
            "n": {names[r.product]: r.n for r in rows},
            "w_reason": found.w_reason, "alpha_reason": found.alpha_reason,
            "reason": found.w_reason, "flags": ["opinion"] if found.opinion else [],
        })  # fmt: skip
    return out


def _held(ci: list[float] | None, median: float | None) -> list[float] | None:
    """An interval of medians over raters, widened to hold the median of all ratings."""
    return None if ci is None or median is None else [min(ci[0], median), max(ci[1], median)]
