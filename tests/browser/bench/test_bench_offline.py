"""Without network, with a bad one, with two tablets, signed out: no reading is lost and none counts twice."""

from __future__ import annotations

import json
import random
import uuid
from collections import Counter
from datetime import datetime

import pytest

READINGS = 200
SEED = 20260304
REFUSED_STORES = {
    "the store throws": "indexedDB.open = () => { throw new DOMException('no', 'SecurityError'); };",
    "the store fails": """
        indexedDB.open = () => {
          const request = new EventTarget();
          request.error = new DOMException('no', 'InvalidStateError');
          setTimeout(() => request.dispatchEvent(new Event('error')), 10);
          return request;
        };""",
    "there is no store": "Object.defineProperty(window, 'indexedDB', { value: undefined });",
}


def values(count: int) -> list[str]:
    draw = random.Random(SEED)
    return [f"{60 + draw.random():.1f}" for _ in range(count)]


class BadNetwork:
    """Seeded trouble on the way of what is sent: lost on the way out, lost on the way back, doubled, delayed."""

    def __init__(self, seed: int):
        self.draw = random.Random(seed)
        self.met = Counter()

    def __call__(self, route) -> None:
        lot = self.draw.random()
        if lot < 0.25:
            self.met["never arrived"] += 1
            route.abort("connectionreset")
        elif lot < 0.45:
            self.met["the answer was lost"] += 1
            route.fetch()
            route.abort("connectionreset")
        elif lot < 0.65:
            self.met["arrived twice"] += 1
            route.fetch()
            route.fulfill(response=route.fetch())
        elif lot < 0.75:
            self.met["the server was busy"] += 1
            route.fulfill(status=503, content_type="text/plain", body="busy")
        else:
            self.met["went well"] += 1
            route.continue_()


def enter(one, value: str) -> str:
    """Type a value as with a keyboard gauge and tap Save; the code measured."""
    code = one.code
    one.page.locator("[data-slot='value']").fill(value)
    one.save()
    return code


def test_two_hundred_readings_offline_with_a_reload_then_a_bad_network(plan, tablet):
    work = plan(force={"replicates": 40, "first_units": 5})
    assert len(work.codes["force"]) == READINGS
    typed = {}
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.holds(work.address("force"))
        one.context.set_offline(True)
        typed |= one.enter_all(values(READINGS)[: READINGS // 2])
        one.foot_says(rf"^{READINGS // 2} wait, saved on this tablet, since \d\d:\d\d: no network\.")
        one.page.reload()  # the page itself comes from the tablet
        one.page.wait_for_selector("[data-specimen]")
        one.foot_says(rf"^{READINGS // 2} wait, saved on this tablet")
        typed |= one.enter_all(values(READINGS)[READINGS // 2 :])
        one.foot_says(rf"^{READINGS} wait, saved on this tablet")
        assert one.page.get_by_role("heading", name=f"All {READINGS} specimens are measured").is_visible()
        assert work.readings("force") == []

        trouble = BadNetwork(SEED)
        one.page.route("**/bench/submit/", trouble)
        hurry(one)
        one.context.set_offline(False)
        one.foot_says("^All saved and with the server")
        one.page.reload()
        one.page.wait_for_selector(".all-done")
        one.foot_says("^All saved and with the server")
        assert {entry["status"] for entry in one.rows("entries")} == {"stored"}
        one.clean()
    assert all(trouble.met[kind] for kind in ("never arrived", "the answer was lost", "arrived twice")), trouble.met
    found = work.readings("force")
    assert len(found) == READINGS
    assert {row["blind_code"]: row["value"] for row in found} == typed  # each once, and none else
    assert len({row["code"] for row in found}) == READINGS
    conflicts = work.project.rows(
        "SELECT c.id FROM specimens_conflict c JOIN specimens_trial t ON t.id = c.trial_id "
        f"JOIN specimens_programme g ON g.id = t.programme_id WHERE g.slug = '{work.slug}'"
    )
    assert conflicts == []


def hurry(one) -> None:
    """Come into sight again and again, as a tablet does that is picked up: each time what waits is sent."""
    one.page.evaluate("setInterval(() => document.dispatchEvent(new Event('visibilitychange')), 300)")


def test_voids_amendments_and_photos_wait_too_and_keep_their_order(plan, tablet):
    work = plan(force={"replicates": 1})
    first, second = work.codes["force"][:2]
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.context.set_offline(True)
        one.page.locator("#photo-take").set_input_files([{"name": "a.png", "mimeType": "image/png", "buffer": PIXEL}])
        one.page.locator(".thumbs img").wait_for()
        enter(one, "61.2")
        enter(one, "62.2")
        one.do("last")
        one.do("void")
        one.pick("reason", "Wrong specimen")
        one.do("reason")
        one.page.wait_for_selector("form.reading")
        one.go("list")
        one.tap(f"[data-place='{first}']")
        one.do("amend")
        one.page.locator("[data-slot='value']").fill("61.3")
        one.do("save")
        one.pick("reason", "Typed wrongly")
        one.do("reason")
        one.foot_says("^5 wait, saved on this tablet")
        trouble = BadNetwork(7)
        one.page.route("**/bench/submit/", trouble)
        hurry(one)
        one.context.set_offline(False)
        one.foot_says("^All saved and with the server")
        one.clean()
    found = {row["value"]: row for row in work.readings("force")}
    assert set(found) == {"61.2", "61.3", "62.2"}
    assert found["61.3"]["replaced"] == found["61.2"]["code"] and found["61.2"]["blind_code"] == first
    assert found["62.2"]["void"] == "Wrong specimen" and found["62.2"]["blind_code"] == second
    photos = work.project.rows(f"SELECT * FROM specimens_attachment WHERE reading_id = {found['61.2']['id']}")
    assert len(photos) == 1


def test_two_tablets_on_the_same_specimens_keep_both_readings(plan, tablet):
    work = plan(force={"replicates": 1})
    codes = work.codes["force"]
    with tablet() as hers, tablet() as his:
        for name, one in (("bea", hers), ("ben", his)):
            one.sign_in(name, work.address("force"))
            one.begin(value="stand")
            one.context.set_offline(True)
        for i in range(3):
            assert enter(hers, f"6{i}.1") == enter(his, f"6{i}.2") == codes[i]
        for one in (hers, his):
            one.context.set_offline(False)
            one.foot_says("All saved and with the server|^Nothing waits")
        his.foot_says("The server: 3 remarks, see the list")
        his.go("list")
        assert his.page.get_by_text("both readings are kept, and the planner is shown them").count() == 3
        # What the other has measured since is known after the next look.
        his.go("specimen")
        enter(his, "64.0")
        his.foot_says("All saved")
        hers.page.reload()
        hers.page.wait_for_selector("[data-specimen]")
        hers.go("list")
        done = hers.page.locator(".place-words").all_inner_texts()
        assert sum("with the server" in words for words in done) == 4
    found = work.readings("force")
    assert Counter(row["blind_code"] for row in found) == {codes[0]: 2, codes[1]: 2, codes[2]: 2, codes[3]: 1}
    assert {row["operator"] for row in found} == {"bea", "ben"}
    conflicts = work.project.rows(
        "SELECT s.blind_code FROM specimens_conflict c JOIN specimens_specimen s ON s.id = c.specimen_id "
        f"JOIN specimens_programme g ON g.id = s.programme_id WHERE g.slug = '{work.slug}' AND c.kind = 'twice'"
    )
    assert sorted(row["blind_code"] for row in conflicts) == sorted(codes[:3])
    with tablet() as planner:
        planner.sign_in("pat", f"/bench/plan/{work.slug}/force/", ".pair")
        pairs = planner.page.locator(".pair").all_inner_texts()
        assert len(pairs) == 3
        for i, code in enumerate(codes[:3]):
            told = next(text for text in pairs if code in text)
            assert f"6{i}.1" in told and f"6{i}.2" in told


def test_a_session_that_ended_loses_nothing_sign_in_again_then_all_is_sent(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        enter(one, "60.1")
        one.foot_says("All saved")
        one.context.set_offline(True)
        enter(one, "60.2")
        work.ask("Session.objects.all().delete()[0]")
        one.context.set_offline(False)
        one.foot_says(r"^1 waits, saved on this tablet, since \d\d:\d\d: signed out\.")
        enter(one, "60.3")  # work goes on
        one.foot_says("^2 wait, saved on this tablet")
        one.page.get_by_role("link", name="Sign in again").tap()
        one.fill_in("bea")
        one.page.wait_for_selector("[data-specimen]")
        one.foot_says("^All saved and with the server")
        one.clean()
    assert [row["value"] for row in work.readings("force")] == ["60.1", "60.2", "60.3"]


@pytest.mark.parametrize("how", REFUSED_STORES)
def test_a_browser_that_refuses_storage_says_so_before_the_first_reading(plan, tablet, how):
    work = plan(force={"replicates": 1})
    with tablet(before=REFUSED_STORES[how]) as one:
        one.sign_in("bea", work.address("force"))
        one.page.wait_for_selector(".setup")
        said = one.page.locator("[data-remark='storage']").inner_text()
        assert "refuses to store anything" in said and "do not close or reload it" in said
        one.begin(value="stand")
        enter(one, "60.1")
        one.foot_says("^All saved and with the server")
        one.context.set_offline(True)
        enter(one, "60.2")
        one.foot_says("^1 waits, in this page only, since")
        one.context.set_offline(False)
        one.foot_says("^All saved and with the server")
        one.clean()
    assert [row["value"] for row in work.readings("force")] == ["60.1", "60.2"]


def test_a_store_that_fills_up_midway_is_said_and_loses_nothing(plan, tablet):
    full = """
        const add = IDBObjectStore.prototype.put;
        IDBObjectStore.prototype.put = function (...row) {
          if (window.storeIsFull) throw new DOMException("full", "QuotaExceededError");
          return add.apply(this, row);
        };"""
    work = plan(force={"replicates": 1})
    with tablet(before=full) as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.context.set_offline(True)
        enter(one, "60.1")
        one.foot_says("^1 waits, saved on this tablet")
        one.page.evaluate("window.storeIsFull = true")
        enter(one, "60.2")
        one.foot_says("^2 wait, in this page only, since")
        one.context.set_offline(False)
        one.foot_says("^All saved and with the server")
    assert [row["value"] for row in work.readings("force")] == ["60.1", "60.2"]


def test_without_a_service_worker_the_page_still_queues(plan, tablet):
    work = plan(force={"replicates": 1})
    plain = "Object.defineProperty(window, 'isSecureContext', { value: false });"
    with tablet(before=plain, workers="block") as one:
        one.sign_in("bea", work.address("force"))
        one.page.wait_for_selector(".setup")
        said = one.page.locator("[data-remark='plain-http']").inner_text()
        assert "Reloading the page without network needs HTTPS" in said
        one.begin(value="stand")
        one.context.set_offline(True)
        enter(one, "60.1")
        one.foot_says("^1 waits, saved on this tablet")
        one.context.set_offline(False)
        one.page.reload()
        one.foot_says("^All saved and with the server")
        one.clean()
    assert [row["value"] for row in work.readings("force")] == ["60.1"]


def test_ids_are_made_where_there_is_no_secure_context(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet(before="delete Crypto.prototype.randomUUID;") as one:
        one.sign_in("bea", work.address("force"))
        made = one.page.evaluate("""async () => {
            const { newId } = await import("/static/js/bench/clock.js");
            return Array.from({ length: 500 }, newId);
        }""")
    assert len(set(made)) == 500
    assert all(uuid.UUID(one).version == 4 and str(uuid.UUID(one)) == one for one in made)


def test_an_entry_that_the_server_refuses_stays_in_sight_and_holds_nothing_up(plan, tablet):
    work = plan(force={"replicates": 1})
    codes = work.codes["force"]
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.context.set_offline(True)
        enter(one, "60.1")
        enter(one, "60.2")
        # The product is taken out of the trial while the tablet is away.
        specimen = f"Specimen.objects.get(programme__slug={work.slug!r}, blind_code={codes[0]!r})"
        trial = f"Trial.objects.get(programme__slug={work.slug!r}, code='force')"
        work.ask(f"Absence.objects.create(trial={trial}, product={specimen}.unit.product, reason='not_applicable').pk")
        one.context.set_offline(False)
        one.foot_says("refused, see the list")
        one.go("list")
        refused = one.page.locator("[data-refused]")
        assert refused.count() >= 1 and codes[0] in refused.first.inner_text()
        assert "not applicable in this trial" in refused.first.inner_text()
        count = refused.count()
        one.do("aside")
        one.page.wait_for_function("n => document.querySelectorAll('[data-refused]').length === n - 1", arg=count)
        one.clean()
    stored = [row["value"] for row in work.readings("force")]
    assert "60.1" not in stored and len(stored) == 2 - count


def test_a_label_read_without_network_opens_the_page_that_was_held(plan, tablet):
    work = plan(force={"replicates": 1})
    code = work.codes["force"][2]
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.holds(work.address("force"))
        one.page.goto(f"{one.base}/bench/s/{code}/")
        one.page.wait_for_selector(f"[data-specimen='{code}']")
        one.context.set_offline(True)
        one.page.goto(f"{one.base}/bench/s/{work.codes['force'][3]}/")
        one.page.wait_for_selector(f"[data-specimen='{work.codes['force'][3]}']")
        one.clean()


def test_both_clocks_are_kept_and_a_wrong_one_is_said(plan, tablet):
    work = plan(force={"replicates": 1})
    slow = "const now = Date.now; const late = 3 * 3600e3; const Old = Date;" \
        "window.Date = class extends Old { constructor(...a) { a.length ? super(...a) : super(now() - late); }" \
        " static now() { return now() - late; } };"
    with tablet(before=slow) as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        enter(one, "60.1")
        one.foot_says("All saved")
        one.go("setup")
        said = one.page.locator("[data-remark='clock']").inner_text()
        assert "3 h behind the server’s" in said or "2 h 59 min behind the server’s" in said
        one.clean()
    row = work.sent("reading")[0]
    taken = datetime.fromisoformat(row["tablet_time_text"])
    received = datetime.fromisoformat(row["received_at"] + ("" if "+" in row["received_at"] else "+00:00"))
    assert taken.utcoffset().total_seconds() in (3600, 7200)  # the tablet's own zone
    assert 2.9 < (received - taken).total_seconds() / 3600 < 3.1
    assert json.loads(row["content"])["made_at"] == row["tablet_time_text"]


PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c4944415408d763f8cfc0000003010100"
    "18dd8db00000000049454e44ae426082"
)
