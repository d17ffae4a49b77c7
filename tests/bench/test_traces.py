"""Traces: uploaded, looked at, adjusted with a reason, and kept with the reading."""

from __future__ import annotations

import re
import uuid

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import RequestFactory

from specimens.bench import traces
from specimens.models import Attachment, Reading, TraceReduction


def curve(points=801) -> bytes:
    """Force climbs to 30 N over 30 mm and stays there, with a ripple of known mean."""
    x = np.arange(points) / 10
    force = np.minimum(x, 30.0) + 0.25 * np.sin(2 * np.pi * x)
    rows = "\n".join(f"{a:.1f};{f:.3f}" for a, f in zip(x, force, strict=True))
    return f"Gauge 7\nExtension (mm);Force (N)\n{rows}\n".encode()


@pytest.fixture
def ready(stage, client):
    """Signed in as a bench member, with a planned specimen, and its upload."""
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    places = stage.plan("force")
    page = f"/bench/traces/{stage.programme.slug}/force/"

    def upload(data=None, place=0, **more):
        body = {"specimen": places[place].specimen.blind_code, **more}
        if data is not None:
            body["file"] = SimpleUploadedFile("curve.csv", data)
        return client.post(page, body)

    def said(answer):
        return [str(m) for m in client.get(answer["Location"]).context["messages"]]

    return stage, places, page, upload, said


def test_a_trace_becomes_the_reading_and_stays_with_it(ready, client):
    stage, places, page, upload, said = ready
    seen = client.get(upload(curve())["Location"] + "?rule=mean_window&start=40&stop=60")
    # the mean of a whole number of ripples over the window is the plateau
    assert float(seen.context["value"]) == pytest.approx(30.0, abs=0.002)
    assert (seen.context["unit"], seen.context["reduction"].n) == ("N", 201)
    body = {
        "rule": "mean_window", "start": "40", "stop": "60", "entry": str(seen.context["entry"]), "unit": "N",
        "instrument": "stand", "made_at": seen.context["now"], "note": "smooth",
    }  # fmt: skip
    address = seen.request["PATH_INFO"]
    assert "Stored as b-" in said(client.post(address, body))[0]
    assert "Stored as b-" in said(client.post(address, body))[0], "sent twice: stored once"
    reading = Reading.objects.get()
    assert reading.value == seen.context["value"]
    assert reading.specimen == places[0].specimen
    assert reading.trace == Attachment.objects.get().path
    assert reading.decision.startswith("Reduced by mean_window (mean force over a window; start 40.0, stop 60.0)")
    kept = reading.reduction
    assert (kept.rule, kept.parameters, kept.reason) == ("mean_window", {"start": 40.0, "stop": 60.0}, "")
    assert kept.result["window"] == [40.0, 60.0]
    with Attachment.objects.get().content.open("rb") as stored:
        assert stored.read() == curve(), "the trace is kept as it came"


def test_what_differs_from_the_trials_own_rule_needs_its_reason(ready, client):
    stage, places, page, upload, said = ready

    def store(place, **body):
        address = upload(curve(), place)["Location"]
        return client.post(address, {"rule": "mean_window", "entry": str(uuid.uuid4()), "unit": "N", **body})

    store(0, start="40", stop="60")
    refused = store(1, start="45", stop="60")
    assert any("say why" in text for text in said(refused))
    assert Reading.objects.count() == 1
    store(1, start="45", stop="60", reason="a knot at 42 mm")
    assert Reading.objects.count() == 2
    last = TraceReduction.objects.order_by("pk").last()
    assert (last.reason, last.parameters["start"]) == ("a knot at 42 mm", 45.0)
    assert Reading.objects.order_by("pk").last().decision.endswith("own rule: a knot at 42 mm")
    assert traces.own_rule(stage.trials["force"]).parameters == {"start": 40.0, "stop": 60.0}, "the trial's rule stays"
    third = client.get(upload(curve(), 2)["Location"])
    assert float(third.context["value"]) == pytest.approx(30.0, abs=0.002), "and is taken by itself for the next"


def test_the_curve_is_a_figure_that_plotly_knows(ready, client):
    import plotly.graph_objects as go

    stage, places, page, upload, said = ready
    seen = client.get(upload(curve())["Location"] + "?rule=median_peaks&start=40&stop=60&prominence=0.2")
    figure = client.get(seen.context["chart"]).json()
    assert {trace["type"] for trace in figure["data"]} == {"scatter"}, "all that the vendored bundle draws of these"
    plain = {"data": figure["data"], "layout": figure["layout"]}
    go.Figure(_inked(plain))  # refuses what Plotly does not know
    line, peaks, value = figure["data"]
    assert max(line["y"]) == pytest.approx(30.25, abs=0.02)
    assert len(peaks["x"]) == seen.context["reduction"].n == 20
    assert figure["layout"]["shapes"][0]["x0"] == seen.context["reduction"].window[0]
    assert "<" not in figure["title"]


def _inked(value):
    if isinstance(value, dict):
        return {key: _inked(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_inked(inner) for inner in value]
    return "black" if isinstance(value, str) and value.startswith("ink:") else value


def test_a_long_curve_is_thinned_and_keeps_its_peak():
    x = [float(i) for i in range(300_000)]
    y = [float(i % 100) for i in range(300_000)]
    y[123_456] = 1e6
    shown_x, shown_y = traces.thinned(x, y)
    assert len(shown_x) <= traces.MOST_DRAWN
    assert max(shown_y) == 1e6 and shown_x == sorted(shown_x)


def test_the_page_without_script_has_the_curve_too(ready, client):
    stage, places, page, upload, said = ready
    answer = client.get(upload(curve())["Location"])
    text = answer.content.decode()
    assert "<polyline" in text and " style=" not in text
    assert answer.context["sketch"]["points"].count(",") == 801


BAD = {
    "binary": (bytes(range(256)) * 100, "is no text"),
    "one row": (b"Extension;Force\n0;1.5\n", "only one point"),
    "empty": (b"", "no row of numbers"),
    "words": (b"Dear all,\nthe trace follows tomorrow.\n", "no row of numbers"),
    "no force": (b"a;b;c\n0;1;2\n1;2;3\n", "say which"),
    "a hole": (b"Extension;Force\n0;1\n1;\n2;3\n", "is no number"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_file_that_is_no_trace_is_refused_in_one_line(ready, name):
    stage, places, page, upload, said = ready
    data, says = BAD[name]
    (text,) = said(upload(data))
    assert says in text
    assert "\n" not in text and len(text) < 300
    assert not Attachment.objects.exists()


def test_too_much_is_refused(ready):
    stage, places, page, upload, said = ready
    (text,) = said(upload(b"Extension;Force\n" + b"0;1\n" * 1_255_000))
    assert "5 MB" in text
    assert not Attachment.objects.exists()


def test_500_megabytes_are_refused_before_they_are_read(stage):
    """By the size that the request announces; the body is never touched, not even for the check of forms."""
    from specimens.views import traces as views

    class Untouchable:
        def read(self, *arguments):
            raise AssertionError("the body was read")

    request = RequestFactory().post(f"/bench/traces/{stage.programme.slug}/force/")
    request.META["CONTENT_LENGTH"] = str(500 * 10**6)
    request.META["wsgi.input"] = request._stream = Untouchable()
    request.user = stage.people["bench"]
    answer = views.upload(request, programme=stage.programme.slug, code="force")
    assert answer.status_code == 413
    assert "The trace has 500 MB: at most 5 MB are read." in answer.content.decode()


def test_without_a_file_or_with_a_wrong_code_one_line_says_so(ready):
    stage, places, page, upload, said = ready
    assert said(upload()) == ["Choose a file."]
    assert "mistyped" in said(upload(curve(), specimen="K7FHX"))[0]


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("rule=mean_window", "start and stop must be given"), ("rule=mean_window&start=70&stop=90", "does not fill"),
        ("rule=mean_window&start=60&stop=40", "before its stop"), ("rule=break", "no break was recorded"),
    ],
)
def test_a_rule_that_gives_no_value_says_why_and_stores_nothing(ready, client, query, says):
    stage, places, page, upload, said = ready
    address = upload(curve())["Location"]
    seen = client.get(f"{address}?{query}")
    assert seen.context["value"] is None
    assert says in seen.content.decode().replace("Start", "start")
    body = dict(part.split("=") for part in query.split("&"))
    client.post(address, {**body, "entry": str(uuid.uuid4())})
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    ("typed", "language", "ok"),
    [("40,5", "de", True), ("40.5", "en", True), ("40,5", "en", False), ("40.5", "de", False)],
)
def test_a_decimal_comma_is_told_from_a_point_by_the_persons_language(ready, client, typed, language, ok):
    stage, places, page, upload, said = ready
    address = upload(curve())["Location"]
    answer = client.get(
        address, {"rule": "mean_window", "start": typed, "stop": "60"}, headers={"Accept-Language": language}
    )
    assert (answer.status_code == 200) == ok
    if ok:
        assert answer.context["asked"].parameters["start"] == 40.5
        assert f'value="{typed}"' in answer.content.decode(), "shown back as it is read"
    else:
        assert "part thousands" in said(answer)[0]


@pytest.mark.parametrize(("language", "start"), [("de", "40,5"), ("en", "40.5")])
def test_what_the_page_shows_back_can_be_sent_as_it_stands(ready, client, language, start):
    """The form's own fields, unchanged, are taken in the language in which they were shown."""
    stage, places, page, upload, said = ready
    client.defaults["HTTP_ACCEPT_LANGUAGE"] = language
    address = upload(curve())["Location"]
    seen = client.get(address, {"rule": "mean_window", "start": start, "stop": "60"})
    store = seen.content.decode().split("Make it the reading")[1]
    body = dict(re.findall(r'<input type="hidden" name="([a-z_]+)" value="([^"]*)">', store))
    assert (body["start"], body["stop"]) == (start, "60")
    client.post(address, body | {"unit": "N"})
    assert Reading.objects.get().reduction.parameters == {"start": 40.5, "stop": 60.0}


def test_a_trace_that_is_reduced_once_more_replaces_its_reading(ready, client):
    """Two rules over one curve are one observation: only the last one counts, and the page offers that first."""
    stage, places, page, upload, said = ready
    address = upload(curve())["Location"]
    rule = {"rule": "mean_window", "stop": "60", "unit": "N"}
    client.post(address, rule | {"start": "40", "entry": str(uuid.uuid4())})
    first = Reading.objects.get()
    seen = client.get(address, {"rule": "mean_window", "start": "45", "stop": "60"})
    assert [one.code for one in seen.context["earlier"]] == [first.code]
    assert f'name="replaces" value="{first.code}" checked' in seen.content.decode()
    client.post(address, rule | {
        "start": "45", "entry": str(seen.context["entry"]), "reason": "a knot at 42 mm", "replaces": first.code,
    })  # fmt: skip
    last = Reading.objects.order_by("pk").last()
    assert (last.replaces, last.replace_reason) == (first, "a knot at 42 mm")
    assert Reading.objects.filter(replaced_by__isnull=True).get() == last
    assert [one.code for one in client.get(address).context["earlier"]] == [last.code]


def test_a_value_that_the_trace_does_not_give_is_refused(ready, send):
    stage, places, page, upload, said = ready
    upload(curve())
    attachment = Attachment.objects.get()
    entry = stage.entry("force", places[0].specimen, "31", reduction={"trace": attachment.pk, "rule": "peak"})
    assert "but 31 came" in send(entry)[0]["text"]
    other = stage.entry("force", places[1].specimen, "30.25", reduction={"trace": attachment.pk, "rule": "peak"})
    assert "no such trace" in send(other)[0]["text"]


def test_the_same_file_again_is_the_same_trace(ready):
    stage, places, page, upload, said = ready
    assert upload(curve())["Location"] == upload(curve())["Location"]
    assert Attachment.objects.count() == 1
