"""Fixtures of the bench's tests."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.bench.staging import make_stage


@pytest.fixture
def stage(db):
    return make_stage()


@pytest.fixture
def send(stage):
    """Post entries as somebody's tablet; the answers."""

    def post(*entries, by: str = "bench", tablet: str = "tablet-1", status: int = 200, **more):
        client = Client()
        client.force_login(stage.people[by], backend="django.contrib.auth.backends.ModelBackend")
        document = {"tablet": tablet, "entries": list(entries), **more}
        answer = client.post("/bench/submit/", document, content_type="application/json")
        assert answer.status_code == status, answer.content
        return answer.json()["answers"] if status == 200 else answer.json()

    return post


@pytest.fixture(autouse=True)
def _nothing_kept():
    """What this process kept of another test's trials is not this one's."""
    from specimens.bench import context

    context.forget()
