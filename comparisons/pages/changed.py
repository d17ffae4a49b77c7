"""What changed in numbers from one edition to the next, read off the two frozen pages."""

from __future__ import annotations

from .apart import called

MOST = 40  # changes that are listed; the rest are counted


def changed(before: dict, after: dict) -> dict:
    """What a reader of the earlier edition has to know of the later one.

    answer: the new answer where it is another one, with the old. groups: tables of {title, rows}, each row with
    `name`, `before`, `after` as they were printed. gone, new: products. more: how many changes are not listed.
    """
    names = called(before) | called(after)
    groups = [
        *_rankings(before, after, names),
        *_tables(before, after, "trials", "trial", names),
        *_tables(before, after, "changes", "trial", names, "Change of "),
        *_claims(before, after, names),
        *_prices(before, after),
    ]
    kept, left = [], MOST
    for group in groups:
        shown = group["rows"][:left]
        left -= len(shown)
        if shown:
            kept.append(group | {"rows": shown})
    total = sum(len(group["rows"]) for group in groups)
    codes_before, codes_after = ({one["code"] for one in page["products"]} for page in (before, after))
    answers = before["answer"]["lead"], after["answer"]["lead"]
    return {
        "answer": {"before": answers[0], "after": answers[1]} if answers[0] != answers[1] else None,
        "groups": kept,
        "more": total - sum(len(group["rows"]) for group in kept),
        "count": total,
        "gone": sorted(names[code] for code in codes_before - codes_after),
        "new": sorted(names[code] for code in codes_after - codes_before),
        "text": answers[0] == answers[1] and not total and before["article"] != after["article"],
    }


def _rows(old: dict[str, str], new: dict[str, str], names: dict[str, str]) -> list[dict]:
    """What is printed otherwise now; what only one of the two pages has is told as such."""
    return [
        {"name": names.get(key, key), "before": old.get(key) or "nothing", "after": new.get(key) or "nothing"}
        for key in {**old, **new}
        if old.get(key, "") != new.get(key, "")
    ]


def _group(title: str, old: dict, new: dict, names: dict[str, str]) -> list[dict]:
    rows = _rows(old, new, names)
    return [{"title": title, "rows": rows}] if rows else []


def _scored(ranking: dict) -> dict[str, str]:
    return {
        row["code"]: f"{row['place']}, {row['score']['text']} of 100{', ' + row['likely'] if row['likely'] else ''}"
        for row in ranking["rows"]
    }


def _rankings(before: dict, after: dict, names: dict[str, str]) -> list[dict]:
    old = {one["id"]: one for one in before["rankings"]}
    new = {one["id"]: one for one in after["rankings"]}
    found = []
    for key in {**new, **old}:
        a, b = (_scored(side[key]) if key in side else {} for side in (old, new))
        found += _group(f"Place and score: {(new.get(key) or old[key])['name']}", a, b, names)
    return found


def _told(row: dict, unit: str) -> str:
    if row["absent"]:
        return row["absent"]
    text = f"{row['value']['text']}\u00a0{unit}" if unit else row["value"]["text"]
    return ", ".join(part for part in (text, row["likely"], row["n"]) if part)


def _tables(before: dict, after: dict, kind: str, key: str, names: dict[str, str], head: str = "") -> list[dict]:
    old = {table[key]: table for table in before[kind]}
    new = {table[key]: table for table in after[kind]}
    found = []
    for code in {**new, **old}:
        a, b = (
            {row["code"]: _told(row, side[code]["unit"]) for row in side[code]["rows"]} if code in side else {}
            for side in (old, new)
        )
        found += _group(head + (new.get(code) or old[code])["title"], a, b, names)
    return found


def _claims(before: dict, after: dict, names: dict[str, str]) -> list[dict]:
    """Statements on claims that are other ones now."""

    def stated(page: dict) -> dict[str, dict[str, str]]:
        return {
            table["anchor"]: {row["code"]: row["statement"] for row in table["rows"]} for table in page["claims"]
        }

    titles = {table["anchor"]: table["title"] for page in (before, after) for table in page["claims"]}
    told = {
        row["code"]: f"{names.get(row['product'], row['name'])}, {row['claimed']}"
        for page in (before, after) for table in page["claims"] for row in table["rows"]
    }  # fmt: skip
    old, new = stated(before), stated(after)
    found = []
    for anchor in {**new, **old}:
        found += _group(f"Claims: {titles[anchor]}", old.get(anchor, {}), new.get(anchor, {}), told)
    return found


def _prices(before: dict, after: dict) -> list[dict]:
    old, new = ({row["name"]: row["per_item"] for row in page["costs"]["rows"]} for page in (before, after))
    return _group("Typical price of one", old, new, {})
