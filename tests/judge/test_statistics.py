"""Small-sample statistics against published worked examples.

- NIST/SEMATECH e-Handbook 7.2.6.3: one-sided tolerance factors by the non-central t distribution (page read).
- CMH-17-1G, table of kB factors (90 % content, 95 % confidence), as quoted by an R package's own tests (read there).
- Montgomery & Runger, Applied Statistics and Probability for Engineers, example 8-8: prediction interval (page read).
- Facts on failure rates: 1 - 0.05^(1/n), worked out from the formula.
- NIST StRD one-way ANOVA data set SiRstv: the within-instrument mean square is the pooled variance (certified value).
"""

from __future__ import annotations

import math
from importlib.resources import files

import numpy as np
import pytest
import scipy.stats

from pooleye.judge import statistics
from pooleye.judge.criteria import shipped
from pooleye.judge.statistics import Scatter


def test_a_95_95_bound_of_three_candles_approves_nothing():
    # 7.66: standard tables of one-sided factors for n = 3 (from memory).
    from scipy.stats import nct, norm

    factor = float(nct.ppf(0.95, 3 - 1, norm.ppf(0.95) * math.sqrt(3))) / math.sqrt(3)  # NIST e-Handbook 7.2.6.3
    assert factor == pytest.approx(7.66, abs=0.01)
    assert "7.66" in shipped()["prediction_confidence"].source


def test_prediction_bound_is_one_side_of_the_textbook_interval():
    # Load at failure of 22 specimens, mean 13.71, s 3.55: the next lies in 6.16 to 21.26 (95 % two-sided).
    values = 13.71 + 3.55 * _standardised(22)
    scatter = statistics.own_scatter(list(values))
    assert scatter is not None
    upper = statistics.prediction_bound(list(values), scatter, side="upper", confidence=0.975)
    lower = statistics.prediction_bound(list(values), scatter, side="lower", confidence=0.975)
    assert upper.value == pytest.approx(21.26, abs=0.01)
    assert lower.value == pytest.approx(6.16, abs=0.01)


def test_mean_bound_is_one_side_of_the_textbook_interval():
    # The same specimens: 95 % confidence interval of the mean 12.14 to 15.28.
    values = list(13.71 + 3.55 * _standardised(22))
    scatter = statistics.own_scatter(values)
    assert scatter is not None
    assert statistics.mean_bound(values, scatter, side="upper", confidence=0.975).value == pytest.approx(
        15.28, abs=0.01
    )
    assert statistics.mean_bound(values, scatter, side="lower", confidence=0.975).value == pytest.approx(
        12.14, abs=0.01
    )


def _standardised(n):
    raw = np.arange(n, dtype=float)
    return (raw - raw.mean()) / raw.std(ddof=1)


def test_pooled_scatter_is_the_certified_within_mean_square():
    text = files("scipy.stats.tests").joinpath("data/nist_anova/SiRstv.dat").read_text()
    rows = [line.split() for line in text.splitlines()[60:] if line.strip()]
    arms: dict[str, list[float]] = {}
    for treatment, response in rows:
        arms.setdefault(treatment, []).append(float(response))
    scatter = statistics.pool(list(arms.values()))
    assert scatter is not None
    assert scatter.freedom == 20
    assert scatter.s**2 == pytest.approx(1.08318280e-02, rel=1e-7)


def test_bartletts_test_agrees_with_scipy():
    arms = [[1.0, 2.5, 3.1], [4.0, 4.2, 4.9, 5.0], [2.0, 6.0, 4.0]]
    ours = statistics.bartlett_p([(np.std(arm, ddof=1), len(arm) - 1) for arm in arms])
    assert ours == pytest.approx(scipy.stats.bartlett(*arms).pvalue, rel=1e-12)


def test_welchs_interval_agrees_with_scipy():
    first, second = [3.0, 3.4, 2.7], [4.6, 5.9, 5.1, 4.4]
    theirs = scipy.stats.ttest_ind(first, second, equal_var=False).confidence_interval(0.90)
    ours = statistics.arms_apart(first, second)
    assert ours is not None
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


@pytest.mark.parametrize(("n", "rate"), [(1, 0.950), (3, 0.632), (5, 0.451), (10, 0.259), (29, 0.098), (59, 0.050)])
def test_three_good_candles_still_allow_six_failures_in_ten(n, rate):
    assert statistics.failure_rate_bound(0, n) == pytest.approx(rate, abs=6e-4)
    assert statistics.failure_rate_bound(0, n) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-9)


def test_failure_rate_with_failures_is_clopper_and_pearsons():
    theirs = scipy.stats.binomtest(2, 9, alternative="less").proportion_ci(0.95, method="exact")
    assert statistics.failure_rate_bound(2, 9) == pytest.approx(theirs.high, rel=1e-9)
    assert statistics.failure_rate_bound(4, 4) == 1.0


def test_unequal_scatter_is_not_pooled_but_noise_below_the_measurement_is():
    calm, wild = [2.0, 2.01, 2.02], [1.0, 4.0, 9.0]
    own = statistics.scatter_for(calm, [wild])
    assert own is not None
    assert own.pooled == 1
    alike = statistics.scatter_for(calm, [[3.0, 3.4, 3.1]], floor=0.5)
    assert alike is not None
    assert (alike.pooled, alike.freedom) == (2, 4)


def test_what_all_candles_share_widens_the_bound_though_they_scatter_little():
    values = [2.0, 2.0, 2.0]
    alone = statistics.prediction_bound(values, Scatter(0.0, 2), side="upper", confidence=0.9, u=0.5)
    assert alone.value == pytest.approx(2.0 + scipy.stats.norm.ppf(0.9) * 0.5)


def test_candles_needed_is_the_first_count_that_clears_the_limit():
    scatter = Scatter(0.5, 4, 2)
    needed = statistics.candles_needed(2.2, scatter, 3.0, side="upper", confidence=0.9, n=3, arms=2)
    assert needed is not None
    for count, clears in ((needed, True), (needed - 1, False)):
        t = scipy.stats.t.ppf(0.9, 4 + 2 * (count - 3))
        assert bool(2.2 + t * 0.5 * math.sqrt(1 + 1 / count) <= 3.0) is clears


def test_no_number_of_candles_clears_a_limit_that_the_mean_touches():
    assert statistics.candles_needed(3.0, Scatter(0.5, 4), 3.0, side="upper", confidence=0.9, n=3) is None


def test_the_next_candle_stays_below_the_bound_as_often_as_promised():
    """Two-sided check of the promise itself: 90 % over many invented trials, neither more nor less."""
    draws = np.random.default_rng(20260301).normal(2.0, 0.6, size=(4000, 3, 4))
    inside = 0
    for arms in draws:
        values = [list(arm[:3]) for arm in arms]
        scatter = statistics.pool(values)
        assert scatter is not None
        inside += arms[0][3] <= statistics.prediction_bound(values[0], scatter, side="upper", confidence=0.9).value
    assert 0.885 < inside / 4000 < 0.915
