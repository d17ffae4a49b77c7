"""Photos: looked into, not believed; limited; kept under a name of ours; shown inert."""

from __future__ import annotations

import base64
import io
import struct
import zlib

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from specimens.bench import photos
from specimens.bench.errors import Refused
from specimens.models import Attachment, Submission


def picture(form="JPEG", size=(60, 40), **more) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, "#7a5").save(out, form, **more)
    return out.getvalue()


def coded(data: bytes) -> str:
    return base64.b64encode(data).decode()


@pytest.fixture
def places(stage):
    return stage.plan("pull")


def test_a_photo_of_a_specimen_and_of_a_reading(stage, send, places):
    specimen = places[0].specimen
    reading = stage.entry("pull", specimen)
    send(reading)
    first = stage.other("photo", "pull", specimen=specimen.blind_code, data=coded(picture()), caption="before")
    second = stage.other("photo", "pull", specimen=specimen.blind_code, entry=reading["id"], data=coded(picture("PNG")))
    assert [a["status"] for a in send(first, second)] == ["stored", "stored"]
    assert [a["status"] for a in send(second, first)] == ["already", "already"]
    of_specimen, of_reading = Attachment.objects.order_by("pk")
    assert (of_specimen.about, of_specimen.specimen, of_specimen.caption) == ("specimen", specimen, "before")
    assert of_reading.about == "reading" and of_reading.reading.specimen == specimen
    assert Image.open(of_specimen.content).size == (60, 40)
    assert of_specimen.path.startswith("files/photos/") and of_reading.path.endswith(".png")
    assert "data" not in Submission.objects.get(pk=first["id"]).content, "the bytes are kept once"


def test_another_photo_under_the_same_id_is_refused(stage, send, places):
    entry = stage.other("photo", "pull", specimen=places[0].specimen.blind_code, data=coded(picture()))
    send(entry)
    assert send(entry | {"data": coded(picture(size=(61, 40)))})[0]["status"] == "differs"
    assert Attachment.objects.count() == 1


def huge_png(width=40_000, height=40_000) -> bytes:
    """A header that promises 1.6 thousand million pixels, and hardly a byte behind it."""
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


SVG = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"
BAD = {
    "a script": (b"<script>alert(1)</script>", "no photo"),
    "a drawing with a script": (SVG, "no photo"),
    "a script that begins like a photo": (b"\xff\xd8\xff\xe0<script>alert(1)</script>", "no photo"),
    "a GIF": (picture("GIF"), "expected a JPEG, PNG or WebP"),
    "a PDF": (b"%PDF-1.4 ...", "no photo"),
    "cut short": (picture(size=(900, 900), quality=95)[:3000], "no photo"),
    "one pixel row too many": (huge_png(5_000, 5_001), "more than 25 million pixels"),
    "a bomb": (huge_png(), "more than 25 million pixels"),
    "empty": (b"", "no photo"),
    "too many bytes": (picture() + b"\0" * photos.MOST_BYTES, "at most 8 MB"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_photo_is_refused_by_its_content(name):
    data, says = BAD[name]
    with pytest.raises(Refused) as refusal:
        photos.look_at(data)
    assert says in str(refusal.value)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_photos_are_known_by_their_content(form):
    assert photos.look_at(picture(form)).suffix == {"JPEG": "jpg", "PNG": "png", "WEBP": "webp"}[form]


# EXIF 2.32 (CIPA DC-008): tag 0x8825 points to the place, 0x010F is the camera's maker, 0x0112 the orientation
GPS, MAKER, ORIENTATION = 0x8825, 0x010F, 0x0112


def told_all(form: str) -> bytes:
    """A picture, lying on its side by its EXIF, that says where it was taken and carries a script behind it."""
    exif = Image.Exif()
    exif[MAKER], exif[ORIENTATION] = "Invented Optics", 6
    exif.get_ifd(GPS)[1], exif.get_ifd(GPS)[2] = "N", (48.0, 12.0, 30.0)
    more = {"exif": exif}
    if form == "JPEG":
        more["comment"] = b"<script>alert(1)</script>"
    if form == "PNG":
        more["pnginfo"] = PngInfo()
        more["pnginfo"].add_text("Author", "Invented Optics")
    return picture(form, **more) + b"PK\x03\x04<script>alert(1)</script>"


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_only_the_picture_is_kept(form):
    """Where it was taken, with what, and what hangs on the file stay behind; it is turned as the camera meant it."""
    data = told_all(form)
    with Image.open(io.BytesIO(data)) as before:
        assert before.getexif().get_ifd(GPS) and before.size == (60, 40)
    kept = photos.look_at(data)
    for told in (b"script", b"Invented", b"Exif", b"PK\x03\x04"):
        assert told not in kept.data
    with Image.open(io.BytesIO(kept.data)) as after:
        assert not after.getexif()
        assert (after.size, (kept.width, kept.height)) == ((40, 60), (40, 60))
        red, green, blue = after.convert("RGB").getpixel((20, 30))
        assert abs(red - 0x77) < 4 and abs(green - 0xAA) < 4 and abs(blue - 0x55) < 4


def test_what_phones_and_scanners_write_is_taken():
    """Several pictures in one JPEG, CMYK, grey, palettes, transparency."""
    two = io.BytesIO()
    Image.new("RGB", (60, 40), "#7a5").save(two, "MPO", save_all=True, append_images=[Image.new("RGB", (60, 40))])
    assert Image.open(io.BytesIO(two.getvalue())).format == "MPO"
    assert Image.open(io.BytesIO(photos.look_at(two.getvalue()).data)).format == "JPEG"
    for form, mode in (("JPEG", "CMYK"), ("JPEG", "L"), ("PNG", "P"), ("PNG", "1"), ("PNG", "I;16"), ("PNG", "LA")):
        out = io.BytesIO()
        Image.new(mode, (9, 7)).save(out, form)
        assert (photos.look_at(out.getvalue()).width, photos.look_at(out.getvalue()).height) == (9, 7)
    out = io.BytesIO()
    Image.new("RGBA", (9, 7), (10, 20, 30, 0)).save(out, "WEBP", lossless=True)
    assert Image.open(io.BytesIO(photos.look_at(out.getvalue()).data)).getpixel((4, 3))[3] == 0


def test_a_damaged_colour_profile_costs_no_photo():
    assert photos.look_at(picture(icc_profile=b"no profile")).suffix == "jpg"


def test_the_type_that_a_tablet_claims_counts_for_nothing(stage, send, places):
    entry = stage.other(
        "photo", "pull", specimen=places[0].specimen.blind_code, media="image/jpeg", name="a.jpg",
        data=coded(b"<script>alert(1)</script>"),
    )
    (answer,) = send(entry)
    assert (answer["status"], "no photo" in answer["text"]) == ("refused", True)
    assert "data" not in Submission.objects.get().content
    assert not Attachment.objects.exists()


@pytest.mark.parametrize("data", [None, 7, "no base64 !", "====", ["x"]])
def test_a_photo_that_did_not_arrive_whole(stage, send, places, data):
    (answer,) = send(stage.other("photo", "pull", specimen=places[0].specimen.blind_code, data=data))
    assert answer["status"] == "refused"


def test_a_photo_is_shown_to_members_and_inert(stage, send, places, client):
    send(stage.other("photo", "pull", specimen=places[0].specimen.blind_code, data=coded(picture("WEBP"))))
    address = f"/bench/files/{Attachment.objects.get().pk}/"
    assert client.get(address).status_code == 302
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    answer = client.get(address)
    assert answer["Content-Type"] == "image/webp"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer["Content-Security-Policy"]
    assert Image.open(io.BytesIO(b"".join(answer.streaming_content))).format == "WEBP"
    client.force_login(stage.people["stranger"], backend="django.contrib.auth.backends.ModelBackend")
    assert client.get(address).status_code == 404


def test_a_kept_file_that_is_no_picture_is_not_shown(stage, client):
    from django.core.files.base import ContentFile

    made = Attachment(
        programme=stage.programme, path="files/x.html", sha256="0" * 64, about="trial", trial=stage.trials["edge"]
    )
    made.content.save("x.html", ContentFile(b"<script>alert(1)</script>"))
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    assert client.get(f"/bench/files/{made.pk}/").status_code == 404


def test_anchors_show_the_steps_of_a_scale(stage, client):
    from specimens.bench import pack

    client.force_login(stage.people["planner"], backend="django.contrib.auth.backends.ModelBackend")
    address = f"/bench/plan/{stage.programme.slug}/edge/anchor/"

    def post(step, data, **more):
        body = {"step": step, "name": "sharp", "alt": "A burr along the edge", **more}
        return client.post(address, body | {"photo": SimpleUploadedFile("x.svg", data)}, follow=True)

    for step in ("3", "1"):
        post(step, picture())
    steps = pack.build(stage.bench("edge"), stage.people["bench"])["trial"]["property"]["steps"]
    assert [(one["value"], one["name"], one["alt"]) for one in steps] == [
        ("1", "sharp", "A burr along the edge"), ("3", "sharp", "A burr along the edge"),
    ]  # fmt: skip
    assert client.get(steps[0]["photo"])["Content-Type"] == "image/jpeg"
    bad = (("10", picture(), {}), ("2", SVG, {}), ("2", picture(), {"alt": ""}), ("x", picture(), {}))
    for step, data, more in bad:
        said = [str(m) for m in post(step, data, **more).context["messages"]]
        assert len(said) == 1
    assert Attachment.objects.count() == 2
