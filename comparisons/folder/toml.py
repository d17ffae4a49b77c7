"""comparison.toml: what it may say, reading it with every number as typed, and writing it.

Numbers become Decimal (`seed` an int), so that 0.950 stays 0.950. Writing is our own, since the
standard library only reads: keys in one fixed order, blank ones left out.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from decimal import Decimal

from .faults import Faults, quote
from .spec import LONGEST_NUMBER
from .tables import CODE, NUMBER, moment

FILE = "comparison.toml"
SLUG = re.compile(r"[a-z0-9][a-z0-9_-]*")
MAX_BYTES = 2**20
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


@dataclass(frozen=True)
class Key:
    """One key. `kind` is text, code, slug, currency, number, share, whole, time, choice or yesno."""

    kind: str = "text"
    required: bool = False
    choices: tuple[str, ...] = ()
    length: int | None = None
    least: int | None = None


def _choice(*choices):
    return Key("choice", choices=choices)


TOP = {
    "slug": Key("slug", required=True, length=80),
    "title": Key(required=True, length=200),
    "question": Key(required=True),
    "currency": Key("currency", required=True),
    "seed": Key("whole", required=True),
    "kind": Key(length=100),
}
PLAN = {
    "frozen_at": Key("time", length=40),
    "by": Key(length=100),
    "market_scan": Key(),
    "inclusion": Key(),
    "characteristics": Key(),
    "tie_rule": Key(),
    "funding": Key(),
}
DECISION = {
    "confidence": Key("share"),
    "rule": _choice("probability", "simple", "guard"),
    "rounding": _choice("absolute", "rounding"),
    "coverage": Key("share"),
    "price_cap": Key("number", least=0),
}
CRITERION = {
    "id": Key("code", required=True, length=80),
    "name": Key(length=200),
    "trial": Key("code", length=80),
    "cost": _choice("per_item", "per_content", "per_usable"),
    "certification": Key("code", length=80),
    "measure": _choice("mean", "median", "min", "max", "change", "pass_share", "typical", "lowest"),
    "better": _choice("more", "less", "target"),
    "floor": Key("number"),
    "ceiling": Key("number"),
    "target": Key("number"),
    "band": Key("number", least=0),
    "value_function": _choice("linear", "logarithmic", "desirability"),
    "exponent": Key("number", least=0),
    "anchors_set_at": Key("time", length=40),
    "must": Key("yesno"),
}
WEIGHTING = {
    "id": Key("code", required=True, length=80),
    "name": Key(length=200),
    "missing": _choice("renormalise", "leave_out", "worst_case"),
}


def read(data: bytes, faults: Faults) -> dict:
    """The comparison as a dict; a fault for each thing that is wrong."""
    if len(data) > MAX_BYTES:
        faults.add(FILE, None, "", f"found {len(data):,} bytes, expected at most {MAX_BYTES:,}")
        return {}
    try:
        parsed = tomllib.loads(data.decode("utf-8-sig"), parse_float=_Typed)
    except UnicodeDecodeError as error:
        faults.add(FILE, None, "", f"found no UTF-8 (at byte {error.start}), expected UTF-8")
        return {}
    except tomllib.TOMLDecodeError as error:
        faults.add(FILE, None, "", f"found no valid TOML ({error}), expected TOML 1.0")
        return {}
    except (ValueError, RecursionError):
        faults.add(FILE, None, "", "found a number or a nesting beyond all measure, expected plain TOML 1.0")
        return {}
    return _Checker(faults).comparison(parsed)


class _Typed(str):
    """A float's text, kept until it is known to be a number that may stand there."""


class _Checker:
    def __init__(self, faults: Faults):
        self.faults = faults

    def comparison(self, parsed: dict) -> dict:
        tables = {"plan": PLAN, "decision": DECISION}
        lists = {"criterion": CRITERION, "weighting": WEIGHTING}
        known = {*TOP, *tables, *lists}
        made = self.part("", {k: v for k, v in parsed.items() if k not in {*tables, *lists}}, TOP, known)
        for name, keys in tables.items():
            if name not in parsed:
                continue
            if isinstance(parsed[name], dict):
                if part := self.part(f"[{name}]", parsed[name], keys):
                    made[name] = part
            else:
                self.wrong(name, parsed[name], f"a table [{name}]")
        for name, keys in lists.items():
            rows = parsed.get(name, [])
            if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
                self.wrong(name, rows, f"tables [[{name}]]")
                continue
            made[name] = [self.row(name, i, row, keys) for i, row in enumerate(rows, 1)]
            self.once(name, [row.get("id", "") for row in made[name]])
        return made

    def row(self, name: str, position: int, row: dict, keys: dict[str, Key]) -> dict:
        where = f"[[{name}]] {row.get('id', position)}"
        weights = row.get("weights", {}) if name == "weighting" else None
        made = self.part(where, {k: v for k, v in row.items() if weights is None or k != "weights"}, keys)
        if weights is not None:
            if isinstance(weights, dict):
                kept = {str(k): self.value(f"{where} weights", str(k), v, Key("number", least=0))
                        for k, v in weights.items()}
                made["weights"] = {k: v for k, v in kept.items() if v is not None}
            else:
                self.wrong(f"{where} weights", weights, "a table [weighting.weights]")
                made["weights"] = {}
        return made

    def part(self, where: str, found: dict, keys: dict[str, Key], known=None) -> dict:
        made = {}
        for name, value in found.items():
            if name not in keys:
                expected = ", ".join(known or keys)
                self.fault(f"{where} {name}", f"found a key that is not known, expected one of {expected}")
            elif (checked := self.value(where, name, value, keys[name])) is not None:
                made[name] = checked
        for name, key in keys.items():
            if key.required and name not in found:
                self.fault(f"{where} {name}", "found nothing, expected a value")
        return {name: made[name] for name in keys if name in made}

    def once(self, name: str, ids: list[str]) -> None:
        for code in sorted({code for code in ids if code and ids.count(code) > 1}):
            self.fault(f"[[{name}]] {code}", f"found the id {quote(code)} twice, expected it once")

    def fault(self, where: str, text: str) -> None:
        self.faults.add(FILE, None, where.strip(), text)

    def wrong(self, where: str, value, expected: str) -> None:
        self.fault(where, f"found {quote(value)}, expected {expected}")

    def value(self, where: str, name: str, value, key: Key):
        """The value as it is kept, or None with a fault."""
        at = f"{where} {name}"
        if key.kind in ("number", "share", "whole"):
            return self.number(at, value, key)
        if key.kind == "yesno":
            if isinstance(value, bool):
                return value
            return self.wrong(at, value, "true or false")
        if not isinstance(value, str) or isinstance(value, _Typed):
            return self.wrong(at, value, "text in quotes")
        text = value.strip()
        if _CONTROL.search(text):
            return self.wrong(at, text, "text without control characters")
        if not text:
            if key.required:
                self.wrong(at, text, "text")
            return None
        if key.length and len(text) > key.length:
            return self.fault(at, f"found {len(text)} characters, expected at most {key.length}")
        if key.kind == "choice" and text not in key.choices:
            return self.wrong(at, text, "one of " + ", ".join(key.choices))
        if key.kind == "code" and not CODE.fullmatch(text):
            return self.wrong(at, text, "a code of lower-case letters, digits, dot, dash and underscore")
        if key.kind == "slug" and not SLUG.fullmatch(text):
            return self.wrong(at, text, "lower-case letters, digits, dash and underscore")
        if key.kind == "currency" and not re.fullmatch(r"[A-Z]{3}", text):
            return self.wrong(at, text, "a currency's three capital letters, such as EUR (ISO 4217)")
        if key.kind == "time" and not _is_time(text):
            return self.wrong(at, text, "a time such as 2026-03-31T14:05:00+02:00")
        return text

    def number(self, at: str, value, key: Key):
        if isinstance(value, bool) or not isinstance(value, int | _Typed):
            return self.wrong(at, value, "a number without quotes")
        text = str(value).replace("_", "")
        if not NUMBER.fullmatch(text) or len(text) > LONGEST_NUMBER or abs(Decimal(text).adjusted()) > 300:
            return self.wrong(at, text, "a finite number such as 12.5")
        number = Decimal(text)
        if key.kind == "whole":
            if not isinstance(value, int) or not 0 <= value < 2**63:
                return self.wrong(at, text, "a whole number of 0 or more")
            return value
        if key.kind == "share" and not 0 < number < 1:
            return self.wrong(at, text, "a share between 0 and 1")
        if key.least is not None and number < key.least:
            return self.wrong(at, text, f"a number of {key.least} or more")
        return number


def _is_time(text: str) -> bool:
    try:
        return moment(text) is not None
    except (ValueError, OverflowError):
        return False


def write(comparison: dict) -> str:
    """comparison.toml of a comparison as `read` gives it."""
    parts = [_keys(comparison, TOP)]
    for name, keys in (("plan", PLAN), ("decision", DECISION)):
        if comparison.get(name):
            parts.append(f"[{name}]\n" + _keys(comparison[name], keys))
    for row in comparison.get("criterion", []):
        parts.append("[[criterion]]\n" + _keys(row, CRITERION))
    for row in comparison.get("weighting", []):
        text = "[[weighting]]\n" + _keys(row, WEIGHTING)
        weights = "".join(f"{_name(k)} = {_value(v)}\n" for k, v in row.get("weights", {}).items())
        parts.append(f"{text}\n[weighting.weights]\n{weights}")
    return "\n".join(parts)


def _keys(values: dict, keys: dict[str, Key]) -> str:
    present = [name for name in keys if values.get(name) not in (None, "")]
    return "".join(f"{name} = {_value(values[name])}\n" for name in present)


def _name(code: str) -> str:
    return code if re.fullmatch(r"[A-Za-z0-9_-]+", code) else _value(code)


def _value(value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, Decimal):
        # Through text: a subclass may keep a spelling, such as 5. or .5, that TOML does not have.
        return str(Decimal(str(value)))
    return '"' + "".join(_escaped(c) for c in value) + '"'


_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}


def _escaped(c: str) -> str:
    return _ESCAPES.get(c) or (f"\\u{ord(c):04X}" if ord(c) < 32 or ord(c) == 127 else c)
