"""The page document: names, texts, formatted numbers and range lines of a comparison, as plain data."""

from .build import SCHEMA, build_page

__all__ = ["SCHEMA", "build_page"]
