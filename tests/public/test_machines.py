"""What machines read: JSON-LD in the vocabulary's terms, the picture that is passed on, canonical addresses.

The terms are those of schema.org as the npm package schema-dts 2.1.0 carries them (`make_schema_terms`).
"""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest
from PIL import Image

from comparisons.pages import picture
from tests.public.frozen import demo, freeze, older, parts_of, small
from tests.public.reading import cost, linked_data, outline

pytestmark = pytest.mark.django_db
TERMS = json.loads(Path(__file__).with_name("schema_terms.json").read_text())["types"]
PAGES = ["", "products/brellund/", "products/yulbrake/", "products/skarnfold/", "data/"]
ADDRESS = re.compile(r"https?://\S+")


@pytest.fixture
def ties(db):
    return freeze(demo())


def above(kind: str) -> set[str]:
    """A type and all above it."""
    return {kind}.union(*(above(parent) for parent in TERMS.get(kind, {"parents": []})["parents"]))


def faults(node, where: str = "") -> list[str]:
    """Where a node is not in the vocabulary: unknown types and properties, values of the wrong kind."""
    kind = node.get("@type")
    if kind not in TERMS:
        return [f"{where}: type {kind}"]
    allowed = {}
    for one in above(kind):
        allowed |= TERMS.get(one, {"properties": {}})["properties"]
    found = []
    for key, value in node.items():
        if key in ("@context", "@type", "@id"):
            continue
        if key not in allowed:
            found.append(f"{where}: {kind} has no {key}")
            continue
        for one in value if isinstance(value, list) else [value]:
            found += wrong(one, allowed[key], f"{where}/{key}")
    return found


def wrong(value, ranges: list[str], where: str) -> list[str]:
    """What is wrong with a value of a property that takes these types."""
    if isinstance(value, dict):
        return faults(value, where) + (
            [] if above(value.get("@type", "")) & set(ranges) else [f"{where}: {value.get('@type')} not in {ranges}"]
        )
    if isinstance(value, bool):
        fits = "Boolean" in ranges
    elif isinstance(value, int):
        fits = bool({"Integer", "Number"} & set(ranges))
    elif isinstance(value, float):
        fits = "Number" in ranges
    else:
        texts = {"Text", "Date", "DateTime", "ItemListOrderType"} | ({"URL"} if ADDRESS.fullmatch(value) else set())
        fits = isinstance(value, str) and bool(texts & set(ranges))
    return [] if fits else [f"{where}: {value!r} is none of {ranges}"]


def nodes(tree):
    if isinstance(tree, dict):
        yield tree
        for value in tree.values():
            yield from nodes(value)
    elif isinstance(tree, list):
        for value in tree:
            yield from nodes(value)


def test_the_check_itself_finds_what_is_wrong():
    assert faults({"@type": "Produkt"}) and faults({"@type": "Product", "nosuch": "x"})
    assert faults({"@type": "Product", "name": 3.5}) and faults({"@type": "PropertyValue", "minValue": "3"})
    assert faults({"@type": "Product", "additionalProperty": {"@type": "Dataset", "name": "x"}})
    assert not faults({"@type": "Product", "name": "x", "additionalProperty": [{"@type": "PropertyValue", "value": 1}]})


@pytest.mark.parametrize("path", PAGES)
def test_every_term_is_in_the_vocabulary(client, ties, path):
    (tree,) = linked_data(client, f"/c/cable-ties/{path}")
    assert tree["@context"] == "https://schema.org"
    for top in tree.get("@graph", [tree]):
        assert faults(top) == []


def test_older_editions_are_in_the_vocabulary_too(client, db):
    freeze(small(), edit=older)
    for path in ("", "products/p00/", "data/"):
        (tree,) = linked_data(client, f"/c/strings/{path}")
        assert [fault for top in tree.get("@graph", [tree]) for fault in faults(top)] == []


@pytest.mark.parametrize("path", PAGES)
def test_nobody_is_given_stars(client, ties, path):
    (tree,) = linked_data(client, f"/c/cable-ties/{path}")
    for node in nodes(tree):
        assert not {"aggregateRating", "review", "reviewRating", "ratingValue", "offers"} & set(node)


def test_the_data_set_says_what_was_measured_how_and_where_it_is(client, ties):
    (tree,) = linked_data(client, "/c/cable-ties/data/")
    _, page, _ = parts_of(demo())
    assert tree["@type"] == "Dataset" and tree["license"] == ["https://creativecommons.org/publicdomain/zero/1.0/"]
    assert [one["name"] for one in tree["variableMeasured"]] == [table["title"] for table in page["trials"]]
    assert {one.get("unitText") for one in tree["variableMeasured"]} >= {"N", "mm", "g"}
    assert any("Departs from IEC 62275." in technique for technique in tree["measurementTechnique"])
    downloads = {one["encodingFormat"]: one for one in tree["distribution"]}
    assert downloads["application/zip"]["sha256"] == ties.package_sha256
    assert downloads["application/json"]["sha256"] == ties.results_sha256
    for one in downloads.values():
        assert client.get(one["contentUrl"].removeprefix("http://localhost:8000")).status_code == 200
    assert tree["version"] == "1" and tree["datePublished"] == "2026-03-02"


def test_the_ranking_is_a_list_in_its_order_with_addresses_that_answer(client, ties):
    (tree,) = linked_data(client, "/c/cable-ties/")
    _, page, _ = parts_of(demo())
    lists = [node for node in tree["@graph"] if node["@type"] == "ItemList"]
    assert len(lists) == len(page["rankings"])
    for node, ranking in zip(lists, page["rankings"], strict=True):
        assert [one["position"] for one in node["itemListElement"]] == list(range(1, len(ranking["rows"]) + 1))
        for one, row in zip(node["itemListElement"], ranking["rows"], strict=True):
            item = one["item"]
            assert item["name"] == row["name"]
            assert item["additionalProperty"]["value"] == float(row["score"]["text"])
            assert client.get(item["url"].removeprefix("http://localhost:8000")).status_code == 200


def test_claims_and_measurements_are_properties_with_the_numbers_of_the_page(client, ties):
    (tree,) = linked_data(client, "/c/cable-ties/products/brellund/")
    _, page, _ = parts_of(demo())
    found: dict[str, list[dict]] = {}
    for one in tree["additionalProperty"]:
        found.setdefault(one["name"], []).append(one)
    for table in page["trials"]:
        for row in table["rows"]:
            if row["code"] == "brellund" and not row["absent"]:
                (told,) = found[f"{table['title']} (measured)"]
                text = row["value"]["text"]
                assert str(told["value"]) == text or told["value"] == float(text)
                if table["kind"] == "quantity":
                    assert told["unitText"] == table["unit"]
                    assert told["description"].startswith(row["likely"]) and row["n"] in told["description"]
                    assert told["minValue"] < told["value"] < told["maxValue"]
    claims = [row for table in page["claims"] for row in table["rows"] if row["product"] == "brellund"]
    told = [one for name, rows in found.items() if name.endswith("(claim)") for one in rows]
    assert sorted(one["value"] for one in told) == sorted(row["claimed"] for row in claims)
    assert all(any(row["statement"] in one["description"] for one in told) for row in claims)


def test_a_bound_is_told_as_one_end(client, ties):
    (tree,) = linked_data(client, "/c/cable-ties/products/yulbrake/")
    _, page, _ = parts_of(demo())
    rows = [(t["title"], r) for t in page["trials"] for r in t["rows"] if r["code"] == "yulbrake" and r["value"]]
    bounds = [(title, row) for title, row in rows if row["value"]["text"].startswith("≥")]
    for title, row in bounds:
        (told,) = [one for one in tree["additionalProperty"] if one["name"] == f"{title} (measured)"]
        assert "value" not in told and told["minValue"] == float(row["value"]["text"].lstrip("≥\u2009"))


def test_markup_in_a_name_does_not_leave_the_data_block(client, db):
    def edit(page):
        page["title"] = page["products"][0]["name"] = "</script><!-- & <b>"

    freeze(small(), edit=edit)
    for path in ("", "products/p00/", "data/"):
        (tree,) = linked_data(client, f"/c/strings/{path}")
        assert "</script><!-- & <b>" in json.dumps(tree)


@pytest.mark.parametrize(
    ("path", "canonical"),
    [
        ("/c/cable-ties/", "/c/cable-ties/"),
        ("/c/cable-ties/editions/1/", "/c/cable-ties/"),
        ("/c/cable-ties/products/brellund/", "/c/cable-ties/products/brellund/"),
        ("/c/cable-ties/editions/1/products/brellund/", "/c/cable-ties/products/brellund/"),
        ("/c/cable-ties/editions/1/methods/size/", "/c/cable-ties/methods/size/"),
        ("/c/cable-ties/editions/1/data/", "/c/cable-ties/data/"),
        ("/c/cable-ties/embed/", "/c/cable-ties/"),
        ("/", "/"),
        ("/kinds/cable-tie/", "/kinds/cable-tie/"),
    ],
)
def test_canonical_addresses_are_whole_and_answer(client, ties, path, canonical):
    (link,) = [a for a in outline(client, path).all("link") if a.get("rel") == "canonical"]
    assert link["href"] == f"http://localhost:8000{canonical}"
    assert client.get(canonical).status_code == 200


@pytest.mark.parametrize("path", ["/c/cable-ties/", "/c/cable-ties/products/brellund/"])
def test_what_is_passed_on_has_a_picture_of_the_ranking(client, ties, path):
    found = {a["property"]: a["content"] for a in outline(client, path).all("meta") if "property" in a}
    # ogp.me: title, type, image and url are required; width, height and alt describe the image (from memory)
    assert found["og:type"] == "article" and found["og:title"] and found["og:url"].endswith(path)
    assert found["og:image:alt"]
    address = found["og:image"].removeprefix("http://localhost:8000")
    sent = client.get(address)
    assert sent["Content-Type"] == "image/png" and "public" in sent["Cache-Control"]
    image = Image.open(io.BytesIO(sent.content))
    image.load()
    assert image.size == (int(found["og:image:width"]), int(found["og:image:height"])) == (1200, 630)
    assert len(sent.content) < 200_000
    assert client.get(address, headers={"if-none-match": sent["ETag"]}).status_code == 304
    assert len(cost(client, address)) == 2 and len(cost(client, address, warm=True)) == 1
    assert client.get("/c/cable-ties/editions/9/ranking.png").status_code == 404


def marks(png: bytes) -> list[tuple[int, int]]:
    """Where the strokes of the scores stand in a picture: (row's first y, middle x)."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    accent = tuple(int(picture.ACCENT[i : i + 2], 16) for i in (1, 3, 5))
    found: dict[int, list[int]] = {}
    for y in range(image.height):
        for x in range(picture.AXIS[0], picture.AXIS[1] + 1):
            if image.getpixel((x, y)) == accent:
                found.setdefault(y, []).append(x)
    tops = [y for y in sorted(found) if y - 1 not in found]
    return [(y, (found[y][0] + found[y][-1]) // 2) for y in tops]


def test_the_picture_draws_the_scores_where_they_are():
    _, page, _ = parts_of(demo())
    from datetime import UTC, datetime

    png = picture.ranking_png(page, {"number": 1, "published_at": datetime(2026, 3, 2, tzinfo=UTC)})
    low, high = picture.AXIS
    scores = [point["score"] for point in page["rankings"][0]["chart"]][: picture.ROWS]
    drawn = marks(png)
    assert len(drawn) == len(scores) == picture.ROWS
    for (_, x), score in zip(drawn, scores, strict=True):
        assert (x - low) / (high - low) * 100 == pytest.approx(score, abs=0.6)


@pytest.mark.parametrize("change", ["no ranking", "long", "no interval"])
def test_the_picture_is_drawn_whatever_the_page_holds(change):
    from datetime import UTC, datetime

    page = json.loads(json.dumps(parts_of(demo())[1]))
    if change == "no ranking":
        page["rankings"] = []
    elif change == "long":
        page["title"] = "Word " * 80 + "x" * 500
        page["answer"]["lead"] = "y" * 900
        page["rankings"][0]["rows"][0]["name"] = "Ž漢ع" * 60
    else:
        for point in page["rankings"][0]["chart"]:
            point["low"] = point["high"] = None
    png = picture.ranking_png(page, {"number": 12, "published_at": datetime(2026, 3, 2, tzinfo=UTC)})
    assert Image.open(io.BytesIO(png)).size == picture.SIZE


def test_words_are_cut_to_the_width_they_have():
    font = picture._font(24)
    for text in ("short", "a long sentence " * 20, "x" * 400, ""):
        lines = picture.wrapped(text, font, 400, 2)
        assert len(lines) <= 2 and all(font.getlength(line) <= 400 for line in lines)
        assert not text or lines
    assert picture.wrapped("one two", font, 400, 2) == ["one two"]
    assert picture.wrapped("a long sentence " * 20, font, 400, 2)[-1].endswith("…")
