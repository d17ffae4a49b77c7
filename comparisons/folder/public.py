"""The public form of a study: for readers, without what is the team's own.

Operators, raters and whoever voided or deviated become stable pseudonyms. Receipts, sellers' order
numbers, private notes and answers that are not published stay out. Pictures lose all metadata (place,
camera, owner): they are written anew from their pixels. A picture or film that cannot be written anew
stays out with its row.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import PurePosixPath

from .digest import is_public
from .people import everyone
from .source import FileSource
from .tables import Tables, yes

PICTURES = ("JPEG", "PNG", "GIF", "WEBP", "TIFF", "BMP")
MAX_PIXELS = 120_000_000
# Pictures and films whose metadata is not ours to take out.
UNCLEANABLE = frozenset(
    ".heic .heif .avif .jxl .jp2 .dng .cr2 .cr3 .nef .arw .orf .raf .rw2 .raw .psd .svg .eps"
    " .mp4 .mov .avi .mkv .webm .m4v .3gp .jpg .jpeg .png .gif .webp .tif .tiff .bmp".split()
)


Cleaner = Callable[[str, FileSource], FileSource | None]


def public_form(tables: Tables, clean: Cleaner | None = None) -> Tables:
    """The study as readers get it. Its inputs digest is that of the full form.

    `clean` takes the metadata out of one file, as `cleaned` does, which it is by default.
    """
    people = everyone(tables) | {"": ""}
    new = {}
    for name, table in tables.items():
        changed = {}
        for column in table.spec.columns:
            if column.private == "left_out":
                changed[column.name] = [""] * len(table)
            elif column.private == "pseudonym":
                changed[column.name] = [people[text] for text in table[column.name]]
        new[name] = table.with_columns(**changed) if changed else table
    answers = new["answers"]
    new["answers"] = answers.take([i for i, text in enumerate(answers["published"]) if yes(text)])
    new["files"], files = _public_files(tables, clean or cleaned)
    # Traces that stay out are no longer named.
    readings = new["readings"]
    if any(readings["trace"]):
        gone = tables.files.keys() - files.keys()
        new["readings"] = readings.with_columns(trace=["" if t in gone else t for t in readings["trace"]])
    comparison = dict(tables.comparison)
    if by := comparison.get("plan", {}).get("by"):
        comparison["plan"] = comparison["plan"] | {"by": people[by]}
    return tables.replace(new, comparison=comparison, files=files)


def _public_files(tables: Tables, clean):
    table = tables["files"]
    kept, digests, files = [], [], {}
    for i, row in enumerate(table.rows()):
        source = tables.files.get(row["file"])
        if source is None or not is_public(row["about"], row["kind"]):
            continue
        shown = clean(row["file"], source)
        if shown is not None:
            kept.append(i)
            digests.append(shown.sha256())
            files[row["file"]] = shown
    return table.take(kept).with_columns(sha256=digests), files


def cleaned(path: str, source: FileSource) -> FileSource | None:
    """The file without picture metadata; itself where it is no picture; None where it cannot be cleaned."""
    picture = CleanPicture(source)
    if picture.format():
        try:
            picture.sha256()
        except (OSError, ValueError, SyntaxError, MemoryError):
            return None
        return picture
    return None if PurePosixPath(path).suffix.lower() in UNCLEANABLE else source


class CleanPicture(FileSource):
    """A picture written anew from its pixels, upright, in sRGB; made when read, so none lie in memory."""

    def __init__(self, source: FileSource):
        self.source = source

    @property
    def size(self) -> int:
        return len(self.read())

    def format(self) -> str:
        """The picture's format by its bytes, not its name; blank where it is none."""
        from PIL import Image, UnidentifiedImageError

        try:
            with self.source.open() as stream, Image.open(stream, formats=PICTURES) as picture:
                return picture.format or ""
        except (UnidentifiedImageError, Image.DecompressionBombError, OSError, ValueError, SyntaxError):
            return ""

    def open(self):
        from PIL import Image, ImageOps, ImageSequence
        from PIL.JpegImagePlugin import get_sampling

        out = io.BytesIO()
        with self.source.open() as stream, Image.open(io.BytesIO(stream.read()), formats=PICTURES) as picture:
            if picture.width * picture.height > MAX_PIXELS:
                raise ValueError("a picture of more pixels than a camera makes")
            form = "JPEG" if picture.format == "MPO" else picture.format
            options = {}
            if form == "JPEG":
                # The picture's own tables: written anew, it loses next to nothing.
                options = {"qtables": picture.quantization, "subsampling": max(get_sampling(picture), 0)}
            if form in ("GIF", "WEBP") and getattr(picture, "n_frames", 1) > 1:
                frames = [_bare(frame) for frame in ImageSequence.Iterator(picture)]
                options = {
                    "save_all": True, "append_images": frames[1:], "loop": picture.info.get("loop", 0),
                    "duration": picture.info.get("duration", 100),
                }  # fmt: skip
                frames[0].save(out, form, **options)
            else:
                if form == "WEBP":
                    options = {"quality": 90}
                _bare(ImageOps.exif_transpose(picture)).save(out, form, **options)
        out.seek(0)
        return out


def _bare(picture):
    """The pixels alone, in sRGB where a profile says what they were in."""
    from PIL import Image, ImageCms

    profile = picture.info.get("icc_profile")
    bare = picture.copy()
    if profile and picture.mode in ("RGB", "RGBA", "L", "CMYK"):
        try:
            mode = "RGB" if picture.mode == "CMYK" else picture.mode
            target = ImageCms.createProfile("sRGB")
            if picture.mode != "L":
                bare = ImageCms.profileToProfile(
                    bare, ImageCms.ImageCmsProfile(io.BytesIO(profile)), target, outputMode=mode
                )
        except (ImageCms.PyCMSError, OSError):
            bare = picture.copy()
    clean = Image.new(bare.mode, bare.size)
    if bare.mode == "P":
        clean.putpalette(bare.getpalette("RGB"))
    clean.paste(bare)
    if "transparency" in picture.info and bare.mode in ("P", "L", "RGB"):
        clean.info["transparency"] = picture.info["transparency"]
    return clean
