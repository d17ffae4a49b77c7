"""Fixtures of the tests of the desk: the same cast and stage as the public pages'."""

from tests.public.conftest import _nothing_kept, cast, edition

__all__ = ["_nothing_kept", "cast", "edition"]
