"""The words for a winner: limits, comparisons with the best, units tested, missing results."""

import math

import numpy as np
import pytest
from scipy import stats

from comparisons.analysis.best import hsu_best
from comparisons.analysis.ranking import mc_error
from comparisons.analysis.words import candidates_for_best, winner_of

from .score_cases import boarded, made, made_study, rows, sure


def word(values, u, **more):
    e = made("x", values, u, **more)
    study_ = made_study([e])
    board = boarded(study_, [e])
    s = sure([e])
    return winner_of(study_, s, rows(study_, [e], board)[0])


def test_words_follow_the_probability():
    assert word([60.0, 50.0], 1.0).word == "clear winner"
    # Phi(1.3) = .903: ahead; Phi(0.5) = .69: shared.
    ahead = word([50.0 + 1.3 * math.sqrt(2), 50.0], 1.0)
    assert (ahead.word, ahead.products) == ("ahead", ("p0",))
    shared = word([50.0 + 0.5 * math.sqrt(2), 50.0, 20.0], 1.0)
    assert (shared.word, shared.products) == ("shared lead", ("p0", "p1"))
    assert shared.text == "shared lead of p0 and p1"


def test_a_limit_within_two_monte_carlo_errors_gives_the_lower_word():
    at_limit = word([50.0 + float(stats.norm.ppf(0.975)) * math.sqrt(2), 50.0], 1.0)
    assert at_limit.word == "ahead"
    assert at_limit.p_best == pytest.approx(0.975, abs=4 * float(mc_error(0.975, 20_000)))


def test_rivals_that_cannot_be_excluded_keep_a_winner_from_being_clear():
    # Ahead of one rival by 2.3 standard errors of the difference: P(best) is .989, but among eight rivals
    # one-sided 0.05/8 asks for 2.5 of them.
    se = math.sqrt(2)
    close = word([50.0 + 2.3 * se, 50.0, *[20.0] * 7], 1.0)
    assert close.p_best > 0.98 and close.word == "ahead" and "p1" in close.candidates
    far = word([50.0 + 2.8 * se, 50.0, *[20.0] * 7], 1.0)
    assert far.word == "clear winner" and far.candidates == ("p0",)


def test_comparisons_with_the_best_agree_with_hsus_intervals():
    # best.hsu_best works from t quantiles, the draws from t laws: for normal laws the same products remain.
    values, u = [60.0, 58.0, 57.4, 55.5, 50.0], [0.8, 0.8, 1.0, 1.2, 1.0]
    e = made("x", values, u)
    s = sure([e])
    names = [f"p{i}" for i in range(5)]
    found = [names[p] for p in candidates_for_best(s, 0, 0.95)]
    assert found == hsu_best(values, u, [np.inf] * 5, names).candidates() == ["p0", "p1", "p2"]


def test_units_tested_only_carry_the_lower_word():
    found = word([60.0, 50.0], 1.0, of_units_tested=np.array([True, True]))
    assert (found.word, found.text) == ("ahead", "p0 is ahead, among the units tested")


def test_mixed_missing_cases_name_no_winner():
    # Rule 12's case: 72 to 65 at best for all, 42 to 35 at worst, but 42 to 65 mixed.
    a = made("a", [60.0, 50.0], trial=0)
    b = made("b", [np.nan, np.nan], trial=1, score_low=[0, 0], score_high=[100, 100])
    study_ = made_study([a, b])
    board = boarded(study_, [a, b], {"a": 0.7, "b": 0.3})
    assert board.high.tolist() == pytest.approx([72.0, 65.0])
    assert board.low.tolist() == pytest.approx([42.0, 35.0])
    s = sure([a, b], {"a": 0.7, "b": 0.3})
    found = winner_of(study_, s, rows(study_, [a, b], board)[0])
    assert found.word == "no award" and not found.awarded and found.could_win == ("p1",)
    assert "p1 could have the greater score" in found.text


def test_an_unsure_leader_gets_no_word():
    found = word([60.0, 50.0], 1.0, law=np.array(["", "t"], dtype=object))
    assert found.word is None and "one specimen" in found.text


def test_an_unsure_rival_keeps_a_winner_from_being_clear():
    found = word([60.0, 50.0, 10.0], 1.0, law=np.array(["t", "t", ""], dtype=object))
    assert found.word == "ahead" and "p2" in found.candidates
