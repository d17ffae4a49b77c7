"""How a number is written: digits by its uncertainty, units by their symbols.

Digits: JCGM 100:2008 (GUM), 7.2.6: an uncertainty has at most two significant digits, and the estimate is
rounded to the same place. Rounding: ISO 80000-1:2009, Annex B, rule A: of two equally near multiples
the even one. Signs, spaces and grouping: ISO 80000-1:2009, 7.1.4 and 7.3.1 (a space between number and
unit, percent and degree Celsius included; digits in groups of three, four digits left together).
Clause numbers of ISO 80000-1 are from memory.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Decimal

MINUS = "\u2212"
GAP = "\u00a0"  # keeps a number and its unit on one line
GROUP = "\u202f"

_SYMBOLS = {
    "percent": "%", "%": "%", "degc": "°C", "celsius": "°C", "degf": "°F", "fahrenheit": "°F", "degk": "K",
    "kelvin": "K", "delta_degc": "K", "delta_degf": "°F", "ohm": "Ω", "ohms": "Ω", "um": "µm", "micron": "µm",
    "micrometre": "µm", "mil": "mil", "mils": "mil", "inch": "in", "inches": "in", '"': "in", "deg": "°",
    "degree": "°", "degrees": "°", "step": "steps", "rating": "steps", "count": "pieces", "psi": "psi",
    "hour": "h", "hours": "h", "minute": "min", "minutes": "min", "second": "s", "seconds": "s", "day": "d",
    "days": "d", "week": "weeks", "newton": "N", "metre": "m", "meter": "m",
}  # fmt: skip
_RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
_POWER = re.compile(r"(?:\^|\*\*)\(?(-?[0-9]+)\)?")
_WORD = re.compile(r'[A-Za-zµΩ°%_"]+')


def symbol(unit: str | None) -> str:
    """A unit as it is printed.

    >>> symbol("N/mm^2"), symbol("degC"), symbol("percent"), symbol("N*m")
    ('N/mm²', '°C', '%', 'N·m')
    """
    text = _POWER.sub(lambda found: found.group(1).translate(_RAISED), (unit or "").strip())
    text = _WORD.sub(lambda found: _SYMBOLS.get(found.group().lower(), found.group()), text)
    return text.replace("*", "·")


def exact(value) -> Decimal | None:
    """A finite number of the results document (or typed text) in decimal; None for anything else."""
    if value is None or isinstance(value, bool):
        return None
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, float):
        value = int(value) if value.is_integer() and abs(value) < 1e15 else repr(value)
    number = value if isinstance(value, Decimal) else Decimal(str(value))
    return number if number.is_finite() else None


def rounded(value, places: int) -> Decimal:
    """`value` to so many decimals (negative: to tens, hundreds ...), a tie to the even neighbour.

    >>> str(rounded(12.25, 1)), str(rounded(12.35, 1)), str(rounded(1450, -2))
    ('12.2', '12.4', '1.4E+3')
    """
    return exact(value).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)


def places_for(uncertainty, digits: int = 2) -> int | None:
    """Decimals at which an uncertainty has `digits` significant digits; None where it is none.

    >>> places_for(0.027), places_for(12.7), places_for(0.0996), places_for(104)
    (3, 0, 2, -1)
    """
    amount = exact(uncertainty)
    if amount is None or amount <= 0:
        return None
    places = digits - 1 - amount.adjusted()
    # Rounding may carry into a further digit: 0.0996 is 0.10, not 0.100.
    return digits - 1 - rounded(amount, places).adjusted()


def significant(value, digits: int) -> int:
    """Decimals at which `value` has so many significant digits; of zero, none."""
    number = exact(value)
    return digits - 1 - number.adjusted() if number else 0


def write(value, places: int | None = None, *, signed: bool = False) -> str:
    """A number as it is printed: rounded to `places` decimals, grouped, with a true minus.

    `places` None keeps the number as it was typed. Empty for an absent number.

    >>> write(12345.678, 1), write(2345.0, 0), write(-0.04, 1), write(3.2, 0, signed=True)
    ('12\u202f345.7', '2345', '0.0', '+3')
    """
    number = exact(value)
    if number is None:
        return ""
    if places is not None:
        number = rounded(number, places)
    if number and not -8 <= number.adjusted() <= 9:
        return _powered(number, signed)
    text = format(abs(number), "f")
    whole, dot, part = text.partition(".")
    if len(whole) > 4:
        head = len(whole) % 3
        groups = ([whole[:head]] if head else []) + [whole[i : i + 3] for i in range(head, len(whole), 3)]
        whole = GROUP.join(groups)
    negative = number < 0
    sign = MINUS if negative else "+" if signed and number > 0 else ""
    return f"{sign}{whole}{dot}{part}"


def _powered(number: Decimal, signed: bool) -> str:
    power = number.adjusted()
    mantissa = format(abs(number).scaleb(-power).normalize(), "f")
    sign = MINUS if number < 0 else "+" if signed else ""
    return f"{sign}{mantissa}{GAP}×{GAP}10{str(power).translate(_RAISED)}"


def with_unit(text: str, unit: str | None) -> str:
    """A printed number and its unit's symbol; degrees of an angle stand close, all others apart."""
    mark = symbol(unit)
    if not text or not mark:
        return text
    return f"{text}{mark}" if mark == "°" else f"{text}{GAP}{mark}"


def aligned(text: str) -> dict[str, str]:
    """A printed number cut at its decimal sign, so that a column can align on it."""
    whole, dot, part = text.partition(".")
    return {"text": text, "whole": whole, "part": dot + part}


def digits_of(estimate, uncertainty, decimals: int | None = None) -> int:
    """Decimals for an estimate: by its uncertainty; without one by the property; else three digits."""
    by_u = places_for(uncertainty)
    if by_u is not None:
        return by_u
    if decimals is not None:
        return decimals
    return max(significant(estimate, 3), 0)


def likely(low, high, places: int, *, signed: bool = False) -> str:
    """An interval in words.

    >>> likely(58.94, 63.46, 1)
    'likely 58.9 to 63.5'
    """
    if low is None or high is None:
        return ""
    a, b = write(low, places, signed=signed), write(high, places, signed=signed)
    return f"likely {a} to {b}"


def percent(share, places: int = 0) -> str:
    """A share from 0 to 1 in percent.

    >>> percent(0.636, 0), percent(0.3684, 1)
    ('64\xa0%', '36.8\xa0%')
    """
    number = exact(share)
    return "" if number is None else f"{write(number * 100, places)}{GAP}%"


def chance(p) -> str:
    """A probability in whole percent, never printed as certain.

    >>> chance(0.9999), chance(0.62), chance(0.001)
    ('over 99\xa0%', '62\xa0%', 'under 1\xa0%')
    """
    number = exact(p)
    if number is None:
        return ""
    if number > Decimal("0.99"):
        return f"over 99{GAP}%"
    if number < Decimal("0.01"):
        return f"under 1{GAP}%"
    return percent(number)


def p_value(p) -> str:
    """A p-value with two digits.

    >>> p_value(0.0431), p_value(0.00002), p_value(0.5)
    ('0.043', 'under 0.001', '0.50')
    """
    number = exact(p)
    if number is None:
        return ""
    if number < Decimal("0.001"):
        return "under 0.001"
    return write(number, 3 if number < Decimal("0.1") else 2)


def money(amount, currency: str) -> str:
    """An amount in a currency, by its ISO 4217 code; small amounts with more digits.

    >>> money(0.1055, "EUR"), money(15.8, "EUR")
    ('0.106\xa0EUR', '15.80\xa0EUR')
    """
    number = exact(amount)
    if number is None:
        return ""
    places = 2 if abs(number) >= 1 or not number else max(2, significant(number, 3))
    return f"{write(number, places)}{GAP}{currency}"


def ordinal(n) -> str:
    """A place in a ranking; shared places may be halves.

    >>> ordinal(1), ordinal(2), ordinal(11), ordinal(23), ordinal(2.5)
    ('1st', '2nd', '11th', '23rd', '2.5')
    """
    if float(n) != int(n):
        return write(n, 1)
    n = int(n)
    ending = "th" if 10 <= n % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def counted(n: int, one: str, many: str = "") -> str:
    """A count with its noun.

    >>> counted(1, "unit"), counted(3, "unit"), counted(2, "entry", "entries")
    ('1 unit', '3 units', '2 entries')
    """
    return f"{n} {one if n == 1 else many or one + 's'}"
