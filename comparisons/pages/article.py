"""The editor's article: Markdown to safe HTML."""

from __future__ import annotations

from . import words

TAGS = {
    "p",
    "h2",
    "h3",
    "h4",
    "h5",
    "h6",
    "ul",
    "ol",
    "li",
    "strong",
    "em",
    "blockquote",
    "code",
    "pre",
    "hr",
    "br",
    "a",
    "table",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "sup",
    "sub",
    "s",
    "del",
}


def article_html(text: str, title: str = "") -> str:
    """The article as HTML that may stand inside a page.

    Its headings come one level lower, since the page has its own title; a first heading is dropped where it
    repeats `title` or is the only one of its level. Raw HTML, pictures, scripts and styles do not pass; links open
    nothing but http, https and mail addresses, and places in the page.
    """
    import nh3
    from markdown_it import MarkdownIt

    if not text.strip():
        return ""
    parser = MarkdownIt("commonmark", {"html": False}).enable(["table", "strikethrough"])
    tokens = parser.parse(words.typeset(text))
    levels = [t.tag for t in tokens if t.type == "heading_open"]
    if tokens and tokens[0].type == "heading_open" and tokens[0].tag == "h1" and levels.count("h1") == 1:
        tokens = tokens[3:]  # the page prints its own title
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{min(6, max(int(token.tag[1]), 2) + 1)}"
        token.attrs.pop("style", None)
    html = parser.renderer.render(tokens, parser.options, {})
    return nh3.clean(
        html, tags=TAGS, attributes={"a": {"href"}, "ol": {"start"}}, url_schemes={"http", "https", "mailto"},
        link_rel="noopener nofollow",
    )  # fmt: skip


def first_heading(text: str) -> str:
    """The article's own title, where it starts with one."""
    head = text.lstrip().split("\n", 1)[0] if text.strip() else ""
    return head[2:].strip() if head.startswith("# ") else ""
