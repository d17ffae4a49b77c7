"""What is chosen and not typed: ratings with their anchors, panels, pass and fail, how a specimen ended."""

from __future__ import annotations

import pytest

from tests.services.processes import wait_until

from .conftest import PHONE, TABLET
from .test_bench_entry import all_there, picture


def test_pass_or_fail_and_ratings_are_large_keys(plan, tablet):
    work = plan(holds={"replicates": 1}, edge={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("holds"))
        one.begin()
        one.rested()
        one.do("save")
        assert one.page.locator(".said").inner_text() == "Choose pass or fail first."
        for verdict in ("pass", "fail"):
            one.pick("choice", verdict)
            one.save()
        one.page.goto(one.base + work.address("edge"))
        one.begin()
        assert one.page.locator("[data-pick='choice']").count() == 9
        one.pick("choice", "7")
        one.save()
        one.foot_says("All saved")
        one.clean()
    assert [row["value"] for row in all_there(work, "holds", 2)] == ["pass", "fail"]
    assert [row["value"] for row in all_there(work, "edge", 1)] == ["7"]


def test_a_panel_rates_in_orders_of_their_own_and_sees_nothing_of_each_other(plan, tablet):
    work = plan(edge={"replicates": 1, "raters": ["bea", "ben"]})
    orders = {}
    with tablet() as hers, tablet() as his:
        for name, one, step in (("bea", hers, "7"), ("ben", his, "3")):
            one.sign_in(name, work.address("edge"))
            one.begin()
            orders[name] = []
            while one.code:
                orders[name].append(one.code)
                one.pick("choice", step)
                one.save()
            one.foot_says("All saved")
            one.go("list")
            other = "7" if step == "3" else "3"
            shown = one.page.locator(".place-words").all_inner_texts()
            assert all(words.startswith(step) for words in shown) and not any(w.startswith(other) for w in shown)
        assert sorted(orders["bea"]) == sorted(orders["ben"]) and orders["bea"] != orders["ben"]
        # Four steps apart: each is asked for another look, which replaces the first.
        code = orders["bea"][0]
        hers.page.reload()
        hers.page.wait_for_selector(".specimen form")
        assert hers.code == code and "once more" in hers.page.locator(".hint").inner_text()
        hers.pick("choice", "5")
        hers.save()
        hers.foot_says("All saved")
        assert hers.code == orders["bea"][1]
    rows = [row for row in work.readings("edge") if row["blind_code"] == code and row["rater"] == "bea"]
    assert [row["value"] for row in rows] == ["7", "5"] and rows[1]["replaced"] == rows[0]["code"]


def test_a_failure_that_the_method_calls_invalid_keeps_the_reading_in_sight_and_uncounted(plan, tablet):
    work = plan(pull={"replicates": 1})
    first = work.codes["pull"][0]
    with tablet() as one:
        one.sign_in("bea", work.address("pull"))
        one.begin(value="stand")
        assert "not counted" in one.page.locator(".pick", has_text="broke in the jaw").inner_text()
        one.keys("40.2")
        one.pick("mode", "jaw")
        one.save()
        one.foot_says("All saved")
        one.do("last")
        assert one.code == first
        facts = one.page.locator(".reading-facts").first.inner_text()
        assert "broke in the jaw · not counted" in facts and "with the server" in facts
        one.clean()
    row = all_there(work, "pull", 1)[0]
    assert (row["value"], row["failure_mode"], row["void"]) == ("40.2", "jaw", None)


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_how_it_ended_is_asked_for_and_may_stay_open(plan, tablet, size):
    work = plan(pull={"replicates": 1})
    with tablet(size) as one:
        one.sign_in("bea", work.address("pull"))
        one.begin(value="stand")
        one.keys("61.2")
        code = one.code
        one.do("save")  # leads there first, without a question
        assert one.page.locator(".said").inner_text() == "How did it end? Choose it, or tap again to go on without."
        assert one.page.locator("dialog").count() == 0
        box = one.page.locator(".modes .pick").first.bounding_box()
        assert box["y"] + box["height"] <= one.page.locator("[data-do='save']").bounding_box()["y"]
        one.do("save")
        assert one.page.locator(".told").inner_text() == "How it ended was not chosen."
        one.do("stand")
        one.moved_on(code)
        one.foot_says("All saved")
        one.clean()
    row = all_there(work, "pull", 1)[0]
    assert row["failure_mode"] == "" and "How it ended was not chosen. Kept." in row["decision"]


def test_the_steps_of_a_scale_are_anchored_by_photos_with_and_without_network(plan, tablet):
    work = plan(edge={"replicates": 1, "raters": ["bea"]})
    shot = picture((640, 480))
    trial = f"Trial.objects.get(programme__slug={work.slug!r}, code='edge')"
    for step, name in (("1", "sharp"), ("9", "smooth")):
        work.ask(
            "__import__('specimens.bench.photos', fromlist=['anchor'])"
            f".anchor({trial}, {step!r}, bytes.fromhex({shot.hex()!r}), name={name!r}, alt='An edge, {name}',"
            " actor=User.objects.get(username='pat')).pk"
        )
    with tablet() as one:
        one.sign_in("bea", work.address("edge"))
        one.begin()
        anchors = one.page.locator(".steps img")
        for offline in (False, True):
            assert anchors.count() == 2
            for at, name in enumerate(("sharp", "smooth")):
                wait_until(lambda at=at: anchors.nth(at).evaluate("one => one.complete && one.naturalWidth"), "a photo")
                assert anchors.nth(at).get_attribute("alt") == f"An edge, {name}"
                assert name in one.page.locator(".steps .pick").nth(8 * at).inner_text()
            assert one.page.locator("[data-pick='choice']").count() == 9
            if not offline:
                one.holds(work.address("edge"))
                for at in range(2):
                    one.holds(anchors.nth(at).get_attribute("src"))
                one.context.set_offline(True)
                one.page.reload()
                one.page.wait_for_selector(".specimen")
        one.accessible()
        one.pick("choice", "9")
        one.save()
        one.context.set_offline(False)
        one.foot_says("All saved")
        one.clean()
    assert [row["value"] for row in all_there(work, "edge", 1)] == ["9"]
