"""Blind codes: a mistyped one is refused, and none can be misread or tells the product."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from specimens.bench import codes

# Pairs that labels and handwriting mix up (common practice, no source): at most one of each may be used.
LOOK_ALIKE = ["0O", "0Q", "0D", "OQ", "OD", "1I", "1L", "IL", "2Z", "5S", "6G", "8B", "UV", "CG", "38", "68"]


def test_the_alphabet_holds_no_two_characters_that_look_alike():
    for a, b in LOOK_ALIKE:
        assert not (a in codes.ALPHABET and b in codes.ALPHABET), (a, b)
    assert len(set(codes.ALPHABET)) == len(codes.ALPHABET) == codes.MODULUS
    assert not set(codes.ALPHABET) & set("AEIOU"), "no vowel: no code reads as a word"
    assert codes.ALPHABET == codes.ALPHABET.upper()


def test_the_modulus_is_prime_and_every_place_has_a_weight_of_its_own():
    """What ISO 7064 asks of a pure system, for codes of up to 18 characters."""
    assert all(codes.MODULUS % n for n in range(2, codes.MODULUS))
    weights = [pow(codes.RADIX, place, codes.MODULUS) for place in range(18)]
    assert len(set(weights)) == 18


def test_the_check_character_is_that_of_the_sum_written_out():
    """The definition of a pure system, place by place: the sum of value times 2^place leaves 1."""
    for code in codes.make(50, set()):
        total = sum(codes.ALPHABET.index(c) * 2**place for place, c in enumerate(reversed(code)))
        assert total % 19 == 1


def test_every_single_substitution_is_caught():
    for code in codes.make(25, set()):
        for place, wrong in itertools.product(range(len(code)), codes.ALPHABET):
            if wrong != code[place]:
                assert not codes.is_right(code[:place] + wrong + code[place + 1 :]), (code, place, wrong)


def test_every_transposition_is_caught():
    for code in codes.make(25, set()):
        for i, j in itertools.combinations(range(len(code)), 2):
            if code[i] != code[j]:
                swapped = list(code)
                swapped[i], swapped[j] = swapped[j], swapped[i]
                assert not codes.is_right("".join(swapped)), f"places {i} and {j} of {code}"


def test_every_adjacent_transposition_of_every_pair_of_characters_is_caught():
    for a, b in itertools.permutations(codes.ALPHABET, 2):
        body = f"C{a}{b}3"
        code = body + codes.check_character(body)
        assert codes.is_right(code)
        assert not codes.is_right(f"C{b}{a}3{code[-1]}")
        last = f"C3{a}"
        code = last + codes.check_character(last)
        if code[-1] != a:
            assert not codes.is_right(code[:-2] + code[-1] + code[-2]), "the check character changed places"


@given(st.text(alphabet=codes.ALPHABET, min_size=1, max_size=17), st.data())
def test_longer_codes_are_as_safe(body, data):
    code = body + codes.check_character(body)
    place = data.draw(st.integers(0, len(code) - 1))
    wrong = data.draw(st.sampled_from([c for c in codes.ALPHABET if c != code[place]]))
    assert codes.is_right(code)
    assert not codes.is_right(code[:place] + wrong + code[place + 1 :])


def test_codes_are_new_and_get_longer_where_short_ones_run_out():
    made = codes.make(3000, set())
    assert len(set(made)) == 3000
    assert {len(code) for code in made} == {5}
    assert not set(codes.make(500, set(made))) & set(made)
    few = codes.make(300, set(), length=2)  # 361 codes of two characters and a check character
    assert len(set(few)) == 300
    assert {len(code) for code in few} == {3, 4}
    assert all(map(codes.is_right, few))


def test_what_is_typed_is_tidied():
    assert codes.tidy(" k7-fh p\n") == "K7FHP"


@pytest.mark.parametrize(
    ("code", "says"),
    [("K7FHX", "mistyped"), ("K0FHP", "0 cannot stand"), ("", "mistyped"), ("K", "mistyped"), ("K7FHP", "no specimen")],
)
def test_why_a_code_is_refused_is_said(code, says):
    assert says in codes.why_wrong(code)


def test_most_random_words_are_no_codes():
    """One in 19 wrong codes passes by chance, as the check character has 19 values."""
    chance = random.Random(3)
    words = ["".join(chance.choice(codes.ALPHABET) for _ in range(5)) for _ in range(4000)]
    share = sum(map(codes.is_right, words)) / len(words)
    assert abs(share - 1 / 19) < 0.015
