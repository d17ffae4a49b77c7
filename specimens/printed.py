"""A quantity that is printed twice, in two units: do the two prints say the same?

`0.0178 mm (0.007 in)` does not: seven thousandths of an inch are 0.1778 mm, ten times as much. Packages,
listings and data sheets print pairs like that; what was printed is kept as it is, and this module says
where the two of a pair differ by more than their printed digits allow.

What counts as a pair: quantities of one kind in different units, the second in brackets after the first
(`80 °C (176 °F)`), or behind a stroke, an equals sign or "or" (`2900 psi / 20 MPa`). Several dimensions are
taken in order (`19 mm x 20 m (3/4 in x 66 ft)`), and so are ranges (`15-20 lbf/in (26-35 N/cm)`).

Each print stands for all values that round to it: half a unit in its last place to either side. Of a whole
number that ends in zeros the first two digits count (440 may stand for 435 to 445). Fractions are exact.
A comma may be a decimal comma or part thousands: a pair is sound if one of the two makes it so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import product

from .unit_names import FORCE_FOR
from .units import TradeUnit, UnitError, parse_unit

LONGEST = 20_000
LONGEST_NUMBER = 40
MOST_WORDS = 4  # of a unit: "lb per sq in"
SAME_THING = 30  # behind a stroke, what differs by more than this (and by no power of ten) is something else

_VULGAR = {"¼": (1, 4), "½": (1, 2), "¾": (3, 4), "⅓": (1, 3), "⅔": (2, 3), "⅛": (1, 8), "⅜": (3, 8), "⅝": (5, 8),
           "⅞": (7, 8)}  # fmt: skip
_MARKS = "".join(_VULGAR)
_NUMBER = re.compile(
    rf"(?P<sign>(?<![\w.)\]])[-−+])?(?:"
    rf"(?:(?P<whole>[0-9]+)(?:[ -]|\s)?)?(?P<mark>[{_MARKS}])"
    r"|(?:(?P<whole2>[0-9]+)[ -])?(?P<up>[0-9]+)\s?[/⁄]\s?(?P<down>[0-9]+)(?![0-9.,]*\d)"
    r"|(?P<plain>[0-9]+(?:[.,' \u00a0\u202f][0-9]{3}(?![0-9]))*(?:[.,][0-9]+)?|[.,][0-9]+))"
)
_WORD = re.compile(r"[A-Za-zµμΩ°º%′’'″”\"Δ²³][A-Za-zµμΩ°º%′’'″”\"Δ²³.^*·⋅-]*")
_BELOW = re.compile(r"\s?[/⁄]\s?(?:(?P<count>[0-9]+(?:\.[0-9]+)?)\s?)?(?P<unit>[A-Za-zµμ°\"″][A-Za-z²³^0-9]*)")
_JOIN = re.compile(r"\s*(?:[x×*]|by|to|–|—|-|…|and)\s*", re.IGNORECASE)
_OTHER_UNIT = re.compile(r"\s*(?:[/|=≈~]|,?\s+or\b|,?\s*i\.e\.)\s*", re.IGNORECASE)
_OPEN, _CLOSE = re.compile(r"\s*(?:[A-Za-z]+ ){0,2}\s*[(\[]"), re.compile(r"[)\]]")
_TIMES = {1: "ten", 2: "a hundred", 3: "a thousand", 4: "ten thousand", 5: "a hundred thousand", 6: "a million"}
_PARTS = {1: "a tenth", 2: "a hundredth", 3: "a thousandth", 4: "a ten-thousandth", 5: "a hundred-thousandth",
          6: "a millionth"}  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """A number as printed with its unit. values: (value, half of its last place) for each way to read it."""

    text: str
    values: tuple[tuple[Fraction, Fraction], ...]
    units: tuple[TradeUnit, ...]
    start: int
    end: int

    @property
    def shown(self) -> str:
        return " ".join(self.text.split())


@dataclass(frozen=True)
class Disagreement:
    """A pair that does not say the same. says: the first in the unit of the second. text: one line."""

    first: str
    second: str
    says: str
    text: str


def disagreements(text: str) -> list[Disagreement]:
    """The pairs in a text whose two prints differ beyond their printed digits; [] where none do.

    >>> disagreements("0.0178 mm (0.007 in)")[0].text
    '“0.0178 mm” and “0.007 in” do not agree: 0.0178 mm is 0.0007 in, a tenth of what the other says'
    >>> disagreements("19 mm x 20 m (3/4 in x 66 ft)")
    []
    """
    found = []
    for first, second, bracketed in pairs(text[:LONGEST]):
        worst = _compare(first, second, bracketed)
        if worst is not None:
            found.append(worst)
    return found


def quantities(text: str) -> list[Quantity]:
    """Every number of a text that stands before a unit, or in a row with one that does."""
    return [one for group in _groups(text[:LONGEST]) for one in group]


def pairs(text: str) -> list[tuple[Quantity, Quantity, bool]]:
    """What is printed twice, as (first, second, whether in brackets), in the order of the text."""
    found = []
    groups = _groups(text)
    for first, second in zip(groups, groups[1:], strict=False):
        between = text[first[-1].end : second[0].start]
        bracketed = bool(_OPEN.fullmatch(between)) or bool(re.fullmatch(r"\s*[(\[]\s*[A-Za-z. ≈~]{0,12}", between))
        if not bracketed and not _OTHER_UNIT.fullmatch(between):
            continue
        if bracketed and not _CLOSE.search(text, second[-1].end, second[-1].end + 40):
            continue
        if len(first) != len(second):
            continue
        if all(_shared(a, b) and a.units[0].scale != b.units[0].scale for a, b in zip(first, second, strict=True)):
            found += [(a, b, bracketed) for a, b in zip(first, second, strict=True)]
    return found


def holds(text: str, value: Decimal, unit: str) -> bool:
    """Whether one of a text's quantities is this value in this unit, as far as the printed digits tell.

    A value without unit is looked for among all numbers of the text. True where the text holds no number
    at all: there is nothing to compare with.
    """
    numbers = [m for m in _NUMBER.finditer(text[:LONGEST])]
    if not numbers:
        return True
    exact = Fraction(value)
    if any(exact == read for m in numbers for read, _ in _values(m)):
        return True
    try:
        wanted = _units(unit) if unit else ()
    except UnitError:
        return True
    own = exact, _half_step(str(value))
    for quantity in quantities(text):
        for have, want in product(quantity.units, wanted):
            if have.kind == want.kind and any(_overlap(read, have, own, want) for read in quantity.values):
                return True
    return False


# -- reading ---------------------------------------------------------------------------------------------


def _groups(text: str) -> list[list[Quantity]]:
    """Quantities in rows: what is joined by x, "to" or a dash. A bare number takes the unit of the next one."""
    groups: list[list[Quantity]] = []
    row: list[tuple] = []  # (match, units, end)
    at = 0
    while (m := _NUMBER.search(text, at)) is not None:
        units, end = _unit_after(text, m.end())
        if row and not _JOIN.fullmatch(text[row[-1][2] : m.start()]):
            _close(text, row, groups)
            row = []
        row.append((m, units, end))
        at = max(end, m.end())
    _close(text, row, groups)
    return groups


def _close(text: str, row: list[tuple], groups: list[list[Quantity]]) -> None:
    made: list[Quantity] = []
    units: tuple[TradeUnit, ...] = ()
    for m, own, end in reversed(row):
        units = own or units
        if units:
            made.insert(0, Quantity(text[m.start() : end], tuple(_values(m)), units, m.start(), end))
    if made:
        groups.append(made)


def _values(m: re.Match) -> list[tuple[Fraction, Fraction]]:
    """(value, half of its last place) for each way to read a number; [] where it is none that one prints."""
    if len(m[0]) > LONGEST_NUMBER:
        return []
    sign = -1 if m["sign"] in ("-", "−") else 1
    if m["mark"]:
        return [(sign * (Fraction(int(m["whole"] or 0)) + Fraction(*_VULGAR[m["mark"]])), Fraction(0))]
    if m["down"]:
        below = int(m["down"])
        if below == 0:
            return []
        return [(sign * (Fraction(int(m["whole2"] or 0)) + Fraction(int(m["up"]), below)), Fraction(0))]
    readings = {}
    for plain in _spelled(m["plain"]):
        readings[plain] = (sign * Fraction(plain), _half_step(plain))
    return list(readings.values())


def _spelled(text: str) -> list[str]:
    """The ways to read a number with commas and spaces, as plain decimals."""
    tight = re.sub(r"[' \u00a0\u202f]", "", text)
    if "," not in tight:
        parts = tight.split(".")
        if len(parts) > 2:  # 1.000.000
            return ["".join(parts)]
        ways = [tight]
        if len(parts) == 2 and len(parts[1]) == 3 and parts[0].strip("0"):
            ways.append("".join(parts))  # 1.500 may be fifteen hundred
        return ways
    if "." in tight:
        last = max(tight.rfind(","), tight.rfind("."))
        return [re.sub(r"[.,]", "", tight[:last]) + "." + tight[last + 1 :]]
    parts = tight.split(",")
    if len(parts) > 2:
        return ["".join(parts)]
    ways = [".".join(parts)]
    if len(parts[1]) == 3 and parts[0].strip("0"):
        ways.append("".join(parts))
    return ways


def _half_step(plain: str) -> Fraction:
    digits = plain.strip("+-").partition("e")[0].partition("E")[0]
    if "." in digits:
        return Fraction(1, 2 * 10 ** len(digits.partition(".")[2]))
    zeros = len(digits) - len(digits.rstrip("0"))
    free = min(zeros, max(len(digits) - 2, 0))  # the first two digits of a whole number count
    return Fraction(10**free, 2)


def _unit_after(text: str, at: int) -> tuple[tuple[TradeUnit, ...], int]:
    """The longest run of words after a number that is a unit: (its meanings, where it ends)."""
    gap = re.compile(r"[ \u00a0\u202f-]?").match(text, at)
    best: tuple[tuple[TradeUnit, ...], int] = ((), at)
    end, words = gap.end(), 0
    while words < MOST_WORDS and (word := _WORD.match(text, end)):
        stop = word.end()
        for cut in (stop, stop - 1, stop - 2):  # a full stop or a dash may belong to the sentence
            if cut <= word.start() or (cut < stop and text[cut:stop].strip(".-'’")):
                break
            if units := _known(text[gap.end() : cut]):
                best = _divided(text, gap.end(), cut, units)
                break
        if best[1] > stop:
            break
        words += 1
        end = stop + 1 if text[stop : stop + 1] in " \u00a0" else stop
        if end == stop:
            break
    return best


def _divided(text: str, start: int, end: int, units) -> tuple[tuple[TradeUnit, ...], int]:
    """A unit with what stands below a stroke: `N/25 mm`, but not the other unit of `psi/20 MPa`."""
    below = _BELOW.match(text, end)
    if not below:
        return units, end
    other = _known(below["unit"])
    if not other or (" " in below[0].rstrip()[:2] and below["count"]):
        return units, end
    if below["count"] and any(a.kind == b.kind for a, b in product(units, other)):
        return units, end
    whole = _known(text[start : below.end()])
    return (whole, below.end()) if whole else (units, end)


def _known(text: str) -> tuple[TradeUnit, ...]:
    try:
        return _units(text)
    except UnitError:
        return ()


def _units(text: str) -> tuple[TradeUnit, ...]:
    """What a printed unit may mean: itself and, where it names a mass, the force that is meant as often."""
    text = text.strip()
    if not text or len(text) > 40:
        raise UnitError("found no unit")
    as_force = re.sub(r"[A-Za-z]+", lambda m: FORCE_FOR.get(m[0], FORCE_FOR.get(m[0].lower(), m[0])), text)
    found = []
    for spelled in dict.fromkeys((text, as_force)):
        try:
            found.append(parse_unit(spelled))
        except UnitError:
            continue
    if not found:
        raise UnitError(f"found the unit “{text}”, which is not known")
    return tuple(found)


# -- comparing -------------------------------------------------------------------------------------------


def _shared(a: Quantity, b: Quantity) -> bool:
    return any(x.kind == y.kind for x, y in product(a.units, b.units))


def _overlap(a, unit_a: TradeUnit, b, unit_b: TradeUnit) -> bool:
    """Whether two prints, each with half of its last place to either side, can stand for one value."""
    (x, half_x), (y, half_y) = a, b
    base_x, base_y = x * unit_a.scale + unit_a.offset, y * unit_b.scale + unit_b.offset
    return abs(base_x - base_y) <= half_x * unit_a.scale + half_y * unit_b.scale


def _compare(a: Quantity, b: Quantity, bracketed: bool) -> Disagreement | None:
    ways = [(x, y) for x, y in product(a.units, b.units) if x.kind == y.kind]
    if any(_overlap(v, x, w, y) for x, y in ways for v, w in product(a.values, b.values)):
        return None
    if not a.values or not b.values:
        return None
    # the first way to read each is the one to speak of
    unit_a, unit_b = ways[0]
    (x, half_x), (y, half_y) = a.values[0], b.values[0]
    says = (x * unit_a.scale + unit_a.offset - unit_b.offset) / unit_b.scale
    tens = _power_of_ten(says, y, half_x, x, half_y)
    if not bracketed and tens is None and says and y and not (1 / SAME_THING < abs(y / says) < SAME_THING):
        return None
    told = f"{_short(says, y)} {unit_b.symbol}"
    text = f"“{a.shown}” and “{b.shown}” do not agree: {a.shown} is {told}"
    if tens:
        text += f", {_PARTS[tens]} of" if tens > 0 else f", {_TIMES[-tens]} times"
        text += " what the other says"
    return Disagreement(a.shown, b.shown, told, text)


def _power_of_ten(says: Fraction, printed: Fraction, half_x: Fraction, x: Fraction, half_y: Fraction) -> int | None:
    """k where the second print is 10^k times what the first says, within the printed digits; None where none is."""
    if not says or not printed or says * printed < 0 or not x:
        return None
    ratio = printed / says
    slack = abs(half_x / x) + abs(half_y / printed)
    for k in (*range(1, 7), *range(-6, 0)):
        exact = Fraction(10) ** k
        if abs(ratio / exact - 1) <= max(slack, Fraction(1, 100)):
            return k
    return None


def _short(value: Fraction, beside: Fraction) -> str:
    """A converted number to as many digits as tell it from the one it stands beside, at least three places in sum."""
    for digits in range(2, 9):
        text = f"{float(value):.{digits}g}"
        if abs(Fraction(text) - value) <= abs(value) / 500 and Fraction(text) != beside:
            break
    number = format(Decimal(text), "f")
    return number.rstrip("0").rstrip(".") if "." in number else number
