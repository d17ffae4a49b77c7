"""Labels with QR codes, as SVG inside the page."""

from __future__ import annotations

from django.conf import settings
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe


def address(code: str) -> str:
    """The page that a label's QR code leads to: any camera app opens it."""
    return f"{settings.PUBLIC_URL}{reverse('bench-scan', args=[code])}"


def qr(text: str) -> SafeString:
    """A QR code (ISO/IEC 18004, error correction M) as SVG without size, for the style sheet to scale."""
    import segno

    code = segno.make(text, error="m", micro=False)
    # only our own drawing: modules as one path, no text of anybody's
    return mark_safe(code.svg_inline(omitsize=True, border=4, svgclass="qr", lineclass=None))  # noqa: S308
