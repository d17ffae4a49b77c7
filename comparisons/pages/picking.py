"""What an editor can pick for an article: values, ties and pictures, each as the text that goes into it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from .live import Live
from .names import Names
from .references import FORMS, HOLDS, VALUE, Broken, Form, Reference, form_of

_SPECIAL = re.compile(r"([\\`*_\[\]<>])")
# Which trials a kind of reference can speak of; a kind that is not named can speak of all.
_TRIALS = {
    (VALUE, "summaries"): "quantity rating", (VALUE, "pass_fail"): "pass_fail", (VALUE, "changes"): "change",
    (HOLDS, "change"): "change", (HOLDS, "passed"): "pass_fail",
}  # fmt: skip
SLOTS = {
    "trial": "Trial", "product": "Product", "other": "Against", "claim": "Claim", "weighting": "Weighting",
}  # fmt: skip


@dataclass(frozen=True)
class Picked:
    """What goes into the article, and what it comes to now."""

    markdown: str
    text: str
    aside: str


def escaped(text: str) -> str:
    """Plain text inside Markdown's brackets."""
    return _SPECIAL.sub(r"\\\1", " ".join(text.split()))


def choices(live: Live) -> dict:
    """What the picker offers: kinds of values and of ties in groups, and what each can be asked of."""
    names = live.names
    changed = {trial for trial, _ in live.changes}
    used = {slot for form in FORMS for slot in form.slots}
    slots = {
        "trial": [
            {"code": code, "name": names.trial(code), "kinds": " ".join(
                [names.properties.get(row["property"], {}).get("reading") or "quantity"]
                + (["change"] if code in changed or row["baseline"] else []))}
            for code, row in names.trials.items()
        ],
        "product": [{"code": code, "name": names.product(code)} for code in names.products],
        "claim": [{"code": code, "name": claim_name(names, code)} for code in names.claims],
        "weighting": [{"code": code, "name": names.weighting(code)} for code in names.weightings],
    }  # fmt: skip
    slots["other"] = slots["product"]
    return {
        "value_kinds": [_group(form) for form in FORMS if form.scheme == VALUE],
        "tie_kinds": [_group(form) for form in FORMS if form.scheme == HOLDS],
        "slots": [
            {"slot": slot, "label": label, "options": sorted(slots[slot], key=lambda o: o["name"])}
            for slot, label in SLOTS.items() if slot in used
        ],
    }  # fmt: skip


def claim_name(names: Names, code: str) -> str:
    """A claim as a list names it."""
    row = names.claims[code]
    certified = names.properties.get(row["property"], {}).get("reading") == "certification"
    said = "certification" if certified else names.claimed(code)
    return f"{names.product(row['product'])}: {names.property(row['property'])}, {said} ({row['source'] or code})"


def _group(form: Form) -> dict:
    return {
        "label": form.label,
        "options": [
            {"value": f"{form.kind}/{what}", "label": f"{label[:1].upper()}{label[1:]}"}
            for what, label in form.whats.items()
        ],
        "slots": " ".join(form.slots),
        "trials": _TRIALS.get((form.scheme, form.kind), ""),
        "pattern": form.pattern,
        "whats": form.whats.items(),
    }


def pick(live: Live, scheme: str, asked: str, codes: dict[str, str], said: str = "") -> Picked:
    """The text for an article. asked: "KIND/WHAT"; codes by slot; said: the tie's sentence, else one of ours.

    Broken, saying what is missing, or why the results do not carry it.
    """
    kind, _, what = asked.partition("/")
    form = form_of(scheme, kind)
    if form is None or what not in form.whats:
        raise Broken("choose first what to insert")
    lacking = [SLOTS[slot].lower() for slot in form.slots if not codes.get(slot)]
    if lacking:
        raise Broken(f"choose also: {', '.join(lacking)}")
    reference = Reference(form, tuple(codes[slot] for slot in form.slots), what)
    shown = live.show(reference)
    text = shown.text if scheme == VALUE else said.strip() or sentence(live.names, reference)
    aside = "; ".join(part for part in (shown.aside, shown.partly) if part)
    return Picked(f"[{escaped(text)}]({reference.href})", text, aside)


def sentence(names: Names, reference: Reference) -> str:
    """A first wording of a tie, for the editor to make better."""
    codes = dict(zip(reference.form.slots, reference.codes, strict=True))
    claim = names.claims.get(codes.get("claim", ""), {})
    product = names.product(codes.get("product") or claim.get("product", ""))
    trial = codes.get("trial", "")
    prop = names.property(names.property_of(trial) or claim.get("property", ""))
    prop = prop[:1].lower() + prop[1:] if prop[1:2].islower() else prop
    words = {
        "A": product, "B": names.product(codes["other"]) if "other" in codes else "", "p": prop,
        "t": _inside(names.trial(trial)) if trial else "", "w": names.weighting(codes.get("weighting", "")),
        "c": names.claimed(codes["claim"]) if "claim" in codes else "",
    }  # fmt: skip
    return _SENTENCES[reference.form.kind, reference.what].format(**words)


def _inside(text: str) -> str:
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


_SENTENCES = {
    ("difference", "better"): "{A} did better than {B} in {t}",
    ("difference", "worse"): "{A} did worse than {B} in {t}",
    ("difference", "more"): "{A} has a greater {p} than {B}",
    ("difference", "less"): "{A} has a smaller {p} than {B}",
    ("difference", "none"): "no difference was shown between {A} and {B} in {t}",
    ("most", "best"): "{A} did best in {t}",
    ("most", "worst"): "{A} did worst in {t}",
    ("most", "greatest"): "{A} has the greatest {p}",
    ("most", "least"): "{A} has the smallest {p}",
    ("change", "fell"): "{A} lost {p}",
    ("change", "rose"): "{A} gained {p}",
    ("change", "none"): "no change of {p} was shown for {A}",
    ("passed", "all"): "all specimens of {A} passed in {t}",
    ("passed", "none"): "no specimen of {A} passed in {t}",
    ("passed", "only"): "{A} is the only one of which every specimen passed in {t}",
    ("claim", "holds"): "the claim of {A} on {p}, {c}, holds",
    ("claim", "unsure-holds"): "the claim of {A} on {p}, {c}, holds, but too close to be sure",
    ("claim", "unsure-misses"): "the claim of {A} on {p}, {c}, is missed, but too close to be sure",
    ("claim", "misses"): "{A} misses its claim on {p}, {c}",
    ("claim", "only-holds"): "{A} is the only one whose claim on {p} holds",
    ("claim", "only-misses"): "{A} is the only one that misses its claim on {p}",
    ("claims", "all"): "every claim on {A} holds",
    ("claims", "none-missed"): "{A} misses none of its claims",
    ("certification", "verified"): "{p} of {A} is verified in the issuer’s directory",
    ("certification", "not-found"): "{p} of {A} could not be verified",
    ("certification", "claimed"): "{p} is claimed for {A} and was not verified",
    ("certification", "not-claimed"): "{p} is not claimed for {A}",
    ("score", "ahead"): "{A} scores higher than {B} for {w}",
    ("lead", "clear"): "{A} is the clear winner for {w}",
    ("lead", "ahead"): "{A} is ahead for {w}",
    ("lead", "shared"): "{A} shares the lead for {w}",
    ("award", "best"): "{A} is the best for {w}",
    ("award", "best-value"): "{A} is the best value for {w}",
    ("price", "less"): "{A} costs less than {B}",
    ("price", "same"): "{A} and {B} cost the same",
    ("cheapest", "alone"): "{A} is the cheapest",
}


def picture(path: str, alt: str, caption: str) -> str:
    """A picture of the study as an article shows it, on lines of its own."""
    title = caption.replace("\\", "\\\\").replace('"', '\\"')
    address = f"<{path}>" if re.search(r"[\s()]", path) else path
    quoted = f' "{title}"' if title else ""
    return f"![{escaped(alt)}]({address}{quoted})"
