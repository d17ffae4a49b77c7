"""Live values and ties of an article against results made up for it, one case for each thing that is said."""

from __future__ import annotations

import copy

import pytest

from comparisons.pages import picking
from comparisons.pages.article import Article
from comparisons.pages.live import VALUES, Live, light
from comparisons.pages.names import Names
from comparisons.pages.references import FORMS, HOLDS, Broken, Reference, parse
from comparisons.pages.ties import TIES
from tests.public.small_study import small_study, table

PULL = {"n": 6, "units": 3, "U": 0.00079, "unit": "N", "kind": "quantity", "absence": None, "reason": None,
        "low": None, "high": None, "n_bounds": 0, "flags": [], "sd": 0.5, "median": 62.1, "min": 61.0, "max": 63.0,
        "mad_sd": 0.4, "u": 0.0004}  # fmt: skip


def summary(trial, product, mean, **more):
    return PULL | {"trial": trial, "product": product, "property": "force", "mean": mean} | more


def pair(a, b, difference, decided, reason=None):
    return {"a": a, "b": b, "difference": difference, "ci": [difference - 2, difference + 2], "p": 0.01,
            "decided": decided, "reason": reason}  # fmt: skip


def claim(code, product, statement, **more):
    return {"claim": code, "kind": "claim", "product": product, "property": "force", "trial": "pull", "of": "value",
            "sense": "at_least", "claimed": 62.0, "low": 62.0, "high": None, "measured": 64.24, "measured_low": None,
            "measured_high": None, "deviation": 2.24, "deviation_pct": 3.61, "U": 0.8, "p_conform": 0.999,
            "statement": statement, "reason": None, "conflict": None, "scope": "typical",
            "flags": []} | more  # fmt: skip


@pytest.fixture
def tables():
    made = small_study(products=4)
    claims = made["claims"]
    more = table("claims", [
        {"claim": "p00-mark", "product": "p00", "property": "mark", "sense": "yes", "certification_state": "not_found"},
    ])  # fmt: skip
    made["claims"] = type(claims)(claims.spec, {k: claims[k] + more[k] for k in claims.columns})
    made["files"] = table("files", [
        {"file": "files/rig.png", "about": "trial", "code": "pull", "caption": "The rig", "alt": "Two clamps."},
        {"file": "files/no-alt.jpg", "about": "product", "code": "p00"},
        {"file": "files/receipt.png", "about": "purchase", "code": "p00-shop", "alt": "A receipt."},
        {"file": "files/notes.pdf", "about": "trial", "code": "pull"},
    ])  # fmt: skip
    return made


@pytest.fixture
def document():
    """Strings: p00 < p01 (shown), p02 not told from p01, p03 with one unit and far above all."""
    return {
        "decision": {"confidence": 0.95},
        "specimens": [{"counted": True}] * 23 + [{"counted": False}],
        "summaries": [
            summary("pull", "p00", 100.02147), summary("pull", "p01", 110.0), summary("pull", "p02", 111.0),
            summary("pull", "p03", 150.0, flags=["one_unit"], units=1), summary("aged", "p00", 90.0),
            summary("aged", "p01", None, n=0, absence="lost", U=None),
        ],
        "differences": [{
            "trial": "pull", "method": "Welch t with Holm", "level": 0.95, "scale": "unit of the property",
            "reason": None, "letters": {}, "pairs": [
                pair("p00", "p01", -9.98, "different"), pair("p00", "p02", -10.98, "different"),
                pair("p00", "p03", -49.98, "different"), pair("p01", "p02", -1.0, "no_difference_shown"),
                pair("p01", "p03", -40.0, "different"), pair("p02", "p03", -39.0, "different"),
            ],
        }],
        "changes": [
            {"trial": "aged", "baseline": "pull", "product": "p00", "change_pct": -8.21, "ci_pct": [-13.8, -2.3],
             "n": 6, "n_baseline": 6, "reason": None, "flags": [], "paired": False},
            {"trial": "aged", "baseline": "pull", "product": "p02", "change_pct": -0.15, "ci_pct": [-7.2, 7.4],
             "n": 6, "n_baseline": 6, "reason": None, "flags": [], "paired": False},
            {"trial": "aged", "baseline": "pull", "product": "p01", "change_pct": None, "ci_pct": None,
             "n": 0, "n_baseline": 6, "reason": "the specimens were lost", "flags": [], "paired": False},
        ],
        "pass_fail": [
            {"trial": "lit", "product": code, "passed": passed, "n": 3, "units": 3, "share": passed / 3,
             "words": f"{passed} of 3 passed: at least 36.8 % would pass (95 %, one-sided)" if passed == 3 else "",
             "absence": None, "reason": None, "flags": []}
            for code, passed in (("p00", 3), ("p01", 2), ("p02", 0))
        ],
        "claims": [
            claim("p00-min", "p00", "pass"), claim("p01-min", "p01", "fail", deviation=-3.0),
            claim("p02-min", "p02", "conditional_fail"), claim("p03-min", "p03", "fail"),
            {"claim": "p00-mark", "kind": "certification", "product": "p00", "property": "mark", "trial": None,
             "of": "value", "sense": "yes", "state": "not_found", "reference": None, "checked_on": "2026-02-24",
             "reason": None, "conflict": None},
        ],
        "costs": [
            {"product": code, "currency": "EUR", "n": 1, "content_unit": "m", "per_item": price,
             "per_item_lowest": price, "per_content": None, "per_usable": None,
             "reasons": {"per_usable": "no trial measures the usable amount"},
             "reason": None if price else "no usable price"}
            for code, price in (("p00", 0.45), ("p01", None), ("p02", 0.45), ("p03", 0.30))
        ],
        "scorecards": [{
            "weighting": "all", "level": 0.95, "beats": {"p00": {"p01": 0.96, "p02": 0.7}}, "beats_reason": None,
            "winner": {"word": "shared lead", "products": ["p00", "p02"], "text": "shared lead of p00 and p02",
                       "among_units_tested": False},
            "products": [
                {"product": "p00", "score": 68.62, "ci": [64.6, 70.5], "rank": 2, "rank_interval": [1, 3],
                 "p_best": 0.3157, "gated": []},
                {"product": "p01", "score": 60.0, "ci": [55.0, 65.0], "rank": 3, "rank_interval": [3, 3],
                 "p_best": 0.004, "gated": []},
                {"product": "p02", "score": 69.0, "ci": [65.0, 72.0], "rank": 1, "rank_interval": [1, 2],
                 "p_best": 0.68, "gated": []},
                {"product": "p03", "score": 80.0, "ci": [75.0, 84.0], "rank": None, "rank_interval": None,
                 "p_best": None, "gated": [{"criterion": "strength", "reason": "not verified"}]},
            ],
        }],
        "awards": [
            {"award": "best", "rule": "best", "weighting": "all", "product": None, "supported": False, "by": "numbers",
             "why": "shared lead of p00 and p02", "p": 0.68},
            {"award": "best-value", "rule": "best_value", "weighting": "all", "product": "p00", "supported": True,
             "by": "numbers", "why": None, "p": 0.9},
        ],
    }  # fmt: skip


@pytest.fixture
def live(tables, document):
    return Live(Names(light(tables)), document)


def told(live, href: str) -> str:
    """What a reference comes to; "not: why" where it is broken."""
    try:
        return live.show(parse(href)).text
    except Broken as broken:
        return f"not: {broken}"


def plain(text: str) -> str:
    return text.replace("&nbsp;", " ").replace("\u00a0", " ").replace("\u202f", " ")


def test_every_kind_of_reference_has_its_maker_and_its_first_wording():
    assert {form.kind for form in FORMS if form.scheme == "value"} == set(VALUES)
    assert {form.kind for form in FORMS if form.scheme == HOLDS} == set(TIES)
    assert {(f.kind, what) for f in FORMS if f.scheme == HOLDS for what in f.whats} == set(picking._SENTENCES)


@pytest.mark.parametrize(("href", "text"), [
    # JCGM 100:2008, 7.2.2 and 7.2.4: (100.021 47 +/- 0.000 79) g, in its digits (our unit is another)
    ("value:summaries/pull/p00/mean", "100.02147 N"),
    ("value:summaries/pull/p00/likely", "100.02068 to 100.02226 N"),
    ("value:summaries/pull/p00/U", "0.00079 N"),
    ("value:summaries/pull/p00/sd", "0.50 N"),
    ("value:summaries/pull/p00/n", "6 specimens"),
    ("value:summaries/pull/p03/units", "1 unit"),
    ("value:pass_fail/lit/p01/passed", "2 of 3"),
    ("value:pass_fail/lit/p01/share", "67 %"),
    # three of three: the lower limit of Clopper and Pearson, one-sided, is 0.05 ** (1 / 3) = 0.368
    ("value:pass_fail/lit/p00/promise", "at least 36.8 % would pass (95 %, one-sided)"),
    ("value:changes/aged/p00/change", "−8.2 %"),
    ("value:changes/aged/p00/loss", "8.2 %"),
    ("value:changes/aged/p00/likely", "−13.8 to −2.3 %"),
    ("value:differences/pull/p01/p00/difference", "+10.0 N"),
    ("value:differences/pull/p00/p01/likely", "−12.0 to −8.0 N"),
    ("value:claims/p00-min/claimed", "at least 62 N"),
    ("value:claims/p00-min/measured", "64.24 N"),
    ("value:claims/p00-min/deviation_pct", "+3.6 %"),
    ("value:claims/p00-min/statement", "holds"),
    ("value:claims/p00-mark/statement", "claimed; could not verify on 24 February 2026"),
    ("value:costs/p00/per_item", "0.450 EUR"),
    ("value:scorecards/all/p00/score", "68.6 of 100"),
    ("value:scorecards/all/p00/place", "2nd"),
    ("value:scorecards/all/p00/places", "1st to 3rd"),
    ("value:scorecards/all/p00/first", "32 %"),
    ("value:scorecards/all/p01/first", "under 1 %"),
    ("value:counts/products", "4 products"),
    ("value:counts/values", "23 values"),
])  # fmt: skip
def test_a_value_is_printed_with_its_unit_and_the_digits_of_its_uncertainty(live, href, text):
    assert plain(told(live, href)) == text


@pytest.mark.parametrize(("href", "why"), [
    ("value:summaries/pull/nobody/mean", "no product “nobody”"),
    ("value:summaries/none/p00/mean", "no trial “none”"),
    ("value:summaries/aged/p01/mean", "lost"),
    ("value:summaries/lit/p00/mean", "pick how many passed"),
    ("value:changes/pull/p00/change", "no trial before it"),
    ("value:changes/aged/p00/gain", "there is no gain"),
    ("value:changes/aged/p01/change", "lost"),
    ("value:costs/p01/per_item", "no usable price"),
    ("value:costs/p00/per_usable", "no trial measures"),
    ("value:scorecards/all/p03/place", "held back: Strength"),
    ("value:claims/p00-mark/measured", "no number"),
    ("value:differences/pull/p00/p00/difference", "with itself"),
])  # fmt: skip
def test_a_value_that_is_not_there_says_why(live, href, why):
    assert why in told(live, href)


def test_a_bound_is_told_as_one(document, tables):
    document["summaries"][0] |= {"mean": None, "U": None, "low": 199.5, "reason": "all are bounds"}
    assert plain(told(Live(Names(tables), document), "value:summaries/pull/p00/mean")) == "at least 199.5 N"


@pytest.mark.parametrize("href", [
    "value:summaries/pull/p00", "value:summaries/pull/p00/mean/more", "value:summaries/pull/p00/nothing", "value:",
    "value:nothing/p00/x", "holds:summaries/pull/p00/mean", "value:summaries/../p00/mean", "value:" + "a/" * 900,
    "value:summaries/pull/P00/mean", "value:summaries/pull/%00/mean", "holds:difference/pull/p00/better",
])  # fmt: skip
def test_what_is_no_reference_is_broken(href):
    with pytest.raises(Broken):
        parse(href)


@pytest.mark.parametrize("code", ["a", "a.b-c_d", "next.loop-dry.2", "9-9", "a" * 80])
def test_codes_with_dots_and_dashes_come_back_as_they_were(code):
    reference = Reference(FORMS[0], (code, code), "mean")
    assert parse(reference.href) == reference


HOLD = [
    "difference/pull/p01/p00/better", "difference/pull/p00/p01/worse", "difference/pull/p01/p00/more",
    "difference/pull/p00/p01/less", "difference/pull/p01/p02/none", "difference/pull/p02/p01/none",
    "most/pull/p03/best", "most/pull/p03/greatest", "most/pull/p00/worst", "most/pull/p00/least",
    "change/aged/p00/fell", "change/aged/p02/none", "passed/lit/p00/all", "passed/lit/p00/only",
    "passed/lit/p02/none", "claim/p00-min/holds", "claim/p00-min/only-holds", "claim/p01-min/misses",
    "claim/p02-min/unsure-misses", "claims/p00/all", "claims/p00/none-missed", "certification/p00-mark/not-found",
    "score/all/p00/p01/ahead", "lead/all/p00/shared", "award/all/p00/best-value", "price/p03/p00/less",
    "price/p00/p02/same", "cheapest/p03/alone",
]  # fmt: skip
DO_NOT = {
    "difference/pull/p00/p01/better": "the other way round",
    "difference/pull/p01/p02/better": "no difference is shown",
    "difference/pull/p00/p01/none": "is shown",
    "difference/aged/p00/p01/better": "do not compare",
    "most/pull/p02/best": "String 03 is shown to lie beyond it",
    "most/pull/p01/worst": "String 00 is shown to lie beyond it",
    "most/aged/p01/best": "no result",
    "change/aged/p00/none": "a loss is shown",
    "change/aged/p02/fell": "no change is shown",
    "change/aged/p01/fell": "lost",
    "passed/lit/p01/all": "2 of 3",
    "passed/lit/p01/none": "2 of 3",
    "claim/p02-min/misses": "too close to be sure",
    "claim/p01-min/only-misses": "misses",
    "claim/p01-min/holds": "misses",
    "claims/p01/all": "misses",
    "claims/p02/none-missed": "too close",
    "certification/p00-mark/verified": "could not verify",
    "score/all/p00/p02/ahead": "70",
    "score/all/p03/p00/ahead": "held back",
    "lead/all/p00/ahead": "shared lead",
    "lead/all/p01/shared": "shared lead",
    "award/all/p00/best": "shared lead",
    "award/all/p02/best-value": "goes to",
    "price/p00/p03/less": "0.450",
    "price/p00/p01/less": "not known",
    "cheapest/p00/alone": "as little or less",
}


@pytest.mark.parametrize("tail", HOLD)
def test_a_sentence_that_the_results_carry_holds(live, tail):
    assert live.show(parse(f"holds:{tail}")).anchor


@pytest.mark.parametrize("tail", DO_NOT)
def test_a_sentence_that_the_results_do_not_carry_says_why(live, tail):
    with pytest.raises(Broken) as broken:
        live.show(parse(f"holds:{tail}"))
    assert DO_NOT[tail] in plain(str(broken.value))


def test_better_follows_the_stated_direction(tables, document):
    properties = tables["properties"]

    def with_direction(better: str) -> Live:
        better_column = [better if code == "force" else text
                         for code, text in zip(properties["property"], properties["better"], strict=True)]  # fmt: skip
        return Live(Names(tables.replace({"properties": properties.with_columns(better=better_column)})), document)

    less, target = with_direction("less"), with_direction("target")
    assert less.show(parse("holds:difference/pull/p00/p01/better"))
    assert "other way round" in told(less, "holds:difference/pull/p01/p00/better")
    assert less.show(parse("holds:most/pull/p00/best"))
    assert "near its target" in told(target, "holds:difference/pull/p01/p00/better")
    assert target.show(parse("holds:difference/pull/p01/p00/more"))


def test_a_superlative_falls_when_a_reading_closes_the_gap(tables, document):
    """One undecided pair is enough: the strongest has to be told from every other."""
    document["differences"][0]["pairs"][5]["decided"] = "no_difference_shown"
    live = Live(Names(tables), document)
    assert told(live, "holds:most/pull/p03/best") == "not: no difference is shown from Ullvane String 02"
    document["differences"][0]["pairs"][4]["decided"] = "too_few_to_tell"
    assert "too few were tested to tell it from" in told(live_of(tables, document), "holds:most/pull/p03/best")


def live_of(tables, document) -> Live:
    return Live(Names(tables), copy.deepcopy(document))


def test_what_a_sentence_leaves_out_is_pointed_at_and_does_not_stop(live):
    points = Article(
        "[String 03 is the strongest](holds:most/pull/p03/best) and [all passed](holds:passed/lit/p00/only).", live
    ).points()
    assert [(p["kind"], p["stops"]) for p in points] == [("tie-partly", False), ("tie-partly", False)]
    assert "one unit only" in points[0]["text"]
    assert "Ullvane String 03 has no result in this trial" in points[1]["text"]


def test_the_only_one_is_so_only_where_all_others_are_settled(tables, document):
    document["claims"][2]["statement"] = None
    document["claims"][2]["reason"] = "sources disagree"
    assert "sources disagree" in told(live_of(tables, document), "holds:claim/p00-min/only-holds")
    document["claims"][2]["conflict"] = "p02-other governs"  # judged by another of its sources
    assert told(live_of(tables, document), "holds:claim/p00-min/only-holds") == ""


def test_values_follow_the_results_and_ties_keep_their_words(live, tables, document):
    text = "It held [61 N](value:summaries/pull/p01/mean); [p01 is stronger](holds:difference/pull/p01/p00/better)."
    html = plain(Article(text, live).html())
    assert ">110.00000 N</a>" in html and "61 N" not in html
    assert 'href="#trial-pull"' in html and ">p01 is stronger</a>" in html
    document["summaries"][1]["mean"] = 120.0
    assert ">120.00000 N</a>" in plain(Article(text, live_of(tables, document)).html())


def test_a_draft_marks_what_is_broken_and_a_published_page_never_links_it(live):
    text = "[p00 is stronger](holds:difference/pull/p00/p01/better) and [9 N](value:summaries/pull/nobody/mean)"
    article = Article(text, live)
    draft, page = article.html(drafting=True), article.html()
    assert draft.count("<mark") == 2 and "no product “nobody”" in draft
    assert page.strip() == "<p>p00 is stronger and 9 N</p>"
    assert [p["kind"] for p in article.points() if p["stops"]] == ["tie-broken", "value-broken"]


def test_reference_links_and_links_in_angle_brackets_work(live):
    html = plain(Article("<value:counts/products>, [6][n]\n\n[n]: value:summaries/pull/p00/n", live).html())
    assert ">4 products</a>" in html and ">6 specimens</a>" in html
    bare = Article("<holds:cheapest/p03/alone> [](holds:cheapest/p03/alone)", live)
    assert all("holds no words" in found.why for found in bare.broken) and len(bare.broken) == 2


def test_without_results_every_reference_says_so(tables):
    article = Article("[6](value:counts/products)", Live(Names(tables), {}))
    assert "evaluate the draft" in article.points()[0]["text"]


def test_a_picture_alone_becomes_a_figure_with_its_caption(live):
    html = Article('![Two clamps.](files/rig.png "The <b>rig</b>")\n\nText ![x](files/rig.png) goes on.', live).html()
    assert html.startswith('<figure class="picture"><img src="files/rig.png" alt="Two clamps." loading="lazy">')
    assert "<figcaption>The &lt;b&gt;rig&lt;/b&gt;</figcaption></figure>" in html
    assert '<p>Text <img src="files/rig.png" alt="x" loading="lazy"> goes on.</p>' in html


@pytest.mark.parametrize("address", [
    "https://example.org/a.png", "//example.org/a.png", "files/none.png", "files/receipt.png", "files/notes.pdf",
    "files/../../secret.png", "javascript:alert(1)", "data:text/html,x", "/c/x/editions/1/files/rig.png",
])  # fmt: skip
def test_only_the_studys_own_public_pictures_are_shown(live, address):
    article = Article(f"![seen](<{address}>)", live)
    assert "<img" not in article.html() and "<img" not in article.html(drafting=True)
    if "javascript" not in address and "data:text" not in address:  # those two are not even read as a picture
        assert [p["kind"] for p in article.points()] == ["picture-unknown"]


def test_a_picture_without_words_is_pointed_at(live):
    assert [p["kind"] for p in Article("![](files/no-alt.jpg)", live).points()] == ["picture-alt"]
    assert Article("![](files/rig.png)", live).points() == []  # its stored words stand in


def loose(live, text: str) -> list[tuple[str, str]]:
    points = Article(text, live).points()
    return [(p["kind"].removesuffix("-loose"), p["text"].split("”")[0].lstrip("“")) for p in points]


@pytest.mark.parametrize(("text", "found"), [
    ("It held 61.2 N at last.", [("number", "61.2 N")]),
    ("It held 61.2\u00a0N.", [("number", "61.2 N")]),
    ("It lost 12 % in the heat.", [("number", "12 %")]),
    ("It lost 12 per cent.", [("number", "12 per cent")]),
    ("It costs 4.50 EUR.", [("number", "4.50 EUR")]),
    ("It came first of nine.", [("number", "first of nine")]),
    ("It came 2nd of 9.", [("number", "2nd of 9")]),
    ("Three of four passed.", [("number", "Three of four")]),
    ("A is stronger.", [("comparison", "stronger")]),
    ("This is the only one that held.", [("comparison", "the only one")]),
    ("It is the best of all.", [("comparison", "best")]),
    ("It held twice as much.", [("comparison", "twice as")]),
    ("It was pulled at 25 mm/min on 3 May, in room 12.", []),
    ("At least three would be no longer needed, and most people rest.", []),
    ("A tie of 62 N is what they claim.", []),  # the claim itself
    ("Kept at 70 degC for 24 h.", []),  # the condition
    ("They call it “the strongest, 99 N”.", []),
    ("> the strongest, 99 N", []),
    ("`99 N` and\n\n    the strongest\n", []),
    ("It held [61 N](value:summaries/pull/p00/mean).", []),
    ("It is [stronger](holds:difference/pull/p01/p00/better), and better so.", []),
    ("It is [stronger](holds:difference/pull/p01/p00/better). The other is cheaper.", [("comparison", "cheaper")]),
])  # fmt: skip
def test_what_is_typed_by_hand_and_looks_like_a_result_is_pointed_at(live, text, found):
    assert loose(live, text) == found


def test_points_name_the_line_and_the_sentence(live):
    points = Article("# Title\n\nFirst line.\nThen it held 99 N. More.\n", live).points()
    assert [(p["line"], p["stops"]) for p in points] == [(3, False)]
    assert points[0]["text"].endswith("“Then it held 99 N.”")


def test_hostile_text_stays_text(live):
    text = (
        "<script>alert(1)</script> [a](javascript:alert(1)) [b](JaVaScRiPt:alert(1)) <img src=x onerror=alert(1)>\n\n"
        "[x\"><script>](value:counts/products \"t\\\"><script>\") [y](holds:most/pull/p03/best '\" onclick=\"x')\n\n"
        "![\"><script>](files/rig.png \"\\\" onload=\\\"x\")\n\n<style>*{}</style>\n\n| a |\n|---|\n| <b>b</b> |\n"
    )
    for html in (Article(text, live).html(), Article(text, live).html(drafting=True)):
        tags = [part.split(">")[0] for part in html.split("<")[1:]]
        assert not any(tag.split()[0].strip("/") in ("script", "style") for tag in tags)
        assert not any(" on" in tag.split('"')[0] for tag in tags)
        assert 'href="javascript' not in html.lower()


@pytest.mark.parametrize("piece", [
    "[", "![", "[a](", "[" * 50 + "]" * 50, "> ", "* a **b ", "`a", "....", "“", "<a:", "9", "|-",
])  # fmt: skip
def test_a_long_or_nested_text_is_read_to_its_end(live, piece):
    article = Article(piece * (60_000 // len(piece)), live)
    assert isinstance(article.html(), str) and isinstance(article.points(), list)


def test_what_is_picked_is_what_the_article_reads(live):
    codes = {"trial": "pull", "product": "p01", "other": "p00"}
    value = picking.pick(live, "value", "summaries/mean", codes)
    assert plain(value.markdown) == "[110.00000 N](value:summaries/pull/p01/mean)"
    tie = picking.pick(live, HOLDS, "difference/better", codes, "A *[b]* is stronger")
    article = Article(tie.markdown, live)
    assert not article.broken and "A *[b]* is stronger</a>" in article.html()
    own = picking.pick(live, HOLDS, "difference/better", codes).text
    assert own.startswith("Ullvane String 01") and own.endswith(
        "did better than Ullvane String 00 in breaking force, as received"
    )
    with pytest.raises(Broken, match="choose also: against"):
        picking.pick(live, HOLDS, "difference/better", codes | {"other": ""})
    with pytest.raises(Broken, match="other way round"):
        picking.pick(live, HOLDS, "difference/worse", codes)
    with pytest.raises(Broken, match="choose first"):
        picking.pick(live, HOLDS, "nonsense", codes)


def test_a_picked_picture_is_read_back(live):
    text = picking.picture("files/rig.png", 'Clamps [two] "x"', 'The "rig" \\ here')
    (found,) = Article(text, live).found
    assert (found.shown.text, found.shown.aside) == ('Clamps [two] "x"', 'The "rig" \\ here')
