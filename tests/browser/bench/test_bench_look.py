"""How the bench looks and weighs: targets for gloves, no barrier, nothing from elsewhere, light to load."""

from __future__ import annotations

import gzip
import re
from urllib.parse import urlsplit

import pytest

from tests.browser.conftest import DESKTOP
from tests.services.processes import ROOT

from .conftest import PHONE, TABLET

LANDSCAPE = (1180, 820)
LEAST_PX = 48
MOST_BYTES = 150_000
BENCH_JS = ROOT / "templates" / "assets" / "js" / "bench"
TARGETS = """least => {
  const seen = (element) => {
    const style = getComputedStyle(element);
    const box = element.getBoundingClientRect();
    return style.visibility !== "hidden" && box.width > 0 && box.height > 0 && box.bottom > 0;
  };
  const scope = document.querySelector("dialog[open]") || document;
  return Array.from(scope.querySelectorAll("a[href], button, input:not([type=hidden]), textarea, select, summary"))
    .filter(seen)
    .map((element) => {
      const { width, height } = element.getBoundingClientRect();
      return { what: element.outerHTML.slice(0, 120), width, height };
    })
    .filter(({ width, height }) => width < least || height < least)
    .concat(scope.querySelectorAll("button").length ? [] : [{ what: "no button at all", width: 0, height: 0 }]);
}"""


def screens(one, work):
    """Leads through every screen of the page; yields the name of each."""
    one.sign_in("bea", work.address("peel"))
    one.page.wait_for_selector(".setup")
    yield "session"
    one.do("new-run")
    one.pick("carry", "anchor")
    yield "a new run"
    one.do("back")
    one.begin(width="calliper", value="stand")
    one.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    yield "a dimension"
    one.tap("[data-unit='width']")
    yield "units"
    one.tap("[data-unit='width']")
    one.page.locator("[data-slot='width']").fill("25.1")
    one.do("save")
    one.page.locator("[data-slot='value']").fill("1,5")
    one.do("save")
    yield "a number refused"
    one.tap(".meant")
    one.page.locator("[data-slot='value']").fill("9001.55")
    one.do("save")
    one.page.wait_for_selector("dialog[open]")
    yield "slips"
    one.do("stand")
    one.page.wait_for_selector(".kept")
    yield "the next specimen"
    one.do("last")
    yield "what was measured"
    one.do("void")
    yield "a reason"
    one.do("back")
    one.go("list")
    yield "list"


@pytest.mark.parametrize(
    ("size", "dark"), [(TABLET, False), (TABLET, True), (PHONE, False), (LANDSCAPE, False)]
)
def test_targets_are_large_and_no_screen_has_a_barrier(plan, tablet, size, dark):
    work = plan(peel={"replicates": 2})
    with tablet(size, dark=dark) as one:
        for screen in screens(one, work):
            one.page.wait_for_timeout(50)
            small = one.page.evaluate(TARGETS, LEAST_PX)
            assert not small, (screen, small)
            one.fits()
            one.accessible()
        one.clean()


@pytest.mark.parametrize("trial", ["pull", "edge", "holds"])
@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_choices_and_failure_modes_are_large_too(plan, tablet, trial, size):
    work = plan(**{trial: {"replicates": 1}})
    gauges = {"value": "stand"} if trial == "pull" else {}
    with tablet(size) as one:
        one.sign_in("bea", work.address(trial))
        one.begin(**gauges)
        small = one.page.evaluate(TARGETS, LEAST_PX)
        assert not small, small
        one.fits()
        one.accessible()
        for code in work.codes[trial]:
            assert one.code == code
            one.keys("61.2") if trial == "pull" else one.pick("choice", "5" if trial == "edge" else "pass")
            if trial == "pull":
                one.pick("mode", "slip")
            one.save()
        one.page.wait_for_selector(".all-done")
        assert not one.page.evaluate(TARGETS, LEAST_PX)
        one.accessible()
        one.clean()


def test_keys_and_the_value_are_on_the_first_screen(plan, tablet):
    """Nobody scrolls with gloves between reading the code, typing the value and saving it."""
    work = plan(force={"replicates": 1}, pull={"replicates": 1})
    wanted = [(size, "force") for size in (TABLET, PHONE, LANDSCAPE)] + [(LANDSCAPE, "pull"), (DESKTOP, "pull")]
    for size, trial in wanted:
        with tablet(size) as one:
            one.sign_in("bea", work.address(trial))
            one.begin(value="stand")
            bottom = one.page.locator("[data-do='save']").bounding_box()["y"]
            for part in ("[data-specimen] h1", "[data-slot='value']", "[data-key='1']", "[data-key='0']"):
                box = one.page.locator(part).bounding_box()
                assert box["y"] >= 0 and box["y"] + box["height"] <= bottom, (size, trial, part, box, bottom)
            foot = one.page.locator("#foot").bounding_box()
            assert foot["y"] + foot["height"] <= size[1]


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_keys_stay_where_they_are_while_work_goes_on(plan, tablet, size):
    """Neither what is understood of a value, nor what waits, nor a reading kept moves a key under a finger."""
    work = plan(force={"replicates": 2})
    with tablet(size) as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")

        def places():
            return [one.page.locator(part).bounding_box() for part in ("[data-key='5']", "[data-do='save']")]

        before = places()
        one.keys("61.2")
        assert places() == before
        one.save()
        one.foot_says("^All saved")
        assert places() == before
        one.context.set_offline(True)
        one.keys("61.3")
        one.save()
        one.foot_says("^1 waits, saved on this tablet, since .*: no network")
        assert places() == before
        one.clean()


def test_the_foot_never_says_nothing(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.page.wait_for_selector(".setup")
        assert one.foot == "Nothing waits on this tablet."
        one.context.set_offline(True)
        one.begin(value="stand")
        one.keys("61.2")
        one.save()
        one.foot_says(r"^1 waits, saved on this tablet, since \d\d:\d\d: no network\.\s*$")


def test_the_page_weighs_little_and_loads_no_chart_library(plan, tablet):
    work = plan(pull={"replicates": 10})
    with tablet(workers="block") as one:
        one.sign_in("bea", work.address("pull"))
        one.page.wait_for_selector(".setup")
        one.page.wait_for_load_state("networkidle")
        loaded = one.page.evaluate("[location.href, ...performance.getEntriesByType('resource').map(e => e.name)]")
        assert {urlsplit(address).netloc for address in loaded} == {urlsplit(one.base).netloc}
        weights = {}
        for address in {address.split("#")[0] for address in loaded}:
            answer = one.context.request.get(address)
            weights[urlsplit(address).path] = len(gzip.compress(answer.body(), 6))
    assert any(path.endswith("/js/bench/main.js") for path in weights) and work.address("pull") in weights
    assert not any("plotly" in path for path in weights)
    assert sum(weights.values()) < MOST_BYTES, weights


def test_the_lists_of_modules_name_every_module():
    """The page preloads, and the worker holds, what there is: a module forgotten would be missing offline."""
    there = {path.stem for path in BENCH_JS.glob("*.js")}
    page = (ROOT / "templates" / "bench" / "entry.html").read_text()
    worker = (ROOT / "templates" / "bench" / "sw.js").read_text()
    assert set(re.findall(r"modulepreload\" href=\"\{\{ prefix \}\}js/bench/(\w+)\.js", page)) == there
    listed = re.search(r"\.\.\.\[(.*?)\]\.map", worker, re.S)[1]
    assert set(re.findall(r'"(\w+)"', listed)) == there


def test_everything_that_the_worker_holds_is_there_and_the_page_needs_no_more(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.page.wait_for_selector(".setup")
        one.holds(work.address("force"))
        loaded = one.page.evaluate("performance.getEntriesByType('resource').map(e => new URL(e.name).pathname)")
        wanted = [path for path in loaded if path.startswith("/static/")]
        assert len(wanted) > 20
        for path in wanted:
            one.holds(path)


def test_a_new_version_takes_the_held_pages_along(plan, tablet):
    """As if versions before had left their caches: pages are asked for anew, or kept where they cannot be had."""
    work = plan(force={"replicates": 1}, width={"replicates": 1})
    known, gone = work.address("width"), "/bench/trials/clamps/gone/"
    with tablet() as one:
        one.page.goto(f"{one.base}/sign-in/")
        one.page.evaluate("""async ({ pages, shells }) => {
            const old = await caches.open("bench-pages-before");
            for (const path of pages) await old.put(path, new Response("as it was"));
            for (const name of shells) await (await caches.open(name)).put("/static/x.css", new Response("x"));
        }""", {"pages": [known, gone], "shells": ["bench-shell-long-ago", "bench-shell-before"]})  # fmt: skip
        one.sign_in("bea", work.address("force"))
        one.holds(work.address("force"))
        names = one.page.evaluate("caches.keys()")
        pages = [name for name in names if name.startswith("bench-pages-")]
        shells = [name for name in names if name.startswith("bench-shell-")]
        assert len(pages) == 1 and pages != ["bench-pages-before"]
        assert len(shells) == 2 and "bench-shell-before" in shells  # a page carried over may name its style sheets
        body = "([name, path]) => caches.open(name).then(c => c.match(path, { ignoreVary: true })).then(r => r.text())"
        assert one.page.evaluate(body, [pages[0], gone]) == "as it was"
        assert 'id="pack"' in one.page.evaluate(body, [pages[0], known])
        one.context.set_offline(True)
        one.page.goto(one.base + known)
        one.page.wait_for_selector(".setup")
        assert one.page.get_by_role("heading", name="Width", exact=True).is_visible()


def test_it_works_with_a_mouse_and_a_keyboard_as_well(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet(DESKTOP) as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        code = one.code
        assert one.page.evaluate("document.activeElement.dataset.slot") == "value"
        one.page.keyboard.type("61.2")
        one.page.keyboard.press("Enter")
        one.moved_on(code)
        one.page.keyboard.type("61.4")
        one.page.keyboard.press("Enter")
        one.foot_says("All saved")
        one.clean()
    assert [row["value"] for row in work.readings("force")] == ["61.2", "61.4"]
