"""Units as the trade writes them, by Pint.

What a gauge, a label or a data sheet prints is kept as typed; this module says what it means. Three
rules differ from plain Pint. `mil` is a thousandth of an inch. `lb`, `oz`, `g` and `kg` are masses: where
a force is asked for they are refused with a line that asks for `lbf`, `ozf`, `gf`, `kgf`, since a gauge
that says "lb" may mean either and nobody should guess. Only units on the list below are known: Pint also
knows `c`, `k` and `h` as constants of nature, and would read a slip of the pen as one.

Factors are exact fractions; a converted number has 28 digits. Pint is imported at the first use, not when
a web process starts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Context, Decimal, InvalidOperation
from fractions import Fraction
from functools import cache, lru_cache

from .unit_names import (
    AMBIGUOUS,
    FORCE_FOR,
    KNOWN,
    LENGTHS,
    MASSES,
    NO_PREFIX,
    OWN,
    PREFIXES,
    SPELLINGS,
    SYMBOLS,
    WIDTHS,
    WORDS,
)

VERSION = "units-1"  # stamped on each converted value: raise it when a conversion changes
DIGITS = 28
MAX_LENGTH = 200
MAX_EXPONENT = 4

_SUCH_AS = "expected one such as N, mm, lbf/in or N/25 mm"
_WIDE = Context(prec=80)
_ROUND = Context(prec=DIGITS)


class UnitError(ValueError):
    """A unit that is unknown, or of the wrong kind; the text says what was found and what to write."""


@dataclass(frozen=True)
class TradeUnit:
    """A unit as typed and what it means: value in base units = value * scale + offset.

    `kind` is the product of base units with their exponents; two units convert into each other when
    their kinds are equal. `offset` is zero but for temperatures on a scale.
    """

    text: str
    symbol: str
    kind: tuple[tuple[str, Fraction], ...]
    scale: Fraction
    offset: Fraction = Fraction(0)

    @property
    def has_offset(self) -> bool:
        return self.offset != 0


_PHRASES = [
    (re.compile(r"(?i)\b(?:us\s+)?(?:fl\.?\s*oz\.?|fluid[ _]ounces?)(?![a-z])"), "floz"),
    (re.compile(r"(?i)\bus\s+(?=gal|qt|quart|cup)"), ""),
    (re.compile(r"(?i)\b(?:sq\.?|square)\s*(in|inch|ft|foot|yd|yard|mm|cm|m)\b"), r"\1^2"),
    (re.compile(r"(?i)\b(?:cu\.?|cubic)\s*(in|inch|ft|foot|yd|yard|mm|cm|m)\b"), r"\1^3"),
    (re.compile(r"(?:°|º|\bdeg\.?)\s*([CcFf])\b"), lambda m: "deg" + m[1].upper()),
    (re.compile(r"(?i)\bdB\s*\(A\)"), "dBA"),
    (re.compile(r"(?i)\bshore[ -]?([ad])\b"), r"shore\1"),
    (re.compile(r"(?i)\bshort[ _]tons?\b"), "short_ton"),
    (re.compile(r"(?i)\blong[ _]tons?\b"), "long_ton"),
    (re.compile(r"(?i)\s+per\s+"), "/"),
    (re.compile(r"''|[\"″”“]"), " inch "),
    (re.compile(r"['′’]"), " foot "),
    (re.compile(r"(?<=[A-Za-z])-(?=[A-Za-z])"), "*"),
]
_CHARACTERS = str.maketrans(
    {"µ": "u", "μ": "u", "²": "^2", "³": "^3", "⁴": "^4", "·": "*", "⋅": "*", "×": "*", "∙": "*",
     "⁄": "/", "−": "-", "℃": "degC", "℉": "degF", "Ω": "Ω", "Δ": "delta_", "∆": "delta_"}
)
_TOKEN = re.compile(
    r"\s*(?:(?P<number>[0-9]+(?:\.[0-9]+)?)|(?P<name>[A-Za-zΩ_%°][A-Za-zΩ_]*)|(?P<power>(?:\*\*|\^)\s*-?[0-9]+)"
    r"|(?P<op>[*/()]))"
)
_DIGIT_POWER = re.compile(r"(?<![A-Za-z_])(mm|cm|dm|m|km|in|inch|ft|foot|yd)([234])(?![0-9A-Za-z])")


@cache
def _registry():
    """The one Pint registry, with exact fractions. Importing Pint takes a third of a second: only here."""
    import pint

    registry = pint.UnitRegistry(non_int_type=Fraction, autoconvert_offset_to_baseunit=False)
    return registry


def parse_unit(text: str) -> TradeUnit:
    """What a unit as typed means. Blank and `1` are the plain number.

    Raises UnitError, in one line, where the unit is unknown or may mean two things.

    >>> parse_unit("N/25 mm").symbol
    'N/25 mm'
    >>> parse_unit('mils').symbol
    'mil'
    """
    return _parse(str(text).strip())


@lru_cache(maxsize=4096)
def _parse(text: str) -> TradeUnit:
    if len(text) > MAX_LENGTH:
        raise UnitError(f"found a unit of {len(text)} characters, expected one such as N or N/25 mm")
    if text in ("", "1"):
        return TradeUnit(text, "1", (), Fraction(1))
    factors = _factors(text)
    _refuse_mass_as_force(text, factors)
    if len(factors) == 1 and factors[0][2] == 1:
        return _single(text, *factors[0][:2])
    scale, kind = Fraction(1), {}
    for number, name, power in factors:
        if name:
            part_scale, part_kind = _root(_without_offset(name))
            scale *= part_scale**power
            for base, exponent in part_kind:
                kind[base] = kind.get(base, Fraction(0)) + exponent * power
        scale *= number**power
    return TradeUnit(text, _symbol_of(factors), tuple(sorted((b, e) for b, e in kind.items() if e)), scale)


def _single(text: str, number: Fraction, name: str) -> TradeUnit:
    """One unit to the first power: the only form in which a temperature keeps its zero."""
    scale, kind = _root(name)
    offset = Fraction(0)
    if name == "degree_Celsius":
        offset = Fraction("273.15")
    elif name == "degree_Fahrenheit":
        offset = Fraction("459.67") * Fraction(5, 9)
    if offset and number != 1:
        raise UnitError(f"found the unit “{text}”, expected a temperature without a number before it")
    return TradeUnit(text, _symbol_of([(number, name, 1)]), kind, scale * number, offset)


def _without_offset(name: str) -> str:
    """Inside a product a temperature is a difference (W/(m K))."""
    return {"degree_Celsius": "kelvin", "degree_Fahrenheit": "degree_Rankine"}.get(name, name)


@lru_cache(maxsize=4096)
def _root(name: str) -> tuple[Fraction, tuple[tuple[str, Fraction], ...]]:
    """Factor to base units, and the base units, of one of Pint's names."""
    if name in OWN:
        return Fraction(1), ((f"[{name}]", Fraction(1)),)
    if name == "":
        return Fraction(1), ()
    factor, root = _registry().get_root_units(name)
    kind = tuple(sorted((str(base), Fraction(power)) for base, power in root._units.items()))
    return Fraction(factor), kind


def _factors(text: str) -> list[tuple[Fraction, str, int]]:
    """The factors of a unit: (number before it, Pint's name, power)."""
    rest = text.translate(_CHARACTERS)
    if rest.strip() in ("%", "°"):
        return [(Fraction(1), SPELLINGS[rest.strip()], 1)]
    for pattern, replacement in _PHRASES:
        rest = pattern.sub(replacement, rest)
    rest = _DIGIT_POWER.sub(r"\1^\2", rest)
    tokens, at = [], 0
    rest = rest.strip()
    while at < len(rest):
        match = _TOKEN.match(rest, at)
        if not match:
            raise UnitError(f"found the unit “{text}”, {_SUCH_AS}")
        tokens.append((match.lastgroup, match[match.lastgroup]))
        at = match.end()
    return _Parser(text, tokens).parse()


class _Parser:
    """`unit := factor { ("*" | "/" | nothing) factor }`, with a number before a name bound to that name."""

    def __init__(self, text, tokens):
        self.text, self.tokens, self.at = text, tokens, 0

    def parse(self):
        factors = self.product()
        if self.at != len(self.tokens) or not any(name for _, name, _ in factors):
            self.refuse()
        return factors

    def refuse(self):
        raise UnitError(f"found the unit “{self.text}”, {_SUCH_AS}")

    def peek(self, *wanted):
        return self.at < len(self.tokens) and self.tokens[self.at][1] in wanted

    def product(self):
        factors, sign, divided = self.factor(), 1, False
        while self.at < len(self.tokens) and not self.peek(")"):
            if self.peek("*", "/"):
                sign = -1 if self.tokens[self.at][1] == "/" else 1
                self.at += 1
            else:
                sign = 1
            if divided and sign == 1:
                raise UnitError(
                    f"found the unit “{self.text}”, where it is unclear what is divided;"
                    " put what is below the line in brackets, as in J/(kg*K)"
                )
            divided = divided or sign == -1
            factors += [(number, name, power * sign) for number, name, power in self.factor()]
        return factors

    def factor(self):
        if self.peek("("):
            self.at += 1
            inner = self.product()
            if not self.peek(")"):
                self.refuse()
            self.at += 1
            return inner
        number, name = Fraction(1), ""
        if self.at < len(self.tokens) and self.tokens[self.at][0] == "number":
            number = Fraction(self.tokens[self.at][1])
            if number == 0:
                self.refuse()
            self.at += 1
        if self.at < len(self.tokens) and self.tokens[self.at][0] == "name":
            name = _name(self.tokens[self.at][1], self.text)
            self.at += 1
        elif self.at == 0 or self.tokens[self.at - 1] != ("number", "1"):
            self.refuse()  # a number says nothing alone, but for the 1 of 1/s
        power = 1
        if self.at < len(self.tokens) and self.tokens[self.at][0] == "power":
            power = int(self.tokens[self.at][1].lstrip("*^ "))
            self.at += 1
            if not name or power == 0 or abs(power) > MAX_EXPONENT:
                self.refuse()
        if "*" in name:  # a spelling of a product, such as Nm
            first, second = name.split("*")
            return [(number, first, power), (Fraction(1), second, power)]
        return [(number, name, power)]


@lru_cache(maxsize=4096)
def _name(word: str, text: str) -> str:
    """Pint's own name of one unit word."""
    if word in SPELLINGS:
        return SPELLINGS[word]
    lower = word.lower()
    if lower in AMBIGUOUS:
        raise UnitError(f"found the unit “{text}”, which may mean two things: write {AMBIGUOUS[lower]}")
    if word in WORDS or lower in WORDS:
        return WORDS.get(word) or WORDS[lower]
    for prefix, unit, _suffix in _registry().parse_unit_name(word):
        if unit in KNOWN and (not prefix or (prefix in PREFIXES and unit not in NO_PREFIX)):
            return prefix + unit
    raise UnitError(f"found the unit “{text}”, which is not known; {_SUCH_AS}")


def _symbol_of(factors) -> str:
    """The unit written out, for showing back: `N/25 mm`, `J/(kg·K)`."""

    def one(number, name, power):
        symbol = SYMBOLS.get(name) or (f"{_registry().Unit(name):~P}" if name else "")
        if name in OWN:
            symbol = OWN[name]
        count = "" if number == 1 else f"{_plain(number)} "
        raised = "" if abs(power) == 1 else "⁰¹²³⁴"[abs(power)]
        return f"{count}{symbol}{raised}".strip()

    above = [one(*factor) for factor in factors if factor[2] > 0]
    below = [one(*factor) for factor in factors if factor[2] < 0]
    text = "·".join(above) or "1"
    if below:
        text += "/" + (below[0] if len(below) == 1 else "(" + "·".join(below) + ")")
    return text


def _plain(number: Fraction) -> str:
    return format(_WIDE.divide(Decimal(number.numerator), Decimal(number.denominator)).normalize(), "f")


def _refuse_mass_as_force(text: str, factors) -> None:
    """`oz/in`, `lb/in²`, `kg*cm`: a mass where the trade means a force. Grams per metre stay a density."""
    masses = [name for _, name, power in factors if name in MASSES and power == 1]
    others = [(number, name, power) for number, name, power in factors if name not in MASSES]
    if len(masses) != 1 or len(others) != 1 or len(factors) != 2 or others[0][1] not in LENGTHS:
        return
    number, length, power = others[0]
    per_width = power == -1 and (length in WIDTHS or number != 1)
    per_area = power == -2 and length in WIDTHS and masses[0] != "gram"
    if per_width or per_area or power == 1:
        raise UnitError(
            f"found the unit “{text}”, which names a mass, not a force: write {_force_text(text)} for a force"
        )


def _force_text(text: str) -> str:
    """The unit as typed with its mass words as forces: `oz/in` -> `ozf/in`."""
    return re.sub(r"[A-Za-z]+", lambda m: FORCE_FOR.get(m[0], FORCE_FOR.get(m[0].lower(), m[0])), text)


_ACCELERATION = (("meter", Fraction(1)), ("second", Fraction(-2)))


def _times(a, b):
    kind = dict(a)
    for base, power in b:
        kind[base] = kind.get(base, Fraction(0)) + power
    return tuple(sorted((base, power) for base, power in kind.items() if power))


_KINDS = {
    "m": "a length", "kg": "a mass", "s": "a time", "N": "a force", "N/m": "a force per width",
    "Pa": "a pressure", "degC": "a temperature", "m^2": "an area", "l": "a volume",
    "J": "an energy or torque", "W": "a power", "V": "a voltage", "ampere": "a current",
    "ohm": "a resistance", "Ah": "a charge", "lm": "a light flow", "lx": "an illuminance",
    "cd": "a luminous intensity", "count": "a count", "step": "a rating", "1": "a plain number",
    "deg": "an angle", "m/s": "a speed", "tex": "a mass per length", "g/m^2": "a mass per area",
    "Hz": "a frequency", "rpm": "a rate of turning", "kg/m^3": "a density",
}  # fmt: skip


@cache
def _kinds() -> dict[tuple, tuple[str, str]]:
    """Kind -> (its name in words, an example's symbol)."""
    return {parse_unit(text).kind: (name, parse_unit(text).symbol) for text, name in _KINDS.items()}


def kind_name(text: str) -> str:
    """What kind of quantity a unit is of, in words: "a force", "a length"."""
    unit = parse_unit(text)
    return _kinds().get(unit.kind, (f"a quantity in {unit.symbol}", ""))[0]


def _example(unit: TradeUnit) -> str:
    """The unit itself, or a plainer one of its kind where it was put together."""
    composed = "(" in unit.text
    return _kinds().get(unit.kind, ("", unit.symbol))[1] if composed else unit.symbol


def same_kind(a: str, b: str) -> bool:
    """Whether two units convert into each other. Raises UnitError where one is unknown."""
    return parse_unit(a).kind == parse_unit(b).kind


def require_kind(found: str, expected: str) -> None:
    """Raise UnitError with one clear line unless `found` converts into `expected`."""
    have, want = parse_unit(found), parse_unit(expected)
    if have.kind == want.kind:
        return
    what = f"found “{found or '1'}”, {kind_name(found)}"
    if _times(have.kind, _ACCELERATION) == want.kind:
        raise UnitError(
            f"{what}, where {kind_name(expected)} ({_example(want)}) is asked for:"
            f" write {_force_text(found)} if a force is meant"
        )
    raise UnitError(f"{what}, expected {kind_name(expected)} such as {_example(want)}")


@lru_cache(maxsize=4096)
def affine(from_unit: str, to_unit: str, difference: bool = False) -> tuple[Fraction, Fraction]:
    """Exact (scale, shift) with: value in `to_unit` = value in `from_unit` * scale + shift.

    `difference`: the values are differences, so a temperature's zero does not count.
    Raises UnitError where the two are not of one kind.
    """
    require_kind(from_unit, to_unit)
    have, want = parse_unit(from_unit), parse_unit(to_unit)
    scale = have.scale / want.scale
    shift = Fraction(0) if difference else (have.offset - want.offset) / want.scale
    return scale, shift


def factor(from_unit: str, to_unit: str, difference: bool = False) -> Decimal:
    """The factor from one unit to the other, to 28 digits.

    Raises UnitError where the two are not of one kind, or where no factor alone will do (a temperature
    on a scale; pass `difference=True` for a difference of temperatures).
    """
    scale, shift = affine(from_unit, to_unit, difference)
    if shift:
        raise UnitError(
            f"{parse_unit(from_unit).symbol} and {parse_unit(to_unit).symbol} differ by more than a factor:"
            " temperatures convert with an offset"
        )
    return _decimal(scale)


def convert(value: Decimal | str, from_unit: str, to_unit: str, difference: bool = False) -> Decimal:
    """A number in another unit, to 28 digits; unchanged, digit by digit, where the units are equal.

    Raises UnitError where the units are not of one kind or the value is no number.

    >>> convert("1", "lbf", "N")
    Decimal('4.4482216152605')
    >>> convert("212", "degF", "degC")
    Decimal('100')
    """
    try:
        number = value if type(value) is Decimal else Decimal(str(value))
    except InvalidOperation:
        raise UnitError(f"found “{value}”, expected a number") from None
    if not number.is_finite():
        raise UnitError(f"found “{value}”, expected a finite number")
    scale, shift = affine(from_unit, to_unit, difference)
    if scale == 1 and not shift:
        return number
    return _apply(number, scale, shift)


_PASSES = {"pass": 1.0, "yes": 1.0, "1": 1.0, "fail": 0.0, "no": 0.0, "0": 0.0}


def reading_value(kind: str, text: str, unit: str, reading_unit: str) -> tuple[float | None, str]:
    """A typed reading as a number in its trial's reading unit; None with the reason where it says none.

    `kind` is the property's: of pass_fail a pass is 1 and a fail 0. A blank `unit` is the reading unit.
    """
    if kind == "pass_fail":
        value = _PASSES.get(text.lower())
        return value, "" if value is not None else f"found “{text[:20]}”, expected pass or fail"
    try:
        typed = unit if kind == "quantity" and unit else reading_unit
        return float(convert(text, typed, reading_unit)), ""
    except UnitError as error:
        return None, str(error)


def _apply(number: Decimal, scale: Fraction, shift: Fraction) -> Decimal:
    numerator, denominator, addend = _parts(scale, shift)
    above = _WIDE.add(_WIDE.multiply(number, numerator), addend)
    return _tidy(_ROUND.plus(_WIDE.divide(above, denominator)))


@lru_cache(maxsize=4096)
def _parts(scale: Fraction, shift: Fraction) -> tuple[Decimal, Decimal, Decimal]:
    """scale and shift over one denominator, so that a single division rounds."""
    denominator = scale.denominator * shift.denominator
    return (Decimal(scale.numerator * shift.denominator), Decimal(denominator),
            Decimal(shift.numerator * scale.denominator))


def _decimal(value: Fraction) -> Decimal:
    return _tidy(_ROUND.plus(_WIDE.divide(Decimal(value.numerator), Decimal(value.denominator))))


def _tidy(number: Decimal) -> Decimal:
    """Without trailing zeros and without an exponent where it is a whole number."""
    number = number.normalize(_ROUND)
    return number.quantize(Decimal(1), context=_ROUND) if 0 < number.as_tuple().exponent <= 6 else number
