"""The public form: what readers get, and what they do not."""

from __future__ import annotations

import io
import zipfile

import pytest
from PIL import Image

from comparisons.folder.exporter import tables_from_db, write_zip
from comparisons.folder.importer import import_study
from comparisons.folder.public import CleanPicture, cleaned, public_form
from comparisons.folder.read import read_study
from comparisons.folder.source import MemoryFile
from comparisons.folder.spec import SPEC
from comparisons.folder.tables import differences

from . import rich

PEOPLE = (b"Cy Bench", b"Dee Bench", b"Fay Hand", b"Eve Lead", b"Gus Other", b"Ada Planner")


def public_zip() -> zipfile.ZipFile:
    out = io.BytesIO()
    write_zip(public_form(read_study(rich.zipped())), out)
    return zipfile.ZipFile(out)


@pytest.mark.parametrize(
    "secret",
    [
        *PEOPLE, b"4711", b"receipt.pdf", b"Ask about the plating", b"wind from the door", b"Please wait.",
        rich.GPS_TEXT,
    ],
)  # fmt: skip
def test_nothing_private_is_in_any_byte_of_the_public_zip(secret):
    with public_zip() as archive:
        holders = [n for n in archive.namelist() if secret in archive.read(n) or secret in n.encode()]
    assert holders == []


def test_every_private_column_is_blank_or_a_pseudonym():
    public = public_form(read_study(rich.zipped()))
    for name, spec in SPEC.items():
        for column in spec.columns:
            cells = {text for text in public[name][column.name] if text}
            if column.private == "left_out":
                assert cells == set()
            elif column.private == "pseudonym":
                assert all(text.startswith("person-") for text in cells)


def test_people_keep_one_pseudonym_throughout():
    public = public_form(read_study(rich.zipped()))
    readings = {row["reading"]: row for row in public["readings"].rows()}
    # By first appearance in the readings sorted by code: e1 was read by Dee for Fay, e2 by Cy.
    assert [readings["e1"]["operator"], readings["e1"]["rater"], readings["e2"]["operator"]] == [
        "person-1", "person-2", "person-3",
    ]  # fmt: skip
    assert readings["q1"]["operator"] == "person-3"
    assert readings["q5"]["voided_by"] == "person-4"
    assert public["deviations"]["by"] == ["person-3", "person-5"]
    assert public.comparison["plan"]["by"] == "person-6"


def test_what_was_published_stays():
    public = public_form(read_study(rich.zipped()))
    assert public["answers"]["text"] == ["We meant the strap, not the clamp."]
    assert public["readings"]["void_reason"].count("dropped on the floor") == 1
    assert len(public["readings"]) == len(read_study(rich.zipped())["readings"])
    assert set(public.files) == {
        "files/pack.jpg", "files/sketch.png", "files/claim.png", "files/a1.gif", "files/trace-q1.csv",
    }  # fmt: skip


def test_the_public_zip_is_itself_a_sound_study_and_public_again_the_same():
    out = io.BytesIO()
    public = public_form(read_study(rich.zipped()))
    write_zip(public, out)
    out.seek(0)
    back = read_study(out)
    assert differences(back, public) == []
    again = public_form(back)
    pictures = {"files"}
    assert all(again[name] == back[name] for name in SPEC if name not in pictures)


def metadata(data: bytes) -> dict:
    with Image.open(io.BytesIO(data)) as picture:
        picture.load()
        told = ("exif", "comment", "xmp", "icc_profile", "Author")
        return {k: v for k, v in picture.info.items() if k in told} | dict(picture.getexif())


def test_a_photo_loses_owner_and_place_and_stands_upright():
    before = rich.photo()
    assert metadata(before)
    after = cleaned("files/pack.jpg", MemoryFile(before)).read()
    assert metadata(after) == {}
    with Image.open(io.BytesIO(after)) as picture:
        assert picture.size == (20, 40)  # it lay on its side
        assert picture.format == "JPEG"
        grey = picture.getpixel((10, 30))
        assert all(abs(channel - 128) < 4 for channel in grey)


@pytest.mark.parametrize("form", ["PNG", "GIF"])
def test_a_drawing_keeps_its_pixels_and_loses_its_text(form):
    before = rich.drawing(form)
    after = cleaned("files/x", MemoryFile(before)).read()
    assert rich.GPS_TEXT in before and rich.GPS_TEXT not in after
    with Image.open(io.BytesIO(before)) as one, Image.open(io.BytesIO(after)) as other:
        assert one.convert("RGB").tobytes() == other.convert("RGB").tobytes()


def test_bytes_after_the_picture_are_gone():
    """A phone may hang a film behind the photo."""
    before = rich.photo() + b"film with a place in it"
    assert b"film" not in cleaned("files/x.jpg", MemoryFile(before)).read()


def test_a_transparent_drawing_stays_transparent():
    out = io.BytesIO()
    Image.new("RGBA", (4, 4), (10, 20, 30, 0)).save(out, "PNG")
    with Image.open(io.BytesIO(cleaned("files/x.png", MemoryFile(out.getvalue())).read())) as picture:
        assert picture.getpixel((1, 1))[3] == 0


def test_moving_pictures_keep_their_frames():
    out = io.BytesIO()
    frames = [Image.new("RGB", (4, 4), colour) for colour in ("red", "blue")]
    frames[0].save(out, "GIF", save_all=True, append_images=frames[1:], comment=rich.GPS_TEXT)
    after = cleaned("files/x.gif", MemoryFile(out.getvalue())).read()
    with Image.open(io.BytesIO(after)) as picture:
        assert picture.n_frames == 2
    assert rich.GPS_TEXT not in after


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("files/x.heic", b"\x00\x00\x00\x18ftypheic"),
        ("files/x.mp4", b"\x00\x00\x00\x18ftypmp42"),
        ("files/x.svg", b"<svg xmlns='http://www.w3.org/2000/svg'><metadata>me</metadata></svg>"),
        ("files/x.jpg", rich.photo()[:400]),
        ("files/x.png", b"no picture"),
    ],
)
def test_pictures_that_cannot_be_cleaned_stay_out(path, data):
    assert cleaned(path, MemoryFile(data)) is None


def test_other_files_pass_unchanged():
    source = MemoryFile(b"%PDF-1.4")
    assert cleaned("files/x.pdf", source) is source


@pytest.mark.django_db
def test_from_the_database_cleaned_pictures_are_made_once_and_kept(monkeypatch):
    comparison = import_study(rich.zipped())
    first = tables_from_db(comparison, public=True)
    assert differences(first, public_form(tables_from_db(comparison))) == []
    monkeypatch.setattr(CleanPicture, "open", lambda self: pytest.fail("cleaned again"))
    second = tables_from_db(comparison, public=True)
    assert differences(first, second) == []
