"""Agreement statistics against published worked examples and against statsmodels, scikit-learn and SciPy."""

import math

import numpy as np
import pytest

from pooleye.audit.agreement import (
    MIN_PAIRS,
    Interval,
    TooFewError,
    bias_between,
    cross_table,
    drift,
    drift_in_words,
    graded_in_words,
    kappa,
    kappa_word,
    limits_of_agreement,
    numbers_in_words,
    seeing_threshold,
    settlement_record,
    threshold_in_words,
)

# Peak expiratory flow, first readings of two meters: Bland & Altman, Lancet 1986, table 1.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

THREE_STATES = [[11, 2, 1], [3, 20, 4], [0, 2, 17]]


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ([[20, 5], [10, 15]], 0.4000),  # widely used teaching example (from memory)
        ([[12, 2], [4, 2]], 0.2105),  # published worked example, 0.21
        ([[45, 15], [25, 15]], 0.1304),  # pair of tables showing that kappa depends on the margins (from memory)
        ([[25, 35], [5, 35]], 0.2593),
    ],
)
def test_plain_kappa_equals_worked_examples(table, expected):
    assert kappa(table, "none").value == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("weights", "expected"), [("none", 0.6920), ("linear", 0.7321), ("quadratic", 0.7783)])
def test_weighted_kappa_equals_worked_example(weights, expected):
    assert kappa(THREE_STATES, weights).value == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("weights", "wt"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")])
@pytest.mark.parametrize("seed", range(4))
def test_kappa_standard_error_and_interval_equal_statsmodels(weights, wt, seed):
    from statsmodels.stats.inter_rater import cohens_kappa

    table = np.random.default_rng(seed).integers(1, 25, (4, 4))
    theirs, ours = cohens_kappa(table, wt=wt), kappa(table, weights)
    assert ours.value == pytest.approx(theirs.kappa, rel=1e-9)
    assert ours.se == pytest.approx(theirs.std_kappa, rel=1e-6)
    assert (ours.low, ours.high) == pytest.approx((theirs.kappa_low, theirs.kappa_upp), rel=1e-4)


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_kappa_of_states_equals_scikit_learn(weights):
    from sklearn.metrics import cohen_kappa_score

    states = ["none", "slight", "moderate", "heavy"]
    rng = np.random.default_rng(5)
    first = rng.integers(0, 4, 60)
    second = np.clip(first + rng.integers(-1, 2, 60), 0, 3)
    table = cross_table([states[i] for i in first], [states[i] for i in second], states)
    theirs = cohen_kappa_score(first, second, weights=None if weights == "none" else weights)
    assert kappa(table, weights).value == pytest.approx(theirs, rel=1e-9)


def test_kappa_interval_covers_the_truth_about_as_often_as_it_says():
    rng = np.random.default_rng(11)
    p = np.array([[0.3, 0.06, 0.01], [0.05, 0.25, 0.06], [0.02, 0.05, 0.2]])
    truth = kappa((p * 1e9).astype(int), "linear").value
    intervals = [kappa(rng.multinomial(120, p.ravel()).reshape(3, 3), "linear") for _ in range(400)]
    covered = sum(i.low <= truth <= i.high for i in intervals) / 400
    assert 0.91 <= covered <= 0.985


def test_kappa_says_nothing_where_only_one_state_occurs():
    with pytest.raises(TooFewError):
        kappa([[9, 0], [0, 0]])


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (-0.1, "poor"),
        (0.0, "slight"),
        (0.2, "slight"),
        (0.41, "moderate"),
        (0.8, "substantial"),
        (0.81, "almost perfect"),
    ],
)
def test_kappa_words_follow_landis_and_koch(value, word):
    assert kappa_word(value) == word


def test_limits_of_agreement_equal_bland_and_altmans_example():
    found = limits_of_agreement([a - b for a, b in zip(WRIGHT, MINI, strict=True)])
    assert found.bias.value == pytest.approx(-2.118, abs=5e-4)
    assert found.s == pytest.approx(38.765, abs=5e-4)
    assert (found.lower.value, found.upper.value) == pytest.approx((-78.10, 73.86), abs=6e-3)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.05, 17.81), abs=6e-3)
    assert found.lower.se == pytest.approx(16.28, abs=6e-3)


def test_bias_interval_equals_scipys_one_sample_t():
    from scipy.stats import ttest_1samp

    d = np.random.default_rng(2).normal(1.5, 4.0, 25)
    theirs = ttest_1samp(d, 0.0).confidence_interval(0.95)
    ours = limits_of_agreement(d).bias
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


def test_limits_equal_statsmodels_plot_limits_rule():
    """statsmodels' mean-difference plot draws bias +- 1.96 s with s by n; ours uses n - 1 as the paper does."""
    d = np.array([a - b for a, b in zip(WRIGHT, MINI, strict=True)], dtype=float)
    found = limits_of_agreement(d)
    assert found.upper.value == pytest.approx(d.mean() + 1.96 * d.std(ddof=0) * math.sqrt(17 / 16), rel=1e-12)


# NIST StRD, linear regression "Norris" (y, x); certified: slope 1.00211681802045, its standard deviation
# 0.000429796848199937.
NORRIS = """\
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1
998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""


@pytest.mark.parametrize("seed", range(3))
def test_bias_between_two_testers_equals_scipys_welch_interval(seed):
    from scipy.stats import ttest_ind

    made = np.random.default_rng(seed)
    one, other = made.normal(2.0, 1.0, 12), made.normal(0.0, 4.0, 25)
    theirs = ttest_ind(one, other, equal_var=False).confidence_interval(0.95)
    ours = bias_between(one, other)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high))
    assert ours.n == 37


def test_bias_between_needs_three_pairs_of_each():
    with pytest.raises(TooFewError):
        bias_between([1.0, 2.0], [1.0, 2.0, 3.0])


def test_drift_equals_the_certified_line_of_nist():
    numbers = [float(word) for word in NORRIS.split()]
    y, x = numbers[0::2], numbers[1::2]
    found = drift(x, y)
    assert found.value == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.se == pytest.approx(0.000429796848199937, rel=1e-9)


def test_differences_without_any_spread_do_not_drift():
    found = drift([0, 1, 2, 3], [2.0, 2.0, 2.0, 2.0])
    assert (found.value, found.low, found.high) == (0.0, 0.0, 0.0)


def test_drift_needs_different_times():
    with pytest.raises(TooFewError):
        drift([3, 3, 3, 3], [1, 2, 3, 4])


def test_seeing_threshold_lies_in_the_gap_of_a_clean_split():
    found = seeing_threshold([5, 10, 15, 40, 50, 60] * 3, [False, False, False, True, True, True] * 3)
    assert found.value == pytest.approx(27.5)
    assert found.low == 15
    assert found.high == 40


def test_seeing_threshold_survives_a_slip_and_finds_the_truth():
    rng = np.random.default_rng(3)
    arcs = rng.uniform(0, 90, 80)
    seen = arcs > 32
    seen[rng.integers(0, 80, 3)] ^= True
    found = seeing_threshold(arcs, seen)
    assert found.low <= 32 <= found.high
    assert found.high - found.low < 15


def test_seeing_threshold_interval_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(200):
        arcs = rng.uniform(0, 90, 60)
        slips = rng.random(60) < 0.05
        found = seeing_threshold(arcs, (arcs > 30) ^ slips)
        hits += found.low <= 30 <= found.high
    assert hits >= 180


def test_seeing_threshold_needs_both_answers():
    with pytest.raises(TooFewError):
        seeing_threshold([1, 2, 3], [True, True, True])


def test_words_say_how_late_soot_is_seen():
    arcs = list(range(0, 60, 3))
    found = seeing_threshold(arcs, [arc > 22 for arc in arcs])
    assert "12 deg too late" in threshold_in_words("soot", "deg", found, tool=10.5)


def test_words_say_when_there_is_not_enough():
    few = Interval(0.5, 0.2, 0.1, 0.9, MIN_PAIRS - 1)
    assert "not enough" in graded_in_words("soot", few)
    assert "not enough" in drift_in_words("flame-height", "mm", few)
    assert "not enough" in numbers_in_words("flame-height", "mm", limits_of_agreement([1, 2, 3]))


def test_words_keep_quiet_about_a_bias_within_its_interval():
    noisy = limits_of_agreement([-4, 5, -3, 4, -6, 6, 2, -1, 0, 1, -2, 3])
    clear = limits_of_agreement([4, 5, 3, 4, 6, 5, 4, 3, 5, 4, 6, 5])
    assert "no bias" in numbers_in_words("melt-pool", "mm", noisy)
    assert "4.5 mm too high" in numbers_in_words("melt-pool", "mm", clear)


def test_settlement_share_has_statsmodels_wilson_interval():
    from statsmodels.stats.proportion import proportion_confint

    record = settlement_record(["photo-right"] * 7 + ["note-right"] * 2 + ["both-wrong"])
    assert (record.photo_right, record.note_right, record.both_wrong) == (7, 2, 1)
    assert (record.photo_share.low, record.photo_share.high) == pytest.approx(
        proportion_confint(7, 10, method="wilson")
    )
