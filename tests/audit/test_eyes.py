"""The tester's eye: what is said of it, from how many pairs, and between two testers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from pooleye.audit import service
from pooleye.audit.agreement import MIN_PAIRS
from pooleye.audit.compare import load_scales
from pooleye.audit.eyes import Pair, between_of, eyes_of

T0 = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
SEEN = {quantity: scale.seen for quantity, scale in load_scales().items() if scale.seen}
# Bland & Altman, Lancet 1986, table 1: peak flow by two meters; here the "tester" and the "photo".
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def pair(number: int, quantity: str, tester: str = "Ida", **more) -> Pair:
    return Pair(tester, ("ACET", 1, "alight", float(number)), T0 + timedelta(days=number), quantity, **more)


def graded(said, measured, quantity="soot", **more):
    return [
        pair(k, quantity, state=one, measured_state=other, **more)
        for k, (one, other) in enumerate(zip(said, measured, strict=True))
    ]


def one_eye(pairs):
    (eye,) = eyes_of(pairs, SEEN)
    return eye


def test_numbers_are_judged_as_in_the_published_example():
    pairs = [
        pair(k, "flame-height", said=float(one), measured=float(other), unit="mm")
        for k, (one, other) in enumerate(zip(WRIGHT, MINI, strict=True))
    ]
    eye = one_eye(pairs)
    assert eye.limits.bias.value == pytest.approx(-2.1, abs=0.05)
    assert eye.limits.s == pytest.approx(38.8, abs=0.05)
    assert (eye.limits.lower.value, eye.limits.upper.value) == pytest.approx((-78.1, 73.9), abs=0.15)
    assert "no bias" in eye.words[0]
    assert eye.words[0].endswith("no drift to be seen.")


def test_widths_and_shares_of_a_pool_are_not_mixed():
    widths = [pair(k, "melt-pool", said=52.0, measured=50.0 + k % 2, unit="mm") for k in range(10)]
    shares = [pair(k, "melt-pool", said=0.5, measured=0.6, unit="1") for k in range(9)]
    eye = one_eye(shares + widths)
    assert (eye.numbers, eye.unit) == (10, "mm")
    assert eye.limits.bias.value == pytest.approx(1.5)


def test_grades_are_judged_by_weighted_kappa_as_scikit_learn_has_it():
    from sklearn.metrics import cohen_kappa_score

    states = ["none", "slight", "moderate", "heavy"]
    said = [states[k] for k in (0, 0, 1, 1, 2, 3, 3, 2, 1, 0, 0, 1, 2, 3)]
    measured = [states[k] for k in (0, 1, 1, 1, 2, 3, 2, 2, 2, 0, 0, 0, 2, 3)]
    eye = one_eye(graded(said, measured))
    theirs = cohen_kappa_score(said, measured, labels=states, weights="quadratic")
    assert eye.kappa.value == pytest.approx(theirs, abs=1e-9)
    assert (eye.graded, eye.numbers) == (14, 0)
    assert "almost perfect agreement" in eye.words[0]


def test_a_wicks_place_has_no_order_and_is_judged_without_weights():
    from sklearn.metrics import cohen_kappa_score

    said = ["centred", "off-centre"] * 5 + ["adrift", "centred"]
    measured = ["centred", "centred", "centred", "off-centre"] * 3
    eye = one_eye(graded(said, measured, "wick"))
    assert eye.kappa.value == pytest.approx(cohen_kappa_score(said, measured), abs=1e-9)
    assert eye.drift is None


def test_a_tester_who_sees_soot_late_is_told_by_how_much():
    arcs = [0.0, 5.0, 10.0, 15.0, 18.0, 22.0, 25.0, 29.0, 33.0, 45.0, 60.0, 90.0]
    eye = one_eye([pair(k, "soot", present=arc > 27, shown=arc) for k, arc in enumerate(arcs)])
    assert eye.seeing.eye.value == pytest.approx(27.0)
    assert "you see it about 12 degrees of arc too late" in eye.words[0]


def test_when_the_eye_begins_to_see_needs_looks_on_both_sides():
    rings = [1.5, 1.6, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 9.5, 10.0]
    eye = one_eye([pair(k, "hang-up", present=ring != 9.5, shown=ring) for k, ring in enumerate(rings)])
    assert eye.seeing is None
    assert eye.words == ()


def test_zero_said_is_nothing_seen(bench):
    a, *_ = bench.codes
    bench.photo(a, 60, hangup_mean=(6.0, 0.4), hangup_max=(8.0, 0.5))
    bench.note(a, 60, "hang-up 0 mm")
    (row,) = service.audit_of(bench.workspace).rows
    assert (row.verdict, row.measured, row.value) == ("contradicts", "hangup_mean", 6.0)


def test_below_ten_pairs_nothing_is_said():
    eye = one_eye(graded(["none", "slight"] * 4, ["none", "slight"] * 4))
    assert eye.words == ()
    assert not eye.enough
    assert eye.graded < MIN_PAIRS


@pytest.mark.parametrize(
    ("said", "measured", "words"),
    [
        (["none"] * 12, ["none"] * 12, "12 of 12 words agree; only one state occurs in the photos"),
        (["none", "slight"] * 6, ["none"] * 12, "6 of 12 words agree; only one state occurs in the photos"),
        (["none"] * 12, ["none", "slight"] * 6, "6 of 12 words agree; only one state occurs in the notes"),
    ],
)
def test_where_one_side_knows_only_one_state_skill_cannot_be_told_from_chance(said, measured, words):
    eye = one_eye(graded(said, measured))
    assert eye.kappa is None
    assert words in eye.words[0]


def test_a_drift_of_the_grades_is_named():
    said = ["none"] * 6 + ["slight"] * 6 + ["moderate"] * 6
    eye = one_eye(graded(said, ["none"] * 18))
    assert eye.drift.low > 0
    assert any("drift up" in words and "grades a month" in words for words in eye.words)


def test_two_testers_grades_are_compared_where_both_looked():
    words = ["none", "slight", "moderate", "heavy"] * 4
    ida = graded(words, words, tester="Ida")
    tom = graded(words[:12], words[:12], tester="Tom") + [
        pair(50 + k, "soot", "Tom", state="none", measured_state="heavy") for k in range(5)
    ]
    (both,) = between_of(ida + tom)
    assert (both.first, both.second, both.quantity, both.looks) == ("Ida", "Tom", "soot", 12)
    assert both.kappa.value == pytest.approx(1.0)
    assert "almost perfect" in both.words[0]


def test_two_testers_numbers_are_compared_with_each_other():
    ida = [pair(k, "flame-height", "Ida", said=20.0 + k % 3, measured=18.0, unit="mm") for k in range(12)]
    tom = [pair(k, "flame-height", "Tom", said=15.0 + k % 2, measured=18.0, unit="mm") for k in range(12)]
    (both,) = between_of(ida + tom)
    differences = [20.0 + k % 3 - (15.0 + k % 2) for k in range(12)]
    assert both.limits.bias.value == pytest.approx(sum(differences) / 12)
    assert "Ida notes 5.5 mm more than Tom" in both.words[0]


def test_two_testers_who_never_looked_together_are_compared_through_the_photos():
    ida = [pair(k, "melt-pool", "Ida", said=40.0 + k % 3, measured=40.5, unit="mm") for k in range(12)]
    tom = [pair(50 + k, "melt-pool", "Tom", said=56.0 + k % 4, measured=50.0, unit="mm") for k in range(12)]
    (both,) = between_of(ida + tom)
    assert (both.looks, both.limits) == (0, None)
    assert both.bias.value == pytest.approx(0.5 - 7.5)
    assert "each against the photos: Tom notes 7.0 mm more than Ida" in both.words[0]


def test_two_testers_with_too_little_are_not_compared():
    (both,) = between_of([pair(1, "soot", "Ida", state="none"), pair(1, "soot", "Tom", state="heavy")])
    assert both.kappa is None
    assert both.words == ()
    assert not both.enough


def test_a_session_of_two_testers_with_planted_mistakes_is_found_out(bench):
    """Ida is right; Tom notes flames 6 mm too tall, and calls every rim clean although five are not."""
    a, *_ = bench.codes
    planted = set()
    for step in range(12):
        if step % 3 == 0 and step:
            bench.out(a)
            bench.forward(hours=20)
            bench.light(a)
            bench.forward(hours=4)
        burn, minutes = bench.lit[a][0], (60.0, 120.0, 240.0)[step % 3]
        flame, sooty = 18.0 + step % 4, step >= 7
        sectors = [-9.0 if sooty and k < 6 else -0.2 for k in range(12)]
        soot = {"soot_delta_L": (sum(sectors) / 12, 0.6), "soot_arc": (180.0 if sooty else 0.0, 20.0)}
        bench.photo(a, minutes, sectors, flame_height=(flame, 0.6), **soot)
        bench.note(a, minutes, f"flame {flame:.0f} mm, {'sooting' if sooty else 'no soot'}", "Ida")
        bench.note(a, minutes, f"flame {flame + 6:.0f} mm, no soot", "Tom")
        planted |= {("Tom", "flame-height", burn, minutes)} | ({("Tom", "soot", burn, minutes)} if sooty else set())
    found = service.audit_of(bench.workspace)
    assert {(row.tester, row.quantity, row.burn, row.minutes) for row in found.contradictions} == planted
    said = "\n".join(found.eye_words())
    assert "Ida: flame-height: no bias" in said
    assert "Tom: flame-height: you note 6.0 mm too high" in said
    assert "Ida: soot: you begin to see it somewhere between 0 and 180 degrees of arc" in said
    assert "Ida and Tom, flame-height" in said
    assert "Tom: soot:" in said


def test_what_there_is_too_little_of_is_said_in_one_line_a_tester(bench):
    a, *_ = bench.codes
    bench.photo(a, 60, flame_height=(20.0, 0.5), pool_coverage=(0.99, 0.01))
    bench.note(a, 60, "flame 20 mm, full melt pool")
    (line,) = service.audit_of(bench.workspace).eye_words()
    assert line.startswith("Ida: not enough data yet")
    assert "melt-pool 1, flame-height 1" in line
