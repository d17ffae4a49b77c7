"""Entering readings by touch: a whole trial, and everything that a specimen's screen can say."""

from __future__ import annotations

import io
import json

import pytest
from PIL import Image

from tests.services.processes import wait_until


def all_there(work, trial: str, count: int) -> list[dict]:
    return wait_until(lambda: len(found := work.readings(trial)) >= count and found, f"{count} readings")


def picture(size=(3200, 2400)) -> bytes:
    kept = io.BytesIO()
    Image.effect_noise(size, 40).convert("RGB").save(kept, "JPEG")
    return kept.getvalue()


def test_a_whole_trial_is_entered_by_tapping(plan, tablet):
    work = plan(pull={"replicates": 2})
    codes = work.codes["pull"]
    values = {code: f"{60 + i / 10:.1f}" for i, code in enumerate(codes)}
    with tablet() as one:
        one.sign_in("bea", work.address("pull"))
        one.begin(value="stand")
        for code in codes:
            assert one.code == code
            one.keys(values[code])
            one.pick("mode", "slip")
            one.save()
        assert one.page.get_by_role("heading", name=f"All {len(codes)} specimens are measured").is_visible()
        one.foot_says("All saved and with the server")
        one.clean()
    found = all_there(work, "pull", len(codes))
    assert [row["blind_code"] for row in found] == codes
    assert {row["blind_code"]: row["value"] for row in found} == values
    assert {row["unit_of_measure"] for row in found} == {"N"} and {row["operator"] for row in found} == {"bea"}
    assert all(row["gauge"].startswith("stand") and row["failure_mode"] == "slip" for row in found)
    assert all(row["taken_at_text"] and row["received_at"] for row in found)
    assert not any(row["decision"] for row in found)
    assert len(work.sent("confirm_cautions")) == 1


def test_hazardous_work_does_not_begin_before_its_cautions_are_confirmed(plan, tablet):
    work = plan(pull={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("pull"))
        one.pick("gauge-value", "stand")
        assert one.page.get_by_text("Shield closed; eye protection on.").is_visible()
        one.do("begin")
        assert one.page.locator(".said").inner_text() == "Confirm the cautions before work begins."
        assert one.page.locator(".specimen").count() == 0
        one.begin()
        assert one.code == work.codes["pull"][0]
        one.page.reload()
        one.page.wait_for_selector(".specimen")  # confirmed once a session, kept over a reload
        one.clean()


def test_dimensions_come_first_and_one_key_leads_through_them(plan, tablet):
    work = plan(peel={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("peel"))
        one.begin(width="calliper", value="stand")
        save = one.page.locator("[data-do='save']")
        one.keys("25.10")
        assert save.inner_text() == "Next: Peel"
        save.tap()
        assert one.page.evaluate("document.activeElement.dataset.slot") == "value"
        one.keys("84.5")
        assert save.inner_text() == "Save"
        one.save()
        one.foot_says("All saved")
    peel, width = all_there(work, "peel", 1)[0], all_there(work, "width", 1)[0]
    assert (peel["value"], peel["unit_of_measure"]) == ("84.5", "N")
    assert (width["value"], width["unit_of_measure"], width["blind_code"]) == ("25.10", "mm", peel["blind_code"])
    assert width["gauge"].startswith("calliper") and peel["gauge"].startswith("stand")


def test_the_unit_of_the_gauge_is_remembered_and_shown_both_ways(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.keys("61.2")
        assert one.page.locator(".slot-told").inner_text() == "Read as 61.2 N, which is 13.76 lbf."
        one.tap("[data-unit='value']")
        one.pick("unit-value", "lbf")
        assert one.page.locator(".slot-told").inner_text() == "Read as 61.2 lbf, which is 272.2 N."
        one.save()
        one.page.reload()
        one.page.wait_for_selector(".specimen")
        assert one.page.locator("[data-unit='value']").inner_text() == "lbf"
        one.foot_says("All saved")
    row = all_there(work, "force", 1)[0]
    assert (row["value"], row["unit_of_measure"]) == ("61.2", "lbf")


@pytest.mark.parametrize(("sign", "value", "bound"), [(">", "500", ">"), ("<", "0.1", "<")])
def test_bounds(plan, tablet, sign, value, bound):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.pick("bound", sign)
        if sign == ">":
            one.keys(value)
        else:  # what the gauge resolves is filled in
            assert one.page.locator("[data-slot='value']").input_value() == "0.1"
        one.do("save")
        if one.page.locator("dialog").count():
            one.do("stand")
        one.foot_says("All saved")
    row = all_there(work, "force", 1)[0]
    assert (row["value"], row["bound"]) == (value, bound)


def test_slips_are_told_before_saving_and_the_decision_is_on_the_record(plan, tablet):
    work = plan(force={"replicates": 3})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="old")  # 1 to 50 N, its calibration ran out
        for value in ("40.1", "40.3", "40.2"):
            one.keys(value)
            one.do("save")
            told = one.page.locator(".told").inner_text()
            assert "ran out on 2026-01-01" in told
            before = one.code
            one.do("stand")
            one.moved_on(before)
        one.keys("402.55")
        one.do("save")
        told = one.page.locator(".told").inner_text()
        for words in ("above the range of", "finer than", "outside the plausible range, 2 to 400 N", "ran out on"):
            assert words in told, told
        one.do("correct")  # nothing is saved, and what was typed is still there
        assert one.page.locator("[data-slot='value']").input_value() == "402.55"
        one.tap("[data-key='clear']")
        one.keys("40.4")
        one.do("save")
        one.page.locator("#why").fill("old gauge on purpose")
        before = one.code
        one.do("stand")
        one.moved_on(before)
        one.foot_says("All saved")
    last = all_there(work, "force", 4)[-1]
    assert last["value"] == "40.4"
    assert "Told of 402.55 N" in last["decision"] and "Corrected before saving." in last["decision"]
    assert last["decision"].rstrip().endswith("Kept: old gauge on purpose")


def test_amend_void_and_measure_again_leave_the_old_in_sight(plan, tablet):
    work = plan(force={"replicates": 1})
    first, second = work.codes["force"][:2]
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.keys("61.2")
        one.save()
        one.do("last")
        one.do("amend")
        assert one.page.locator("[data-slot='value']").input_value() == "61.2"
        one.tap("[data-key='back']")
        one.keys("3")
        one.do("save")
        one.do("reason")
        assert "A reason is needed" in one.page.locator("dialog").inner_text()
        one.pick("reason", "Typed wrongly")
        one.do("reason")
        one.page.wait_for_selector(f"[data-specimen='{second}']")
        one.keys("59.9")
        one.save()
        one.do("last")
        one.do("void")
        one.pick("reason", "Slipped in the grip")
        one.do("reason")
        one.page.wait_for_selector(f"[data-specimen='{second}'] form")  # open again
        assert "void: Slipped in the grip" in one.page.locator(".measured").inner_text()
        one.keys("60.1")
        one.save()
        one.go("list")
        one.tap(f"[data-place='{first}']")
        values = one.page.locator(".reading-value").all_inner_texts()
        assert values == ["61.2 N", "61.3 N"]
        assert "replaced by a later reading" in one.page.locator(".readings").inner_text()
        one.foot_says("All saved")
        one.clean()
    found = {row["value"]: row for row in all_there(work, "force", 4)}
    assert found["61.3"]["replaced"] == found["61.2"]["code"]
    assert found["61.3"]["replace_reason"] == "Typed wrongly"
    assert found["59.9"]["void"] == "Slipped in the grip" and not found["60.1"]["void"]


def test_jumping_ahead_is_allowed_and_the_order_done_is_kept(plan, tablet):
    work = plan(force={"replicates": 1})
    codes = work.codes["force"]
    with tablet() as one:
        one.sign_in("bea", work.address("force") + f"#{codes[3]}")
        one.begin(value="stand")
        assert one.code == codes[3]  # as from a label
        one.keys("61.0")
        one.save()
        assert one.code == codes[4]
        one.go("list")
        one.page.locator("#find").fill(codes[1].lower())
        one.tap(f"[data-place='{codes[1]}']")
        one.keys("62.0")
        one.save()
        one.foot_says("All saved")
    done = [(row["blind_code"], int(float(row["order"]))) for row in all_there(work, "force", 2)]
    assert sorted(done, key=lambda pair: pair[1]) == [(codes[3], 1), (codes[1], 2)]


def test_a_new_run_begins_with_its_reason(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.keys("61.2")
        one.save()
        one.go("setup")
        one.do("new-run")
        one.do("run")
        assert "Say what has changed" in one.page.locator("dialog").inner_text()
        one.page.locator("#run-reason").fill("a new pair of jaws")
        one.do("run")
        one.page.get_by_text("A new run has begun").wait_for()
        one.do("begin")
        one.keys("61.4")
        one.save()
        one.foot_says("All saved")
    runs = {row["value"]: row["run_code"] for row in all_there(work, "force", 2)}
    assert runs["61.4"] == "r2" and runs["61.2"] in (None, "r1")


def test_photos_are_made_small_and_reach_their_reading(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.keys("61.2")
        big = picture()
        one.page.locator("#photo-choose").set_input_files(
            [{"name": "jaw.jpg", "mimeType": "image/jpeg", "buffer": big}]
        )
        one.page.locator(".thumbs img").wait_for()
        one.page.locator("#photo-take").set_input_files(
            [{"name": "trick.jpg", "mimeType": "image/jpeg", "buffer": b"<script>alert(1)</script>"}]
        )
        one.page.get_by_text("“trick.jpg” is no picture that this tablet can read").wait_for()
        assert one.page.locator(".thumbs img").count() == 1
        one.page.locator("#note").fill("broke beside the jaw")
        one.save()
        one.foot_says("All saved")
        assert one.rows("photos") == []
        one.clean()
    reading = all_there(work, "force", 1)[0]
    assert reading["note"] == "broke beside the jaw"
    sent = json.loads(work.sent("photo")[0]["content"])
    kept = work.project.rows(f"SELECT * FROM specimens_attachment WHERE reading_id = {reading['id']}")
    assert len(kept) == 1 and kept[0]["path"] == sent["path"]
    stored = Image.open(work.project.data / "files" / kept[0]["content"])
    assert stored.format == "JPEG" and stored.size == (1600, 1200) and not stored.getexif()


def test_a_dimension_typed_wrongly_is_amended_in_its_own_trial(plan, tablet):
    work = plan(peel={"replicates": 1})
    first = work.codes["peel"][0]
    with tablet() as one:
        one.sign_in("bea", work.address("peel"))
        one.begin(width="calliper", value="stand")
        one.keys("25.10")
        one.do("save")
        one.keys("84.5")
        one.save()
        one.foot_says("All saved")
        one.page.reload()  # what follows rests on what the server told
        one.page.wait_for_selector("form.reading")
        one.go("list")
        one.tap(f"[data-place='{first}']")
        assert "Width 25.10 mm" in one.page.locator(".reading-facts").first.inner_text()
        one.do("amend")
        field = one.page.locator("[data-slot='width']")
        assert field.input_value() == "25.10"
        field.fill("21.50")
        one.do("save")
        one.pick("reason", "Typed wrongly")
        one.do("reason")
        one.page.wait_for_selector(f"[data-specimen]:not([data-specimen='{first}'])")
        one.foot_says("All saved")
        one.clean()
    widths = {row["value"]: row for row in all_there(work, "width", 2)}
    assert widths["21.50"]["replaced"] == widths["25.10"]["code"]
    assert widths["21.50"]["gauge"].startswith("calliper")
    peels = all_there(work, "peel", 2)
    assert [row["value"] for row in peels] == ["84.5", "84.5"] and peels[1]["replaced"] == peels[0]["code"]


def test_a_slip_of_unit_is_told_without_network(plan, tablet):
    work = plan(width={"replicates": 3})
    with tablet() as one:
        one.sign_in("bea", work.address("width"))
        one.begin(value="calliper")
        one.context.set_offline(True)
        for value in ("25.10", "25.04", "25.12"):
            one.keys(value)
            one.save()
        # The siblings of a specimen are those of its own product; jump to one whose product has readings.
        one.go("list")
        hints = one.page.locator("[data-place]").all_inner_texts()
        product = hints[0].split("\n")[1].split(",")[0]
        place = one.page.locator("[data-done='false']").filter(has_text=product).first
        place.tap()
        one.keys("0.98")
        one.do("save")
        told = one.page.locator(".told").inner_text()
        assert "1/25.4 of its siblings; millimetre for inch (median 25." in told
        one.do("correct")
        one.clean()


def test_what_is_not_yet_conditioned_is_said_and_may_be_measured(plan, tablet):
    work = plan(aged={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("aged"))
        one.begin(value="stand")
        assert "Not ready: its conditioning was not started." in one.page.locator(".specimen").inner_text()
        one.keys("61.2")
        one.pick("mode", "slip")
        before = one.code
        one.do("save")
        assert one.page.locator(".told").inner_text() == "By the record its conditioning was not started."
        one.do("stand")
        one.moved_on(before)
        one.foot_says("All saved and with the server")
        one.go("list")
        assert one.page.get_by_text("The server remarked").count() == 0  # it only repeats what was decided on
        one.clean()
    assert "conditioning was not started. Kept." in all_there(work, "aged", 1)[0]["decision"]


def test_a_second_tap_of_the_same_finger_answers_no_question(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.keys("6000")
        ready = one.page.evaluate("""() => {
            document.querySelector("[data-do='save']").click();
            return new Promise((done) => requestAnimationFrame(() => {
              const key = document.querySelector("[data-do='stand']");
              key.click();
              done([key.disabled, document.querySelectorAll("dialog[open]").length]);
            }));
        }""")
        assert ready == [True, 1]
        one.do("stand")  # a moment later it takes the tap
        one.foot_says("All saved")
        one.clean()
    assert len(all_there(work, "force", 1)) == 1


def test_a_code_that_is_mistyped_is_said_in_words(plan, tablet):
    work = plan(force={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("force"))
        one.begin(value="stand")
        one.go("list")
        one.page.locator("#find").fill("QQQQ0")
        assert "No code of this trial has these signs." in one.page.locator(".places").inner_text()
        one.page.locator("#find").press("Enter")
        said = one.page.locator(".list .said").inner_text()
        assert said == "No specimen of this trial has the code QQQQ0: check it, or scan its label."
        one.clean()


def test_what_is_half_typed_outlives_a_reload(plan, tablet):
    work = plan(pull={"replicates": 1})
    with tablet() as one:
        one.sign_in("bea", work.address("pull"))
        one.begin(value="stand")
        one.keys("61.2")
        one.pick("mode", "jaw")
        one.page.locator("#note").fill("a crack before the test")
        one.page.reload()
        one.page.wait_for_selector("form.reading")
        assert one.page.locator("[data-slot='value']").input_value() == "61.2"
        assert one.page.locator("[data-pick='mode']:checked").get_attribute("value") == "jaw"
        one.rested()
        one.save()
        one.foot_says("All saved")
        assert one.page.locator("[data-slot='value']").input_value() == ""
        one.clean()
    row = all_there(work, "pull", 1)[0]
    assert (row["value"], row["failure_mode"], row["note"]) == ("61.2", "jaw", "a crack before the test")
