"""Search over what is published, by PostgreSQL's own full text search: the same answers as on SQLite."""

from __future__ import annotations

import uuid

import pytest

from .processes import Project
from .test_postgresql import database

QUERIES = [
    "brellund", "BRELL", "300 bt", "insertion", "IEC 62275", "cable ties", "4.8 mm", "rellund", "zzz", "' & | ! :*", "",
]  # fmt: skip
CODE = (
    "from tests.public.frozen import demo, freeze\n"
    "from comparisons.published_search import look_for\n"
    "freeze(demo())\n"
    f"say([sorted([r['kind'], r['code'], r['name']] for r in look_for(q)[0]) for q in {QUERIES!r}])"
)


@pytest.fixture
def empty(postgresql, tmp_path):
    """A migrated PostgreSQL without data."""
    url = database(postgresql, f"search_{uuid.uuid4().hex}")
    project = Project(tmp_path, DATABASE_URL=url)
    project.manage("migrate", "--verbosity", "0")
    yield project
    project.close()


def test_the_same_is_found_as_on_sqlite(empty, tmp_path_factory):
    lite = Project(tmp_path_factory.mktemp("lite"))
    lite.manage("migrate", "--verbosity", "0")
    there, here = empty.python(CODE), lite.python(CODE)
    assert there == here
    found = dict(zip(QUERIES, there, strict=True))
    assert ["product", "brellund", "Brellund BT 300"] in found["BRELL"]
    assert found["rellund"] == found["zzz"] == found[""] == []


def test_the_index_serves_the_search(empty):
    code = (
        "from django.db import connection\n"
        "from comparisons.models import PublishedText\n"
        "from comparisons.published_search import _on_postgresql\n"
        "rows = _on_postgresql(PublishedText.objects.all(), ['brell', '300']).order_by()\n"
        "cursor = connection.cursor()\n"
        "cursor.execute('SET enable_seqscan = off')\n"
        "sql, given = rows.query.sql_with_params()\n"
        "cursor.execute('EXPLAIN ' + sql, given)\n"
        "say(' '.join(line for line, in cursor.fetchall()))"
    )
    assert "published_text_words" in empty.python(code)
