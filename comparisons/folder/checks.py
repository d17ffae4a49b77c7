"""What must hold between the cells, rows and tables of a study.

Each rule works on distinct values, or on distinct tuples of values, and looks for rows only where one
is wrong. Cells that are wrong by themselves have been told already (`cells`): here they are passed over.
"""

from __future__ import annotations

from collections import defaultdict

from .checking import Check, after, cycles, unit_reason
from .checks_comparison import check_comparison
from .checks_readings import check_readings
from .faults import Faults, quote
from .spec import ABOUT, SPEC
from .tables import Tables, dimensions, only_revisions, yes


def check_study(tables: Tables, faults: Faults, broken: set[str]) -> None:
    """A fault for each rule of the study folder that its tables break.

    `broken` names the tables of which rows or columns could not be read: what refers to them is not
    judged, so that one fault is not told a thousand times.
    """
    check = Check(tables, faults, broken)
    check.keys()
    check.references()
    _products_and_purchases(check)
    _properties_and_conditions(check)
    _methods(check)
    _trials(check)
    _specimens_and_instruments(check)
    _claims(check)
    _files(check)
    check_readings(check)
    check_comparison(check)


def _products_and_purchases(check: Check) -> None:
    tables = check.tables
    seen: dict[tuple, str] = {}
    for i, row in enumerate(tables["products"].rows()):
        identity = (row["maker"], row["model"], row["variant"])
        if identity in seen and seen[identity] != row["product"]:
            check.add(
                "products",
                i,
                "model",
                f"found the same maker, model and variant as {seen[identity]}, expected each product once",
            )
        seen.setdefault(identity, row["product"])
    currency = tables.comparison.get("currency", "")

    def money(found, price, shipping):
        if found and currency and found != currency:
            return f"found {quote(found)}, expected the comparison's currency {currency}: convert the amounts"
        if (price or shipping) and not found:
            return f"found an amount without a currency, expected {currency or 'its currency'}"

    check.pairs("purchases", ("currency", "price", "shipping"), "currency", money)
    check.with_unit("purchases", "content", "content_unit")
    contents = [unit for unit in tables["purchases"]["content_unit"] if unit]
    if contents:
        check.pairs(
            "purchases",
            ("content_unit",),
            "content_unit",
            lambda unit: unit_reason(unit, contents[0]) if unit else None,
        )
    product_of = dict(zip(tables["purchases"]["purchase"], tables["purchases"]["product"], strict=True))

    def same_product(purchase, product):
        other = product_of.get(purchase)
        if other and other != product:
            return f"found the purchase {quote(purchase)} of {other}, expected one of {product}"

    check.pairs("units", ("purchase", "product"), "purchase", same_product)


def _properties_and_conditions(check: Check) -> None:
    check.together(
        "properties",
        "reading",
        "unit",
        lambda kind: kind == "quantity",
        "found no unit, expected the unit of the result, since the property is a quantity",
    )
    for end in ("scale_low", "scale_high"):
        check.together(
            "properties",
            "reading",
            end,
            lambda kind: kind == "rating",
            "found nothing, expected both ends of the scale, since the property is a rating",
        )
    check.ordered("properties", "plausible_low", "plausible_high")
    check.ordered("properties", "scale_low", "scale_high")
    check.with_unit("conditions", "temperature", "temperature_unit", "degC")
    check.with_unit("conditions", "duration", "duration_unit", "s")
    check.with_unit("conditions", "recovery", "recovery_unit", "s")


def _methods(check: Check) -> None:
    titles: dict[str, str] = {}
    codes: dict[str, str] = {}
    for i, row in enumerate(check.tables["methods"].rows()):
        code, title = row["method"], row["title"]
        if titles.setdefault(code, title) != title:
            check.add(
                "methods",
                i,
                "title",
                f"found {quote(title)}, expected {quote(titles[code])} as in the method's other revision",
            )
        elif codes.setdefault(title, code) != code:
            check.add(
                "methods",
                i,
                "title",
                f"found the title of the method {quote(codes[title])}, expected one of its own",
            )
    check.together(
        "methods",
        "hazardous",
        "cautions",
        yes,
        "found no cautions, expected them, since the method is hazardous",
    )


def _trials(check: Check) -> None:
    revisions = defaultdict(set)
    for method, revision in zip(
        check.tables["methods"]["method"], check.tables["methods"]["revision"], strict=True
    ):
        revisions[method].add(revision)
    only = only_revisions(check.tables["methods"])

    def revision_known(method, revision):
        if method not in revisions:
            return "found a revision without a method, expected a method" if revision and not method else None
        if not revision and method not in only:
            return f"found no revision, expected one of {', '.join(sorted(revisions[method]))}"
        if revision and revision not in revisions[method]:
            return f"found {quote(revision)}, expected one of {', '.join(sorted(revisions[method]))}"

    check.pairs("trials", ("method", "revision"), "revision", revision_known)

    def run_revision_known(trial, revision):
        if not revision or trial not in check.trials:
            return None
        return revision_known(check.trials[trial]["method"], revision)

    check.pairs("runs", ("trial", "revision"), "revision", run_revision_known)
    check.together(
        "trials", "paired", "baseline", yes, "found no baseline, expected one, since the trial is paired"
    )
    measured = set(check.tables["trials"]["property"])
    for i, row in enumerate(check.tables["trials"].rows()):
        prop = check.properties.get(row["property"])
        if not prop:
            continue
        if prop["reading"] == "certification":
            check.add(
                "trials",
                i,
                "property",
                f"found the certification {quote(row['property'])}, expected a property that is measured",
            )
        baseline = check.trials.get(row["baseline"])
        if baseline and baseline["property"] != row["property"]:
            check.add(
                "trials",
                i,
                "baseline",
                f"found a trial of {baseline['property']}, expected one of {row['property']}",
            )
        _trial_units(check, i, row, prop, measured)
    for i in cycles(check.tables["trials"]["trial"], check.tables["trials"]["baseline"]):
        check.add(
            "trials", i, "baseline", "found baselines that lead back to this trial, expected none that do"
        )


def _trial_units(check: Check, i: int, row: dict, prop: dict, measured: set[str]) -> None:
    def fault(column: str, text: str) -> None:
        check.doubtful.add(row["trial"])
        check.add("trials", i, column, text)

    divisors = dimensions(row["divide_by"])
    if prop["reading"] != "quantity":
        if divisors and prop["reading"] in ("rating", "pass_fail"):
            fault("divide_by", f"found a dimension, expected none for a {prop['reading']}")
        return
    if not divisors:
        if row["reading_unit"] and (why := unit_reason(row["reading_unit"], prop["unit"])):
            fault("reading_unit", why)
        return
    expected = f"({prop['unit']})"
    for code in divisors:
        divisor = check.properties.get(code)
        if not divisor:
            return
        if divisor["reading"] != "quantity":
            return fault("divide_by", f"found the {divisor['reading']} {code}, expected a quantity")
        expected += f"*({divisor['unit']})"
    for code in sorted(set(divisors) - measured):
        fault("divide_by", f"found {code}, of which there is no trial, expected one")
    if not row["reading_unit"]:
        fault("reading_unit", "found no unit, expected the gauge's, since a dimension divides the result")
    elif why := unit_reason(row["reading_unit"], expected):
        fault("reading_unit", why)


def _specimens_and_instruments(check: Check) -> None:
    first: dict[str, int] = {}
    for i, code in enumerate(check.tables["specimens"]["code"]):
        if code and code in first:
            check.add(
                "specimens",
                i,
                "code",
                f"found {quote(code)} on two specimens, expected it on one",
                rule="blind code",
            )
        first.setdefault(code, i)
    check.pairs("exposures", ("started_at", "ended_at"), "ended_at", after)
    check.ordered("exposures", "actual_low", "actual_high")
    for end in ("actual_low", "actual_high"):
        check.with_unit("exposures", end, "actual_unit")
    seen: dict[tuple, str] = {}
    for i, row in enumerate(check.tables["instruments"].rows()):
        identity = (row["name"], row["serial"])
        if row["serial"] and identity in seen:
            check.add(
                "instruments",
                i,
                "serial",
                f"found the name and serial number of {seen[identity]}, expected each instrument once",
            )
        seen.setdefault(identity, row["instrument"])
    check.ordered("instruments", "range_low", "range_high")
    check.pairs(
        "corrections", ("since", "until"), "until",
        lambda since, until: f"found {quote(until)}, expected a day that is not before {since}"
        if since and until and until < since else None,
    )
    check.together("corrections", "undone_at", "undone_reason", bool,
                   "found nothing, expected a reason, since the correction is undone")
    check.together(
        "instruments",
        "accuracy_pct",
        "accuracy_basis",
        bool,
        "found nothing, expected reading or full_scale: percent of which?",
    )
    for name in ("instruments", "calibrations"):
        check.pairs(name, ("calibrated_on", "due_on"), "due_on", after)


def _claims(check: Check) -> None:
    check.ordered("claims", "low", "high")
    check.together(
        "claims", "governs", "governs_reason", yes, "found no reason, expected why this source governs"
    )
    check.together(
        "claims",
        "certification_state",
        "checked_on",
        lambda s: s in ("verified", "not_found"),
        "found no date, expected when the issuer's directory was looked at",
    )
    governing: dict[tuple, str] = {}
    for i, row in enumerate(check.tables["claims"].rows()):
        prop = check.properties.get(row["property"])
        _claim_limits(check, i, row)
        if prop:
            _claim_kind(check, i, row, prop)
        trial = check.trials.get(row["trial"])
        if trial and trial["property"] != row["property"]:
            check.add(
                "claims",
                i,
                "trial",
                f"found a trial of {trial['property']}, expected one of {row['property']}",
            )
        elif trial and row["condition"] and trial["condition"] != row["condition"]:
            condition = trial["condition"] or "as received"
            check.add(
                "claims",
                i,
                "condition",
                f"found {quote(row['condition'])}, expected the trial's: {condition}",
            )
        if trial and row["of"] == "change" and not trial["baseline"]:
            check.add(
                "claims",
                i,
                "trial",
                "found a trial without a baseline, expected one: the claim is of a change",
            )
        if yes(row["governs"]):
            same = (
                row["product"],
                row["property"],
                row["condition"],
                row["scope"] or "typical",
                row["of"] or "value",
            )
            if same in governing:
                check.add(
                    "claims",
                    i,
                    "governs",
                    f"found a second source that governs beside {governing[same]}, expected one",
                )
            governing.setdefault(same, row["claim"])


def _claim_limits(check: Check, i: int, row: dict) -> None:
    if row["sense"] in ("at_least", "at_most", "nominal") and not row["value"]:
        check.add("claims", i, "value", f"found nothing, expected the value claimed ({row['sense']})")
    if row["sense"] == "between":
        for end in ("low", "high"):
            if not row[end]:
                check.add("claims", i, end, "found nothing, expected both ends of what is claimed (between)")


def _claim_kind(check: Check, i: int, row: dict, prop: dict) -> None:
    kind = prop["reading"]
    if row["sense"] == "yes" and kind in ("quantity", "rating"):
        check.add(
            "claims", i, "sense", f"found yes for a {kind}, expected at_least, at_most, nominal or between"
        )
    if kind == "certification" and row["sense"] != "yes":
        check.add("claims", i, "sense", f"found {quote(row['sense'])} for a certification, expected yes")
    if row["certification_state"] and kind != "certification":
        check.add(
            "claims",
            i,
            "certification_state",
            f"found a state of certification for a {kind}, expected a property that is a certification",
        )
    if row["unit"]:
        expected = "percent" if row["of"] == "change" else prop["unit"] if kind == "quantity" else ""
        if expected and (why := unit_reason(row["unit"], expected)):
            check.add("claims", i, "unit", why)


def _files(check: Check) -> None:
    tables, files = check.tables, check.tables.files
    table = tables["files"]
    known = {about: set(tables[name][SPEC[name].key[0]]) for about, name in ABOUT.items()}

    def code_known(about, code):
        if about in known and ABOUT[about] not in check.broken and code not in known[about]:
            return f"found {quote(code)}, expected a code that {ABOUT[about]}.csv has"

    check.pairs("files", ("about", "code"), "code", code_known)
    for i, row in enumerate(table.rows()):
        source = files.get(row["file"])
        if not source:
            if row["file"].startswith("files/"):
                check.add(
                    "files", i, "file", f"found no file {quote(row['file'])}, expected it in the folder"
                )
        elif row["sha256"] and len(row["sha256"]) == 64:
            try:
                found = source.sha256()
            except Exception as error:  # noqa: BLE001  (a damaged entry of a zip has many faces)
                check.add(
                    "files", i, "file", f"found a damaged file ({error}), expected one that can be read"
                )
                continue
            if found != row["sha256"].lower():
                check.add(
                    "files",
                    i,
                    "sha256",
                    f"found {row['sha256'][:12]}…, expected {found[:12]}…, the SHA-256 of the file",
                )
    listed = set(table["file"])
    if "files" not in check.broken:
        for path in sorted(files.keys() - listed):
            check.faults.add(
                path,
                None,
                "",
                "found a file that files.csv does not list, expected a row for it",
                rule="unlisted",
            )

    def kept(path):
        if path.startswith("files/") and path not in listed:
            return f"found {quote(path)}, expected a file that files.csv lists"

    check.pairs("readings", ("trace",), "trace", kept)
    check.pairs("purchases", ("receipt",), "receipt", kept)
