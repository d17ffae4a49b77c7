"""Every table and column of a study folder: the one place that says what there is.

`SPEC` says what a cell may hold, what it names, what stays private in the public form, and what an
evaluation rests on. Reading, checking, import, export, the Data Package schemas and the digests all
follow it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

LONGEST_NUMBER = 64


@dataclass(frozen=True)
class Column:
    """One column. `kind` is code, text, number, integer, date, time, yesno, choice, unit or path.

    `table` is the table whose code it names (for `several`, codes joined by `*`). `private` says what
    the public form does with it: left_out or pseudonym. `inputs`: an evaluation rests on it.
    `least` is the least number allowed, itself included unless `above`. `default` is what blank means.
    `added`: it came later; digests pass over it where it is blank throughout, so that those of older
    studies stand.
    """

    name: str
    kind: str = "text"
    required: bool = False
    choices: tuple[str, ...] = ()
    table: str = ""
    several: bool = False
    private: str = ""
    inputs: bool = True
    length: int | None = None
    least: str | None = None
    above: bool = False
    default: str = ""
    about: str = ""
    added: bool = False


@dataclass(frozen=True)
class TableSpec:
    """One table. `key` names the columns that tell its rows apart; `inputs`: an evaluation reads it.

    `added`: it came later; digests pass over it where it is empty.
    """

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    required: bool = False
    inputs: bool = True
    added: bool = False
    by_name: dict[str, Column] = field(default_factory=dict, compare=False)

    def __post_init__(self):
        self.by_name.update({column.name: column for column in self.columns})

    @property
    def file(self) -> str:
        return f"{self.name}.csv"


def _code(name, table="", **more):
    return Column(name, "code", table=table, length=80, **more)


def _text(name, length=None, **more):
    return Column(name, "text", length=length, **more)


def _number(name, **more):
    more.setdefault("length", LONGEST_NUMBER)
    return Column(name, "number", **more)


def _integer(name, **more):
    return Column(name, "integer", least="0", **more)


def _unit(name, **more):
    return Column(name, "unit", length=40, **more)


def _date(name, **more):
    return Column(name, "date", **more)


def _time(name, **more):
    return Column(name, "time", length=40, **more)


def _yes(name, **more):
    return Column(name, "yesno", default="no", **more)


def _choice(name, *choices, **more):
    return Column(name, "choice", choices=choices, **more)


def _table(name, key, *columns, **more):
    return TableSpec(name, columns, tuple(key.split()), **more)


_POSITIVE = {"least": "0", "above": True}

SPEC: dict[str, TableSpec] = {
    spec.name: spec
    for spec in (
        _table(
            "products", "product",
            _code("product", required=True),
            _text("maker", 200, required=True, inputs=False),
            _text("model", 200, required=True, inputs=False),
            _text("variant", 200, inputs=False),
            _text("notes", private="left_out", inputs=False),
            required=True,
        ),
        _table(
            "purchases", "purchase",
            _code("purchase", required=True),
            _code("product", "products", required=True),
            _choice("obtained", "bought", "supplied", "lent", required=True),
            _text("seller", 200, inputs=False),
            _date("bought_on", inputs=False),
            _number("price", least="0", about="of the whole purchase"),
            _number("shipping", least="0"),
            _text("currency", 3),
            _number("packs", **_POSITIVE),
            _number("items_per_pack", **_POSITIVE),
            _number("content", about="per item", **_POSITIVE),
            _unit("content_unit"),
            _text("lot", 100, inputs=False),
            _text("receipt", 200, private="left_out", inputs=False),
        ),
        _table(
            "units", "unit",
            _code("unit", required=True),
            _code("product", "products", required=True),
            _code("purchase", "purchases", inputs=False),
            _text("lot", 100, inputs=False),
        ),
        _table(
            "properties", "property",
            _code("property", required=True),
            _text("name", 200, inputs=False),
            _choice("reading", "quantity", "pass_fail", "rating", "certification", required=True),
            _unit("unit", about="of the result"),
            _choice("better", "more", "less", "target", "neither", default="neither"),
            _integer("decimals"),
            _number("plausible_low"),
            _number("plausible_high"),
            _number("tolerance_pct", least="0"),
            _number("scale_low"),
            _number("scale_high"),
            required=True,
        ),
        _table(
            "conditions", "condition",
            _code("condition", required=True),
            _text("name", 200, inputs=False),
            _text("agent", 200),
            _number("temperature"),
            _unit("temperature_unit"),
            _number("duration", least="0"),
            _unit("duration_unit"),
            _number("recovery", least="0"),
            _unit("recovery_unit"),
        ),
        _table(
            "methods", "method revision",
            _code("method", required=True),
            _text("revision", 40, required=True),
            _text("title", 200, required=True, inputs=False),
            _text("standard", 200, inputs=False),
            _choice("relation", "follows", "departs", "own", inputs=False),
            _text("departures", inputs=False),
            _text("cannot_show", inputs=False),
            _text("steps", inputs=False),
            _text("cautions", inputs=False),
            _yes("hazardous", inputs=False),
        ),
        _table(
            "failure_modes", "method mode",
            _code("method", "methods", required=True),
            _code("mode", required=True),
            _text("name", 200, inputs=False),
            _yes("counts"),
        ),
        _table(
            "trials", "trial",
            _code("trial", required=True),
            _code("property", "properties", required=True),
            _code("condition", "conditions", about="blank: as received"),
            _code("method", "methods"),
            _text("revision", 40, about="blank: the only one"),
            _code("baseline", "trials"),
            _yes("paired"),
            _unit("reading_unit", about="the gauge's, where it differs in kind from the result's"),
            _text("divide_by", table="properties", several=True, about="properties, joined by *"),
            _integer("units_planned"),
            _integer("replicates"),
            _yes("blind"),
            _integer("seed"),
            required=True,
        ),
        _table(
            "runs", "trial run",
            _code("trial", "trials", required=True),
            _code("run", required=True),
            _time("started_at"),
            _text("reason", inputs=False),
            _text("pooled_because"),
            _code("anchor_product", "products"),
            _text("revision", 40, added=True, about="of the method; blank: the trial's own"),
        ),
        _table(
            "absences", "trial product",
            _code("trial", "trials", required=True),
            _code("product", "products", required=True),
            _choice("reason", "not_planned", "not_applicable", "lost", "excluded", required=True),
            _text("note", inputs=False),
        ),
        _table(
            "specimens", "specimen",
            _code("specimen", required=True),
            _code("unit", "units", required=True),
            _text("code", 40, inputs=False, about="on the piece; does not tell the product"),
            _number("order_planned"),
            _number("order_done"),
        ),
        _table(
            "exposures", "specimen condition started_at",
            _code("specimen", "specimens", required=True),
            _code("condition", "conditions", required=True),
            _time("started_at"),
            _time("ended_at"),
            _text("chamber", 200, inputs=False),
            _number("actual_low"),
            _number("actual_high"),
            _unit("actual_unit"),
        ),
        _table(
            "instruments", "instrument",
            _code("instrument", required=True),
            _text("name", 200, required=True, inputs=False),
            _text("serial", 100, inputs=False),
            _unit("unit"),
            _number("range_low"),
            _number("range_high"),
            _number("resolution", **_POSITIVE),
            _number("accuracy_pct", least="0"),
            _choice("accuracy_basis", "reading", "full_scale"),
            _number("accuracy_abs", least="0"),
            _date("calibrated_on"),
            _date("due_on"),
        ),
        _table(
            "calibrations", "instrument calibrated_on",
            _code("instrument", "instruments", required=True),
            _date("calibrated_on", required=True),
            _date("due_on"),
            _number("U", least="0"),
            _number("k", **_POSITIVE),
            _number("offset"),
            _number("gain", **_POSITIVE),
            _text("certificate", 200, inputs=False),
        ),
        _table(
            "claims", "claim",
            _code("claim", required=True),
            _code("product", "products", required=True),
            _code("property", "properties", required=True),
            _code("trial", "trials"),
            _code("condition", "conditions", about="blank: as received"),
            _choice("of", "value", "change", default="value"),
            _choice("sense", "at_least", "at_most", "nominal", "between", "yes", required=True),
            _number("value"),
            _number("low"),
            _number("high"),
            _number("tolerance_minus", least="0"),
            _number("tolerance_plus", least="0"),
            _unit("unit"),
            _choice("scope", "typical", "every", default="typical"),
            _text("source", 300),
            _text("wording", inputs=False),
            _date("seen_on"),
            _choice(
                "certification_state", "not_looked_for", "not_claimed", "claimed", "verified", "not_found"
            ),
            _text("reference", 200),
            _date("checked_on"),
            _yes("governs"),
            _text("governs_reason"),
            _text("not_tested_because", inputs=False, added=True),
        ),
        _table(
            "corrections", "correction",
            _code("correction", required=True),
            _code("instrument", "instruments", required=True),
            _date("since", required=True),
            _date("until", required=True),
            _number("factor", required=True, **_POSITIVE),
            _text("reason", required=True, inputs=False),
            _time("undone_at", about="filled: it no longer counts"),
            _text("undone_reason", inputs=False),
            added=True,
        ),
        _table(
            "readings", "reading",
            _code("reading", required=True),
            _code("trial", "trials", required=True),
            _code("product", "products", required=True),
            _code("unit", "units"),
            _code("specimen", "specimens"),
            _text("value", LONGEST_NUMBER, required=True),
            _choice("bound", "=", ">", "<", default="="),
            _unit("unit_of_measure"),
            _text("operator", 100, private="pseudonym"),
            _text("rater", 100, private="pseudonym", about="blank: the operator"),
            _code("instrument", "instruments"),
            _time("taken_at"),
            _time("received_at", inputs=False),
            _code("run"),
            _number("order", length=20),
            _code("failure_mode"),
            _text("trace", 300, inputs=False),
            _text("decision"),
            _code("replaces", "readings"),
            _text("replace_reason"),
            _time("voided_at", inputs=False),
            _text("voided_by", 100, private="pseudonym", inputs=False),
            _text("void_reason"),
            _text("note", private="left_out", inputs=False),
            required=True,
        ),
        _table(
            "files", "file",
            Column("file", "path", required=True, length=300),
            _choice("about", "product", "purchase", "claim", "specimen", "reading", "trial", required=True),
            _code("code", required=True),
            _text("kind", 40),
            _text("caption"),
            _text("alt"),
            _text("sha256", 64),
            inputs=False,
        ),
        _table(
            "deviations", "at by what from to why",
            _time("at", required=True),
            _text("by", 100, required=True, private="pseudonym"),
            _text("what", 300, required=True),
            _text("from"),
            _text("to"),
            _text("why"),
            inputs=False,
        ),
        _table(
            "left_out", "maker model variant",
            _text("maker", 200, required=True),
            _text("model", 200, required=True),
            _text("variant", 200),
            _text("why", required=True),
            inputs=False,
            added=True,
        ),
        _table(
            "limitations", "point",
            _text("point", 200, required=True),
            _text("what", required=True),
            _text("reason", required=True),
            inputs=False,
            added=True,
        ),
        _table(
            "awards", "award",
            _code("award", required=True),
            _text("name", 200, inputs=False),
            _code("weighting"),
            _code("product", "products", required=True),
            _text("reason"),
        ),
        _table(
            "answers", "product received_at",
            _code("product", "products", required=True),
            _time("received_at", required=True),
            _text("text", required=True),
            _yes("published"),
            inputs=False,
        ),
    )
}

# The table that a row of files.csv is about.
ABOUT = {
    "product": "products", "purchase": "purchases", "claim": "claims", "specimen": "specimens",
    "reading": "readings", "trial": "trials",
}
