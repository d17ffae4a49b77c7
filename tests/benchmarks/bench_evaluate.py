"""The evaluation: the demo's CPU time, the ratio to hand-written NumPy/SciPy, and growth with readings."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


def run() -> None:
    from comparisons import analysis
    from comparisons.folder.read import read_study
    from comparisons.load import study_from_tables

    study = study_from_tables(read_study(DEMO))
    analysis.evaluate(study)  # imports apart
    spent = _cpu(lambda: analysis.evaluate(study))
    print(f"demo, {len(study.readings)} readings: {spent:.2f} s of CPU (goal: under 1)")
    _against_numpy()
    _growth()


def made_study(products: int, trials: int, units: int, each: int, ranking: bool = False):
    """A balanced study of quantities: `each` specimens of each of `units` units, in every trial.

    Without weightings unless `ranking` is asked for, so that nothing is drawn.
    """
    from comparisons.analysis import study as s

    rng = np.random.default_rng(20260301)
    per_trial = products * units * each
    size = trials * per_trial
    product = np.tile(np.repeat(np.arange(products), units * each), trials).astype(np.int32)
    unit = np.tile(np.repeat(np.arange(products * units), each), trials).astype(np.int32)
    trial = np.repeat(np.arange(trials), per_trial).astype(np.int32)
    centre = rng.uniform(50, 100, (trials, products))
    spread = rng.normal(0, 1.5, (trials, products * units))
    value = centre[trial, product] + spread[trial, unit] + rng.normal(0, 2, size)
    none = np.full(size, -1, dtype=np.int32)
    names = tuple(f"p{i:04d}" for i in range(products))
    properties = {f"x{t:03d}": s.Property(f"x{t:03d}", "quantity", "N", "more") for t in range(trials)}
    claims = tuple(
        s.Claim(f"c{t:03d}-{p:04d}", names[p], f"x{t:03d}", "at_least", trial=f"t{t:03d}", value=75.0,
                printed_step=1.0, unit="N")
        for t in range(trials) for p in range(products)
    )
    return s.Study(
        slug="bench", currency="EUR", seed=1, decision=s.Decision(), products=names, properties=properties,
        trials=tuple(s.Trial(f"t{t:03d}", f"x{t:03d}", reading_unit="N") for t in range(trials)),
        units=tuple(f"u{i:05d}" for i in range(products * units)),
        unit_product=np.repeat(np.arange(products), units).astype(np.int32),
        specimens=(), specimen_unit=np.zeros(0, dtype=np.int32), raters=(),
        gauges=(s.Gauge("stand", "N", resolution=0.1, accuracy_abs=0.2),),
        readings=s.Readings(
            code=np.array([f"r{i:07d}" for i in range(size)], dtype=object), trial=trial, product=product,
            unit=unit, specimen=none, rater=none, gauge=np.zeros(size, dtype=np.int32), run=none,
            value=np.round(value, 1), bound=np.zeros(size, dtype=np.int8), live=np.ones(size, dtype=bool),
            why_not=np.full(size, "", dtype=object), overdue=np.zeros(size, dtype=bool),
            order=np.full(size, np.nan), day=np.full(size, "", dtype=object),
        ),
        claims=claims,
    )


def by_hand(study) -> None:
    """The same statistics by vectorised calls: unit means, intervals, p of each claim, Welch t with Holm,
    letters left out."""
    from scipy import stats

    r = study.readings
    trials, products = len(study.trials), len(study.products)
    units = len(study.units) // products
    shaped = r.value.reshape(trials, products, units, -1)
    unit_mean = shaped.mean(axis=3)
    mean, u = unit_mean.mean(axis=2), unit_mean.std(axis=2, ddof=1) / math.sqrt(units)
    flat = shaped.reshape(trials, products, -1)
    np.median(flat, axis=2), flat.min(axis=2), flat.max(axis=2), flat.std(axis=2, ddof=1)
    shaped.std(axis=3, ddof=1).mean(axis=2)
    u_all = np.sqrt(u**2 + 0.1**2 / 12 + 0.2**2 / 3)
    dof = np.full_like(u, units - 1)
    stats.t.ppf(0.975, dof) * u, stats.t.ppf(0.975, dof) * u_all
    stats.t.cdf((mean - 75.0) / u_all, dof)
    a, b = np.triu_indices(products, 1)
    for t in range(trials):
        va, vb = u[t, a] ** 2, u[t, b] ** 2
        nu = (va + vb) ** 2 / (va**2 / (units - 1) + vb**2 / (units - 1))
        p = 2 * stats.t.sf(np.abs(mean[t, a] - mean[t, b]) / np.sqrt(va + vb), nu)
        order = np.argsort(p)
        np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
        stats.f_oneway(*unit_mean[t], equal_var=False)
        # Suspect values: Grubbs on each product's unit means needs six units, so only the extreme is taken.
        np.abs(flat[t] - flat[t].mean(axis=1, keepdims=True)).max(axis=1)


def _against_numpy() -> None:
    from comparisons import analysis

    study = made_study(30, 30, 5, 2)
    analysis.evaluate(study)
    by_hand(study)
    ours = min(_cpu(lambda: analysis.evaluate(study)) for _ in range(3))
    theirs = min(_cpu(lambda: by_hand(study)) for _ in range(3))
    print(
        f"30 products, 30 trials, 10 specimens ({len(study.readings)} readings): {ours:.2f} s, "
        f"{ours / theirs:.1f} times the same statistics by hand in NumPy and SciPy (goal: 3)"
    )


def _growth() -> None:
    from comparisons import analysis

    sizes, times = [], []
    for each in (20, 200, 2000):
        study = made_study(10, 10, 5, each)
        sizes.append(len(study.readings))
        times.append(min(_cpu(lambda s=study: analysis.evaluate(s)) for _ in range(2)))
    exponent = np.polyfit(np.log(sizes), np.log(times), 1)[0]
    told = ", ".join(f"{n}: {t:.2f} s" for n, t in zip(sizes, times, strict=True))
    print(f"growth with readings: {told}; exponent {exponent:.2f} (goal: at most 1)")


def _cpu(work) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start
