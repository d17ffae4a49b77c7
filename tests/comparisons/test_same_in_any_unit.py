"""The demo typed in inches, pounds-force, ounces and psi: the same verdicts, ranks and scores."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from comparisons.analysis import evaluate
from comparisons.folder.read import read_study
from comparisons.folder.tables import number
from comparisons.load import study_from_tables
from specimens import units

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
OTHER = {"N": "lbf", "mm": "in", "g": "oz", "N/mm^2": "psi"}
# What carries no unit of the property; all else may change with it.
FREE = frozenset(
    "p p_conform statement decided letters no_letter score score_low score_high rank rank_of_all rank_interval p_rank "
    "p_best ci_pct change_pct share kendall_w alpha flags reason statistic dof dof_own k n units leaders beats "
    "rank_sum word winner_share_of_weights smallest_shift leave_one_out robust words gauge_pct cv_pct units_to_tell "
    "units_for_margin c_m u_over_gap u_over_y verdict p_wrong_now p_wrong_after deviation_pct counted why_not".split()
)


def in_other_units(tables):
    """The study with results in other units; readings, claims and gauges as they were typed."""

    def changed(name, change):
        rows = [dict(row) for row in tables[name].rows()]
        for row in rows:
            change(row)
        return tables[name].with_columns(**{c: [row[c] for row in rows] for c in tables[name].columns})

    def result(row):
        for name in ("plausible_low", "plausible_high"):
            if row[name] and row["unit"] in OTHER:
                row[name] = format(units.convert(number(row[name]), row["unit"], OTHER[row["unit"]]), "f")
        row["unit"] = OTHER.get(row["unit"], row["unit"])

    def gauge(row):
        row["reading_unit"] = OTHER.get(row["reading_unit"], row["reading_unit"])

    return tables.replace({"properties": changed("properties", result), "trials": changed("trials", gauge)})


def with_anchors_of(study, base):
    """The study's criteria with the anchors of `base`, converted."""
    unit = {t.code: base.properties[t.property].unit for t in base.trials}
    criteria = []
    for c in base.criteria:
        if c.kind == "trial" and c.measure != "change" and unit[c.ref] in OTHER:
            by = float(units.factor(unit[c.ref], OTHER[unit[c.ref]]))
            anchors = {n: getattr(c, n) for n in ("floor", "ceiling", "target", "band")}
            c = replace(c, **{n: None if x is None else x * by for n, x in anchors.items()})
        criteria.append(c)
    return replace(study, criteria=tuple(criteria))


def unlike(a, b, path="", free=False):
    """Where two documents differ in what carries no unit."""
    if isinstance(a, dict):
        if set(a) != set(b):
            return [path]
        return [p for k in a for p in unlike(a[k], b[k], f"{path}/{k}", free or k in FREE)]
    if isinstance(a, list):
        if len(a) != len(b):
            return [path]
        return [p for i, (x, y) in enumerate(zip(a, b, strict=True)) for p in unlike(x, y, f"{path}[{i}]", free)]
    if not free or a == b:
        return []
    if isinstance(a, float) and isinstance(b, float | int) and b == pytest.approx(a, rel=1e-7, abs=1e-12):
        return []
    return [f"{path}: {a} {b}"]


@pytest.mark.parametrize("rounding", ["absolute", "rounding"])
def test_units_change_no_verdict_no_rank_and_no_score(rounding):
    tables = read_study(DEMO)
    base = study_from_tables(tables)
    base = replace(base, decision=replace(base.decision, rounding=rounding))
    other = replace(with_anchors_of(study_from_tables(in_other_units(tables)), base), decision=base.decision)
    one, two = evaluate(base), evaluate(other)
    inches = next(r for r in two["summaries"] if r["trial"] == "width" and r["n"])
    assert inches["unit"] == "in"
    assert unlike(one, two) == []
