"""Remarks on a result that a reader must see: what was left out, assumed or could not be told."""

from __future__ import annotations

LEVELS = ("info", "unfinished", "warning")


class Notes:
    """Collects remarks, each once; `rows` gives them in a fixed order."""

    def __init__(self) -> None:
        self._seen: set[tuple[str, str, str]] = set()

    def add(self, level: str, where: str, text: str) -> None:
        """Keep one remark. `level`: info, unfinished or warning; `where`: the codes that it is about."""
        if level not in LEVELS:
            raise ValueError(f"unknown level {level!r}")
        self._seen.add((level, where, text))

    def rows(self) -> list[dict]:
        """All remarks as document rows, sorted by place, level and text."""
        return [
            {"level": level, "where": where, "text": text}
            for where, level, text in sorted((w, lv, t) for lv, w, t in self._seen)
        ]
