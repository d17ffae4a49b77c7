"""Writes schema_terms.json: the part of schema.org's vocabulary that the pages use, from the npm package schema-dts.

    npm pack schema-dts@2.1.0 && tar xzf schema-dts-2.1.0.tgz
    python tests/public/make_schema_terms.py package/dist/schema.d.ts

schema-dts (Apache-2.0) is generated from the published vocabulary (schema.org, CC BY-SA 3.0): for each type its
parents, and for each property of its own the types that a value may have.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

USED = (
    "Product", "Dataset", "DataDownload", "PropertyValue", "ItemList", "ListItem", "Organization", "Brand",
    "ItemListOrderType", "ImageObject",
)  # fmt: skip
_INTERFACE = re.compile(r"^(?:export )?interface (\w+)Base extends ([^{]+)\{\n(.*?)^\}", re.M | re.S)
_PROPERTY = re.compile(r'^\s+"(\w+)"\?: SchemaValue<([^,]+), "\w+">;', re.M)


def terms(text: str) -> dict:
    """Of the used types and all above them: type -> {parents, properties: name -> types of a value}."""
    found = {}
    for name, parents, body in _INTERFACE.findall(text):
        above = [p.strip().removesuffix("Base").removesuffix("Leaf") for p in parents.split(",")]
        above = [re.sub(r"^Partial<(\w+)(?:Base|Leaf)?>?$", r"\1", p) for p in above]
        ranges = {key: sorted(v.strip() for v in value.split("|")) for key, value in _PROPERTY.findall(body)}
        found[name] = {"parents": above, "properties": ranges}
    root = re.search(r"^(?:export )?interface ThingBase[^{]*\{\n(.*?)^\}", text, re.M | re.S)
    found["Thing"] = {
        "parents": [],
        "properties": {k: sorted(v.strip() for v in r.split("|")) for k, r in _PROPERTY.findall(root.group(1))},
    }
    wanted, kept = list(USED), {}
    while wanted:
        name = wanted.pop()
        if name in kept or name not in found:
            continue
        kept[name] = found[name]
        wanted += found[name]["parents"]
    return dict(sorted(kept.items()))


if __name__ == "__main__":
    made = {"source": "npm schema-dts 2.1.0, dist/schema.d.ts", "types": terms(Path(sys.argv[1]).read_text())}
    target = Path(__file__).with_name("schema_terms.json")
    target.write_text(json.dumps(made, indent=1, sort_keys=True, ensure_ascii=False) + "\n")
