"""Two windows of one tablet, a long queue, a weak network, pages of other versions: the foot stays true."""

from __future__ import annotations

import json
import os
import signal
from collections import Counter
from contextlib import contextmanager

from tests.services.processes import children_of, wait_until

from .conftest import Tablet

MANY = 2000
# 2,000 readings kept by an earlier page, as that page would have kept them.
KEPT = """({ many, trial, codes, by }) => new Promise((resolve, reject) => {
  const opening = indexedDB.open("evenhand-bench");
  opening.onerror = () => reject(opening.error);
  opening.onsuccess = () => {
    const change = opening.result.transaction("entries", "readwrite");
    for (let i = 0; i < many; i += 1) {
      const id = `00000000-0000-4000-8000-${String(i).padStart(12, "0")}`;
      const made = new Date(Date.now() - 3600e3 + i).toISOString();
      change.objectStore("entries").put({
        id, kind: "reading", at: Date.parse(made), status: "waiting", needs: [], number: 60 + (i % 10) / 10,
        body: {
          id, kind: "reading", made_at: made, taken_at: made, trial, by, operator: by, specimen: codes[i],
          value: (60 + (i % 10) / 10).toFixed(1), typed: "", unit: "N", bound: "", instrument: "stand",
          failure_mode: "", note: "", decision: "", run: "", order: i + 1, dimensions: [],
        },
      });
    }
    change.oncomplete = () => { opening.result.close(); resolve(); };
    change.onerror = () => reject(change.error);
  };
})"""


def second(one: Tablet) -> Tablet:
    """Another window of the same tablet: one store, one session."""
    return Tablet(one.context, one.base, one.helper)


def enter(one, value: str) -> str:
    code = one.code
    one.page.locator("[data-slot='value']").fill(value)
    one.save()
    return code


def sent_ids(posts: list) -> Counter:
    return Counter(entry["id"] for body in posts for entry in json.loads(body)["entries"])


def test_two_windows_of_one_tablet_send_each_reading_once_and_both_say_what_waits(plan, tablet):
    work = plan(force={"replicates": 2}, width={"replicates": 1})
    posts = []
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        two = second(one)
        two.page.goto(one.base + work.address("width"))
        two.begin(value="calliper")
        one.context.on("request", lambda r: posts.append(r.post_data) if r.url.endswith("/bench/submit/") else None)
        one.context.set_offline(True)
        posts.clear()
        one.page.locator("#photo-take").set_input_files(
            [{"name": "a.png", "mimeType": "image/png", "buffer": PIXEL}]
        )
        one.page.locator(".thumbs img").wait_for()
        for value in ("60.1", "60.2", "60.3"):
            enter(one, value)
        enter(two, "25.10")
        for window in (one, two):  # each also counts what the other keeps
            window.foot_says(r"^5 wait, saved on this tablet, since \d\d:\d\d: no network\.")
        offline = len(posts)
        one.context.set_offline(False)
        for window in (one, two):
            window.foot_says("^All saved and with the server")
        assert {entry["status"] for entry in one.rows("entries")} == {"stored"}
        assert one.rows("photos") == []
        assert set(sent_ids(posts[offline:]).values()) == {1}
        two.page.close()
        one.clean()
        two.clean()
    assert [row["value"] for row in work.readings("force")] == ["60.1", "60.2", "60.3"]
    assert [row["value"] for row in work.readings("width")] == ["25.10"]
    assert len(work.sent("photo")) == 1


def test_a_window_learns_what_another_measured_and_does_not_offer_it_again(plan, tablet):
    work = plan(force={"replicates": 1})
    codes = work.codes["force"]
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        two = second(one)
        two.page.goto(one.base + work.address("force"))
        two.page.wait_for_selector(f"[data-specimen='{codes[0]}']")
        one.context.set_offline(True)
        assert enter(one, "60.1") == codes[0]
        two.foot_says("^1 waits, saved on this tablet")
        two.page.locator("[data-slot='value']").fill("60.9")
        two.do("save")
        assert f"{codes[0]} was measured already: 60.1 N by bea." in two.page.locator(".told").inner_text()
        two.do("correct")
        two.go("list")
        assert "60.1 N · waits on this tablet" in two.page.locator(f"[data-place='{codes[0]}']").inner_text()
        two.go("specimen")
        assert two.code == codes[1]
        # The one that kept it goes away: the other sends it.
        one.page.close()
        one.context.set_offline(False)
        two.foot_says("^All saved and with the server")
        two.clean()
    assert [row["value"] for row in work.readings("force")] == ["60.1"]


def test_two_thousand_waiting_entries_are_sent_and_do_not_hold_the_person_up(plan, tablet):
    work = plan(force={"replicates": 335})  # of 6 units
    codes = work.codes["force"]
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.holds(work.address("force"))
        one.context.set_offline(True)
        trial = f"{work.slug}/force"
        one.page.evaluate(KEPT, {"many": MANY, "trial": trial, "codes": codes, "by": "bea"})
        one.page.reload()
        one.page.wait_for_selector("[data-specimen]")
        one.do("next")
        assert one.code == codes[MANY]
        one.foot_says(rf"^{MANY} wait, saved on this tablet")
        for value in ("60.1", "60.2", "60.3"):
            enter(one, value)
        one.foot_says(rf"^{MANY + 3} wait, saved on this tablet")
        one.go("list")
        assert one.page.locator("[data-done='true']").count() == MANY + 3
        one.context.set_offline(False)
        one.page.wait_for_function(
            "() => /^All saved and with the server/.test(document.getElementById('foot').innerText)", timeout=240_000
        )
        one.clean()
    found = work.readings("force")
    assert len(found) == len({row["blind_code"] for row in found}) == MANY + 3


@contextmanager
def a_server_that_hangs(project):
    """Every process of the server stands still: it takes connections and never answers."""
    pids = [process.pid for process in project.processes]
    for pid in pids:
        pids += children_of(pid)
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in pids:
            os.kill(pid, signal.SIGCONT)


def test_a_network_that_neither_answers_nor_fails_opens_the_page_that_is_held(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.holds(work.address("force"))
        with a_server_that_hangs(work.project):
            one.page.reload()
            one.page.wait_for_selector("[data-specimen]")
            enter(one, "60.1")
            one.foot_says("^1 waits, saved on this tablet, since")
        one.page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        one.foot_says("^All saved and with the server")
        one.clean()
    assert wait_until(lambda: [row["value"] for row in work.readings("force")], "the reading") == ["60.1"]


def test_a_page_that_is_not_held_says_so_and_leads_back(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.holds(work.address("force"))
        one.holds("/bench/")
        one.context.set_offline(True)
        one.page.goto(f"{one.base}/bench/conditioning/")
        assert one.page.get_by_role("heading", name="No network").is_visible()
        assert "is still saved on it" in one.page.locator("main").inner_text()
        one.accessible()
        one.page.get_by_role("link", name="Force").tap()
        one.page.wait_for_selector("[data-specimen]")
        one.page.get_by_role("link", name="Bench").tap()  # the list is held with the page
        one.page.get_by_role("heading", name="Bench", exact=True).wait_for()
        one.clean()


def test_a_store_made_by_a_newer_page_still_takes_readings(plan, tablet):
    """As after going back to an older version: what waits there is sent, and the browser is not blamed."""
    work = plan(force={"replicates": 1})
    raised = """version => new Promise((resolve, reject) => {
      const opening = indexedDB.open("evenhand-bench", version);
      opening.onerror = () => reject(opening.error);
      opening.onupgradeneeded = () => opening.result.createObjectStore("of-a-newer-page");
      opening.onsuccess = () => { opening.result.close(); resolve(); };
    })"""
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.context.set_offline(True)
        enter(one, "60.1")
        one.page.evaluate(raised, 7)  # a newer page in another window: this one gives way and goes on
        enter(one, "60.2")
        one.foot_says("^2 wait, saved on this tablet")
        one.context.set_offline(False)
        one.page.reload()
        one.page.wait_for_selector("[data-specimen]")
        one.foot_says("^All saved and with the server")
        one.go("setup")
        assert one.page.locator("[data-remark='storage']").count() == 0
        assert len(one.rows("entries")) == 2
        one.clean()
    assert [row["value"] for row in work.readings("force")] == ["60.1", "60.2"]


PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c4944415408d763f8cfc0000003010100"
    "18dd8db00000000049454e44ae426082"
)
