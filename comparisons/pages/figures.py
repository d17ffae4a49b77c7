"""All figures of a trial beside its means: robust ones, what the gauge may add, medians, how far raters agree."""

from __future__ import annotations

from . import words
from .numbers import GAP, counted, digits_of, likely, p_value, places_for, significant, with_unit, write

NONE = "–"
FAR, COARSE = "far_values_pull_the_mean", "gauge_too_coarse"
QUANTITY = [
    "n", "units", "mean", "U", "k", "SD", "median", "MAD as SD", "robust mean (Huber)", "least", "greatest",
    "SD between units", "SD within units", f"mean’s interval without the gauge (95{GAP}%)", "degrees of freedom",
    "the gauge’s share of the mean (k = 2)", "remarks",
]  # fmt: skip
RATING = [
    "n", "raters", "mean", "U", "k", "SD", "median", f"median’s interval (95{GAP}%)", "least", "greatest",
    "degrees of freedom", "remarks",
]  # fmt: skip
BOUNDS = "no robust figures: some specimens gave only a bound"


def share(gauge_pct: float | None) -> str:
    """What the gauge alone may add, in percent of the mean, with two digits.

    >>> share(1.5758), share(None)
    ('1.6\xa0%', '–')
    """
    return NONE if gauge_pct is None else f"{write(gauge_pct, max(0, significant(gauge_pct, 2)))}{GAP}%"


def robust_places(summary: dict, places: int, decimals: int | None = None) -> int:
    """Decimals for median and robust mean: by the robust spread, since far values inflate U."""
    found = places_for(summary.get("mad_sd"))
    return max(places, (decimals or 0) if found is None else found)


def quantity(summary: dict, places: int, decimals: int | None = None) -> list[str]:
    """All figures of one product in a trial of a quantity, in the order of QUANTITY.

    Spreads have two digits of their own; single values, median and robust mean those of the robust spread.
    """
    middle = robust_places(summary, places, decimals)
    said = words.flags(f for f in summary.get("flags") or [] if f in words.WORKINGS)
    if summary.get("robust"):
        said.append(robust_words(summary["robust"]))
    elif summary.get("n_bounds"):
        said.append(BOUNDS)
    units = summary.get("units")
    return [
        str(summary["n"]), NONE if units is None else str(units), _at(summary, "mean", places),
        _spread(summary, "U"), _at(summary, "k", 2), _spread(summary, "sd"), _at(summary, "median", middle),
        _spread(summary, "mad_sd"), _at(summary, "huber", middle), _at(summary, "min", middle),
        _at(summary, "max", middle), _spread(summary, "between_sd"), _spread(summary, "within_sd"),
        _interval(summary.get("ci"), places), _at(summary, "dof", 1), share(summary.get("gauge_pct")), "; ".join(said),
    ]  # fmt: skip


def rating(summary: dict, panel: dict, raters: int, places: int) -> list[str]:
    """All figures of one product in a rating trial, in the order of RATING. panel: the trial's `ratings` row."""
    product = summary["product"]
    why = (panel.get("medians_reason") or {}).get(product)
    said = words.flags(f for f in summary.get("flags") or [] if f in words.WORKINGS)
    if why:
        said.append(f"no interval for the median: {why}")
    return [
        str(summary["n"]), str(raters), _at(summary, "mean", places), _spread(summary, "U"), _at(summary, "k", 2),
        _spread(summary, "sd"), _at(panel.get("medians") or {}, product, 1),
        _interval((panel.get("medians_ci") or {}).get(product), 1), _at(summary, "min", 1), _at(summary, "max", 1),
        _at(summary, "dof", 1), "; ".join(said),
    ]  # fmt: skip


def robust_words(text: str) -> str:
    """What the results say of the robust figures, with what it is said of.

    >>> robust_words("too few to judge: fewer than 6 values"), robust_words("the mean and the robust mean agree")
    ('robust mean: too few to judge: fewer than 6 values', 'the mean and the robust mean agree')
    """
    return text if "robust" in text else f"robust mean: {text}"


def _at(row: dict, key: str, places: int) -> str:
    value = row.get(key)
    return NONE if value is None else write(value, places)


def _spread(row: dict, key: str) -> str:
    value = row.get(key)
    return NONE if value is None else write(value, significant(value, 2) if value else 0)


def _interval(ends, places: int) -> str:
    return f"{write(ends[0], places)} to {write(ends[1], places)}" if ends else NONE


def far_values(names, trial: str, summaries: dict[str, dict]) -> list[str]:
    """One sentence for each product whose mean and robust mean disagree: both, and the median."""
    prop = names.property_of(trial)
    unit, decimals = names.unit(prop), names.decimals(prop)
    said = []
    for product, row in summaries.items():
        if FAR not in (row.get("flags") or []) or row.get("huber") is None:
            continue
        places = robust_places(row, digits_of(row["mean"], row["U"], decimals), decimals)
        mean, huber, median = (with_unit(write(row[key], places), unit) for key in ("mean", "huber", "median"))
        tested = counted(row["n"], "specimen")
        if row.get("units") is not None:
            tested += f", {counted(row['units'], 'unit')}"
        said.append(
            f"Far values pull the mean of {names.product(product)}: it is {mean}; the robust mean (Huber) is "
            f"{huber}, the median {median} ({tested})."
        )
    return said


def coarse_gauge(names, summaries: dict[str, dict]) -> str:
    """For which products the gauge is too coarse, and how much of their mean it alone may make up."""
    coarse = {p: row["gauge_pct"] for p, row in summaries.items() if COARSE in (row.get("flags") or [])}
    if not coarse:
        return ""
    from comparisons.analysis.summary import COARSE_PCT

    least, most = share(min(coarse.values())), share(max(coarse.values()))
    amount = most if least == most else f"{least} to {most}"
    return (
        f"The gauge is too coarse for {words.listed(names.product(p) for p in coarse)}: its errors and its step alone "
        f"may come to {amount} of the mean (k = 2). We say so from {write(COARSE_PCT)}{GAP}% on."
    )


def median_words(panel: dict, product: str) -> str:
    """A median rating with its interval, where there is one: "4.0, likely 3.0 to 4.0"."""
    median = (panel.get("medians") or {}).get(product)
    if median is None:
        return ""
    ends = (panel.get("medians_ci") or {}).get(product) or (None, None)
    return ", ".join(part for part in (write(median, 1), likely(*ends, 1)) if part)


def medians(names, panel: dict) -> str:
    """Why medians have no interval; where all share one reason, it is said once."""
    by_reason: dict[str, list[str]] = {}
    for product, reason in (panel.get("medians_reason") or {}).items():
        by_reason.setdefault(reason, []).append(product)
    everyone = set(panel.get("medians") or {})
    said = []
    for reason, products in by_reason.items():
        who = words.listed(names.product(p) for p in products)
        one = "median" if len(products) == 1 else "medians"
        whose = "the medians" if everyone == set(products) and len(products) > 1 else f"the {one} of {who}"
        said.append(f"No interval for {whose}: {reason}.")
    return " ".join(said)


def agreement(panel: dict) -> str:
    """How far the raters agree, in words, with its two usual measures or why one is absent."""
    if not panel.get("words"):
        return ""
    parts = []
    if panel.get("alpha") is not None:
        parts.append(f"Krippendorff’s alpha {write(panel['alpha'], 2)}")
    if panel.get("kendall_w") is not None:
        p = f", p {p_value(panel['p'])}" if panel.get("p") is not None else ""
        parts.append(f"Kendall’s W {write(panel['kendall_w'], 2)}{p}")
    elif parts and panel.get("w_reason"):
        parts.append(f"Kendall’s W not told: {panel['w_reason']}")
    text = panel["words"].removeprefix("one rater: ").removeprefix("two raters: ")
    head = f"{counted(panel['raters'], 'rater')}, {counted(panel['products'], 'product')}: {text}"
    said = words.sentence(head + (f" ({'; '.join(parts)})" if parts else ""))
    if panel.get("alpha") is not None:
        said += " Alpha is 1 where all agree, and 0 where they agree no more than by chance."
    return said
