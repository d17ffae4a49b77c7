"""The ranking of an edition as one picture, for those who pass its address on. Drawn by Pillow.

1200 by 630 pixels, in the proportion that the Open Graph protocol's readers expect (common practice, no
source). Text is set in DejaVu Serif, which comes with the app, so that the picture is the same on every server.
"""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path

SIZE = WIDTH, HEIGHT = 1200, 630
VERSION = "1"  # of the drawing: a change of it makes kept pictures stale
ROWS = 6
PAPER, SHADE, INK, SOFT, RULE, ACCENT = "#faf7f0", "#f1ecdf", "#1b1a17", "#5a554a", "#8a8373", "#0b5c70"
LEFT, RIGHT = 56, WIDTH - 56
AXIS = 640, 900  # where 0 and 100 of the score lie
FONTS = Path(__file__).parent / "fonts"


@cache
def _font(size: int, bold: bool = False):
    from PIL import ImageFont

    # The basic layout: complex scripts would need a shaping library that is not everywhere.
    return ImageFont.truetype(
        str(FONTS / f"DejaVuSerif{'-Bold' if bold else ''}.ttf"), size, layout_engine=ImageFont.Layout.BASIC
    )


def ranking_png(page: dict, edition: dict) -> bytes:
    """The first ranking of an edition's page as PNG bytes; without a ranking the answer alone.

    edition: `number` and `published_at` of it. A withdrawn edition is not told apart: the picture is of the numbers.
    """
    from PIL import Image, ImageDraw

    image = Image.new("RGB", SIZE, PAPER)
    draw = ImageDraw.Draw(image)
    day = edition["published_at"]
    kicker = f"Evenhand · edition {edition['number']} · {day.day} {day:%B %Y}"
    draw.text((LEFT, 34), kicker, font=_font(20), fill=SOFT)
    draw.line((LEFT, 70, RIGHT, 70), fill=INK, width=2)
    ranking = page["rankings"][0] if page["rankings"] else None
    rows = list(zip(ranking["rows"], ranking["chart"], strict=True))[:ROWS] if ranking else []
    y = _block(draw, page["title"], 84, _font(38, True), INK, lines=2 if len(rows) < ROWS else 1)
    y = _block(draw, page["answer"]["lead"], y + 6, _font(24), INK, lines=2)
    if rows:
        _ranking(draw, ranking, rows, y + 14)
    return _png(image)


def _png(image) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG", optimize=True)
    return out.getvalue()


def _block(draw, text: str, y: int, font, fill: str, lines: int) -> int:
    """Text in at most so many lines; what is too long ends in an ellipsis. The y below it."""
    for line in wrapped(text, font, RIGHT - LEFT, lines):
        draw.text((LEFT, y), line, font=font, fill=fill)
        y += round(font.size * 1.32)
    return y


def wrapped(text: str, font, width: int, lines: int) -> list[str]:
    """Words set in lines of at most `width` pixels, at most `lines` of them."""
    found: list[str] = []
    for word in text.replace("\u00a0", " ").split():
        longer = f"{found[-1]} {word}" if found else word
        if found and font.getlength(longer) <= width:
            found[-1] = longer
        elif len(found) < lines:
            found.append(fitted(word, font, width))
        else:
            found[-1] = fitted(f"{found[-1]} {word}", font, width)
            break
    return found


def fitted(text: str, font, width: int) -> str:
    """The text, or as much of it as fits with an ellipsis."""
    if font.getlength(text) <= width:
        return text
    while text and font.getlength(text.rstrip() + "…") > width:
        text = text[:-1]
    return text.rstrip() + "…"


def _ranking(draw, ranking: dict, rows: list[tuple[dict, dict]], y: int) -> None:
    head, plain = _font(17), _font(22)
    low, high = AXIS
    draw.text((LEFT, y), f"{ranking['name']}: score of 100, with its likely range", font=head, fill=SOFT)
    for value in (0, 50, 100):
        x = low + (high - low) * value // 100
        draw.text((x, y), str(value), font=head, fill=SOFT, anchor="ma")
    y += 28
    draw.line((LEFT, y, RIGHT, y), fill=RULE)
    step = min(52, (HEIGHT - 40 - y) // len(rows))
    for i, (row, point) in enumerate(rows):
        middle = y + step // 2
        if i == 0:
            draw.rectangle((LEFT - 16, y + 1, RIGHT + 16, y + step - 1), fill=SHADE)
        draw.text((LEFT, middle), row["place"], font=plain, fill=INK, anchor="lm")
        font = _fitting(row["name"], low - LEFT - 110, bold=i == 0)
        name = fitted(row["name"], font, low - LEFT - 110)
        draw.text((LEFT + 80, middle), name, font=font, fill=INK, anchor="lm")
        for value in (0, 50, 100):
            x = low + (high - low) * value // 100
            draw.line((x, y + 4, x, y + step - 4), fill="#d9d2c2")
        _line(draw, point, middle)
        said = row["likely"].removeprefix("likely ").replace("\u00a0", " ")
        draw.text((RIGHT - 140, middle), row["score"]["text"], font=plain, fill=INK, anchor="rm")
        draw.text((RIGHT - 125, middle), fitted(said, head, 125), font=head, fill=SOFT, anchor="lm")
        y += step
        draw.line((LEFT, y, RIGHT, y), fill="#d9d2c2")


def _fitting(text: str, width: int, bold: bool):
    """The largest font in which a name fits: what stands at its end, such as who supplied it, is not cut first."""
    fonts = [_font(size, bold) for size in (22, 19, 16)]
    return next((font for font in fonts if font.getlength(text) <= width), fonts[-1])


def _line(draw, point: dict, middle: int) -> None:
    """The range line of one score: a bar where it likely lies, a tall stroke at the score."""

    def at(score: float) -> int:
        return round(AXIS[0] + (AXIS[1] - AXIS[0]) * min(100.0, max(0.0, score)) / 100)

    if point["low"] is not None and point["high"] is not None:
        draw.rectangle((at(point["low"]), middle - 5, at(point["high"]), middle + 5), fill="#b4afa3")
    if point["score"] is not None:
        draw.rectangle((at(point["score"]) - 2, middle - 14, at(point["score"]) + 2, middle + 14), fill=ACCENT)
