"""Which product can be the best, and whether a difference lies within a margin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .pairs import bad_request, no_test, numbers, spreadless, welch


@dataclass(frozen=True)
class Equivalence:
    """Whether a difference lies within +-margin.

    p: the larger of the two one-sided p. ci: two-sided at 2 * level - 1, in the unit of the difference.
    All None with a reason where it cannot be said.
    """

    equivalent: bool | None
    p: float | None
    ci: list[float] | None
    margin: float | None
    reason: str | None = None


@dataclass(frozen=True)
class HsuBest:
    """Comparisons with the best, one row per product in the order given.

    rows: {product, ci, excluded, shown_best, reason}. ci is the product minus the best of the others,
    so that more is better, held to contain zero. excluded: it cannot be the best; shown_best: it is
    shown to be the best; both None where a product has no test.
    """

    rows: list[dict]
    level: float | None
    reason: str | None = None

    def candidates(self) -> list:
        """The products that are not excluded as the best."""
        return [r["product"] for r in self.rows if not r["excluded"]]


@np.errstate(over="ignore", invalid="ignore")
def hsu_best(mean, u, dof, labels, level=0.95, better="more", resolution=None) -> HsuBest:
    """Which products can still be the best: comparisons with the best.

    Args:
        mean, u, dof, labels: as in `compare_means` (for a scorecard: scores and their uncertainty).
        level: that all statements hold together, between 0.5 and 1.
        better: "more" or "less"; for a property with a target pass scores.
        resolution: what two products without any spread are compared with; one number.

    Returns:
        `HsuBest`. A product without degrees of freedom is neither excluded nor excludes others, and
        while there is one, no product is shown as the best. Refused as in `compare_means`.

    Unequal variances: Bonferroni's t over the k - 1 comparisons with the (unknown) best, with
    Welch's degrees of freedom, in place of Dunnett's value; this is on the safe side.
    Source: J. C. Hsu (1984), "Constrained simultaneous confidence intervals for multiple comparisons
    with the best", Annals of Statistics 12, 1136-1144 (from memory).

    >>> h = hsu_best([10.0, 12.0, 12.1], [0.1, 0.1, 0.1], [9, 9, 9], ["A", "B", "C"])
    >>> h.candidates()
    ['B', 'C']
    """
    from scipy.special import stdtrit

    labels, problem = bad_request(labels, level)
    mean, u, dof = numbers(mean), numbers(u), numbers(dof, infinite=True)
    k = len(labels)
    if problem is None and better not in ("more", "less"):
        problem = "better must be 'more' or 'less'"
    if problem is None and not len(mean) == len(u) == len(dof) == k:
        problem = "means, uncertainties, degrees of freedom and labels differ in number"
    if problem:
        return HsuBest([], None, problem)
    mean = mean if better == "more" else -mean
    own = [no_test(*row) for row in zip(mean, u, dof, strict=True)]
    tested = np.array([r is None for r in own])
    step = numbers([resolution])[0]
    noise = spreadless(mean)
    rows = []
    for i in range(k):
        row = {"product": labels[i], "ci": None, "excluded": None, "shown_best": None, "reason": own[i]}
        rows.append(row)
        others = np.flatnonzero(tested & (np.arange(k) != i))
        if own[i] is not None:
            continue
        if not len(others):
            row["reason"] = "no other product that it could be told from"
            continue
        d = mean[i] - mean[others]
        se, nu = welch(u[i], u[others], dof[i], dof[others])
        half = -stdtrit(nu, (1 - level) / (k - 1)) * se
        half = np.where(se <= noise, step if step > 0 else np.inf, half)
        low, high = min(0.0, float(np.min(d - half))), max(0.0, float(np.min(d + half)))
        row["excluded"] = high == 0.0 and low < 0.0
        row["shown_best"] = low == 0.0 and high > 0.0 and bool(tested.all())
        if np.isfinite([low, high]).all():
            row["ci"] = [low, high]
        else:
            row["reason"] = "no spread in two products and no known resolution"
    return HsuBest(rows, float(level))


@np.errstate(over="ignore", invalid="ignore")
def equivalent_within(difference, u, dof, margin, level=0.95) -> Equivalence:
    """Whether one difference is shown to lie within +-margin (two one-sided tests).

    difference, u, margin: in one unit, margin > 0; dof: degrees of freedom of u; level: 1 minus the
    error of calling a difference beyond the margin equivalent, between 0.5 and 1.
    Returns `Equivalence`: equivalent where the two-sided interval at 2 * level - 1 lies wholly inside
    the margin; None with a reason where an input is missing or impossible.
    Source: D. J. Schuirmann (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680
    (from memory).

    >>> equivalent_within(0.2, 0.1, 10, margin=0.5).equivalent
    True
    """
    from scipy.special import stdtr, stdtrit

    d, u, margin = (float(v) for v in numbers([difference, u, margin]))
    dof = float(numbers([dof], infinite=True)[0])
    if not margin > 0:
        return Equivalence(None, None, None, None, "no margin was stated")
    confidence = float(numbers([level])[0])
    reason = "no difference" if np.isnan(d) else no_test(d, u, dof)
    if reason is None and u == 0:
        reason = "no spread: no test"
    if reason is None and not 0.5 < confidence < 1:
        reason = "the confidence level must lie between 0.5 and 1"
    if reason:
        return Equivalence(None, None, None, margin, reason)
    dof = min(dof, 1e12)
    p = float(max(stdtr(dof, (d - margin) / u), stdtr(dof, -(d + margin) / u)))
    half = float(stdtrit(dof, confidence)) * u
    ci = [d - half, d + half]
    return Equivalence(-margin < ci[0] and ci[1] < margin, p, ci, margin)
