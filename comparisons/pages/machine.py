"""An edition for machines: JSON-LD in the terms of the published vocabulary at schema.org.

Numbers are those that the page prints, as numbers; a result without one stays text. Nobody is given stars: a score
is a property with its interval, a claim is a property that its maker states.
"""

from __future__ import annotations

from . import words
from .apart import called
from .numbers import GROUP, MINUS

CONTEXT = "https://schema.org"


def value_of(text: str) -> float | None:
    """The number that a page prints; None for what is none, such as "9 of 9".

    >>> value_of("−20.5"), value_of("1\\u202f250"), value_of("9 of 9")
    (-20.5, 1250.0, None)
    """
    try:
        return float(text.replace(MINUS, "-").replace(GROUP, ""))
    except ValueError:
        return None


def ends_of(text: str) -> tuple[float, float] | None:
    """The ends of a range as a page prints it: "likely 58.9 to 63.5"."""
    low, between, high = text.removeprefix("likely ").partition(" to ")
    ends = value_of(low.strip()), value_of(high.strip().rstrip("%\u00a0"))
    return ends if between and None not in ends else None


def comparison_graph(page: dict, facts: dict) -> dict:
    """The comparison's page: its data set, and the ranking for each weighting.

    facts: addresses and dates of the edition: `url`, `edition_url`, `product_url` (with "{}" for the code),
    `site_url`, `site_name`, `number`, `published`, `zip_url`, `zip_bytes`, `zip_sha256`, `results_url`,
    `results_sha256`, `image`.
    """
    return {
        "@context": CONTEXT,
        "@graph": [dataset(page, facts), *(ranking(page, one, facts) for one in page["rankings"] if one["rows"])],
    }


def dataset(page: dict, facts: dict) -> dict:
    """The study of an edition as a Dataset: what was measured, how, and where its files are."""
    node = {
        "@type": "Dataset",
        "@id": f"{facts['edition_url']}#data",
        "name": page["title"],
        "description": f"{page['question']} {page['answer']['lead']} {page['counts']}.",
        "url": facts["edition_url"],
        "version": str(facts["number"]),
        "datePublished": facts["published"],
        "inLanguage": "en",
        "isAccessibleForFree": True,
        "identifier": f"sha256:{facts['sha256']}",
        "creator": {"@type": "Organization", "name": facts["site_name"], "url": facts["site_url"]},
        "image": facts["image"],
        "variableMeasured": [_variable(table) for table in page["trials"]],
        "measurementTechnique": _once(f"{row['title']}. {row['relation']}" for row in page["methods"]),
        "distribution": [
            _download(facts["zip_url"], "application/zip", facts["zip_sha256"], facts["zip_bytes"]),
            _download(facts["results_url"], "application/json", facts["results_sha256"]),
        ],
    }
    licences = [one["path"] or one["name"] for one in page["data"]["licences"] if one["path"] or one["name"]]
    return node | ({"license": licences} if licences else {})


def _once(texts) -> list[str]:
    return list(dict.fromkeys(texts))


def _variable(table: dict) -> dict:
    node = {"@type": "PropertyValue", "name": table["title"]}
    if table["unit"]:
        node["unitText"] = table["unit"]
    if table["method"]:
        node["measurementTechnique"] = table["method"]
    return node


def _download(url: str, kind: str, digest: str, size: int | None = None) -> dict:
    node = {"@type": "DataDownload", "contentUrl": url, "encodingFormat": kind, "sha256": digest}
    return node | ({"contentSize": f"{size} B"} if size else {})


def ranking(page: dict, ranked: dict, facts: dict) -> dict:
    """One ranking as an ItemList, best first; what carries no recommendation is not in it."""
    names = called(page)
    return {
        "@type": "ItemList",
        "@id": f"{facts['edition_url']}#{ranked['anchor']}",
        "name": f"{page['title']}: {ranked['name']}",
        "description": f"{ranked['lead']} {ranked['sure']}",
        "itemListOrder": f"{CONTEXT}/ItemListOrderAscending",  # by place: the first is the best
        "numberOfItems": len(ranked["rows"]),
        "itemListElement": [
            {
                "@type": "ListItem",
                "position": i,
                "item": {
                    "@type": "Product",
                    "@id": facts["product_url"].format(row["code"]),
                    "name": names.get(row["code"], row["name"]),
                    "url": facts["product_url"].format(row["code"]),
                    "additionalProperty": _measured(
                        f"Score of 100, {ranked['name']}", row["score"]["text"], row["likely"], "", f"{row['place']}"
                    ),
                },
            }
            for i, row in enumerate(ranked["rows"], 1)
        ],
    }


def _measured(name: str, text: str, said: str, unit: str, about: str = "", method: str = "") -> dict:
    """A value with its range, as it is printed. A bound is one end only."""
    node: dict = {"@type": "PropertyValue", "name": name}
    number, bound = value_of(text), value_of(text.lstrip("≥≤\u2009"))
    if number is not None:
        node["value"] = number
    elif text[:1] in ("≥", "≤") and bound is not None:
        node["minValue" if text[0] == "≥" else "maxValue"] = bound
    else:
        node["value"] = text
    if (ends := ends_of(said)) and number is not None:
        node["minValue"], node["maxValue"] = ends
    if unit:
        node["unitText"] = unit
    description = "; ".join(part for part in (said, about) if part)
    if description:
        node["description"] = description
    if method:
        node["measurementTechnique"] = method
    return node


def product_graph(page: dict, product: dict, facts: dict) -> dict:
    """One product's page (`pages.product.product_page`): claims and measurements as properties of a Product."""
    code, sheet = product["code"], product["sheet"] or {}
    own = facts["product_url"].format(code)
    properties = [
        *(_claimed(table, row) for table in product["claims"] for row in table["rows"]),
        *(
            _measured(f"{table['title']} (measured)", row["value"]["text"], row["likely"], table["unit"], row["n"],
                      table["method"])
            for table in product["trials"]
            for row in table["rows"]
            if not row["absent"] and row["value"]
        ),
        *(
            _measured(f"Change of {table['title']} (measured)", row["value"]["text"], row["likely"], "%", row["n"])
            for table in product["changes"]
            for row in table["rows"]
            if not row["absent"] and row["value"]
        ),
        *(
            _measured(f"Score of 100, {one['name']}", one["row"]["score"]["text"], one["row"]["likely"], "",
                      f"{one['row']['place']} of {one['of']}")
            for one in product["rankings"]
            if one["row"]
        ),
        *(
            {"@type": "PropertyValue", "name": one["title"], "value": words.sentence(one["state"])}
            for one in sheet.get("certifications") or []
        ),
    ]  # fmt: skip
    node = {
        "@context": CONTEXT,
        "@type": "Product",
        "@id": own,
        "name": product["full_name"],
        "url": own,
        "subjectOf": {"@type": "Dataset", "@id": f"{facts['edition_url']}#data", "name": page["title"],
                      "description": page["question"], "url": facts["edition_url"]},
        "additionalProperty": properties,
    }  # fmt: skip
    if product["variant"]:
        node["description"] = product["variant"]
    if page["kind"]:
        node["category"] = page["kind"]
    if sheet:
        node["model"] = sheet["model"]
        node["manufacturer"] = {"@type": "Organization", "name": sheet["maker"]}
        node["award"] = [_award(one) for one in sheet["awards"]]
        node["image"] = [facts["files_url"] + one["file"] for one in sheet["pictures"]]
    return {key: value for key, value in node.items() if value != []}


def _award(one: dict) -> str:
    return ": ".join(part for part in (one["name"], one["weighting"]) if part)


def _claimed(table: dict, row: dict) -> dict:
    """A claim: what the maker states, from where, and what was found of it."""
    told = [f"claimed by the maker ({row['source']})" if row["source"] else "claimed by the maker"]
    if row["measured"]["text"]:
        unit = f" {table['unit']}" if table["unit"] else ""
        told.append(f"measured {row['measured']['text']}{unit}, {row['likely'] or row['n']}".rstrip(", "))
    told.append(row["statement"])
    return {
        "@type": "PropertyValue",
        "name": f"{table['title']} (claim)",
        "value": row["claimed"],
        "description": "; ".join(told),
    }
