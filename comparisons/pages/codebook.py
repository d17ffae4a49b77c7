"""The code book: what every table and column of a study folder means, for readers of the data."""

from __future__ import annotations

from comparisons.folder.spec import SPEC, Column

KINDS = {
    "code": "code", "text": "text", "number": "number", "integer": "whole number", "date": "date", "time": "time",
    "yesno": "yes or no", "choice": "one of", "unit": "unit", "path": "file",
}  # fmt: skip

_TABLES = {
    "products": "The products that are compared.",
    "purchases": "How items were obtained: each purchase, supply or loan.",
    "units": "The physical items out of the purchases: what is truly repeated.",
    "properties": "What is measured or looked for.",
    "conditions": "States to which specimens are brought before a test.",
    "methods": "How it was tested, by revision.",
    "failure_modes": "How specimens may fail, and which failures count.",
    "trials": "One property by one method under one condition.",
    "runs": "Parts of a trial between which the method or the rig changed.",
    "absences": "Products that are missing from a trial, and why.",
    "specimens": "The pieces that were tested.",
    "exposures": "What each specimen went through before its test.",
    "instruments": "What readings were taken with.",
    "calibrations": "Calibrations of the instruments.",
    "claims": "What makers say, as it was printed.",
    "corrections": "Readings of an instrument that were corrected afterwards.",
    "readings": "Every observed value, as it was typed.",
    "files": "Pictures and other files of the study.",
    "deviations": "Changes of the plan after it was frozen.",
    "left_out": "Products that were thought of and not tested.",
    "limitations": "What the comparison cannot answer.",
    "awards": "Awards that the editor named.",
    "answers": "What makers answered.",
}

# A column that means the same wherever it stands.
_EVERYWHERE = {
    "product": "the product", "property": "the property", "condition": "the condition", "trial": "the trial",
    "unit": "the physical item", "specimen": "the specimen", "instrument": "the instrument", "method": "the method",
    "revision": "the method’s revision", "lot": "batch on the label", "due_on": "day on which a calibration is due",
    "calibrated_on": "day of the calibration", "run": "the run", "maker": "who makes it",
    "model": "the maker’s name for it", "variant": "size, colour or grade",
}  # fmt: skip

_COLUMNS = {
    "products": {"notes": "remarks of the team; not in the public form"},
    "purchases": {
        "purchase": "code of the purchase", "obtained": "how it came into our hands", "seller": "where, or from whom",
        "bought_on": "day", "price": "paid for the whole purchase", "shipping": "paid for delivery",
        "currency": "ISO 4217 code of price and shipping", "packs": "packs bought", "items_per_pack": "items in one",
        "content": "amount in one item", "content_unit": "unit of content",
        "receipt": "receipt; not in the public form",
    },
    "units": {"purchase": "the purchase that it came with"},
    "properties": {
        "name": "its name", "reading": "what kind of value it is", "unit": "unit of the result",
        "better": "which direction is better", "decimals": "digits after the point where uncertainty says nothing",
        "plausible_low": "below this a value is looked at", "plausible_high": "above this a value is looked at",
        "tolerance_pct": "spread in percent beyond which values of one unit are looked at",
        "scale_low": "least of a rating scale", "scale_high": "greatest of a rating scale",
    },
    "conditions": {
        "name": "its name", "agent": "medium, such as air or water", "temperature": "set temperature",
        "temperature_unit": "unit of the temperature", "duration": "how long", "duration_unit": "unit of the duration",
        "recovery": "rest before the test", "recovery_unit": "unit of the rest",
    },
    "methods": {
        "title": "its title", "standard": "standard that it starts from", "relation": "how it stands to that standard",
        "departures": "where it departs from the standard", "cannot_show": "what it cannot show",
        "steps": "what is done, in order", "cautions": "what can hurt", "hazardous": "whether the work is hazardous",
    },
    "failure_modes": {"mode": "code of the failure", "name": "in words", "counts": "whether such a reading counts"},
    "trials": {
        "baseline": "trial against which the change is the result", "paired": "whether the same specimens are in both",
        "reading_unit": "unit of the readings where it differs in kind from the result’s",
        "divide_by": "dimensions that each reading is divided by", "units_planned": "units planned for each product",
        "replicates": "specimens planned for each unit", "blind": "whether the operator could not tell the products",
        "seed": "seed of the run order",
    },
    "runs": {
        "started_at": "when it began", "reason": "why a new run began",
        "pooled_because": "why it may be taken together with the others",
        "anchor_product": "product that was measured in this run and the one before",
    },
    "absences": {"reason": "why it is missing", "note": "in words"},
    "specimens": {
        "code": "code on the piece, which does not tell the product", "order_planned": "place in the planned order",
        "order_done": "place in the order as it was done",
    },
    "exposures": {
        "started_at": "when it went in", "ended_at": "when it came out", "chamber": "where",
        "actual_low": "least that was logged", "actual_high": "greatest that was logged",
        "actual_unit": "unit of what was logged",
    },
    "instruments": {
        "name": "what it is", "serial": "serial number", "unit": "unit that it shows",
        "range_low": "least that it reads",
        "range_high": "greatest that it reads", "resolution": "its step", "accuracy_pct": "accuracy in percent",
        "accuracy_basis": "what that percentage is of", "accuracy_abs": "accuracy in its own unit",
    },
    "calibrations": {
        "U": "expanded uncertainty of the certificate", "k": "coverage factor of U", "offset": "error at zero",
        "gain": "factor of its readings", "certificate": "number of the certificate",
    },
    "claims": {
        "claim": "code of the claim", "of": "whether a value or a change is claimed", "sense": "how the limit is meant",
        "value": "the limit or nominal value", "low": "lower limit", "high": "upper limit",
        "tolerance_minus": "tolerance below the nominal value", "tolerance_plus": "tolerance above it",
        "unit": "unit as printed", "scope": "said of the typical item or of every item", "source": "where it was seen",
        "wording": "as printed", "seen_on": "day", "certification_state": "what was found of a certification",
        "reference": "number in the issuer’s directory", "checked_on": "day on which the directory was looked at",
        "governs": "whether this source counts where several disagree", "governs_reason": "why it does",
        "not_tested_because": "why it was not tested",
    },
    "corrections": {
        "correction": "code of the correction", "since": "first day", "until": "last day",
        "factor": "by what readings are multiplied", "reason": "why", "undone_at": "when it was taken back",
        "undone_reason": "why it was taken back",
    },
    "readings": {
        "reading": "code of the reading", "value": "as typed: a number, pass or fail, or a rating",
        "bound": "> where the value is more than could be read, < where it is less", "unit_of_measure": "unit of value",
        "operator": "who read it, under another name", "rater": "who rated it, under another name",
        "taken_at": "when it was read", "received_at": "when it was stored", "order": "place in the run order",
        "failure_mode": "how the specimen failed", "trace": "file with the recorded curve",
        "decision": "what was decided on a value that looked odd", "replaces": "the reading that it amends",
        "replace_reason": "why it was amended", "voided_at": "filled: it does not count",
        "voided_by": "who voided it, under another name", "void_reason": "why it does not count",
        "note": "remark; not in the public form",
    },
    "files": {
        "file": "path in the zip", "about": "what kind of thing it shows", "code": "code of that thing",
        "kind": "photo, sketch or other", "caption": "what it shows", "alt": "the same for those who do not see it",
        "sha256": "digest of the file",
    },
    "deviations": {
        "at": "when", "by": "who, under another name", "what": "what was changed", "from": "before", "to": "after",
        "why": "why",
    },
    "left_out": {"why": "why it was left out"},
    "limitations": {"point": "what about", "what": "what it cannot answer", "reason": "why"},
    "awards": {
        "award": "code of the award", "name": "what it is called", "weighting": "weighting that it rests on",
        "reason": "the editor’s reason",
    },
    "answers": {
        "received_at": "when it came", "text": "what the maker wrote",
        "published": "whether the maker lets it be printed",
    },
}  # fmt: skip


def table_meaning(table: str) -> str:
    """What a table holds, in one sentence."""
    return _TABLES[table]


def meaning(table: str, column: str) -> str:
    """What a column means."""
    return _COLUMNS.get(table, {}).get(column) or _EVERYWHERE[column]


def columns(table: str) -> list[dict]:
    """The columns of a table: name, meaning, kind in words, and whether a row must have it."""
    return [
        {
            "name": column.name,
            "meaning": meaning(table, column.name),
            "kind": _kind(column),
            "required": column.required,
        }
        for column in SPEC[table].columns
    ]


def _kind(column: Column) -> str:
    if column.choices:
        return f"one of: {', '.join(column.choices)}"
    kind = KINDS[column.kind]
    return f"{kind} of {column.table.replace('_', ' ')}" if column.kind == "code" and column.table else kind
