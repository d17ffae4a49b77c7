"""What the next study of the same property would need, from how units differed in this one."""

from __future__ import annotations

import numpy as np

from .checked import number
from .document import Ready, settled
from .planning import n_for_margin, n_to_tell_many, sd_upper
from .summary import Summaries

MARGIN_PCT = 5.0  # of the mean: half-width of its 95 % interval
DIFFERENCE_PCT = 10.0  # of the mean: the difference that two products are to be told apart by
POWER, ASSURANCE = 0.8, 0.8  # common practice; the assurance covers that a pilot's SD may be low by chance
NO_UNITS = "no product with two units or more shows how units differ"
NOT_ABOVE_ZERO = "means that are not all above zero: a spread in percent has no meaning"
NO_SPREAD = "units do not differ here: no spread to plan with"
TOO_WIDE = "the spread is too large to compute with"


def plan_rows(s: Summaries) -> list[dict]:
    """The `plans` rows of the document, one for each trial of a quantity with a result.

    The spread is that of unit means in percent of the product's mean, pooled over the products with two
    or more units and exact values; it holds for as many specimens of each unit as were taken here.
    Numbers of units: the likely one, and the cautious one at the spread's upper confidence limit (see
    `planning`). None with a reason where nothing shows the spread.
    """
    cells, rows = s.cells, []
    usable = (cells.up + cells.down == 0) & (cells.m >= 2)
    for t, trial in enumerate(s.study.trials):
        here = cells.trial == t
        if s.study.properties[trial.property].kind != "quantity" or not here.any():
            continue
        which = np.flatnonzero(here & usable)
        mean, dof = cells.low[which], cells.m[which] - 1
        row = {
            "trial": trial.code, "products": len(which), "dof": int(dof.sum()), "cv_pct": None,
            "cv_cautious_pct": None, "margin_pct": MARGIN_PCT, "units_for_margin": None,
            "units_for_margin_cautious": None, "difference_pct": DIFFERENCE_PCT, "power": POWER,
            "assurance": ASSURANCE, "units_to_tell": None, "units_to_tell_cautious": None, "reason": None,
        }  # fmt: skip
        rows.append(row)
        if not len(which):
            row["reason"] = NO_UNITS
        elif not (mean > 0).all() or ("celsius", 1) in trial.quantities:
            row["reason"] = NOT_ABOVE_ZERO
        else:
            with np.errstate(over="ignore"):
                squares = dof * (np.sqrt(cells.means_variance[which]) / mean) ** 2
            cv = number(100.0 * np.sqrt(squares.sum() / dof.sum()))
            if not cv:
                row["reason"] = NO_SPREAD if cv == 0 else TOO_WIDE
                continue
            row["cv_pct"], row["cv_cautious_pct"] = cv, sd_upper(cv, row["dof"], ASSURANCE)
    planned = [r for r in rows if r["reason"] is None]
    spreads = [x for r in planned for x in (r["cv_pct"], r["cv_cautious_pct"])]
    told = n_to_tell_many(DIFFERENCE_PCT, spreads, power=POWER)
    for k, row in enumerate(planned):
        row["units_for_margin"] = n_for_margin(row["cv_pct"], MARGIN_PCT).n
        row["units_for_margin_cautious"] = n_for_margin(row["cv_cautious_pct"], MARGIN_PCT).n
        row["units_to_tell"], row["units_to_tell_cautious"] = told[2 * k], told[2 * k + 1]
    for row in rows:
        row["words"] = _words(row)
    return settled(rows, "cv_pct", "cv_cautious_pct") if rows else Ready()


def _words(row: dict) -> str | None:
    if row["reason"] is not None:
        return None
    parts = []
    tell = f"of each product tell a difference of {DIFFERENCE_PCT:g} % with a power of {100 * POWER:g} %"
    for name, what in (("units_for_margin", f"give a margin of {MARGIN_PCT:g} %"), ("units_to_tell", tell)):
        numbers = (row[name], row[f"{name}_cautious"])
        least, cautious = ("more than a million" if x is None else x for x in numbers)
        parts.append(f"{least} units {what} ({cautious} to be {100 * ASSURANCE:g} % sure)")
    return "; ".join(parts)
