"""Writing on the desk: saving, two at once, picking, photos, and what is stopped."""

from __future__ import annotations

import io
import json

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from comparisons.models import Approval, ApprovalRequest, Comparison, Edition, Event
from comparisons.services import approval, evaluation, publishing, tied, writing
from comparisons.services.editing import Changed
from comparisons.services.errors import NotAllowed, NotReady
from comparisons.services.record import record
from comparisons.services.verification import verify_path
from specimens.models import Attachment, Reading
from tests.public.staging import evaluated, publish

pytestmark = pytest.mark.django_db
HOLDS = "[String 01 is stronger](holds:difference/pull/p01/p00/more)"
VALUE = "It held [x](value:summaries/pull/p00/mean)."


@pytest.fixture
def comparison(cast):
    """Three products, four units of each: p02 and p00 lie far enough apart for a test to tell."""
    return evaluated(products=3, units=4, per_unit=3)


@pytest.fixture
def page(client, cast):
    client.force_login(cast["planner"], backend="django.contrib.auth.backends.ModelBackend")
    return lambda **typed: client.post(address(), typed) if typed else client.get(address())


def address(name: str = "desk-article") -> str:
    return reverse(name, args=["strings"])


def write(comparison, cast, text: str) -> Comparison:
    return writing.save_article(
        comparison, actor=cast["planner"], text=text, seen=writing.seen_of(Comparison.objects.get(pk=comparison.pk))
    )


def photo(width=40, height=30, form="JPEG", **options) -> SimpleUploadedFile:
    out = io.BytesIO()
    Image.new("RGB", (width, height), "grey").save(out, form, **options)
    return SimpleUploadedFile("IMG 1.jpg", out.getvalue(), content_type="image/jpeg")


def result(comparison) -> dict:
    comparison.refresh_from_db()
    return json.loads(comparison.standing.evaluation.document)


def test_saving_keeps_what_it_was_before_and_makes_the_results_stale(comparison, cast):
    before = comparison.article
    write(comparison, cast, "# New\r\n\r\nText\x00.\n\n")
    comparison.refresh_from_db()
    assert comparison.article == "# New\n\nText."
    event = Event.objects.get(thing="article")
    assert (event.before, event.after) == ({"article": before}, {"article": "# New\n\nText."})
    assert event.changes_draft and event.actor == cast["planner"]
    assert not evaluation.standing(comparison).fresh


def test_saving_the_same_text_again_is_no_change(comparison, cast):
    write(comparison, cast, comparison.article + "\n\n")
    assert not Event.objects.filter(thing="article").exists()
    assert evaluation.standing(comparison).fresh


def test_who_does_not_prepare_does_not_write(comparison, cast):
    with pytest.raises(NotAllowed):
        writing.save_article(
            comparison, actor=cast["bench-member"], text="x", seen=writing.seen_of(comparison)
        )


def test_a_megabyte_is_refused_in_one_line_and_comes_back(comparison, page):
    typed = "word " * 200_000
    answer = page(text=typed, seen=writing.seen_of(comparison), do="save")
    assert answer.status_code == 422
    assert "more than 300000: shorten it" in answer.content.decode()
    assert answer.context["text"] == typed
    assert Comparison.objects.get().article == comparison.article


def test_the_second_of_two_sees_both_texts_and_loses_nothing(comparison, cast, page):
    comparison.article = "First.\n\nIt held much.\n\nLast."
    comparison.save(update_fields=["article"])
    seen = writing.seen_of(comparison)
    writing.save_article(comparison, actor=cast["editor"], text="First.\n\nIt held 9.\n\nLast.", seen=seen)
    answer = page(text="First.\n\nIt held <b>much</b>.\n\nLast. More.", seen=seen, do="save")
    html = answer.content.decode()
    assert answer.status_code == 409
    assert "editor saved another text while you had this open" in html
    assert "First.\n\nIt held &lt;b&gt;much&lt;/b&gt;.\n\nLast. More." in html  # in the field
    assert "First.\n\nIt held 9.\n\nLast.</textarea>" in html
    assert "<del>9.</del>" in html and "<ins> More.</ins>" in html
    assert Comparison.objects.get().article == "First.\n\nIt held 9.\n\nLast."
    again = page(text="Both.", seen=answer.context["seen"], do="save")
    assert again.status_code == 302
    assert Comparison.objects.get().article == "Both."


def test_a_fingerprint_that_never_was_is_a_change(comparison, cast):
    with pytest.raises(Changed):
        writing.save_article(comparison, actor=cast["planner"], text="x", seen="nonsense")


def test_differences_are_told_by_words():
    (one,) = writing.text_differences("a\nIt held 61 N in the heat\nb", "a\nIt held 64 N in the heat\nb")
    assert [words for words, apart in one.theirs if apart] == ["61"]
    assert [words for words, apart in one.yours if apart] == ["64"]
    assert "".join(words for words, _ in one.yours) == "It held 64 N in the heat"
    assert writing.text_differences("same", "same") == []
    (added,) = writing.text_differences("a", "a\n\nnew")
    assert (added.theirs, added.yours) == ((), (("new", True),))


def test_the_page_shows_values_and_marks_what_does_not_hold(comparison, page):
    comparison.article = f"{VALUE} [p00 is the strongest](holds:most/pull/p00/best)."
    comparison.save(update_fields=["article"])
    answer = page()
    html = answer.content.decode()
    mean = next(s for s in result(comparison)["summaries"] if (s["trial"], s["product"]) == ("pull", "p00"))["mean"]
    assert f'href="{reverse("desk-results", args=["strings"])}#trial-pull"' in html
    assert f">{mean:.0f}" in html or f">{mean:.1f}" in html
    assert "1 point stops approval and publication" in html
    assert 'class="broken"' in html and 'class="why"' in html


def test_the_preview_is_of_what_was_sent_and_stores_nothing(comparison, page, client):
    answer = client.post(address("desk-article-preview"), {"text": "<script>x</script> **bold** 99 N"})
    html = answer.content.decode()
    assert "<strong>bold</strong>" in html and "<script" not in html
    assert "“99 N” looks like a result" in html
    assert Comparison.objects.get().article == comparison.article


def test_a_value_is_inserted_at_the_end_or_where_the_cursor_was(comparison, page):
    typed = {"value-what": "summaries/n", "value-trial": "pull", "value-product": "p00", "do": "value", "seen": "s"}
    piece = "[12 specimens](value:summaries/pull/p00/n)"
    assert page(text="We tore", **typed).context["text"] == f"We tore {piece}"
    assert page(text="", **typed).context["text"] == piece
    # the browser counts UTF-16 units: the picture sign has two
    assert page(text="\U0001f4cf of p00.", at="3", **typed).context["text"] == f"\U0001f4cf {piece}of p00."
    assert page(text="We", at="9999", **typed).context["text"] == f"We {piece}"
    assert Comparison.objects.get().article == comparison.article


def test_a_tie_that_does_not_hold_is_not_inserted_and_says_why(comparison, page):
    typed = {"tie-what": "difference/less", "tie-trial": "pull", "tie-product": "p02", "tie-other": "p00"}
    answer = page(text="Kept.", do="tie", seen="s", **typed)
    assert answer.status_code == 422
    assert "The difference shown is the other way round" in answer.context["fault"]
    assert answer.context["text"] == "Kept."
    assert '<option value="p02" selected>' in answer.content.decode()
    typed["tie-what"] = "difference/more"
    words = page(text="Kept.", do="tie", seen="s", **typed, **{"tie-words": "It *wins*"}).context["text"]
    assert words == r"Kept. [It \*wins\*](holds:difference/pull/p02/p00/more)"


def test_the_script_is_told_the_same(comparison, page, client):
    asked = {"do": "tie", "tie-what": "difference/more", "tie-trial": "pull", "tie-product": "p02", "tie-other": "p00"}
    told = client.get(address("desk-article-pick"), asked).json()
    assert told["markdown"].endswith("(holds:difference/pull/p02/p00/more)") and "difference +" in told["aside"]
    asked["tie-other"] = ""
    assert client.get(address("desk-article-pick"), asked).json() == {"why": "Choose also: against."}
    assert client.get(address("desk-article-pick"), {"do": "x"}).json() == {"why": "Choose first what to insert."}


def test_a_photo_is_kept_without_its_place_and_shown_in_the_article(comparison, cast, page, client):
    exif = Image.Exif()
    exif[0x010F] = "A camera of ours"
    trial = comparison.programmes.get().trials.get(code="pull")
    answer = page(
        text="Before.", seen="s", do="upload", photo=photo(exif=exif), **{
            "photo-about": f"trial:{trial.pk}", "photo-alt": "Two clamps hold a string.", "photo-caption": "The rig",
        }
    )  # fmt: skip
    made = Attachment.objects.get()
    assert answer.context["text"] == f'Before.\n\n![Two clamps hold a string.]({made.path} "The rig")\n'
    assert b"camera of ours" not in made.content.read()
    assert Event.objects.filter(thing="file", changes_draft=True).count() == 1
    html = answer.content.decode()
    assert f'<img src="/desk/strings/{made.path}" alt="Two clamps hold a string."' in html
    assert "<figcaption>The rig</figcaption>" in html
    assert client.get(f"/desk/strings/{made.path}")["Content-Type"] == "image/jpeg"
    write(comparison, cast, answer.context["text"])
    edition = publish(comparison, cast)
    public = client.get("/c/strings/").content.decode()
    source = f"/c/strings/editions/{edition.number}/{made.path}"
    assert f'<img src="{source}" alt="Two clamps hold a string."' in public
    assert client.get(source)["Content-Type"] == "image/jpeg"


@pytest.mark.parametrize(("typed", "why"), [
    ({"photo-alt": ""}, "Write in a sentence what the photo shows"),
    ({"photo-about": "trial:999999"}, "choose one of the products or trials"),
    ({"photo-about": "purchase:1"}, "choose one of the products or trials"),
    ({"photo": ""}, "Choose a photo first"),
    ({"photo": SimpleUploadedFile("a.jpg", b"<svg onload='x'/>")}, "no photo that can be read"),
    ({"photo-alt": "x" * 1001}, "at most 1000 characters"),
])  # fmt: skip
def test_what_is_no_photo_is_refused_in_one_line(comparison, page, typed, why):
    product = comparison.programmes.get().products.first()
    whole = {"photo": photo(), "photo-about": f"product:{product.pk}", "photo-alt": "A string.", "do": "upload"} | typed
    answer = page(text="Kept.", seen="s", **whole)
    assert answer.status_code == 422 and why in answer.context["fault"]
    assert answer.context["text"] == "Kept." and not Attachment.objects.exists()


def test_a_photo_of_forty_megapixels_is_made_smaller(comparison, cast):
    product = comparison.programmes.get().products.first()
    path, made = writing.add_picture(
        comparison, actor=cast["planner"], upload=photo(8000, 5000), about=f"product:{product.pk}", caption="",
        alt="A grey field.",
    )  # fmt: skip
    with Image.open(made.content) as kept:
        assert max(kept.size) <= 3000 and kept.size[0] * 5 == kept.size[1] * 8
    assert path == made.path


def test_a_photo_of_one_of_several_programmes_is_found_where_the_study_folder_has_it(comparison, cast):
    other = evaluated("cords").programmes.get()
    comparison.parts.update(prefix="new")
    comparison.parts.create(programme=other, prefix="old")
    path, made = writing.add_picture(
        comparison, actor=cast["planner"], upload=photo(), about=f"product:{other.products.first().pk}", caption="",
        alt="A cord.",
    )  # fmt: skip
    assert path == made.path.replace("files/", "files/old/")
    tables, _ = tables_and_document(comparison)
    assert path in tables.files
    text = tables.replace(article=f"![]({path}) [12](value:summaries/old.pull/new.p00/n)")
    kinds = [point["kind"] for point in tied.article_points(text, None)]
    assert kinds == ["value-broken"]  # the code is known, the results are not


def test_a_broken_tie_stops_asking(comparison, cast):
    write(comparison, cast, "[p00 is the strongest](holds:most/pull/p00/best).")
    evaluation.run_evaluation(comparison)
    with pytest.raises(NotReady, match="line 1, “p00 is the strongest”: .* shown to lie beyond it"):
        approval.ask(comparison, actor=cast["planner"])
    assert not ApprovalRequest.objects.exists()


@pytest.mark.parametrize("text", [
    "[x](value:summaries/pull/nobody/mean)", "[x](value:none)", "![a](files/none.png)", "![a](https://example.org/a.png)",
    "<holds:most/pull/p02/best>",
])  # fmt: skip
def test_what_points_at_nothing_stops_asking(comparison, cast, text):
    write(comparison, cast, text)
    evaluation.run_evaluation(comparison)
    with pytest.raises(NotReady, match="says what the results do not carry"):
        approval.ask(comparison, actor=cast["planner"])


def test_a_new_reading_breaks_a_tie(comparison, cast):
    """p00 is read again and comes out above p02: the sentence was carried, and no longer is."""
    write(comparison, cast, "[p02 is stronger than p00](holds:difference/pull/p02/p00/more).")
    evaluation.run_evaluation(comparison)
    assert tied.broken_ties(*tables_and_document(comparison)) == []
    for reading in Reading.objects.filter(trial__code="pull", product__code="p00").order_by("pk"):
        old = reading.pk
        reading.pk, reading.code = None, f"{reading.code}-again"
        reading.value = str(float(reading.value) + 40)
        reading.replaces_id, reading.replace_reason = old, "the gauge was not at zero"
        reading.save(force_insert=True)
    record(cast["bench-member"], "amended readings", comparison=comparison, changes_draft=True)
    evaluation.run_evaluation(comparison)
    (point,) = tied.broken_ties(*tables_and_document(comparison))
    assert point["kind"] == "tie-broken" and point["stops"] and "the other way round" in point["text"]
    with pytest.raises(NotReady, match="p02 is stronger than p00"):
        approval.ask(comparison, actor=cast["planner"])


def asked_before(comparison, cast) -> ApprovalRequest:
    """A request for a state whose article is broken, as it may stand from before this was looked at."""
    write(comparison, cast, "[p00 is the strongest](holds:most/pull/p00/best).")
    found = evaluation.run_evaluation(comparison)
    return ApprovalRequest.objects.create(
        comparison=comparison, evaluation=found, digest=evaluation.standing(comparison).approval_digest,
        requested_by=cast["planner"],
    )  # fmt: skip


def test_a_broken_tie_is_not_approved(comparison, cast):
    request = asked_before(comparison, cast)
    with pytest.raises(NotReady, match="p00 is the strongest"):
        approval.decide(request, actor=cast["editor"], verdict="approved")
    assert not Approval.objects.exists()
    assert approval.decide(request, actor=cast["editor"], verdict="returned", reason="It is not.").verdict == "returned"


def test_a_broken_tie_is_not_published(comparison, cast):
    request = asked_before(comparison, cast)
    Approval.objects.create(
        request=request, verdict="approved", requested_by=cast["planner"], approved_by=cast["editor"]
    )
    with pytest.raises(NotReady, match="p00 is the strongest"):
        publishing.publish(comparison)
    assert not Edition.objects.exists()


def test_an_edition_with_values_ties_and_a_picture_verifies_from_its_public_folder_alone(comparison, cast, tmp_path):
    product = comparison.programmes.get().products.first()
    path, _ = writing.add_picture(
        comparison, actor=cast["planner"], upload=photo(), about=f"product:{product.pk}", caption="", alt="A string.",
    )  # fmt: skip
    write(comparison, cast, f"# Strings\n\n{VALUE} [p02 held more](holds:difference/pull/p02/p00/more).\n\n![]({path})")
    edition = publish(comparison, cast)
    package = tmp_path / "study.zip"
    package.write_bytes(bytes(edition.package))
    assert verify_path(package) == []
    html = json.loads(bytes(edition.page))["article"]
    assert 'class="live"' in html and 'class="tied"' in html and 'alt="A string."' in html


def tables_and_document(comparison):
    from comparisons.folder.exporter import tables_from_db

    return tables_from_db(Comparison.objects.get(pk=comparison.pk), public=True), result(comparison)


@pytest.mark.parametrize("products", [2, 12])
def test_the_page_takes_as_many_queries_whatever_the_size(client, cast, django_assert_max_num_queries, products):
    evaluated("strings", products=products)
    client.force_login(cast["planner"], backend="django.contrib.auth.backends.ModelBackend")
    client.get(address())
    with django_assert_max_num_queries(22):
        assert client.get(address()).status_code == 200


def test_everybody_of_the_team_reads_and_only_who_prepares_is_given_a_form(client, cast, comparison):
    client.force_login(cast["bench-member"], backend="django.contrib.auth.backends.ModelBackend")
    html = client.get(address()).content.decode()
    assert "readonly" in html and 'value="save"' not in html
    answer = client.post(address(), {"text": "Mine.", "do": "save", "seen": writing.seen_of(comparison)})
    assert answer.status_code == 422 and "Only a planner or an editor" in answer.context["fault"]
    assert Comparison.objects.get().article == comparison.article


def test_before_any_evaluation_the_page_says_so(client, cast):
    from tests.public.small_study import import_small

    comparison = import_small()
    comparison.article = VALUE
    comparison.save(update_fields=["article"])
    client.force_login(cast["editor"], backend="django.contrib.auth.backends.ModelBackend")
    html = client.get(address()).content.decode()
    assert "There are no results to draw on yet" in html and "evaluate the draft" in html
