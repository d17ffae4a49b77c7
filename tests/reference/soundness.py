"""What every comparison must hold, and how groups of values become one."""

from __future__ import annotations

import numpy as np

from comparisons.analysis.differences import compare_means
from comparisons.analysis.letters import split_letters


def summarise(groups):
    """mean, u and degrees of freedom of each group of independent items."""
    groups = [np.asarray(g, dtype=float) for g in groups]
    return (
        [g.mean() for g in groups],
        [g.std(ddof=1) / np.sqrt(len(g)) for g in groups],
        [len(g) - 1 for g in groups],
    )


def compare(groups, **more):
    labels = [f"p{i}" for i in range(len(groups))]
    return compare_means(*summarise(groups), labels, **more)


def assert_sound(found):
    """What holds of every comparison: rows are plain, and letters, intervals and decisions agree."""
    assert found.reason is None
    decided = {}
    for row in found.pairs:
        assert row["a"] != row["b"]
        for key in ("difference", "p"):
            assert row[key] is None or (isinstance(row[key], float) and np.isfinite(row[key]))
        if row["p"] is not None:
            assert 0 <= row["p"] <= 1
        if row["ci"] is not None:
            low, high = row["ci"]
            assert np.isfinite([low, high]).all() and low <= high
            if row["decided"] == "different":
                assert low >= 0 or high <= 0
            elif row["p"] is not None:
                assert low <= 0 <= high
        if row["decided"] == "too_few_to_tell":
            assert row["reason"]
        decided[row["a"], row["b"]] = row["decided"]
    for (a, b), decision in decided.items():
        one, other = found.letters[a], found.letters[b]
        if one is not None and other is not None:
            common = set(split_letters(one)) & set(split_letters(other))
            assert decision != "too_few_to_tell"
            assert bool(common) == (decision == "no_difference_shown")
    for label, letters in found.letters.items():
        assert (letters is None) == (label in found.no_letter)


def one_rating_each(groups):
    """A table in which every rater rated one product."""
    table = np.full((sum(map(len, groups)), len(groups)), np.nan)
    row = 0
    for column, group in enumerate(groups):
        table[row : row + len(group), column] = group
        row += len(group)
    return table
