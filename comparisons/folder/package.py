"""datapackage.json: the study described as a Data Package (version 2), with a schema for each table."""

from __future__ import annotations

import json

from .spec import SPEC, Column, TableSpec

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
SCHEMA_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"
CODE_PATTERN = "[a-z0-9][a-z0-9._-]*"
_TYPES = {"number": "number", "integer": "integer", "date": "date", "yesno": "boolean", "time": "datetime"}


def table_schema(spec: TableSpec, present: set[str]) -> dict:
    """The Table Schema of one table; `present` names the tables that a foreign key may point to."""
    schema = {
        "$schema": SCHEMA_PROFILE,
        "fields": [_field(column) for column in spec.columns],
        "missingValues": [""],
    }
    if spec.name not in ("deviations", "exposures"):  # their keys may have blank parts, or are the whole row
        schema["primaryKey"] = list(spec.key)
    keys = []
    for column in spec.columns:
        target = SPEC.get(column.table)
        # A method has several revisions: its code alone is no key to point at.
        if target and not column.several and target.name in present and len(target.key) == 1:
            resource = {} if target is spec else {"resource": target.name}
            keys.append({"fields": [column.name], "reference": {**resource, "fields": [target.key[0]]}})
    if keys:
        schema["foreignKeys"] = keys
    return schema


def _field(column: Column) -> dict:
    field = {"name": column.name, "type": _TYPES.get(column.kind, "string")}
    if column.about:
        field["description"] = column.about
    if column.kind == "time":
        field["format"] = "any"  # typed text stays as typed, with or without a zone
    if column.kind == "yesno":
        field |= {"trueValues": ["yes", "true", "1"], "falseValues": ["no", "false", "0"]}
    rules = {}
    if column.required:
        rules["required"] = True
    if column.kind == "code":
        rules["pattern"] = CODE_PATTERN
    if column.choices:
        rules["enum"] = list(column.choices)
    if column.least is not None and not column.above:
        rules["minimum"] = int(column.least)
    if rules:
        field["constraints"] = rules
    return field


def describe(slug: str, title: str, package: dict, tables: dict[str, tuple[int, str]]) -> bytes:
    """datapackage.json: what the study says of itself, and each table with its schema, size and SHA-256."""
    present = set(tables)
    described = {"$schema": PROFILE, "name": slug, **package}
    described.setdefault("title", title)
    described["resources"] = [
        {
            "name": name,
            "type": "table",
            "path": SPEC[name].file,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "bytes": size,
            "hash": f"sha256:{digest}",
            "schema": table_schema(SPEC[name], present),
        }
        for name, (size, digest) in tables.items()
    ]
    return (json.dumps(described, indent=2, ensure_ascii=False) + "\n").encode()
