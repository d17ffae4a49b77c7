"""A reader's weights: how long a moved slider takes in Chromium, for 50 products by 30 criteria."""

from __future__ import annotations

import mimetypes
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np

PRODUCTS, CRITERIA, CHANGES = 50, 30, 300
FRAME_MS = 1000 / 60
SLOWER = 4  # a phone's processor, roughly
ASSETS = Path(__file__).resolve().parents[2] / "templates" / "assets"
STYLES = ("paper", "frame", "tables", "range", "public", "weights")

MOVES = """async ([changes, moving]) => {
  const sliders = [...document.querySelectorAll("#weights input[type=range]")];
  const frame = () => new Promise(requestAnimationFrame);
  const work = [], frames = [];
  let state = 1;
  const next = (n) => (state = (state * 48271) % 2147483647) % n; // Park and Miller's generator
  for (let i = 0; i < changes; i++) {
    const slider = sliders[next(sliders.length)];
    await frame();
    slider.value = String(next(Number(slider.max) + 1));
    const start = performance.now();
    if (moving) slider.dispatchEvent(new Event("input", { bubbles: true }));
    document.body.getBoundingClientRect();
    work.push(performance.now() - start);
    await frame();
    frames.push(performance.now() - start);
  }
  return { work, frames };
}"""


def a_study() -> dict:
    """What a page of many products and criteria holds for its script, with missing results and must-haves missed."""
    from comparisons.pages.rangeline import Line, draw, draw_axis
    from comparisons.pages.weighing import AXIS, RULES, own

    rng = np.random.default_rng(5)
    found = rng.uniform(0, 100, (CRITERIA, PRODUCTS))
    score = [[None if rng.random() < 0.05 else float(x) for x in row] for row in found]
    about = "0 N scores 0, 100 N scores 100"
    data = {
        "criteria": [{"id": f"c{i}", "name": f"Criterion {i}", "about": about} for i in range(CRITERIA)],
        "products": [
            {"code": f"p{i}", "name": f"Maker Product {i}", "variant": "black, 4.8 mm", "places": ["1st", "2nd"]}
            for i in range(PRODUCTS)
        ],
        "weightings": [{
            "id": "all", "name": "All", "missing": "renormalise", "weights": [100 / CRITERIA] * CRITERIA, "query": "",
        }],
        "table": {
            "score": score,
            "missing": [
                [c, p, 0.0, 100.0, False] for c, row in enumerate(score) for p, x in enumerate(row) if x is None
            ],
            "gated": [i % 10 == 0 for i in range(PRODUCTS)],
        },
        "limit": 20,
        "places_of": ["All", "Others"],
    }  # fmt: skip
    weighing = {
        "data": data, "rules": [{"id": code, "text": text} for code, text in RULES.items()], "unscored": [],
        "required": [], "sure": "", "axis": draw_axis(AXIS),
        "blank": draw(AXIS, Line("", mean=0.0, low=0.0, high=0.0)),
    }  # fmt: skip
    return {"weighing": weighing, "own": own(data, data["weightings"][0]["weights"], "renormalise"), "weights_url": "/"}


def a_page() -> str:
    from django.template.loader import render_to_string

    styles = "".join(f'<link rel="stylesheet" href="/css/{name}.css">' for name in STYLES)
    section = render_to_string("fragments/_weights.html", a_study())
    return (
        f'<!doctype html><html lang="en"><head><title>weights</title>{styles}</head><body><main>{section}</main>'
        '<script type="module" src="/js/weighing.js"></script></body></html>'
    )


def measured(page, slower: int) -> tuple[np.ndarray, int, int]:
    """Milliseconds in which each change is worked out and laid out; late frames with changes, and without."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": slower})
    page.evaluate(MOVES, [30, True])
    found, idle = page.evaluate(MOVES, [CHANGES, True]), page.evaluate(MOVES, [CHANGES, False])
    late = [int((np.array(run["frames"]) > 1.5 * FRAME_MS).sum()) for run in (found, idle)]
    return np.array(found["work"]), *late


def run() -> None:
    from playwright.sync_api import sync_playwright

    from tests.browser.conftest import FLAGS

    html = a_page()

    def serve(route):
        path = ASSETS / urlsplit(route.request.url).path.lstrip("/")
        if path.is_file():
            route.fulfill(body=path.read_bytes(), content_type=mimetypes.guess_type(path.name)[0])
        else:
            route.fulfill(body=html, content_type="text/html")

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
        page.route("**/*", serve)
        page.goto("http://weights.test/")
        page.wait_for_selector('[data-weighing][data-ready="yes"]')
        for slower in (1, SLOWER):
            work, late, idle = measured(page, slower)
            speed = f", processor slowed {slower} times" if slower > 1 else ""
            print(
                f"{CHANGES} moves of a slider, {PRODUCTS} products, {CRITERIA} criteria{speed}: weighed, written and "
                f"laid out in median {np.median(work):.1f} ms, 95 of 100 within {np.quantile(work, 0.95):.1f} ms, "
                f"worst {work.max():.1f} ms (goal: one frame, {FRAME_MS:.1f} ms); {late} frames late, {idle} with "
                "nothing to do"
            )
        browser.close()
