"""Which products are really different, in words, from the results of an edition alone."""

from __future__ import annotations

from . import words
from .numbers import digits_of, likely, with_unit, write

DIFFERENT, NOT_SHOWN = "different", "no_difference_shown"
STEPS = "rating steps"
VERBS = {STEPS: "is rated higher than", "share": "passes more often than"}
OUTCOMES = {STEPS: ("be rated", "higher", "lower"), "share": ("pass", "more often", "less often")}


def called(page: dict) -> dict[str, str]:
    """Product code -> its name; where two products share one, with the variant that tells them apart."""
    names = [one["name"] for one in page["products"]]
    return {
        one["code"]: f"{one['name']} ({one['variant']})"
        if names.count(one["name"]) > 1 and one["variant"]
        else one["name"]
        for one in page["products"]
    }


def by_trial(results: dict) -> dict[str, dict]:
    """The differences of a results document by trial."""
    return {row["trial"]: row for row in results.get("differences") or []}


def apart(difference: dict | None, names: dict[str, str], code: str) -> list[str]:
    """From whom one product is told apart in one trial: a sentence for each kind of outcome.

    difference: the trial's row of the results' `differences`. names: product code -> name. What no
    comparison covers gives no sentence.
    """
    if not difference:
        return []
    if difference.get("reason"):
        return [words.sentence(f"products are not told apart here: {difference['reason']}")]
    found: dict[str, list[str]] = {"more": [], "less": [], NOT_SHOWN: [], "few": []}
    for pair in difference.get("pairs") or []:
        if code not in (pair["a"], pair["b"]):
            continue
        other = pair["b"] if code == pair["a"] else pair["a"]
        kind = pair["decided"] if pair["decided"] == NOT_SHOWN else "few"
        if pair["decided"] == DIFFERENT:
            kind = "more" if (pair["difference"] > 0) == (code == pair["a"]) else "less"
        found[kind].append(names.get(other, other))
    verb, more, less = OUTCOMES.get(difference.get("scale"), ("measure", "more", "less"))
    said = [
        f"{word} than {words.listed(sorted(found[kind]))}"
        for kind, word in (("more", more), ("less", less))
        if found[kind]
    ]
    sentences = [f"Shown to {verb} {'; '.join(said)}."] if said else []
    if found[NOT_SHOWN]:
        sentences.append(f"No difference shown from {words.listed(sorted(found[NOT_SHOWN]), 'or')}.")
    if found["few"]:
        sentences.append(f"Too few to tell it from {words.listed(sorted(found['few']), 'or')}.")
    return sentences


def pair_words(difference: dict | None, names: dict[str, str], a: str, b: str, unit: str) -> tuple[str, str]:
    """(outcome, sentence) for two products in one trial; the outcome is that of the results, or "" for none.

    unit: of the trial's property, as it is printed. The size of a difference is said only where one is shown.

    >>> pair = {"a": "x", "b": "y", "difference": -4.2, "ci": [-6.1, -2.3], "p": 0.001, "decided": "different"}
    >>> pair_words({"pairs": [pair], "scale": "unit of the property"}, {"x": "Ex", "y": "Why"}, "x", "y", "N")
    ('different', 'Why measures more than Ex, by 4.2\\xa0N, likely 2.3 to 6.1.')
    """
    pair = next((p for p in (difference or {}).get("pairs") or [] if {p["a"], p["b"]} == {a, b}), None)
    if pair is None:
        reason = (difference or {}).get("reason")
        return "", words.sentence(f"not told apart: {reason}") if reason else ""
    first, second = names[pair["a"]], names[pair["b"]]
    if pair["decided"] == NOT_SHOWN:
        return NOT_SHOWN, f"No difference shown between {first} and {second}."
    if pair["decided"] != DIFFERENT:
        return pair["decided"], f"Too few to tell {first} from {second}."
    return DIFFERENT, _shown(difference, pair, first, second, unit)


def _shown(difference: dict, pair: dict, first: str, second: str, unit: str) -> str:
    size, ci = pair["difference"], pair["ci"]
    if size < 0:
        first, second, size = second, first, -size
        ci = [-ci[1], -ci[0]] if ci else None
    scale = difference.get("scale")
    if scale == "share":
        size, ci, unit = 100 * size, [100 * end for end in ci] if ci else None, "percentage points"
    elif scale == STEPS:
        unit = "steps"
    places = max(0, digits_of(size, (ci[1] - ci[0]) / 2 if ci else None))
    text = f"{first} {VERBS.get(scale, 'measures more than')} {second}, by {with_unit(write(size, places), unit)}"
    said = likely(*ci, places) if ci else ""
    return f"{text}{f', {said}' if said else ''}."
