"""What a study's words become on a page: text, whatever they look like; and what is refused is told plainly."""

from __future__ import annotations

import json

import pytest

from comparisons.pages.charts import claims_figure, ranking_figure

NAME = 'A&B <a href="https://example.org/">win</a> <b>x</b>'
TOLD = 'A&amp;B &lt;a href="https://example.org/"&gt;win&lt;/a&gt; &lt;b&gt;x&lt;/b&gt;'


def test_names_are_no_markup_in_charts():
    """Plotly reads <a>, <b> and entities in any text of a figure (plotly.com, "text" attributes: a subset of HTML)."""
    rows = [{"product": NAME, "score": 50.0 - i, "low": 40.0, "high": 60.0} for i in range(2)]
    figure = ranking_figure(NAME, rows)
    assert figure["layout"]["annotations"][0]["text"] == TOLD
    assert figure["data"][0]["text"][0] == TOLD
    assert figure["data"][0]["hovertemplate"].endswith("<extra></extra>")
    assert figure["title"] == f"Scores, {NAME}"  # read out, never parsed
    row = {"product": NAME, "measured": 1.0, "claimed": 2.0, "low": None, "high": None, "text": NAME, "statement": NAME}
    figure = claims_figure(NAME, "", [row])
    assert "<a" not in json.dumps(figure["layout"]) and figure["data"][0]["text"] == [TOLD]


def test_the_command_names_the_file_as_it_is_saved(client, edition):
    saved = client.get("/c/strings/editions/1/study.zip")["Content-Disposition"]
    assert saved == 'attachment; filename="strings-edition-1.zip"'
    assert "manage.py verify strings-edition-1.zip" in client.get("/c/strings/").content.decode()


@pytest.mark.django_db
def test_a_request_that_is_too_large_is_told_in_words(client):
    response = client.post("/sign-in/", {f"field-{i}": "1" for i in range(1001)})
    assert response.status_code == 400
    html = response.content.decode()
    assert 'lang="en"' in html and "Evenhand" in html and "Nothing was changed" in html


def test_crawlers_keep_out_of_the_bench(client):
    assert "Disallow: /bench/" in client.get("/robots.txt").content.decode().splitlines()
