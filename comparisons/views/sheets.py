"""What the pages of single trials, claims and changes print, read once for a state of the draft and kept.

The results document is large and is parsed once for an evaluation; each trial's part is kept by itself. A
sheet is kept under the evaluation and the draft's last event, so that what is kept never goes stale.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict

from django.core.cache import cache
from django.http import Http404

from comparisons.models import ComparisonProgramme, Evaluation
from comparisons.pages import trial_sheet
from comparisons.pages.numbers import counted, symbol
from comparisons.pages.words import BETTER, typeset
from specimens.bench.context import trial_name
from specimens.bench.panels import unfinished
from specimens.models import ProgrammeProduct, Reading, Trial

from .standings import Place

KEPT_S = 24 * 3600
BY_TRIAL = ("specimens", "suspects", "summaries", "pass_fail", "differences", "changes", "ratings", "claims")
_KEY = re.compile(r"[A-Za-z0-9._-]{1,121}")  # a programme's prefix, a dot, and a code
HIDDEN = "Ratings are hidden until all of the panel are in."


def parts_of(place: Place) -> list[tuple[int, str, str]]:
    """(programme, its address, prefix of its codes), as the results document names things."""
    rows = list(
        ComparisonProgramme.objects.filter(comparison=place.pk).order_by("prefix", "id")
        .values_list("programme", "programme__slug", "prefix")
    )  # fmt: skip
    several = len(rows) > 1
    return [(pk, slug, f"{prefix or pk}." if several else "") for pk, slug, prefix in rows]


def found_in(place: Place, trial: str) -> dict:
    """The results document's rows of one trial by table; nothing where there are none."""
    if place.evaluation_id is None:
        return {}
    key = f"found:{place.evaluation_id}"
    found = cache.get(f"{key}:{trial}")
    if found is None:
        by_trial = _split(place.evaluation_id)
        cache.set_many({f"{key}:{code}": part for code, part in by_trial.items()}, KEPT_S)
        found = by_trial.get(trial, {})
        if trial not in by_trial:
            cache.set(f"{key}:{trial}", {}, KEPT_S)
    return found


def _split(evaluation: int) -> dict[str, dict]:
    document = json.loads(Evaluation.objects.values_list("document", flat=True).get(pk=evaluation))
    found: dict[str, dict] = defaultdict(lambda: defaultdict(list))
    for table in BY_TRIAL:
        for row in document.get(table) or []:
            if row.get("trial"):
                found[row["trial"]][table].append(row)
    return {trial: dict(tables) for trial, tables in found.items()}


def trial_of(place: Place, key: str) -> tuple[Trial, str, str]:
    """The trial that a results document calls `key`, its programme's address and prefix; 404 where none."""
    for programme, slug, prefix in parts_of(place):
        if key.startswith(prefix):
            trial = (
                Trial.objects.filter(programme=programme, code=key[len(prefix) :])
                .exclude(property__kind="certification")
                .select_related("property", "condition", "revision__method", "baseline", "programme").first()
            )  # fmt: skip
            if trial is not None:
                return trial, slug, prefix
    raise Http404("no such trial")


def sheet(place: Place, key: str) -> dict:
    """One trial: its summary by product, every specimen, what is in doubt, its runs. Kept for the draft's state."""
    if not _KEY.fullmatch(key):
        raise Http404("no such trial")
    kept = f"sheet:{place.slug}:{key}:{place.evaluation_id}:{place.event_id}"
    made = cache.get(kept)
    if made is None:
        made = _sheet(place, key)
        cache.set(kept, made, KEPT_S)
    return made


def table_of(place: Place, key: str) -> dict | None:
    """A trial's table of the page document; None where the evaluation has none."""
    from .desk import draft_page

    page = draft_page(place)
    return next((table for table in (page or {}).get("trials", []) if table["trial"] == key), None)


def _sheet(place: Place, key: str) -> dict:
    trial, programme, prefix = trial_of(place, key)
    parts = parts_of(place)
    table = table_of(place, key)
    found = found_in(place, key)
    products, code_of = _products(parts)
    prop = trial.property
    about = trial_sheet.About(
        key=key, title=(table or {}).get("title") or typeset(trial_name(trial)), unit=prop.unit, kind=prop.kind,
        better=BETTER.get(prop.better or "neither", ""), decimals=prop.decimals,
        scale=tuple(None if end is None else float(end) for end in (prop.scale_low, prop.scale_high)),
        products=products,
    )  # fmt: skip
    found = found | {"divided": trial.divide_by.exists()}
    hidden = prop.kind == "rating" and _open_panel(trial)
    taken, gauges = ([], {}) if hidden else _taken(trial, prefix, code_of)
    rows = [] if hidden else trial_sheet.rows_of(about, found, taken)
    order = list(products)
    rows.sort(key=lambda row: (order.index(row["product_code"]) if row["product_code"] in products else len(order),
                               row["unit"], row["specimen"]))  # fmt: skip
    for i, row in enumerate(rows):
        row["place"] = i
    told = [] if hidden else (table or {}).get("rows") or _told(products, rows)
    letters = trial_sheet.letters_in_words(found, products)
    for row in told:
        row["told"] = letters.get(row["code"], "")
    axis = trial_sheet.axis_of(about, found, rows)
    kinds = trial_sheet.units_of(rows)
    summaries = {row["product"]: row for row in found.get("summaries") or []}
    return {
        "about": about, "programme": programme, "code": trial.code, "rows": rows, "kinds": kinds, "axis_at": axis,
        "axis": trial_sheet.axis_drawn(axis, about.kind), "unit": symbol(about.unit), "found": _drawn_from(found),
        "table": trial_sheet.drawn_rows(about, found, rows, told, axis, kinds), "head": _head(trial, table),
        "notes": _notes(table), "suspects": [] if hidden else trial_sheet.suspects(about, found),
        "runs": _runs(trial, rows, prefix), "hidden": HIDDEN if hidden else "",
        "means": [
            {"code": row["code"], "name": row["name"], "mean": summaries[row["code"]]["mean"],
             "spread": summaries[row["code"]]["U"]}
            for row in told if summaries.get(row["code"], {}).get("mean") is not None
        ],
        "letters": any(row.get("letters") for row in told),
    }  # fmt: skip


def _drawn_from(found: dict) -> dict:
    """What a row is drawn anew from when rows are filtered: not the specimens, which the rows hold."""
    return {name: found.get(name) or [] for name in ("summaries", "pass_fail", "claims")}


def _products(parts) -> tuple[dict[str, str], dict[int, str]]:
    """code -> name of each product, and the team's product -> that code: the first programme's."""
    rank = {programme: (i, prefix) for i, (programme, _, prefix) in enumerate(parts)}
    rows = ProgrammeProduct.objects.filter(programme__in=rank).select_related("product")
    names, code_of, of_row = {}, {}, {}
    for row in sorted(rows, key=lambda row: (rank[row.programme_id][0], row.code)):
        code = code_of.setdefault(row.product_id, rank[row.programme_id][1] + row.code)
        names.setdefault(code, f"{row.product.maker} {row.product.model}")
        of_row[row.pk] = code
    return names, of_row


def _taken(trial: Trial, prefix: str, code_of: dict[int, str]):
    """Every reading of a trial, as typed, with real names: the desk is the team's."""
    rows = (
        Reading.objects.filter(trial=trial)
        .select_related("unit", "specimen__unit", "instrument", "run", "void", "converted", "replaced_by")
        .order_by("pk")
    )
    modes = {}
    if trial.revision_id:
        from specimens.models import FailureMode

        modes = dict(
            FailureMode.objects.filter(method__programme=trial.programme_id, method__method=trial.revision.method_id)
            .values_list("code", "name")
        )  # fmt: skip
    taken, gauges = [], {}
    for row in rows:
        unit = row.unit or (row.specimen.unit if row.specimen else None)
        void, later = getattr(row, "void", None), getattr(row, "replaced_by", None)
        converted = getattr(row, "converted", None)
        gauge = str(row.instrument) if row.instrument else ""
        if row.instrument_id:
            gauges[gauge] = row.instrument_id
        taken.append(trial_sheet.Taken(
            code=prefix + row.code, product=code_of.get(row.product_id, ""), unit=prefix + unit.code if unit else "",
            specimen=prefix + row.specimen.code if row.specimen else "",
            blind_code=row.specimen.blind_code if row.specimen else "",
            typed=f"{row.bound if row.bound not in ('', '=') else ''}{row.value} {row.unit_of_measure}".strip(),
            value=converted.value if converted else None, bound=row.bound or "=", who=row.rater or row.operator,
            at=_at(row), gauge=gauge, run=row.run.code if row.run else "", order=_order(row.order),
            void=_voided(void), replaced=_replaced(later), mode=modes.get(row.failure_mode, "") or row.failure_mode,
            note=row.note or row.decision,
        ))  # fmt: skip
    return taken, gauges


def _at(row: Reading) -> str:
    """When it was taken, as typed: a time that sorts."""
    text = row.taken_at_text or row.received_at_text
    if text:
        return text[:16].replace("T", " ")
    at = row.taken_at or row.received_at
    return f"{at:%Y-%m-%d %H:%M}" if at else ""


def _order(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _voided(void) -> str:
    if void is None:
        return ""
    at = f"{void.voided_at:%Y-%m-%d}" if void.voided_at else void.voided_at_text[:10]
    by = ", ".join(part for part in (void.voided_by, at) if part)
    return f"void: {void.reason}" + (f" ({by})" if by else "")


def _replaced(later) -> str:
    if later is None:
        return ""
    by = f" ({later.operator})" if later.operator else ""
    return f"replaced by {later.code}: {later.replace_reason}{by}"


def _open_panel(trial: Trial) -> bool:
    """Whether ratings of the panel are still to come, third looks included: nobody who rates sees what others gave."""
    return trial.pk in unfinished([trial.programme_id])


def _told(products: dict[str, str], rows: list[dict]) -> list[dict]:
    """Products with readings, where nothing was evaluated yet."""
    seen = {row["product_code"] for row in rows}
    return [
        {"code": code, "name": name, "value": None, "likely": "", "n": "", "letters": "", "notes": [], "absent": ""}
        for code, name in products.items() if code in seen
    ]  # fmt: skip


def _head(trial: Trial, table: dict | None) -> list[tuple[str, str]]:
    """What the trial is, as (name, words)."""
    revision = trial.revision
    told = [
        ("Better", BETTER.get(trial.property.better or "neither", "")),
        ("Condition", typeset(str(trial.condition or "as received"))),
        ("Method", f"{revision.method}, revision {revision.revision}" if revision else "none named"),
        ("Against", typeset(trial_name(trial.baseline)) if trial.baseline else ""),
        ("Planned", _planned(trial)),
        ("Differences", (table or {}).get("differences", "")),
    ]  # fmt: skip
    return [(name, words) for name, words in told if words]


def _planned(trial: Trial) -> str:
    """How many units of each product, and specimens of each unit, the plan has."""
    units = f"{counted(trial.units_planned, 'unit')} of each product" if trial.units_planned else ""
    each = f"{counted(trial.replicates, 'specimen')} of each unit" if trial.replicates else ""
    return ", ".join(part for part in (units, each) if part)


def _notes(table: dict | None) -> list[str]:
    if not table:
        return []
    said = [f"All of these: {'; '.join(table['notes_all'])}." if table.get("notes_all") else "",
            table.get("no_letters", ""), *(table.get("far") or []), table.get("coarse") or "",
            table.get("agreement") or "", table.get("medians") or "", table.get("divided") or ""]  # fmt: skip
    return [text for text in said if text]


def _runs(trial: Trial, rows: list[dict], prefix: str) -> list[dict]:
    """The trial's runs with why each began and why they are pooled, and how many readings each holds."""
    made = []
    for run in trial.runs.select_related("anchor_product__product", "revision").order_by("started_at", "code"):
        own = [row for row in rows if row["run"] == run.code]
        orders = [row["order"] for row in own if row["order"] is not None]
        made.append({
            "code": run.code, "n": len(own), "reason": run.reason, "pooled": run.pooled_because,
            "started": f"{run.started_at:%Y-%m-%d %H:%M}" if run.started_at else run.started_at_text,
            "anchor": str(run.anchor_product or ""), "first": min(orders) if orders else None,
            "revision": run.revision.revision if run.revision else "",
        })  # fmt: skip
    return made


def judged(place: Place) -> list[dict]:
    """Every claim against its measurement, and every certification; in the order of the results page."""
    return _kept(place, "judged", _judged)


def changes(place: Place) -> list[dict]:
    """The change of every product in every trial with a baseline."""
    return _kept(place, "changes", _changes)


def _kept(place: Place, name: str, make) -> list[dict]:
    key = f"{name}:{place.slug}:{place.evaluation_id}:{place.event_id}"
    rows = cache.get(key)
    if rows is None:
        from .desk import draft_page

        page = draft_page(place)
        if page is None:
            return []
        document = json.loads(Evaluation.objects.values_list("document", flat=True).get(pk=place.evaluation_id))
        rows = make(page, document)
        cache.set(key, rows, KEPT_S)
    return rows


def _judged(page: dict, document: dict) -> list[dict]:
    raw = {row["claim"]: row for row in document.get("claims") or []}
    rows = []
    for table in page["claims"]:
        for row in table["rows"]:
            found = raw.get(row["code"], {})
            rows.append(row | {
                "group": table["title"], "axis": table["axis"], "unit": table["unit"],
                "trial": found.get("trial") or "", "p": found.get("p_conform"),
                "deviation_pct": found.get("deviation_pct"),
                "rule": found.get("rule_text") or "", "bounds": _bounds(found, table["unit"]),
            })  # fmt: skip
    for table in page["certifications"]:
        for row in table["rows"]:
            rows.append({
                "group": table["title"], "axis": "", "unit": "", "trial": "", "kind": "certification", "code": "",
                "name": row["name"], "claimed": "certification", "wording": row["wording"], "source": row["source"],
                "seen_on": "", "measured": None, "likely": "", "n": "", "deviation": "", "svg": "",
                "statement": row["state"], "chance": "", "notes": [row["reference"]] if row["reference"] else [],
                "p": None, "deviation_pct": None, "rule": "", "bounds": "", "preview": "",
            })  # fmt: skip
    return rows


def _bounds(row: dict, unit: str) -> str:
    """What would have to be measured for the statement to be sure."""
    from comparisons.pages.numbers import significant, with_unit, write

    guard = row.get("guard")
    if guard is None:
        return ""
    return f"guard band {with_unit(write(guard, max(0, significant(guard, 2))), unit)}"


def _changes(page: dict, document: dict) -> list[dict]:
    raw = {(row["trial"], row["product"]): row for row in document.get("changes") or []}
    return [
        row | {
            "group": table["title"], "axis": table["axis"], "trial": table["trial"], "baseline": table["baseline"],
            "kept": table["kept"], "pct": raw.get((table["trial"], row["code"]), {}).get("change_pct"),
            "method": raw.get((table["trial"], row["code"]), {}).get("method") or "",
        }
        for table in page["changes"] for row in table["rows"]
    ]  # fmt: skip
