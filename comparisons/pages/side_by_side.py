"""Two or three products side by side, as a reader's address names them."""

from __future__ import annotations

from itertools import combinations
from urllib.parse import parse_qsl

from .apart import DIFFERENT, NOT_SHOWN, by_trial, called, pair_words

MOST = 3
LONGEST = 2_000  # characters of an address that are read
NAME = "p"


def asked_for(query: str) -> tuple[list[str], list[str]]:
    """(product codes, remarks) of an address's query: each once, at most three, in its order.

    >>> asked_for("p=a&p=b&p=a&q=c")
    (['a', 'b'], [])
    """
    remarks = []
    if len(query) > LONGEST:
        query = query[:LONGEST].rpartition("&")[0]
        remarks.append("The address is too long: only its beginning was read.")
    found = list(dict.fromkeys(v for k, v in parse_qsl(query, keep_blank_values=False) if k == NAME))
    if len(found) > MOST:
        remarks.append(f"The address names more than {MOST} products: the first {MOST} are shown.")
    return found[:MOST], remarks


def side_by_side(page: dict, results: dict, codes: list[str]) -> dict:
    """Tables of the chosen products (codes that the edition has) and what is really different between them.

    shown: for each trial the sentences on pairs whose difference is shown, which alone are put in numbers;
    not_shown, few: for each pair the trials in which none is shown, or too few were tested to tell. rankings, trials,
    changes, claims: the page's tables cut down to these products, which keep their shared axes.
    """
    names = called(page)
    told = by_trial(results)
    outcomes: dict[str, list[dict]] = {"shown": [], "not_shown": [], "few": []}
    trials = []
    for table in page["trials"]:
        cut = _cut(table, "code", codes)
        if not cut["rows"]:
            continue
        said = []
        for a, b in combinations(codes, 2):
            outcome, text = pair_words(told.get(table["trial"]), names, a, b, table["unit"])
            if text:
                said.append(text)
                kind = {DIFFERENT: "shown", NOT_SHOWN: "not_shown"}.get(outcome, "few")
                outcomes[kind].append({"trial": table["title"], "text": text, "a": names[a], "b": names[b]})
        trials.append(cut | {"told": said, "letters": "", "differences": ""})
    sheets = page.get("sheets") or {}
    return {
        "products": [_head(page, names, code, sheets.get(code)) for code in codes],
        "shown": _by_trial(outcomes["shown"]),
        "not_shown": _together(outcomes["not_shown"]),
        "few": _together(outcomes["few"]),
        "rankings": [
            {**one, "rows": _in_order(one["rows"], "code", codes), "without": _without(page, one, codes, names)}
            for one in page["rankings"]
        ],
        "trials": trials,
        "changes": [cut for table in page["changes"] if (cut := _cut(table, "code", codes))["rows"]],
        "claims": [cut for table in page["claims"] if (cut := _cut(table, "product", codes))["rows"]],
    }


def _cut(table: dict, key: str, codes: list[str]) -> dict:
    return {**table, "rows": _in_order(table["rows"], key, codes)}


def _in_order(rows: list[dict], key: str, codes: list[str]) -> list[dict]:
    return [row for code in codes for row in rows if row[key] == code]


def _by_trial(rows: list[dict]) -> list[dict]:
    found: dict[str, list[str]] = {}
    for row in rows:
        found.setdefault(row["trial"], []).append(row["text"])
    return [{"trial": trial, "texts": texts} for trial, texts in found.items()]


def _together(rows: list[dict]) -> list[dict]:
    """The trials of each pair, said once."""
    found: dict[tuple, list[str]] = {}
    for row in rows:
        found.setdefault((row["a"], row["b"]), []).append(row["trial"])
    return [{"a": a, "b": b, "trials": trials} for (a, b), trials in found.items()]


def _without(page: dict, ranking: dict, codes: list[str], names: dict[str, str]) -> list[str]:
    """Of the chosen products those without a place in a ranking, with the reason where it is told."""
    gated = {one["code"]: one["reasons"] for one in page["gated"]}
    placed = {row["code"] for row in ranking["rows"]}
    return [
        f"{names[code]}: {' '.join(gated[code]) if code in gated else 'no place.'}"
        for code in codes
        if code not in placed
    ]


def _head(page: dict, names: dict[str, str], code: str, sheet: dict | None) -> dict:
    product = next(one for one in page["products"] if one["code"] == code)
    gated = next((one for one in page["gated"] if one["code"] == code), None)
    return product | {
        "full_name": names[code],
        "sheet": sheet,
        "held_back": gated["reasons"] if gated else [],
    }
