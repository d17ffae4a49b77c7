"""The studentized range against SciPy, a printed table and closed forms."""

import numpy as np
import pytest
from scipy import stats

from comparisons.analysis.studentized import quantile, tail

DOF = [3.0, 5.0, 8.0, 12.3, 40.0, 1000.0]


@pytest.mark.parametrize("k", [2, 3, 4, 6])
def test_tail_and_quantile_agree_with_scipy(k):
    q = np.array([0.0, 0.5, 2.0, 4.0, 6.0, 9.0])
    for dof in DOF:
        assert tail(q, k, np.full(6, dof)) == pytest.approx(stats.studentized_range.sf(q, k, dof), abs=1e-10)
    found = quantile(0.95, k, np.array(DOF))
    assert found == pytest.approx([stats.studentized_range.ppf(0.95, k, v) for v in DOF], abs=1e-9)


def test_the_tables_familiar_values():
    # q(.05; 4, 16) = 4.046 (SciPy; 4.05 in printed tables, from memory), q(.05; 3, 10) = 3.877.
    assert quantile(0.95, 4, np.array([16.0]))[0] == pytest.approx(4.046, abs=5e-4)
    assert quantile(0.95, 3, np.array([10.0]))[0] == pytest.approx(3.877, abs=5e-4)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
def test_two_means_are_students_t(level):
    # The range of two is the difference's modulus: Q = sqrt(2) |t| (closed form).
    dof = np.array([3.0, 10.0, 60.0])
    expected = np.sqrt(2) * stats.t.ppf((1 + level) / 2, dof)
    assert quantile(level, 2, dof) == pytest.approx(expected, rel=1e-8)


def test_small_tails_keep_their_digits():
    dof = np.array([30.0, 30.0])
    q = np.array([12.0, 20.0])
    assert tail(q, 2, dof) == pytest.approx(2 * stats.t.sf(q / np.sqrt(2), 30), rel=1e-6)


def test_no_pairs_no_answers():
    assert tail(np.zeros(0), 3, np.zeros(0)).shape == (0,) and quantile(0.95, 3, np.zeros(0)).shape == (0,)
