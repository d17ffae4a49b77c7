"""A headless Chromium for pages, and what may never happen on one: console errors, requests elsewhere."""

from __future__ import annotations

import re
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.core.cache import cache
from playwright.sync_api import sync_playwright

from comparisons.folder.importer import import_study
from tests.public.staging import PASSWORD, make_cast, publish, published

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
PHONE, TABLET, DESKTOP = (360, 740), (820, 1180), (1280, 900)


def pytest_collection_modifyitems(items):
    here = Path(__file__).parent
    for item in items:
        if here in Path(item.fspath).parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def chromium():
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def cast(transactional_db):
    cache.clear()
    return make_cast(PASSWORD)


@pytest.fixture
def demo(cast):
    """The demo comparison, published."""
    comparison = import_study(DEMO)
    publish(comparison, cast)
    return comparison


@pytest.fixture
def strings(cast):
    """A small comparison, published."""
    return published(cast).comparison


class Visit:
    """One window on the live server. It keeps what went wrong; `clean` says that nothing did."""

    def __init__(self, page, base: str):
        self.page, self.base = page, base
        self.wrong: list[str] = []
        host = urlsplit(base).netloc
        page.on("console", lambda m: self.wrong.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on(
            "request",
            lambda r: None if urlsplit(r.url).netloc in ("", host) else self.wrong.append(f"elsewhere: {r.url}"),
        )

    def open(self, path: str):
        response = self.page.goto(self.base + path)
        assert response.status == 200, (path, response.status)
        return self.page

    def sign_in(self, name: str) -> None:
        self.open("/sign-in/")
        self.page.get_by_label("Name").fill(name)
        self.page.get_by_label("Password").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
        self.page.wait_for_url(re.compile(r"/(desk|bench)/$"))

    def fits(self) -> None:
        """The page itself never scrolls sideways."""
        width = self.page.viewport_size["width"]
        assert self.page.evaluate("document.documentElement.scrollWidth") <= width

    def accessible(self) -> None:
        found = Axe().run(self.page).response["violations"]
        told = [(v["id"], v["help"], [node["html"][:200] for node in v["nodes"][:3]]) for v in found]
        assert not told, told

    def clean(self) -> None:
        assert not self.wrong, self.wrong


@pytest.fixture
def visit(chromium, live_server):
    """Opens windows: `with visit(size, dark=..., script=...) as window`."""

    @contextmanager
    def opened(size=DESKTOP, *, dark: bool = False, script: bool = True):
        context = chromium.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme="dark" if dark else "light",
            java_script_enabled=script,
        )
        try:
            yield Visit(context.new_page(), live_server.url)
        finally:
            context.close()

    return opened
