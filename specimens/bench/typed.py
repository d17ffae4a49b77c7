"""What people type: numbers, units, times and words, checked before they are kept as typed."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from decimal import Decimal

from specimens.fields import MAX_TYPED

from .errors import Refused

NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\u2028\u2029\ud800-\udfff]")
_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(?:Z|[+-][0-9]{2}:?[0-9]{2})?"
)
LONGEST_WORDS = 2000
SHOWN = 40
YEARS = (1990, 2200)
PASSES = frozenset({"pass", "yes", "1"})
FAILS = frozenset({"fail", "no", "0"})
_COMMA_LANGUAGES = frozenset(
    "az be bg bs ca cs da de el es et eu fi fr gl hr hu hy id is it ka kk lt lv mk nb nl nn no pl pt ro ru sk sl"
    " sq sr sv tr uk uz vi".split()
)
_COMMA_REGIONS = frozenset({"en-za"})
_POINT_REGIONS = frozenset(
    "de-ch de-li it-ch es-mx es-us es-gt es-hn es-ni es-pa es-pr es-sv es-do".split()
)


def shown(text: object) -> str:
    text = str(text)
    return f"“{text if len(text) <= SHOWN else text[:SHOWN] + '…'}”"


def plain_number(value: object, what: str = "value") -> str:
    """A number's text as it may be kept: decimal point, at most 64 characters, of ordinary size.

    Raises Refused with one line: for words, a comma, `1e400`, `nan`, thousands of digits.
    """
    if not isinstance(value, str):
        raise Refused(f"The {what} did not come as text: found {shown(value)}, expected a number such as 12.5.")
    text = value.strip()
    if not text:
        raise Refused(f"The {what} is blank: type a number such as 12.5.")
    if len(text) > MAX_TYPED:
        raise Refused(f"The {what} has {len(text):,} characters: type a plain number such as 12.5.")
    if not NUMBER.fullmatch(text):
        hint = " with a point, not a comma," if "," in text else ""
        raise Refused(f"The {what} is no number: found {shown(text)}, expected one{hint} such as 12.5.")
    if abs(Decimal(text).adjusted()) > 300:
        raise Refused(f"The {what} is out of all proportion: found {shown(text)}, expected a number such as 12.5.")
    return text


def reads_comma(language: str) -> bool:
    """Whether the first language of an Accept-Language header writes decimals with a comma (CLDR).

    >>> reads_comma("de-AT,de;q=0.9"), reads_comma("en-GB"), reads_comma("de-CH")
    (True, False, False)
    """
    first = language.split(",")[0].split(";")[0].strip().lower().replace("_", "-")
    if first in _COMMA_REGIONS:
        return True
    return first not in _POINT_REGIONS and first.split("-")[0] in _COMMA_LANGUAGES


def local_number(value: str, what: str, comma: bool) -> str:
    """A number typed in a form, by the person's own decimal mark, as text with a point.

    >>> local_number("1,5", "width", comma=True), local_number("1.5", "width", comma=False)
    ('1.5', '1.5')
    """
    text = value.strip().replace("\u2212", "-").replace("\u00a0", "").replace("\u202f", "")
    mark, other = (",", ".") if comma else (".", ",")
    if other in text:
        raise Refused(
            f"The {what} {shown(text)} has a “{other}”, which may part thousands: in your language decimals are"
            f" written with “{mark}”. Type it without thousands."
        )
    return plain_number(text.replace(mark, "."), what)


def local_text(value: float, comma: bool) -> str:
    """A number as a person's form shows it, so that it can be sent again as it stands.

    >>> local_text(40.5, comma=True), local_text(40.0, comma=False)
    ('40,5', '40')
    """
    text = format(Decimal(repr(value)), "f")
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace(".", ",") if comma else text


def words(value: object, what: str, longest: int = LONGEST_WORDS) -> str:
    """Free text, trimmed. A first character that a spreadsheet would run gets a word before it."""
    if value in (None, ""):
        return ""
    if not isinstance(value, str):
        raise Refused(f"The {what} did not come as text: found {shown(value)}.")
    text = value.strip()
    if len(text) > longest:
        raise Refused(f"The {what} has {len(text):,} characters: at most {longest:,} are kept.")
    if _CONTROL.search(text):
        raise Refused(f"The {what} has a character that cannot be kept: type it again.")
    if text and text[0] in "=+-@" and not NUMBER.fullmatch(text):
        text = f"{what.capitalize()}: {text}"
    return text


def moment(value: object, what: str) -> tuple[datetime, str]:
    """A time with a zone (UTC where none is given) and its text. Raises Refused."""
    text = str(value).strip() if isinstance(value, str) else ""
    if len(text) <= 40 and _TIME.fullmatch(text):
        try:
            found = datetime.fromisoformat(text)
            found = found if found.tzinfo else found.replace(tzinfo=UTC)
            if YEARS[0] <= found.year < YEARS[1]:
                return found.astimezone(UTC), text
        except (ValueError, OverflowError):
            pass
    raise Refused(f"The {what} is no time: found {shown(value)}, expected one such as 2026-03-31T14:05:00+02:00.")


def unit(value: object, expected: str, what: str = "unit") -> str:
    """A unit as typed, of the kind of `expected`. Raises Refused with the reason in words."""
    from specimens import units

    text = words(value, what, 40)
    if not text:
        return ""
    try:
        units.require_kind(text, expected)
    except units.UnitError as error:
        raise Refused(f"The {what} does not fit: {error}.") from None
    return text
