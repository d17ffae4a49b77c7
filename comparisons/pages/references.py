"""What an article may point at: live values and ties, written as ordinary Markdown links.

    [61.2 N](value:summaries/loop-dry/tie-a/mean)
    [A is stronger than B](holds:difference/loop-dry/tie-a/tie-b/better)

After `value:` or `holds:` come a kind, the codes that it asks for, and what of it, with slashes between
them. A code is the study folder's own (small letters, digits, dots, dashes, underscores), so it never holds a
slash. A value prints the current value whatever its brackets say; a tie leaves its words alone and says
whether the results carry them. Everywhere else such a file reads as text with links. `FORMS` is the whole
list; the picker, the help on the desk and the checks all follow it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import unquote

VALUE, HOLDS = "value", "holds"
_CODE = re.compile(r"[a-z0-9][a-z0-9._-]*")
_LONGEST = 1000


class Broken(ValueError):
    """A reference that points at nothing, or a tie that the results do not carry. The message says why."""


@dataclass(frozen=True)
class Form:
    """One kind of reference: the codes it asks for (`slots`), and what of it there is, each in words."""

    scheme: str
    kind: str
    label: str
    slots: tuple[str, ...]
    whats: dict[str, str]

    @property
    def pattern(self) -> str:
        """How it is written: "value:costs/PRODUCT/…"."""
        return f"{self.scheme}:{'/'.join([self.kind, *(slot.upper() for slot in self.slots)])}/…"


@dataclass(frozen=True)
class Reference:
    form: Form
    codes: tuple[str, ...]
    what: str

    @property
    def href(self) -> str:
        return f"{self.form.scheme}:{'/'.join([self.form.kind, *self.codes, self.what])}"


@dataclass(frozen=True)
class Shown:
    """What a reference comes to: the value as text (of a tie "", its words stay), more beside it, its place.

    partly: what the reader of the sentence should know and it may not say, such as products without a result.
    """

    text: str
    aside: str
    anchor: str
    partly: str = ""


FORMS = (
    Form(VALUE, "summaries", "What a trial found for a product", ("trial", "product"), {
        "mean": "mean", "likely": "likely range of the mean", "median": "median", "min": "least", "max": "greatest",
        "sd": "standard deviation of the specimens", "U": "expanded uncertainty U of the mean",
        "n": "number of specimens", "units": "number of units",
    }),
    Form(VALUE, "pass_fail", "How many passed", ("trial", "product"), {
        "passed": "passed, of how many", "share": "share that passed", "promise": "what share would pass at least",
    }),
    Form(VALUE, "changes", "Change against the trial before", ("trial", "product"), {
        "change": "change in percent", "loss": "loss in percent, without a sign", "gain": "gain in percent",
        "likely": "likely range of the change",
    }),
    Form(VALUE, "differences", "Difference between two products", ("trial", "product", "other"), {
        "difference": "difference, the first less the second", "likely": "likely range of the difference",
    }),
    Form(VALUE, "claims", "A claim and what was measured", ("claim",), {
        "claimed": "what is claimed", "measured": "what was measured", "deviation": "measured less claimed",
        "deviation_pct": "measured less claimed, in percent", "chance": "how likely it is met",
        "statement": "whether it holds, in words",
    }),
    Form(VALUE, "costs", "Price", ("product",), {
        "per_item": "typical price of one", "per_item_lowest": "lowest price of one",
        "per_content": "typical price per content", "per_usable": "typical price per usable amount",
    }),
    Form(VALUE, "scorecards", "Score and place", ("weighting", "product"), {
        "score": "score, of 100", "likely": "likely range of the score", "place": "place",
        "places": "likely places", "first": "chance of being first",
    }),
    Form(VALUE, "counts", "How much was tested", (), {
        "products": "number of products", "units": "number of units", "values": "number of values of specimens",
        "purchases": "number of purchases", "claims": "number of claims",
    }),
    Form(HOLDS, "difference", "Two products compared", ("trial", "product", "other"), {
        "better": "the first does better: a difference in the good direction is shown",
        "worse": "the first does worse: a difference in the bad direction is shown",
        "more": "the first is greater in number, as shown", "less": "the first is less in number, as shown",
        "none": "no difference is shown between them",
    }),
    Form(HOLDS, "most", "One against all others", ("trial", "product"), {
        "best": "the best: shown to do better than every other",
        "worst": "the worst: shown to do worse than every other",
        "greatest": "the greatest in number, against every other", "least": "the least in number, against every other",
    }),
    Form(HOLDS, "change", "Change against the trial before", ("trial", "product"), {
        "fell": "it fell, as shown", "rose": "it rose, as shown", "none": "no change is shown",
    }),
    Form(HOLDS, "passed", "Pass or fail", ("trial", "product"), {
        "all": "all passed", "none": "none passed", "only": "the only one of which all passed",
    }),
    Form(HOLDS, "claim", "A claim", ("claim",), {
        "holds": "it holds", "unsure-holds": "it holds, but too close to be sure",
        "unsure-misses": "it misses, but too close to be sure", "misses": "it misses",
        "only-holds": "the only one of its kind that holds", "only-misses": "the only one of its kind that misses",
    }),
    Form(HOLDS, "claims", "All claims of a product", ("product",), {
        "all": "every claim on it holds", "none-missed": "no claim on it misses",
    }),
    Form(HOLDS, "certification", "A certification", ("claim",), {
        "verified": "verified in the issuer’s directory", "not-found": "claimed; could not be verified",
        "claimed": "claimed; not verified", "not-claimed": "not claimed",
    }),
    Form(HOLDS, "score", "Two scores compared", ("weighting", "product", "other"), {
        "ahead": "the first scores higher, almost surely",
    }),
    Form(HOLDS, "lead", "Who leads a ranking", ("weighting", "product"), {
        "clear": "the clear winner", "ahead": "ahead, or the clear winner", "shared": "shares the lead",
    }),
    Form(HOLDS, "award", "An award", ("weighting", "product"), {
        "best": "best", "best-value": "best value",
    }),
    Form(HOLDS, "price", "Two prices compared", ("product", "other"), {
        "less": "the first costs less", "same": "both cost the same",
    }),
    Form(HOLDS, "cheapest", "The cheapest", ("product",), {"alone": "no other costs as little"}),
)  # fmt: skip
_FORMS = {(form.scheme, form.kind): form for form in FORMS}


def form_of(scheme: str, kind: str) -> Form | None:
    return _FORMS.get((scheme, kind))


def scheme_of(href: str | None) -> str:
    """`value` or `holds` where an address is a reference, else "".

    >>> scheme_of("value:counts/units"), scheme_of("HOLDS:x"), scheme_of("https://value:80/")
    ('value', 'holds', '')
    """
    scheme, colon, _ = (href or "").partition(":")
    return scheme.lower() if colon and scheme.lower() in (VALUE, HOLDS) else ""


def parse(href: str) -> Reference:
    """A reference read from a link's address. Broken, with what is wrong, where it is none.

    >>> parse("value:summaries/loop.dry/tie-a/mean").codes
    ('loop.dry', 'tie-a')
    """
    if len(href) > _LONGEST:
        raise Broken("the reference is too long to be one: pick it again")
    scheme = scheme_of(href)
    parts = unquote(href.partition(":")[2]).strip("/").split("/")
    form = _FORMS.get((scheme, parts[0]))
    if form is None:
        known = " ".join(f.kind for f in FORMS if f.scheme == scheme)
        raise Broken(f"there is no kind “{parts[0]}” after {scheme}: (expected one of {known})")
    *codes, what = parts[1:] or [""]
    if len(codes) != len(form.slots):
        raise Broken(f"found {len(parts)} parts, expected {form.pattern}")
    if bad := next((code for code in codes if not _CODE.fullmatch(code)), None):
        raise Broken(f"“{bad}” is no code: codes have small letters, digits, dots and dashes")
    if what not in form.whats:
        raise Broken(f"“{form.kind}” has no “{what}” (expected one of {' '.join(form.whats)})")
    return Reference(form, tuple(codes), what)
