"""How deep the wax lies: what is possible bounds what was read."""

from __future__ import annotations

import pytest
from scipy.stats import truncnorm

from pooleye.top.scene import truncated


@pytest.mark.parametrize(("mean", "u"), [(30.0, 4.0), (6.0, 9.0), (-3.0, 5.0), (70.0, 12.0), (40.0, 60.0)])
def test_a_depth_cut_to_what_is_possible_has_the_moments_of_the_truncated_normal(mean: float, u: float):
    """Against SciPy's `truncnorm`."""
    expected = truncnorm((0.0 - mean) / u, (80.0 - mean) / u, mean, u)
    assert truncated(mean, u, 0.0, 80.0) == pytest.approx((expected.mean(), expected.std()), rel=1e-9)


def test_a_depth_far_outside_is_drawn_to_the_nearer_end():
    assert truncated(-90.0, 2.0, 0.0, 80.0) == (0.0, 2.0)
