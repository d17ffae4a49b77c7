"""The ranking in a frame: on the team's own site alone, and with a policy of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.public.frozen import demo, freeze, parts_of
from tests.public.reading import cost, one_space, outline, text_of

pytestmark = pytest.mark.django_db
PATH = "/c/cable-ties/embed/"
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def ties(db):
    return freeze(demo())


def directive(response, name: str) -> list[str]:
    parts = [part.split() for part in response["Content-Security-Policy"].split(";")]
    (found,) = [part[1:] for part in parts if part[0] == name]
    return found


def test_only_the_apps_own_address_may_frame_it_unless_others_are_set(client, ties, settings):
    response = client.get(PATH)
    assert directive(response, "frame-ancestors") == ["'self'"]
    assert "X-Frame-Options" not in response
    settings.EMBED_ORIGINS = ["https://www.example.org"]
    assert directive(client.get(PATH), "frame-ancestors") == ["'self'", "https://www.example.org"]


def test_the_rest_of_the_policy_stands_and_other_pages_are_not_framed(client, ties):
    response = client.get(PATH)
    assert directive(response, "script-src") == ["'self'"] and directive(response, "object-src") == ["'none'"]
    for path in ("/", "/c/cable-ties/", "/c/cable-ties/data/", "/c/cable-ties/products/brellund/"):
        other = client.get(path)
        assert directive(other, "frame-ancestors") == ["'none'"] and other["X-Frame-Options"] == "DENY"


def test_also_what_comes_out_of_the_cache_and_unchanged_keeps_the_policy(client, ties):
    first = client.get(PATH)
    for response in (client.get(PATH), client.get(PATH, headers={"if-none-match": first["ETag"]})):
        assert directive(response, "frame-ancestors") == ["'self'"] and "X-Frame-Options" not in response
    assert response.status_code == 304


def test_it_is_the_ranking_with_where_it_comes_from(client, ties):
    _, page, _ = parts_of(demo())
    text = text_of(client, PATH)
    for row in page["rankings"][0]["rows"]:
        assert one_space(row["name"]) in text and row["score"]["text"] in text
    links = outline(client, PATH).all("a")
    assert links and all(a["target"] == "_top" for a in links)
    assert not outline(client, PATH).all("script")


def test_another_weighting_is_chosen_in_the_address(client, ties):
    _, page, _ = parts_of(demo())
    second = page["rankings"][1]
    text = text_of(client, f"{PATH}?weighting={second['id']}")
    assert one_space(second["lead"]) in text
    for odd in ("none", "%3Cscript%3E", "x" * 5000):
        assert one_space(page["rankings"][0]["lead"]) in text_of(client, f"{PATH}?weighting={odd}")


@pytest.mark.parametrize("query", ["", "&".join(f"weighting=x{i}" for i in range(10_000))])
def test_two_queries_and_no_server_error(client, ties, query):
    assert client.get(f"{PATH}?{query}").status_code in (200, 400)
    assert len(cost(client, f"{PATH}?{query}")) <= 2


def test_nothing_published_nothing_framed(client, db):
    assert client.get("/c/nothing/embed/").status_code == 404


@pytest.mark.parametrize("value", ["*", "www.example.org", "https://a.example https://b.example", "https://a.example/x"])
def test_origins_that_are_none_are_refused_in_one_line(value, tmp_path):
    done = subprocess.run(
        [sys.executable, "manage.py", "check"], cwd=ROOT, capture_output=True, text=True,
        env={"PATH": "", "EMBED_ORIGINS": value, "EVENHAND_DATA": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode != 0 and "EMBED_ORIGINS: found" in done.stderr
