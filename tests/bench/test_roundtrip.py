"""What the bench writes is a valid study: it goes out, comes in again equal, and is evaluated."""

from __future__ import annotations

import base64
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from comparisons.folder.exporter import tables_from_db, write_zip
from comparisons.folder.importer import import_study
from comparisons.folder.tables import differences
from comparisons.models import Comparison, ComparisonProgramme, Criterion
from comparisons.services import evaluation
from specimens.bench import exposures
from specimens.models import Exposure, Specimen, Trial
from tests.bench.staging import stamp
from tests.bench.test_photos import picture
from tests.bench.test_traces import curve


@pytest.fixture
def comparison(stage):
    made = Comparison.objects.create(
        slug="clamps", title="Clamps", question="Which holds?", currency="EUR", seed=7, plan_frozen_at=timezone.now(),
        plan_frozen_by="pat",
    )  # fmt: skip
    ComparisonProgramme.objects.create(comparison=made, programme=stage.programme)
    Criterion.objects.create(
        comparison=made, code="force", position=0, kind="trial", trial=stage.trials["force"], floor="1", ceiling="100"
    )
    return made


@pytest.fixture
def worked(stage, send, client):
    """A day at the bench with everything that may happen there."""
    force = stage.plan("force", replicates=3)
    good = [stage.entry("force", p.specimen, f"{40 + i / 10:.1f}", instrument="stand") for i, p in enumerate(force)]
    send(*good)
    send(stage.entry("force", force[0].specimen, "41", note="-5 °C in the hall", bound=">"), tablet="tablet-2")
    send(stage.entry("force", force[1].specimen, "9", unit="lbf", replaces=good[1]["id"], replace_reason="=wrong unit"))
    send(stage.other("void", "force", reading=good[2]["id"], reason="@slipped"))
    send(stage.other("run", "force", reason="new jaws", carry="anchor", anchor="alder", pooled_because="same gauge"))
    pull = stage.plan("pull")
    send(stage.other("confirm_cautions", "pull", revision="2"))
    send(stage.entry("pull", pull[0].specimen, "12", failure_mode="jaw", decision="looked twice"))
    peel = stage.plan("peel")
    send(stage.entry("peel", peel[0].specimen, "40", dimensions=[{"trial": "width", "value": "19.8", "unit": "mm"}]))
    send(stage.entry("holds", stage.plan("holds")[0].specimen, "pass"))
    rated = stage.plan("edge", raters=["bea", "ben"])[0].specimen
    first = stage.entry("edge", rated, "2")
    send(first, stage.entry("edge", rated, "3"))
    send(stage.entry("edge", rated, "8"), by="other")
    send(stage.entry("edge", rated, "4", replaces=first["id"], replace_reason="third look"))
    aged = [place.specimen for place in stage.plan("aged")[:3]]
    began = timezone.now() - exposures.timedelta(hours=80)
    made = exposures.start(
        exposures.Start(
            stage.programme, stage.trials["aged"].condition, aged, began, began.isoformat(), "bea", chamber="oven-1",
            confirmed=True,
        ),
        actor=stage.people["bench"],
    )  # fmt: skip
    now = timezone.now()
    exposures.end(
        exposures.End(stage.programme, made, now, now.isoformat(), "ben", reason="late"), actor=stage.people["other"]
    )
    send(stage.other("photo", "pull", specimen=pull[1].specimen.blind_code, caption="crack",
                     data=base64.b64encode(picture()).decode()))  # fmt: skip
    client.force_login(stage.people["bench"], backend="django.contrib.auth.backends.ModelBackend")
    page = f"/bench/traces/{stage.programme.slug}/pull/"
    body = {"specimen": pull[2].specimen.blind_code, "file": SimpleUploadedFile("c.csv", curve())}
    seen = client.get(client.post(page, body)["Location"])
    client.post(seen.request["PATH_INFO"], {"rule": "peak", "entry": str(seen.context["entry"]), "unit": "N"})
    return stage


def test_what_the_bench_wrote_goes_out_and_comes_in_equal(comparison, worked):
    exported = tables_from_db(comparison)
    packed = io.BytesIO()
    write_zip(exported, packed)
    packed.seek(0)
    again = tables_from_db(import_study(packed, slug="again"))  # raises with every fault that a check finds
    again.comparison["slug"] = exported.comparison["slug"]
    assert differences(again, exported) == []
    readings = exported["readings"]
    assert len(readings) == 18 + 2 + 1 + 2 + 1 + 4 + 1
    assert sum(map(bool, readings["trace"])) == 1 and sum(map(bool, readings["replaces"])) == 2
    assert sum(map(bool, readings["void_reason"])) == 2
    assert set(readings["run"]) == {""}, "all was measured before the change: those have no run, which is the first"
    assert sorted(exported["files"]["kind"]) == ["photo", "trace"]
    assert len(exported["exposures"]) == 3
    deviation = comparison.deviations.get(what__contains="condition oven")
    assert (deviation.before, deviation.after, deviation.why) == ("72 h", "80 h done", "late")


def test_text_that_a_spreadsheet_would_run_gets_a_word_before_it(comparison, worked):
    exported = tables_from_db(comparison)
    assert "Note: -5 °C in the hall" in exported["readings"]["note"]
    assert "Reason: =wrong unit" in exported["readings"]["replace_reason"]
    assert "Reason: @slipped" in exported["readings"]["void_reason"]


def test_it_is_evaluated_and_a_reading_makes_the_results_stale(comparison, worked, send):
    evaluation.run_evaluation(comparison)
    assert evaluation.standing(comparison).fresh
    (summary,) = [s for s in _document(comparison)["summaries"] if s["trial"] == "peel" and s["n"]]
    assert summary["mean"] == pytest.approx(40 / 1.98)  # 40 N over 19.8 mm, in N/cm
    pull = {s["specimen"]: s for s in _document(comparison)["specimens"] if s["trial"] == "pull"}
    jaw = next(s for s in pull.values() if not s["counted"])
    assert "failure mode jaw does not count" in jaw["why_not"]
    left = Specimen.objects.filter(places__trial=Trial.objects.get(code="pull")).exclude(readings__isnull=False).first()
    send(worked.entry("pull", left, "13"))
    assert not evaluation.standing(comparison).fresh


def _document(comparison) -> dict:
    import json

    found = evaluation.standing(comparison).evaluation.document
    return json.loads(found) if isinstance(found, str | bytes) else found


def test_public_export_names_nobody_of_the_bench(comparison, worked):
    public = tables_from_db(comparison, public=True)
    text = str([table.columns for table in public.values()])
    for name in ("bea", "ben", "pat"):
        assert f"'{name}'" not in text
    assert Exposure.objects.count() == 3


def test_readings_that_arrive_late_keep_their_place(comparison, stage, send):
    places = stage.plan("force")
    send(stage.entry("force", places[0].specimen, "2", made_at=stamp(minutes=1)))
    send(stage.entry("force", places[1].specimen, "1", made_at=stamp(minutes=9)))
    table = tables_from_db(comparison)["readings"]
    order = sorted(zip(map(float, table["order"]), table["value"], strict=True))
    assert [value for _, value in order] == ["1", "2"]
