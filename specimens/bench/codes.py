"""Blind codes: short, without look-alikes, with a check character, and silent about the product.

The alphabet has 19 characters. Left out are 0 O Q, 1 I L, 2 Z, 5 S, 6 G, 8 B, U, and the vowels A and E
(no code reads as a word). 19 is prime, so that a check character as in the pure systems of ISO 7064
(here with modulus 19 and radix 2: the sum of character values times 2^place leaves 1) catches every
single wrong character and every exchange of two.
"""

from __future__ import annotations

import secrets

ALPHABET = "3479CDFHJKMNPRTVWXY"
MODULUS = len(ALPHABET)
RADIX = 2
LENGTH = 4  # without the check character: 130,321 codes
TRIES = 1000

_VALUE = {character: value for value, character in enumerate(ALPHABET)}


def _rest(body: str) -> int:
    """The weighted sum of a code's characters but the check character, which has the weight 1."""
    total = 0
    for character in body:
        total = (total + _VALUE[character]) * RADIX % MODULUS
    return total


def check_character(body: str) -> str:
    """The check character of a code without one.

    >>> check_character("K7FH")
    'P'
    """
    return ALPHABET[(1 - _rest(body)) % MODULUS]


def tidy(text: str) -> str:
    """A code as typed or scanned: upper case, without spaces and dashes."""
    return "".join(text.split()).replace("-", "").upper()


def is_right(code: str) -> bool:
    """Whether a code's check character fits it.

    >>> is_right("K7FHP"), is_right("K7HFP")
    (True, False)
    """
    known = len(code) > 1 and all(character in _VALUE for character in code)
    return known and (_rest(code[:-1]) + _VALUE[code[-1]]) % MODULUS == 1


def why_wrong(code: str) -> str:
    """One line that says what is wrong with a code that no specimen has."""
    strange = sorted({character for character in code if character not in _VALUE})
    if strange:
        return (
            f"Found the code “{code[:20]}”, in which {', '.join(strange)[:40]} cannot stand: codes have the "
            f"characters {ALPHABET}. Look at the label again."
        )
    if not is_right(code):
        return f"The code “{code[:20]}” was mistyped: its last character does not fit the others. Type it again."
    return f"The code “{code}” is well formed, but no specimen here has it."


def make(count: int, taken: set[str], length: int = LENGTH) -> list[str]:
    """New codes that are not among `taken`; drawn by chance, so that nothing can be read from them.

    A code gets longer by one where those of this length run short.
    """
    made: list[str] = []
    used = set(taken)
    while len(made) < count:
        if 2 * (len(used) + 1) > MODULUS**length:
            length += 1
        for _ in range(TRIES):
            body = "".join(secrets.choice(ALPHABET) for _ in range(length))
            code = body + check_character(body)
            if code not in used:
                break
        else:
            length += 1
            continue
        used.add(code)
        made.append(code)
    return made
