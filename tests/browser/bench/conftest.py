"""A served project with a bench to work at, and tablets that are used by touch alone."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import urllib.request
from contextlib import contextmanager
from dataclasses import dataclass
from urllib.error import URLError

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import PHONE, TABLET
from tests.services.processes import PRELUDE, ROOT, Project, free_port, wait_until

PASSWORD = "a long enough word"
NETWORK = re.compile(r"net::ERR_|Failed to load resource|status of (401|503)")
ENTER = """value => new Promise((resolve, reject) => {
  const code = document.querySelector("[data-specimen]").dataset.specimen;
  const field = document.querySelector("[data-slot='value']");
  field.value = value;
  field.dispatchEvent(new Event("input"));
  document.querySelector("[data-do='save']").click();
  const until = performance.now() + 20000;
  const look = () => {
    if (document.querySelector("[data-specimen], .all-done")?.dataset.specimen !== code) resolve([code, value]);
    else if (performance.now() > until) reject(new Error(`${code} stayed: ${document.body.innerText.slice(0, 800)}`));
    else requestAnimationFrame(look);
  };
  look();
})"""
# A process that stays: each line on its way in is JSON with code to run, each line out what the code said.
HELPER = """
import itertools, sys, traceback
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.contrib.sessions.models import Session
from tests.bench import staging

names = {"bench": "bea", "other": "ben", "planner": "pat", "editor": "edi"}
staging.make_stage()
for user in User.objects.filter(username__in=names.values()):
    user.set_password(PASSWORD)
    user.save()


def plan(wishes):
    stage = staging.make_stage(people=False)
    stage.people = {role: User.objects.get(username=name) for role, name in names.items()}
    for code, wish in wishes.items():
        first = wish.pop("first_units", None)
        if first:
            wish["units"] = list(Unit.objects.filter(programme=stage.programme).values_list("pk", flat=True)[:first])
        stage.plan(code, **wish)
    return {"slug": stage.programme.slug, "codes": {code: [
        place.specimen.blind_code for place in BenchPlace.objects.filter(
            trial__programme=stage.programme, trial__code=code).order_by("rater", "position")] for code in wishes}}


def session_of(name):
    user = User.objects.get(username=name)
    made = SessionStore()
    made[SESSION_KEY], made[HASH_SESSION_KEY] = str(user.pk), user.get_session_auth_hash()
    made[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    made.create()
    return made.session_key


def answer(value):
    print(json.dumps(value, default=str), flush=True)


answer("ready")
for line in sys.stdin:
    try:
        answer({"said": eval(compile(json.loads(line), "<test>", "eval"))})
    except Exception:
        answer({"wrong": traceback.format_exc()})
"""


class Helper:
    """Runs expressions inside the project, in one process for the whole session."""

    def __init__(self, project: Project):
        code = PRELUDE + HELPER.replace("PASSWORD", repr(PASSWORD))
        self.process = subprocess.Popen(
            [sys.executable, "-c", code], cwd=ROOT, env=project.environment, stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert json.loads(self.process.stdout.readline()) == "ready"

    def __call__(self, expression: str):
        self.process.stdin.write(json.dumps(expression) + "\n")
        self.process.stdin.flush()
        told = json.loads(self.process.stdout.readline())
        assert "said" in told, told["wrong"]
        return told["said"]

    def close(self) -> None:
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()


@dataclass
class Work:
    """A programme that was planned: its slug, and each trial's codes in the order planned."""

    project: Project
    ask: Helper
    slug: str
    codes: dict[str, list[str]]

    def address(self, trial: str) -> str:
        return f"/bench/trials/{self.slug}/{trial}/"

    def readings(self, trial: str) -> list[dict]:
        """Every reading of a trial as the database has it, in the order taken."""
        return self.project.rows(f"""
            SELECT r.*, s.blind_code, i.name AS gauge, v.reason AS void, p.code AS product_code,
                   (SELECT x.code FROM specimens_reading x WHERE x.id = r.replaces_id) AS replaced,
                   (SELECT c.code FROM specimens_run c WHERE c.id = r.run_id) AS run_code
            FROM specimens_reading r JOIN specimens_trial t ON t.id = r.trial_id
            JOIN specimens_programme g ON g.id = t.programme_id JOIN specimens_specimen s ON s.id = r.specimen_id
            JOIN specimens_programmeproduct p ON p.id = r.product_id
            LEFT JOIN specimens_instrument i ON i.id = r.instrument_id LEFT JOIN specimens_void v ON v.reading_id = r.id
            WHERE g.slug = '{self.slug}' AND t.code = '{trial}' ORDER BY r.id""")

    def sent(self, kind: str) -> list[dict]:
        return self.project.rows(f"""
            SELECT b.* FROM specimens_submission b JOIN specimens_trial t ON t.id = b.trial_id
            JOIN specimens_programme g ON g.id = t.programme_id
            WHERE g.slug = '{self.slug}' AND b.kind = '{kind}' ORDER BY b.received_at""")


@pytest.fixture(scope="session")
def served(tmp_path_factory):
    """A project that is served by its own processes, as a team would run it."""
    port = free_port()
    base = f"http://localhost:{port}"
    project = Project(tmp_path_factory.mktemp("bench"), PUBLIC_URL=base)
    project.manage("migrate", "--verbosity", "0")
    process = project.start("manage.py", "serve", "--bind", f"127.0.0.1:{port}")

    def answers() -> bool:
        assert process.poll() is None, project.log(process)
        try:
            return urllib.request.urlopen(f"{base}/health/", timeout=5).status == 200
        except (URLError, OSError):
            return False

    wait_until(answers, "the server to answer")
    yield project, base
    project.close()


@pytest.fixture(scope="session")
def helper(served):
    made = Helper(served[0])
    yield made
    made.close()


@pytest.fixture
def plan(served, helper):
    """Plans trials of a programme of the test's own: `plan(force={"replicates": 1})`."""

    def make(**wishes) -> Work:
        made = helper(f"plan({wishes!r})")
        return Work(served[0], helper, made["slug"], made["codes"])

    return make


class Tablet:
    """A window used with fingers. It keeps what the console said; `clean` says that it was nothing bad."""

    def __init__(self, context, base: str, helper: Helper):
        self.context, self.base, self.helper = context, base, helper
        self.page = context.new_page()
        self.wrong: list[str] = []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))

    def _heard(self, message) -> None:
        if message.type in ("error", "warning") and not NETWORK.search(message.text):
            self.wrong.append(message.text)

    def sign_in(self, name: str, to: str, shows: str = ".setup, .specimen, .list") -> None:
        """Open a page as one who signed in a moment ago."""
        key = self.helper(f"session_of({name!r})")
        self.context.add_cookies([{"name": "sessionid", "value": key, "url": self.base}])
        self.page.goto(self.base + to)
        self.page.wait_for_selector(shows)

    def fill_in(self, name: str) -> None:
        self.page.get_by_label("Name").fill(name)
        self.page.get_by_label("Password").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").tap()

    def tap(self, selector: str) -> None:
        self.page.locator(selector).first.tap()

    def do(self, what: str) -> None:
        self.tap(f"[data-do='{what}']")

    def go(self, where: str) -> None:
        self.tap(f"[data-go='{where}']")

    def pick(self, name: str, value: str) -> None:
        self.tap(f"[data-pick='{name}'][value='{value}']")

    def begin(self, **gauges: str) -> None:
        """Set the session: a gauge for each number, cautions read where there are any."""
        self.page.wait_for_selector(".setup")
        for key, code in gauges.items():
            self.pick(f"gauge-{key}", code)
        if self.page.locator("[data-do='confirm']").count():
            self.do("confirm")
            self.page.wait_for_selector(".confirmed")
        self.do("begin")
        self.page.wait_for_selector(".specimen, .all-done")

    @property
    def code(self) -> str:
        """The specimen on the screen; "" where there is none."""
        shown = self.page.locator("[data-specimen]")
        return shown.get_attribute("data-specimen") if shown.count() else ""

    def keys(self, text: str) -> None:
        for sign in text:
            self.tap(f"[data-key='{sign}']")

    def save(self) -> None:
        """One tap, and the next specimen or the end is on the screen."""
        before = self.code
        self.do("save")
        self.moved_on(before)

    def moved_on(self, before: str) -> None:
        self.page.wait_for_function(
            "before => document.querySelector('[data-specimen]')?.dataset.specimen !== before", arg=before
        )

    def enter_all(self, values: list[str]) -> dict[str, str]:
        """One reading after the other as a gauge with a keyboard plug types them; the value of each code."""
        return dict(self.page.evaluate(ENTER, value) for value in values)

    def rested(self) -> None:
        """An untouched screen takes no tap on its last key at first: such a tap was meant for the one before."""
        self.page.wait_for_timeout(400)

    @property
    def foot(self) -> str:
        return self.page.locator("#foot").inner_text()

    def foot_says(self, pattern: str) -> None:
        self.page.wait_for_function(
            "pattern => new RegExp(pattern).test(document.getElementById('foot').innerText)", arg=pattern
        )

    def holds(self, path: str) -> None:
        """Wait until the page is held for opening without network."""
        held = "path => caches.match(path, { ignoreVary: true }).then(Boolean)"
        wait_until(lambda: self.page.evaluate(held, path), f"{path} to be held", 60)

    def rows(self, table: str) -> list[dict]:
        """What the tablet's own store holds."""
        return json.loads(self.page.evaluate(
            """table => new Promise((resolve, reject) => {
                const opening = indexedDB.open("evenhand-bench");
                opening.onerror = () => reject(opening.error);
                opening.onsuccess = () => {
                  const asked = opening.result.transaction(table).objectStore(table).getAll();
                  asked.onsuccess = () => { opening.result.close(); resolve(JSON.stringify(asked.result)); };
                };
            })""", table))  # fmt: skip

    def fits(self) -> None:
        width = self.page.viewport_size["width"]
        assert self.page.evaluate("document.documentElement.scrollWidth") <= width

    def accessible(self) -> None:
        found = Axe().run(self.page).response["violations"]
        told = [(v["id"], v["help"], [node["html"][:200] for node in v["nodes"][:3]]) for v in found]
        assert not told, told

    def clean(self) -> None:
        assert not self.wrong, self.wrong


@pytest.fixture
def tablet(chromium, served, helper):
    """Opens tablets: `with tablet() as one`, with `size`, `dark`, `locale`, and scripts to run before the page's."""

    @contextmanager
    def opened(size=TABLET, *, dark: bool = False, locale: str = "en-GB", before: str = "", workers: str = "allow"):
        context = chromium.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=True, locale=locale,
            color_scheme="dark" if dark else "light", service_workers=workers, timezone_id="Europe/Berlin",
        )
        if before:
            context.add_init_script(before)
        try:
            yield Tablet(context, served[1], helper)
        finally:
            context.close()

    return opened


__all__ = ["PHONE", "TABLET", "Tablet", "Work"]
