"""The library of kinds of product: every one can be started, agrees with the rules, and warns where it is hazardous."""

from __future__ import annotations

import pytest

from comparisons.folder.exporter import tables_from_db, write_zip
from comparisons.folder.importer import import_study
from comparisons.folder.tables import number
from comparisons.services import starting
from comparisons.services.library import SOURCES, library
from comparisons.services.plan_checks import plan_faults
from specimens import models as sm
from specimens.units import parse_unit, same_kind
from tests.public.staging import make_cast

KINDS = list(library().kinds)
# kind -> (standard, number of units), from the notes on which the library rests: IEC 62275 asks for ten ties,
# ISO 1402 for at least two hoses, EN 388 for four palms (from memory), FL 1 for three torches.
KNOWN = {
    "cable-tie": ("IEC 62275:2018, 5.6", 10), "rechargeable-cell": ("IEC 61951-2", 4), "garden-hose": ("ISO 1402", 3),
    "work-glove": ("EN 388:2016, puncture", 4), "wood-glue": ("EN 205, classes of EN 204", 10),
    "led-torch": ("ANSI/PLATO FL 1", 3), "padlock": ("EN 12320:2021, 4.5.6; ASTM F883", 3),
    "ratchet-strap": ("EN 12195-2", 3), "kitchen-scale": ("OIML R 76-2, headings of the report", 2),
    "insulated-bottle": ("EN 12546-1", 3),
}  # fmt: skip
# Work that stores energy, burns, scalds or cuts: each of these is hazardous, whatever the file says.
DANGEROUS = (
    "loop-pull", "discharge", "hydrostatic", "stylus", "lap-shear", "shackle-pull", "assembly-pull", "six-hours",
)  # fmt: skip


def test_there_are_ten_kinds_with_the_standards_they_follow():
    assert set(KINDS) == set(KNOWN)
    for kind in library().kinds.values():
        first = next(trial for trial in kind.trials.values() if trial.method.get("standard"))
        assert (first.method["standard"], first.row["units"]) == KNOWN[kind.id]


@pytest.mark.parametrize("kind", library().every().values(), ids=lambda kind: kind.id)
def test_what_is_hazardous_has_cautions_and_every_spread_a_source(kind):
    for method in kind.methods.values():
        assert method.get("cannot_show") or method["code"] == "strip-calliper"
        assert method["steps"].startswith("1. ") and method["source"] in SOURCES
        if method["code"] in DANGEROUS:
            assert method["hazardous"]
        if method.get("hazardous"):
            assert len(method["cautions"]) > 30
    for trial in kind.trials.values():
        assert ("cv" in trial.row) == ("cv_source" in trial.row)
        if "cv" in trial.row:
            assert 0 < float(trial.row["cv"]) <= 25 and trial.cv_source
        if "per_specimen" in trial.row:
            assert trial.row["per_specimen_unit"]


def test_conditionings_that_burn_dissolve_or_heat_have_cautions():
    shelf = library().conditionings
    assert set(shelf) == {"heat-age", "freeze", "humidity", "uv", "soak", "flame"}
    for code in ("heat-age", "uv", "soak", "flame"):
        assert shelf[code]["hazardous"] and len(shelf[code]["cautions"]) > 30
    assert "local" in library().stop.lower()


def test_plausible_ranges_hold_the_unit_that_the_trade_uses():
    for kind in library().every().values():
        for prop in kind.properties.values():
            if prop["reading"] != "quantity":
                continue
            parse_unit(prop["unit"])
            if "plausible_low" in prop:
                assert number(prop["plausible_low"]) < number(prop["plausible_high"])
        for trial in kind.trials.values():
            if divisors := trial.row.get("divide_by"):
                units = "*".join(f"({kind.properties[code]['unit']})" for code in divisors)
                assert same_kind(trial.row["reading_unit"], f"({trial.property['unit']})*{units}")


@pytest.mark.django_db
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_started_and_keeps_the_rules(kind, tmp_path):
    found = library().kinds[kind]
    planner = make_cast()["planner"]
    made = starting.start(
        planner, title=found.name, question=found.questions[0], currency="EUR", kind=kind, template=kind,
        trials=list(found.trials),
    )  # fmt: skip
    assert plan_faults(made) == []
    programme = made.parts.get().programme
    assert programme.trials.count() == len(found.trials)
    for method in programme.methods.all():
        for revision in method.revisions.all():
            assert not revision.hazardous or library().stop in revision.cautions
    # the study folder takes it, once there is a product and a reading
    product = sm.ProgrammeProduct.objects.create(
        programme=programme, code="a", product=sm.Product.objects.create(maker="Ullvane", model="One")
    )
    trial = next(t for t in programme.trials.order_by("pk") if not t.divide_by.exists())
    sm.Reading.objects.create(
        programme=programme, code="r1", trial=trial, product=product, value="pass" if trial.property.kind == "pass_fail"
        else "3",
    )  # fmt: skip
    path = tmp_path / "study.zip"
    with path.open("wb") as out:
        write_zip(tables_from_db(made), out)
    again = import_study(path, slug="again")
    assert again.criteria.count() == made.criteria.count() > 1


@pytest.mark.django_db
@pytest.mark.parametrize("kind", list(library().readings))
def test_readings_for_any_kind_can_be_added_and_keep_the_rules(kind):
    planner = make_cast()["planner"]
    made = starting.start(planner, title="Door stops", question="Which holds?", currency="EUR", kind="door stop")
    programme = made.parts.get().programme
    added = starting.add_from_library(
        planner, made, programme, trials=[(kind, code) for code in library().readings[kind].trials],
        conditionings=list(library().conditionings),
    )  # fmt: skip
    assert len(added) == len(library().readings[kind].trials) + 6
    assert plan_faults(made) == []
    again = starting.add_from_library(planner, made, programme, conditionings=["flame"])
    assert programme.conditions.count() == 6 and again[0].code == "flame"
    flame = sm.MethodRevision.objects.get(method__title="Conditioning: flame")
    assert flame.hazardous and "Open flame" in flame.cautions
