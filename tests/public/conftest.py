"""Fixtures of the tests of what people see."""

from __future__ import annotations

import pytest
from django.core.cache import cache

from tests.public.staging import make_cast, published


@pytest.fixture(autouse=True)
def _nothing_kept():
    """Pages that one test built are not another's."""
    cache.clear()


@pytest.fixture
def cast(db):
    return make_cast()


@pytest.fixture
def edition(cast):
    """The first edition of a small comparison."""
    return published(cast)
