"""The editor's article: Markdown to safe HTML, with live values, ties and the study's own pictures.

How references are written is told in `references`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from urllib.parse import unquote

from . import words
from .live import Live
from .prose import Passage, loose
from .references import HOLDS, Broken, Shown, parse, scheme_of

TAGS = frozenset(
    "p h2 h3 h4 h5 h6 ul ol li strong em blockquote code pre hr br a table thead tbody tr th td sup sub s del "
    "img figure figcaption mark span".split()
)
_CLASSES = {
    "a": {"live", "tied"}, "mark": {"broken"}, "span": {"why"}, "figure": {"picture"},
}  # fmt: skip
NO_SENTENCE = "the tie holds no words: write the sentence between the brackets"
ALT, UNKNOWN_PICTURE = "picture-alt", "picture-unknown"


@dataclass(frozen=True)
class Found:
    """One reference or picture of an article, in the order of the text.

    kind: value, holds or picture. text: the words between its brackets. shown: what it comes to, None where it
    is broken; why: why it is. line: its line in the article, from 1.
    """

    kind: str
    href: str
    text: str
    line: int
    shown: Shown | None = None
    why: str = ""


class Article:
    """An article read once; `live` None stands for results that are not known."""

    def __init__(self, text: str, live: Live | None = None):
        self.live = live
        self.found: list[Found] = []
        self.passages: list[Passage] = []
        self.tokens = self._read(text)

    def _read(self, text: str) -> list:
        from markdown_it import MarkdownIt

        self.parser = MarkdownIt("commonmark", {"html": False}).enable(["table", "strikethrough"])
        tokens = self.parser.parse(text) if text.strip() else []
        quoted, line = 0, 1
        for token in tokens:
            quoted += token.type == "blockquote_open"
            quoted -= token.type == "blockquote_close"
            token.attrs.pop("style", None)
            line = token.map[0] + 1 if token.map else line
            if token.type == "inline":
                self._look(token.children, line, quoted > 0)
        return tokens

    def _look(self, children: list, line: int, quoted: bool) -> None:
        """Note the references and pictures of one run of text, and its words for the checks of prose."""
        passage = Passage(line)
        reference, start, here = None, 0, line
        for token in children:
            if token.type == "text":
                token.content = words.typeset(token.content)
                passage.text += token.content
            elif token.type == "code_inline":
                passage.text += "\u00b7" * len(token.content)
                if reference is not None:
                    reference.meta["text"] = reference.meta.get("text", "") + token.content
            elif token.type in ("softbreak", "hardbreak"):
                passage.text += "\n"
                here += 1
            elif token.type == "link_open" and scheme_of(token.attrGet("href")):
                reference, start = token, len(passage.text)
            elif token.type == "link_close" and reference is not None:
                self._note(reference, passage, start, here)
                reference = None
            elif token.type == "image":
                self._note_picture(token, here)
        if not quoted:
            self.passages.append(passage)

    def _note(self, token, passage: Passage, start: int, line: int) -> None:
        href = str(token.attrGet("href"))
        kind = scheme_of(href)
        text = " ".join((passage.text[start:] if token.info != "auto" else "").split())
        passage.held.append((start, len(passage.text), kind))
        shown, why = None, ""
        try:
            reference = parse(href)
            if self.live is None:
                raise Broken("there are no results yet: evaluate the draft")
            shown = self.live.show(reference)
            if kind == HOLDS and not text:
                raise Broken(NO_SENTENCE)
        except Broken as error:
            shown, why = None, str(error)
        token.meta["found"] = found = Found(kind, href, text, line, shown, why)
        self.found.append(found)

    def _note_picture(self, token, line: int) -> None:
        path = unquote(str(token.attrGet("src") or ""))
        alt = " ".join(self.parser.renderer.renderInlineAsText(token.children, self.parser.options, {}).split())
        known = self.live.pictures if self.live is not None else {}
        shown, why = None, ""
        if path in known:
            caption = str(token.attrGet("title") or "") or known[path]["caption"]
            shown = Shown(words.typeset(alt or known[path]["alt"]), words.typeset(caption), path)
        elif self.live is not None and path in self.live.stored:
            why = "this file is not for readers, or is no picture"
        else:
            why = "only pictures that are stored with this study are shown: choose one of them, or add it"
        token.meta["found"] = found = Found("picture", path, alt, line, shown, why)
        self.found.append(found)

    @cached_property
    def broken(self) -> list[Found]:
        """References and pictures that cannot be published, in the order of the text."""
        return [found for found in self.found if found.shown is None]

    @cached_property
    def title(self) -> str:
        """The first heading as plain text, where the article starts with one of the highest level."""
        tokens = self.tokens
        if not tokens or tokens[0].type != "heading_open" or tokens[0].tag != "h1":
            return ""
        printed = _printed(tokens[1].children, False, "")
        return self.parser.renderer.renderInlineAsText(printed, self.parser.options, {}).strip()

    def points(self) -> list[dict]:
        """What an editor should look at, in the order of the text: dicts of kind, text, stops, line.

        kind: tie-broken, value-broken, picture-unknown (these stop); tie-partly, picture-alt, number-loose,
        comparison-loose (these do not).
        """
        made = []
        for found in self.found:
            words_ = f"“{found.text}”" if found.text else f"“{found.href}”"
            if found.shown is None:
                kind = {"value": "value-broken", "holds": "tie-broken", "picture": UNKNOWN_PICTURE}[found.kind]
                about = "The picture “" + found.href + "”" if found.kind == "picture" else words_
                made.append(_point(kind, f"{about}: {found.why}.", True, found.line))
            elif found.kind == "picture" and not found.shown.text:
                text = f"The picture “{found.href}” has no alternative text: say in a sentence what it shows."
                made.append(_point(ALT, text, False, found.line))
            elif found.shown.partly:
                text = f"{words_}: {found.shown.partly}; the sentence should not speak of more than was tested."
                made.append(_point("tie-partly", text, False, found.line))
        if self.live is not None:
            for one in loose(self.live.names, self.passages):
                told = (
                    f"“{one.found}” looks like a result and is tied to nothing: “{one.sentence}”"
                    if one.kind == "number"
                    else f"“{one.found}” compares and is tied to nothing: “{one.sentence}”"
                )
                made.append(_point(f"{one.kind}-loose", told, False, one.line))
        made.sort(key=lambda point: point["line"])
        return made

    def html(self, *, drafting: bool = False, base: str = "") -> str:
        """The article as HTML that may stand inside a page.

        Its headings come one level lower, since the page has its own title; a first heading is dropped where
        it is the only one of its level. Raw HTML, scripts and styles do not pass; links open nothing but http,
        https and mail addresses, and places in the page. drafting: what is broken is marked with why; else its
        words stand as plain text. base: the page on which the results stand, where it is another.
        """
        import nh3

        tokens = list(self.tokens)
        levels = [t.tag for t in tokens if t.type == "heading_open"]
        if tokens and tokens[0].type == "heading_open" and tokens[0].tag == "h1" and levels.count("h1") == 1:
            tokens = tokens[3:]  # the page prints its own title
        made = []
        for i, token in enumerate(tokens):
            if token.type in ("heading_open", "heading_close"):
                token = token.copy(tag=f"h{min(6, max(int(token.tag[1]), 2) + 1)}")
            elif token.type == "inline":
                token = token.copy(children=_printed(token.children, drafting, base))
            elif token.type in ("paragraph_open", "paragraph_close"):
                inside = tokens[i + 1 if token.nesting > 0 else i - 1]
                if _pictures_alone(inside):
                    continue  # a figure stands by itself
            made.append(token)
        html = self.parser.renderer.render(made, self.parser.options, {})
        return nh3.clean(
            html, tags=set(TAGS),
            attributes={
                "a": {"href", "title"}, "ol": {"start"}, "img": {"src", "alt", "loading"}, "mark": {"title"},
            },
            allowed_classes=_CLASSES, url_schemes={"http", "https", "mailto"}, link_rel="noopener nofollow",
        )  # fmt: skip


def _point(kind: str, text: str, stops: bool, line: int) -> dict:
    return {"kind": kind, "text": text, "stops": stops, "line": line}


def _pictures_alone(inline) -> bool:
    """Whether a paragraph holds pictures that are shown and nothing else."""
    if inline.type != "inline":
        return False
    kinds = [t for t in inline.children if t.type != "softbreak"]
    return bool(kinds) and all(t.type == "image" and t.meta["found"].shown is not None for t in kinds)


def _token(kind: str, tag: str, nesting: int, content: str = "", **attrs):
    from markdown_it.token import Token

    named = {name.rstrip("_"): value for name, value in attrs.items()}
    return Token(kind, tag, nesting, content=content, attrs=named)


def _text(content: str):
    return _token("text", "", 0, content)


def _printed(children: list, drafting: bool, base: str) -> list:
    """One run of text as it is printed: values for their references, ties with their place, pictures."""
    alone = all(t.type in ("image", "softbreak") for t in children)
    made, inside = [], None
    for token in children:
        found = token.meta.get("found") if token.meta else None
        if token.type == "image":
            made += _picture(found, drafting, alone)
        elif token.type == "link_open" and found is not None:
            inside = found
            made += _opened(found, drafting, base)
        elif token.type == "link_close" and inside is not None:
            made += _closed(inside, drafting)
            inside = None
        elif inside is None or not (inside.kind == "value" and inside.shown is not None):
            if inside is None or inside.text:  # of an autolink that is broken, its address is not printed twice
                made.append(token)
    return made


def _opened(found: Found, drafting: bool, base: str) -> list:
    if found.shown is None:
        opened = [_token("mark_open", "mark", 1, class_="broken")] if drafting else []
        return [*opened, *([] if found.text else [_text(found.href if drafting else "")])]
    aside = {"title": found.shown.aside} if found.shown.aside else {}
    kind = "tied" if found.kind == HOLDS else "live"
    href = f"{base}#{found.shown.anchor}"
    opened = [_token("link_open", "a", 1, href=href, **aside, class_=kind)]
    return opened if kind == "tied" else [*opened, _text(found.shown.text)]


def _closed(found: Found, drafting: bool) -> list:
    if found.shown is not None:
        return [_token("link_close", "a", -1)]
    if not drafting:
        return []
    return [
        _token("mark_close", "mark", -1), _text(" "), _token("why_open", "span", 1, class_="why"),
        _text(f"({found.why})"), _token("why_close", "span", -1),
    ]  # fmt: skip


def _picture(found: Found, drafting: bool, alone: bool) -> list:
    if found.shown is None:
        if not drafting:
            return [_text(found.text)]
        said = _text(found.text or found.href)
        return [_token("mark_open", "mark", 1, class_="broken"), said, *_closed(found, True)]
    from urllib.parse import quote

    picture = _token("picture", "img", 0, src=quote(found.href), alt=found.shown.text, loading="lazy")
    if not alone:
        return [picture]
    caption = [
        _token("caption_open", "figcaption", 1), _text(found.shown.aside), _token("caption_close", "figcaption", -1),
    ]  # fmt: skip
    return [
        _token("figure_open", "figure", 1, class_="picture"), picture, *(caption if found.shown.aside else []),
        _token("figure_close", "figure", -1),
    ]  # fmt: skip


def article_html(text: str, live: Live | None = None, *, drafting: bool = False, base: str = "") -> str:
    """An article as HTML that may stand inside a page (see `Article.html`)."""
    return Article(text, live).html(drafting=drafting, base=base)


def first_heading(text: str, live: Live | None = None) -> str:
    """The article's own title as plain text, where it starts with one."""
    return Article(text, live).title
