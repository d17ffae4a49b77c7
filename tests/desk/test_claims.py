"""Claims on the desk: written down, checked, in conflict, governed, copied."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from comparisons.folder.exporter import tables_from_db
from comparisons.models import Event
from comparisons.services import claiming, editing
from comparisons.services.errors import NotAllowed, Stale
from comparisons.services.row_checks import row_faults
from specimens.models import Claim, ProgrammeProduct, Property
from tests.desk.test_products import picture
from tests.public.small_study import import_small

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"


def url(name: str, *args) -> str:
    return reverse(name, args=["strings", *args])


@pytest.fixture
def strings(cast):
    return import_small()


@pytest.fixture
def programme(strings):
    return strings.parts.get().programme


@pytest.fixture
def certification(programme):
    return Property.objects.create(programme=programme, code="mark", name="Mark of safety", kind="certification")


@pytest.fixture
def planner(client, cast, strings):
    client.force_login(cast["planner"], backend=BACKEND)
    return client


@pytest.fixture
def editor(cast, strings):
    from django.test import Client

    client = Client()
    client.force_login(cast["editor"], backend=BACKEND)
    return client


TYPED = {
    "sense": "at_least", "value": "70", "unit": "N", "source": "listing", "wording": "holds 70 N",
    "seen_on": "2026-01-05", "scope": "typical", "of": "value",
}  # fmt: skip


def add(client, **changed):
    return client.post(url("desk-claim-cell", "p00", "force"), TYPED | changed)


def test_a_claim_is_written_down_and_shown_in_its_cell(planner, programme):
    answer = add(planner, photo=SimpleUploadedFile("a.jpg", picture()))
    assert answer["Location"] == url("desk-claims") + "#cell-p00-force"
    claim = Claim.objects.get(code="p00-force")
    assert (claim.value.text, claim.unit, claim.source, claim.wording) == ("70", "N", "listing", "holds 70 N")
    assert claim.attachments.get().caption.endswith("listing")
    page = planner.get(url("desk-claims")).content.decode()
    assert "at least 70\u00a0N" in page and 'id="cell-p00-force"' in page
    event = Event.objects.filter(thing="claim", code="p00-force").get()
    assert event.changes_draft and event.after["value"] == "70"


def test_the_next_product_is_one_click_away(planner, strings):
    answer = planner.post(url("desk-claim-cell", "p00", "knot"), {"sense": "at_least", "value": "4", "next": "yes"})
    assert answer["Location"] == url("desk-claim-cell", "p01", "knot")
    # what stands on the same package is mostly from the same source
    form = planner.get(answer["Location"]).context["form"]
    assert (form["source"].value(), str(form["seen_on"].value())) == ("package", "2026-01-02")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"value": ""}, "expected the value claimed (at_least)"),
        ({"sense": "between", "value": "", "low": "70"}, "expected both ends"),
        ({"sense": "between", "value": "", "low": "70", "high": "60"}, "Found low 70 above high 60"),
        ({"low": "5"}, "does not have"),
        ({"unit": "mm"}, "Found “mm”, a length, expected a force"),
        ({"unit": "kg"}, "write kgf if a force is meant"),
        ({"value": "70,5"}, "write a point for decimals"),
        ({"value": "1e999"}, "expected a plain one"),
        ({"seen_on": (timezone.localdate() + timedelta(days=1)).isoformat()}, "lies ahead"),
        ({"wording": "=HYPERLINK(1)"}, "expected text that does not start with ="),
        ({"source": "a\x00b"}, "Null characters are not allowed"),
        ({"source": "x" * 10_000}, "at most 300"),
        ({"not_tested_because": "No rig.", "trial": "pull"}, "expected one of the two"),
        ({"sense": "yes", "value": ""}, "not one of the available choices"),
    ],
)  # fmt: skip
def test_a_claim_that_may_not_be_is_told_and_keeps_what_was_typed(planner, programme, changed, said):
    if changed.get("trial"):
        changed = changed | {"trial": str(programme.trials.get(code="pull").pk)}
    answer = add(planner, **changed)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert said in page
    assert "wording" in changed or "holds 70 N" in page
    assert Claim.objects.filter(product__code="p00").count() == 1


def test_html_and_marks_of_direction_are_plain_text(planner):
    add(planner, wording="<script>x</script>\u202e70 N", source="<b>shop</b>")
    assert Claim.objects.get(code="p00-force").wording == "<script>x</script>70 N"
    page = planner.get(url("desk-claim-cell", "p00", "force")).content.decode()
    assert "<script>x" not in page and "<b>shop" not in page


def test_the_second_of_two_people_is_told_and_loses_nothing(planner, cast):
    claim = Claim.objects.get(code="p00-min")
    address = url("desk-claim", "p00-min")
    form = planner.get(address).context["form"]
    shown = {name: form[name].value() or "" for name in form.fields}
    fields = [name for name in form.fields if name != "seen"]
    values = {name: getattr(claim, name) for name in fields} | {"wording": "min 63 N"}
    claiming.change_claim(cast["editor"], claim, values, seen=editing.fingerprint(claim, values))
    answer = planner.post(address, shown | {"source": "the box itself"})
    assert answer.status_code == 409
    page = answer.content.decode()
    assert "the box itself" in page and "min 63 N" in page


def test_what_is_checked_on_the_desk_is_what_an_import_checks(programme):
    """One set of rules: a claim that the desk takes can be read again from an export."""
    found = row_faults(programme, "claims", [
        {"claim": "a", "product": "p00", "property": "force", "sense": "at_least", "value": "5", "unit": "N"},
        {"claim": "p00-min", "product": "nobody", "property": "force", "sense": "most", "value": "x"},
    ])  # fmt: skip
    assert {(fault.row, fault.column) for fault in found} == {
        (1, "claim"), (1, "product"), (1, "sense"), (1, "value")
    }  # fmt: skip


# -- sources that disagree -------------------------------------------------------------------------------


def chosen(client, code: str, reason: str, **more):
    (choice,) = client.get(url("desk-claim-cell", "p00", "force")).context["choices"]
    prefix = choice["form"].prefix
    return client.post(
        url("desk-claim-counts", "p00", "force"),
        {"group": prefix, f"{prefix}-claim": code, f"{prefix}-reason": reason,
         f"{prefix}-seen": choice["form"]["seen"].value(), **more}, follow=True,
    )  # fmt: skip


def test_sources_that_disagree_stay_open_until_an_editor_says_which_counts(planner, editor, programme):
    add(planner)
    (conflict,) = claiming.conflicts(programme)
    assert (conflict.claims, conflict.governing) == (("p00-force", "p00-min"), "")
    assert "Sources disagree in 1 place" in planner.get(url("desk-claims")).content.decode()
    assert "An editor says which source counts" in planner.get(url("desk-claim-cell", "p00", "force")).content.decode()
    empty = chosen(editor, "p00-min", " ")
    assert "Write why this source counts" in empty.content.decode()
    chosen(editor, "p00-min", "The package came with the unit that we tested.")
    (conflict,) = claiming.conflicts(programme)
    assert conflict.governing == "p00-min"
    chosen(editor, "p00-force", "The listing is newer.")
    assert [c.code for c in Claim.objects.filter(governs=True)] == ["p00-force"]
    event = Event.objects.filter(verb="chose").latest("id")
    assert event.why == "The listing is newer." and event.before["governs"] is False
    chosen(editor, "p00-force", "x", open="yes")
    assert claiming.conflicts(programme)[0].governing == ""
    assert not any(fault for fault in row_faults(programme, "claims", []))


def test_a_choice_made_on_what_has_changed_since_is_refused(planner, cast, programme):
    add(planner)
    claim = Claim.objects.get(code="p00-min")
    seen = claiming.fingerprint_of(claiming.rivals(claim))
    Claim.objects.filter(code="p00-force").update(value="71")
    with pytest.raises(Stale, match="changed meanwhile"):
        claiming.govern(cast["editor"], claim, "Newer.", seen=seen)
    with pytest.raises(NotAllowed):
        claiming.govern(cast["planner"], claim, "Newer.", seen=claiming.fingerprint_of(claiming.rivals(claim)))


def test_equal_amounts_in_other_units_are_no_conflict(planner, programme):
    add(planner, value="0.062", unit="kN")
    assert claiming.conflicts(programme) == []


# -- certifications --------------------------------------------------------------------------------------


def test_a_certification_goes_through_its_states(planner, programme, certification):
    address = url("desk-claim-cell", "p00", "mark")
    bare = planner.post(address, {"certification_state": "verified", "source": "package", "seen_on": "2026-01-02"})
    assert bare.status_code == 422
    page = bare.content.decode()
    assert "expected the number of the entry" in page
    assert "expected when the issuer&#x27;s directory was looked at" in page
    planner.post(address, {"certification_state": "not_found", "source": "package", "wording": "the mark",
                           "reference": "E 1234", "checked_on": "2026-02-03"})  # fmt: skip
    claim = Claim.objects.get(property=certification)
    assert (claim.sense, claim.certification_state) == ("yes", "not_found")
    page = planner.get(url("desk-claims")).content.decode()
    assert "claimed; could not verify on 3 February 2026" in page
    for word in ("fake", "counterfeit", "false", "fraud"):
        assert word not in page.lower()


# -- many at once ----------------------------------------------------------------------------------------


def test_a_column_is_written_down_at_once_or_not_at_all(planner, programme):
    address = url("desk-claim-column", "knot")
    shared = {"sense": "at_least", "scope": "typical", "source": "package", "seen_on": "2026-01-02"}
    bad = planner.post(address, shared | {"p00-value": "4", "p01-value": "4,5"})
    assert bad.status_code == 422 and 'value="4,5"' in bad.content.decode()
    worse = planner.post(address, shared | {"p00-value": "4", "p01-wording": "only words"})
    assert worse.status_code == 422 and not Claim.objects.filter(property__code="knot").exists()
    assert planner.post(address, shared).status_code == 422
    planner.post(address, shared | {"p00-value": "4", "p00-wording": "4 of 5", "p01-value": "3"})
    assert list(
        Claim.objects.filter(property__code="knot").order_by("code").values_list("code", "value", "source", "wording")
    ) == [("p00-knot", Decimal("4"), "package", "4 of 5"), ("p01-knot", Decimal("3"), "package", "")]


def test_one_source_for_a_whole_column(planner, programme):
    Claim.objects.filter(code="p01-min").update(source="", seen_on=None)
    planner.post(url("desk-claim-same", "force"), {"same-source": "data sheet 3", "same-seen_on": "2026-01-09"})
    rows = dict(Claim.objects.filter(property__code="force").values_list("code", "source"))
    assert rows == {"p00-min": "package", "p01-min": "data sheet 3"}
    planner.post(url("desk-claim-same", "force"), {"same-source": "data sheet 4", "same-over": "on"})
    assert set(Claim.objects.filter(property__code="force").values_list("source", flat=True)) == {"data sheet 4"}
    ahead = (timezone.localdate() + timedelta(days=3)).isoformat()
    planner.post(url("desk-claim-same", "force"), {"same-seen_on": ahead, "same-over": "on"})
    assert not Claim.objects.filter(seen_on=ahead).exists()


def test_a_row_is_copied_without_what_is_of_one_product_alone(planner, cast, programme, certification):
    planner.post(url("desk-claim-cell", "p00", "mark"), {
        "certification_state": "verified", "source": "package", "reference": "E 1", "checked_on": "2026-02-03",
    })  # fmt: skip
    p00, p01 = (ProgrammeProduct.objects.get(code=code) for code in ("p00", "p01"))
    answer = planner.post(url("desk-claims-copy"), {"copy-source": p00.pk, "copy-targets": [p01.pk]}, follow=True)
    assert "1 claim copied; 1 passed over" in answer.content.decode()
    copied = p01.claims.get(property=certification)
    assert (copied.certification_state, copied.reference, copied.source) == ("claimed", "", "package")
    assert p01.claims.filter(property__code="force").count() == 1


# -- what the check before publication asks --------------------------------------------------------------


def test_points_of_claims(planner, programme, certification):
    add(planner, wording="0.0178 mm (0.007 in)", source="", seen_on="")
    planner.post(url("desk-claim-cell", "p01", "mark"), {"certification_state": "claimed", "source": "package"})
    points = claiming.claim_points(programme)
    kinds = {(p["kind"], p["claim"], p["stops"]) for p in points}
    assert kinds >= {
        ("no_source", "p00-force", True), ("no_date", "p00-force", False), ("printed_twice", "p00-force", False),
        ("not_as_printed", "p00-force", False), ("sources_disagree", "p00-force", False),
        ("not_looked_up", "p01-mark", False),
    }  # fmt: skip
    text = next(p["text"] for p in points if p["kind"] == "printed_twice")
    assert text == (
        "Ullvane String 00, breaking force: “0.0178 mm” and “0.007 in” do not agree: 0.0178 mm is 0.0007 in, "
        "a tenth of what the other says"
    )


def test_a_claim_without_a_trial_asks_why(planner, programme):
    Property.objects.create(programme=programme, code="heat", name="Heat", kind="quantity", unit="degC")
    planner.post(url("desk-claim-cell", "p00", "heat"), {
        "sense": "at_most", "value": "105", "unit": "°C", "source": "package", "wording": "105 °C"})  # fmt: skip
    points = [p for p in claiming.claim_points(programme) if p["kind"] == "not_tested"]
    assert [p["text"] for p in points] == ["Ullvane String 00, heat: not tested, and why is not written down"]
    Claim.objects.filter(code="p00-heat").update(not_tested_because="Needs a licensed laboratory.")
    assert not [p for p in claiming.claim_points(programme) if p["kind"] == "not_tested"]


def test_the_print_is_kept_and_flagged_on_the_desk(planner, programme):
    add(planner, wording="2900 psi / 2 MPa")
    claim = Claim.objects.get(code="p00-force")
    assert claim.wording == "2900 psi / 2 MPa"
    assert tables_from_db(programme.comparisons.get())["claims"]["wording"].count("2900 psi / 2 MPa") == 1
    page = planner.get(url("desk-claim", "p00-force")).content.decode()
    assert "“2900 psi” and “2 MPa” do not agree: 2900 psi is 20 MPa, ten times what the other says" in page
    assert "printed in two units that do not agree" in planner.get(url("desk-claims")).content.decode()


# -- pages -----------------------------------------------------------------------------------------------


def test_the_pages_take_the_same_queries_at_any_size(client, cast, django_assert_max_num_queries):
    client.force_login(cast["planner"], backend=BACKEND)
    import_small("few", products=2)
    import_small("many", products=14)
    for slug in ("few", "many"):
        with django_assert_max_num_queries(24):
            assert client.get(reverse("desk-claims", args=[slug])).status_code == 200
        with django_assert_max_num_queries(26):
            assert client.get(reverse("desk-claim-cell", args=[slug, "p00", "force"])).status_code == 200
        with django_assert_max_num_queries(16):
            assert client.get(reverse("desk-claim-column", args=[slug, "force"])).status_code == 200
        programme = ProgrammeProduct.objects.filter(programme__slug=slug).first().programme
        with django_assert_max_num_queries(16):
            claiming.claim_points(programme)


def test_bench_members_look_and_change_nothing(client, cast, strings):
    client.force_login(cast["bench-member"], backend=BACKEND)
    page = client.get(url("desk-claims")).content.decode()
    assert "write down" not in page and "Copy a row" not in page
    assert add(client).status_code == 422
    assert Claim.objects.filter(product__code="p00").count() == 1


def test_a_claim_can_be_removed_and_the_record_keeps_it(planner, programme):
    planner.post(url("desk-claim-remove", "p00-min"))
    assert not Claim.objects.filter(code="p00-min").exists()
    assert Event.objects.get(verb="removed", code="p00-min").before["wording"] == "min. 62 N"
