"""Whole scorecards of made-up studies of every kind: nothing breaks, nothing contradicts itself."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from comparisons.analysis import dumps, evaluate
from comparisons.analysis.study import (
    Award,
    Claim,
    Criterion,
    Decision,
    Gauge,
    Property,
    Purchase,
    Trial,
    Weighting,
)

from .build import FORCE, reading, row, study

SAFE = Property("safe", "pass_fail", "", "more")
TASTE = Property("taste", "rating", "", "more", scale_low=1, scale_high=5)
MARK = Property("mark", "certification", "", "neither")
GAUGES = (Gauge("g", "N", resolution=0.1, accuracy_abs=1.0, U=0.4, k=2), Gauge("h", "N", accuracy_pct=1.0,
          accuracy_basis="reading"))  # fmt: skip
TRIALS = (
    Trial("dry", "force", reading_unit="N"), Trial("wet", "force", reading_unit="N", baseline="dry"),
    Trial("aged", "force", reading_unit="N", baseline="dry", paired=True), Trial("fall", "safe"),
    Trial("sip", "taste"),
)  # fmt: skip
CRITERIA = (
    Criterion("dry", "trial", "dry", floor=20.0, ceiling=80.0), Criterion("wet", "trial", "wet", floor=-60.0,
              ceiling=60.0, target=0.0, band=5.0),
    Criterion("aged", "trial", "aged", better="more", floor=-60.0, ceiling=20.0), Criterion("fall", "trial", "fall"),
    Criterion("sip", "trial", "sip"), Criterion("middle", "trial", "dry", measure="median"),
    Criterion("low", "trial", "dry", measure="min", floor=10.0, ceiling=80.0),
    Criterion("price", "cost", "per_item", floor=20.0, ceiling=0.0), Criterion("mark", "certification", "mark"),
)  # fmt: skip


def random_study(seed: int):
    """A study with gaps, bounds, several gauges, few units, opinions and must-haves, all by chance."""
    rng = np.random.default_rng(seed)
    products = [f"p{i}" for i in range(rng.integers(1, 6))]
    centre = dict(zip(products, rng.uniform(30, 70, len(products)), strict=True))
    units, per = int(rng.integers(1, 4)), int(rng.integers(1, 4))
    raters = int(rng.choice([1, 4, 9]))
    data = []
    for p in products:
        for t in ("dry", "wet", "aged"):
            if rng.random() < 0.2:
                continue
            gauge = GAUGES[0] if rng.random() < 0.7 else GAUGES[1]
            for u in range(units):
                for k in range(per):
                    value = round(float(rng.normal(centre[p] * (0.9 if t != "dry" else 1), 3)), 1)
                    data.append(reading(
                        t, p, value, unit=f"{p}-{u}", specimen=None if t == "wet" else f"{p}-{u}-{k}",
                        gauge=gauge, bound=">" if rng.random() < 0.05 else "=",
                    ))  # fmt: skip
        if rng.random() < 0.8:
            data += [reading("fall", p, float(rng.random() < 0.8), unit=f"{p}-{u}") for u in range(units)]
        if rng.random() < 0.9:
            data += [reading("sip", p, float(rng.integers(1, 6)), rater=f"r{i}") for i in range(raters)]
    criteria = list(CRITERIA)
    if rng.random() < 0.5:
        criteria[0] = Criterion("dry", "trial", "dry", floor=40.0, ceiling=80.0, must=True)
    if rng.random() < 0.3:
        criteria[1] = Criterion("wet", "trial", "wet", better="more")  # anchors from the results
    picked = rng.random((2, len(criteria))) < 0.6
    weightings = tuple(
        Weighting(f"w{k}", {c.id: float(rng.integers(1, 9)) for c, on in zip(criteria, picked[k], strict=True) if on},
                  missing=str(rng.choice(["renormalise", "leave_out", "worst_case"])))
        for k in range(2)
    )  # fmt: skip
    return study(
        data or [reading("dry", "p0", 50.0)], TRIALS, [FORCE, SAFE, TASTE, MARK], products=products, gauges=GAUGES,
        criteria=tuple(criteria), weightings=weightings, seed=seed,
        decision=Decision(price_cap=float(rng.uniform(2, 12)) if rng.random() < 0.5 else None),
        purchases=tuple(
            Purchase(f"b{p}", p, "bought", price=float(rng.uniform(1, 15))) for p in products if rng.random() < 0.8
        ),
        claims=tuple(Claim(f"c{p}", p, "mark", "yes", certification_state="verified") for p in products[:2]),
        awards=(Award("best", products[0]), Award("best-value", products[-1], "w0"), Award("dry", products[0]),
                Award("own", products[0], reason="because")),
    )  # fmt: skip


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_any_study_gives_a_scorecard_that_agrees_with_itself(seed):
    document = evaluate(random_study(seed))
    assert json.loads(dumps(document)) == document
    for card, value in zip(document["scorecards"], document["value"], strict=True):
        ranked = {p["product"] for p in card["products"] if p["rank"]}
        said = {p["product"]: p for p in card["products"] if p["p_best"] is not None}
        assert set(said) <= ranked
        for p in card["products"]:
            assert (p["p_best"] is None) == (p["draws_reason"] is not None)
            if p["ci"]:
                assert 0 <= p["ci"][0] <= p["score"] <= p["ci"][1] <= 100
        for p in said.values():
            assert sum(p["p_rank"]) <= 1 + 1e-9 and 0 <= p["p_tie_first"] <= p["p_meets"] if p["p_meets"] else True
            assert p["rank_interval"] is None or p["rank_interval"][0] <= p["rank_interval"][1] <= len(ranked)
        if set(said) == ranked and ranked:
            assert sum(p["p_best"] for p in said.values()) <= 1 + 1e-9
        winner = card["winner"]
        assert winner["word"] in (None, "clear winner", "ahead", "shared lead", "no award")
        assert winner["text"] and set(winner["products"]) <= ranked
        if winner["word"] in ("clear winner", "ahead"):
            assert winner["products"] == card["leaders"]
            assert winner["stands_with_missing"] and (winner["p_best"] >= 0.8 or len(ranked) == 1)
        if winner["word"] == "clear winner":
            assert winner["candidates"] == card["leaders"] and winner["p_best"] >= 0.975
        for key in ("winner_share_of_weights", "winner_share_of_all_weights"):
            if card[key]:
                assert sum(card[key].values()) == pytest.approx(1)
        shift = card["smallest_shift"]
        assert shift["text"] and (shift["shift"] is None or 0 <= shift["shift"] <= 1)
        assert card["next"]["text"]
        pick = value["budget_pick"]
        assert pick["reason"] and (pick["product"] is None or pick["product"] in ranked)
    for award in document["awards"]:
        assert award["supported"] or award["why"]
        assert not (award["supported"] and award["refused"])
        if award["rule"] == "best" and award["supported"] and award["weighting"]:
            card = row(document, "scorecards", weighting=award["weighting"])
            assert card["winner"]["products"] == [award["product"]] and card["winner"]["awarded"]
    for test in document["next_tests"]:
        assert test["specimens"] > 0 and 0 <= test["p_wrong_after"] <= 1


def test_opinions_are_left_out_beside_the_silent_scorecard():
    rng = np.random.default_rng(1)
    data = [reading("sip", p, v, rater="r1") for p, v in (("ash", 5.0), ("box", 2.0))]
    data += [
        reading("dry", p, round(float(rng.normal(m, 1)), 1), unit=f"{p}{u}")
        for p, m in (("ash", 40), ("box", 60)) for u in range(5)
    ]  # fmt: skip
    document = evaluate(study(
        data, TRIALS, [FORCE, SAFE, TASTE], criteria=CRITERIA,
        weightings=(Weighting("w", {"dry": 1.0, "sip": 1.0}),),
    ))  # fmt: skip
    (card,) = document["scorecards"]
    assert card["leaders"] == ["ash"] and card["winner"]["word"] is None and card["draws"] is None
    beside = card["without_opinions"]
    assert beside["left_out"] == ["sip"] and beside["word"] == "clear winner" and beside["products"] == ["box"]
    assert beside["p_best"]["box"] > 0.999


def test_a_study_without_weightings_has_no_scorecards():
    document = evaluate(study([reading("dry", "ash", 5.0)], TRIALS, [FORCE, SAFE, TASTE]))
    assert document["scorecards"] == [] == document["awards"] == document["next_tests"]
