"""Which runs of a trial are judged together.

A later run joins the ones before it only with a stated reason or with an anchor product that was
measured in both; otherwise it stands alone, and one series of joined runs is judged. Runs under two
revisions of the method are joined by a stated reason alone: an anchor tells that the rig did not drift, not
that two methods measure one thing.
"""

from __future__ import annotations

import numpy as np

from .study import Study, Trial


def _series(trial: Trial, measured: dict[int, set[str]]) -> tuple[list[list[int]], list[str]]:
    """Runs (positions) joined into series in the order of start; remarks on anchors that do not hold."""
    series: list[list[int]] = []
    remarks = []
    for position, run in enumerate(trial.runs):
        joins = bool(run.pooled_because)
        if series and not joins and run.anchor_product:
            before = set().union(*(measured.get(i, set()) for i in series[-1]))
            here = measured.get(position, set())
            joins = run.anchor_product in before and run.anchor_product in here
            former = trial.runs[position - 1]
            if joins and (run.revision or trial.revision or "") != (former.revision or trial.revision or ""):
                joins = False
                remarks.append(
                    f"run {run.code} follows another revision of the method: not pooled, since nobody has said why "
                    "the two are equivalent"
                )
            elif not joins:
                remarks.append(
                    f"run {run.code} names {run.anchor_product} as its anchor, which was not measured "
                    "both in it and before it: not pooled"
                )
        if series and joins:
            series[-1].append(position)
        else:
            series.append([position])
    return series, remarks


def not_judged(study: Study, counts: np.ndarray, notes) -> dict[int, str]:
    """Why a reading's run is not judged, for each reading (row number) that counts otherwise.

    `counts`: bool, one entry a reading. Of a trial's series of joined runs the one that measured
    most products is judged; of equals, the latest. A reading without a run belongs to the first.
    """
    r = study.readings
    reasons: dict[int, str] = {}
    for t, trial in enumerate(study.trials):
        if len(trial.runs) < 2:
            continue
        rows = np.flatnonzero(counts & (r.trial == t))
        if not len(rows):
            continue
        run = np.maximum(r.run[rows], 0)
        measured = {
            int(k): {study.products[p] for p in np.unique(r.product[rows[run == k]])} for k in np.unique(run)
        }
        series, remarks = _series(trial, measured)
        for text in remarks:
            notes.add("warning", trial.code, text)
        seen = [len(set().union(*(measured.get(i, set()) for i in s))) for s in series]
        chosen = max(range(len(series)), key=lambda i: (seen[i], i))
        names = ", ".join(trial.runs[i].code for i in series[chosen])
        others = [i for n, s in enumerate(series) if n != chosen for i in s if i in measured]
        if not others:
            continue
        why = f"run not pooled with the judged one ({names})"
        for row in rows[np.isin(run, others)].tolist():
            reasons[row] = why
        left = ", ".join(trial.runs[i].code for i in others)
        notes.add(
            "warning", trial.code,
            f"judged by run {names}; run {left} is not pooled with it: no reason and no anchor product",
        )  # fmt: skip
    return reasons
