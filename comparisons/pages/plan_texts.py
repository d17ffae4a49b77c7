"""What the plan says in words, what was left out of it, and under which wordings of a method its runs were made."""

from __future__ import annotations

from collections import defaultdict

from comparisons.folder.tables import moment

from . import words
from .carried import is_carried
from .names import Names

TEXTS = (
    ("market_scan", "What was looked at on the market"), ("inclusion", "How products were chosen"),
    ("characteristics", "What matters to buyers, and what is not tested"),
    ("tie_rule", "What is said where products are not shown to differ"),
    ("funding", "Who paid, who supplied, how the team earns"),
)  # fmt: skip


def texts(names: Names) -> list[dict]:
    """The plan's texts that are written down, each under its heading."""
    plan = names.toml.get("plan", {})
    return [
        {"name": name, "heading": heading, "text": words.typeset(plan[name])}
        for name, heading in TEXTS if plan.get(name)
    ]  # fmt: skip


def left_out(names: Names) -> list[dict]:
    """Products that were looked at and not tested, and why."""
    return [
        {
            "name": " ".join(part for part in (row["maker"], row["model"], row["variant"]) if part),
            "why": words.typeset(row["why"]),
        }
        for row in names.tables["left_out"].rows()
    ]


def frozen_after(names: Names) -> str:
    """The day of the first reading, where the plan was frozen after it; "" where it was not, or was never frozen.

    Readings of an earlier comparison that are used again are older than any plan, and say nothing here.
    """
    frozen = names.toml.get("plan", {}).get("frozen_at")
    if not frozen:
        return ""
    old = {(row["trial"], row["run"]) for row in names.tables["runs"].rows() if is_carried(row["reason"])}
    readings = names.tables["readings"]
    typed = {
        at for at, trial, run in zip(readings["taken_at"], readings["trial"], readings["run"], strict=True)
        if at and (trial, run) not in old
    }
    first = min((moment(at) for at in typed), default=None)
    return words.day(first.isoformat()) if first and first < moment(frozen) else ""


def runs_of(names: Names) -> dict[str, list[dict]]:
    """trial -> its runs in order where it has several, or one that was carried over or made under another wording.

    apart: the run follows another wording of the method than the one before it, and nobody has said why the two
    measure one thing: they are not taken together.
    """
    found: dict[str, list[dict]] = defaultdict(list)
    for row in sorted(names.tables["runs"].rows(), key=lambda row: (row["trial"], row["started_at"], row["run"])):
        method = names.method_of(row["trial"])
        own = method[1] if method else ""
        revision = row["revision"] or own
        before = found[row["trial"]]
        found[row["trial"]].append({
            "run": row["run"], "on": words.day(row["started_at"]), "reason": words.typeset(row["reason"]),
            "revision": revision, "other": bool(row["revision"]) and row["revision"] != own,
            "pooled": words.typeset(row["pooled_because"]) if before else "",
            "apart": bool(before) and before[-1]["revision"] != revision and not row["pooled_because"],
        })  # fmt: skip
    return {
        trial: rows for trial, rows in found.items()
        if len(rows) > 1 or rows[0]["other"] or is_carried(rows[0]["reason"])
    }
