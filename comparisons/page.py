"""From a study and its results document to the page document that is printed and frozen."""

from .pages import SCHEMA, build_page

__all__ = ["SCHEMA", "build_page"]
