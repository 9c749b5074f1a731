"""The criteria: sourced, overridable by key, refused when unknown or looser than a safety figure; and their page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pooleye.errors import PooleyeError
from pooleye.judge.criteria import BASES, Criterion, as_markdown, load_criteria, shipped

DOCS = Path(__file__).parents[2] / "docs"


def own(tmp_path, text):
    path = tmp_path / "criteria.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_criterion_says_where_it_is_from():
    for one in shipped():
        assert one.source.strip(), one.key
        assert one.basis in BASES, one.key
        if one.basis == "memory":
            assert "memory" in one.source, one.key
        if one.basis == "practice":
            assert "practice" in one.source, one.key


def test_the_flame_limits_are_the_standards_figures():
    # Facts S3 and S18: 3 in (76.2 mm) is used as 75 mm; tea lights 30 mm.
    assert shipped().most("flame_height_limit") == 75.0
    assert shipped().most("flame_height_limit_tea_light") == 30.0
    assert shipped().most("flame_height_limit") <= 3 * 25.4


def test_half_an_inch_of_wax_and_an_eighth_of_ring():
    assert shipped().least("wax_left_limit") == pytest.approx(25.4 / 2)
    assert shipped().most("hang_up") == pytest.approx(25.4 / 8, abs=0.2)


def test_an_own_figure_replaces_the_shipped_one_and_says_so(tmp_path):
    found = load_criteria(own(tmp_path, "[hang_up]\nmost = 2\nburns = '4-'\n"))
    assert found.most("hang_up") == 2.0
    assert not found["hang_up"].applies_to_burn(3)
    assert "own figure" in found["hang_up"].cited
    assert shipped().most("hang_up") == 3.0


@pytest.mark.parametrize(
    ("text", "reference", "near"),
    [
        ("[hangup]\nmost = 2\n", "unknown-criterion", "hang_up"),
        ("[hang_up]\nmots = 2\n", "unknown-field", "most"),
        ("[hang_up]\nmost = 'two'\n", "bad-criterion", "numbers"),
        ("[hang_up]\nmost = true\n", "bad-criterion", "numbers"),
        ("[hang_up]\nseverity = 'fatal'\n", "bad-criterion", "stop or watch"),
        ("[hang_up]\nburns = 'late'\n", "bad-criterion", "criteria"),
        ("[flame_window]\nleast = 40\n", "bad-criterion", "criteria"),
        ("hang_up = 2\n", "bad-criterion", "[hang_up]"),
        ("[prediction_confidence]\nleast = 1.0\n", "bad-criterion", "0.9"),
        ("[hang_up\n", "bad-criteria-file", "--toml"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_what_is_near(tmp_path, text, reference, near):
    with pytest.raises(PooleyeError) as refused:
        load_criteria(own(tmp_path, text))
    assert refused.value.reference == reference
    assert near in refused.value.hint


@pytest.mark.parametrize(
    "text",
    [
        "[flame_height_limit]\nmost = 90\n",
        "[wax_left_limit]\nleast = 5\n",
        "[second_flame]\nseverity = 'watch'\n",
        "[flame_height_limit]\nburns = '3-'\n",
        "[candles_per_arm]\nleast = 1\n",
    ],
)
def test_a_guard_against_fire_cannot_be_loosened(tmp_path, text):
    with pytest.raises(PooleyeError) as refused:
        load_criteria(own(tmp_path, text))
    assert refused.value.reference == "looser-than-allowed"


def test_a_guard_against_fire_can_be_tightened(tmp_path):
    assert load_criteria(own(tmp_path, "[flame_height_limit]\nmost = 60\n")).most("flame_height_limit") == 60


def test_a_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(PooleyeError, match="is not there"):
        load_criteria(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("burns", "applies", "not_"),
    [("all", (1, 9), ()), ("1-2", (1, 2), (3,)), ("3-", (3, 40), (2,)), ("2", (2,), (1, 3))],
)
def test_burn_numbers(burns, applies, not_):
    one = replace(shipped()["hang_up"], burns=burns)
    assert all(one.applies_to_burn(number) for number in applies)
    assert not any(one.applies_to_burn(number) for number in not_)


def test_a_criterion_without_source_or_limit_cannot_be_built():
    good = shipped()["hang_up"]
    for broken in ({"source": " "}, {"most": None}, {"above": ""}, {"at": "somewhere"}, {"burns": "x"}):
        with pytest.raises(ValueError, match=r"hang_up|burns"):
            replace(good, **broken)
    assert isinstance(good, Criterion)


def test_the_page_in_the_docs_is_what_the_file_says():
    assert (DOCS / "criteria.md").read_text(encoding="utf-8") == as_markdown(shipped()), (
        "run: pooleye criteria --markdown > docs/criteria.md"
    )


def test_the_log_and_the_judge_warn_at_the_same_figures():
    from pooleye.burnlog import burns, looks, states, stops

    criteria = shipped()
    assert {
        "container": criteria.most("flame_height_limit"),
        "tea-light": criteria.most("flame_height_limit_tea_light"),
    } == stops.FLAME_LIMIT_MM
    assert criteria.least("wax_left_limit") == burns.STOP_LEVEL_MM
    assert criteria.most("vessel_temperature") == looks.WARM_VESSEL_C
    assert criteria.least("rest_before") == states.LEAST_REST.total_seconds() / 60
