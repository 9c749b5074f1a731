"""Materials, pours, candles, trials, lots, cost."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select

from pooleye.burnlog import corrections, materials, trace, trials
from pooleye.burnlog.pours import CandleSet, Recipe, load_of, more_candles, pour
from pooleye.burnlog.records import Candle
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

JAR = CandleSet(3, "straight jar", "wick 3", rim_inner_mm=75.0, fill_mass_g=180.0)


def test_a_pour_names_its_candles_and_the_end_of_their_cure(workspace: Workspace) -> None:
    made = pour(workspace, Recipe("soy", "fig and cedar", load_percent=8, wax_mass_g=600), [JAR])
    assert made.pour == "P1"
    assert len(set(made.codes)) == 3
    assert (made.cure_until - workspace.now()).days == 14
    assert pour(workspace, Recipe("soy"), [JAR]).pour == "P2"
    with workspace.read() as session:
        assert session.scalar(select(Candle.fill_mass_g).where(Candle.code == made.codes[0])) == 180.0


def test_fragrance_load_follows_from_masses_and_masses_from_load() -> None:
    # Load is a share of the wax mass: 48 g in 600 g of wax is 8 %; common practice, no source.
    assert load_of(Recipe("soy", "fig", wax_mass_g=600, fragrance_mass_g=48)) == (8.0, 48)
    assert load_of(Recipe("soy", "fig", wax_mass_g=600, load_percent=8)) == (8.0, 48.0)


def test_a_load_that_contradicts_the_masses_is_refused(workspace: Workspace) -> None:
    with pytest.raises(PooleyeError) as refused:
        pour(workspace, Recipe("soy", "fig", load_percent=10, wax_mass_g=600, fragrance_mass_g=48))
    assert refused.value.reference == "load-does-not-add-up"


def test_a_load_above_what_the_wax_takes_is_refused_unless_a_reason_is_given(workspace: Workspace) -> None:
    materials.add_wax(workspace, "soy 40", max_load_percent=9)
    with pytest.raises(PooleyeError) as refused:
        pour(workspace, Recipe("soy 40", "fig", load_percent=10))
    assert refused.value.reference == "load-too-high"
    done = pour(workspace, Recipe("soy 40", "fig", load_percent=10), despite="to see it sweat")
    assert done.load_percent == 10
    exactly = pour(workspace, Recipe("soy 40", "fig", load_percent=9))
    assert exactly.advice == ()


@pytest.mark.parametrize(("load", "said"), [(5.9, True), (6.0, False), (10.0, False), (10.1, True)])
def test_an_unusual_load_is_a_caution(workspace: Workspace, load: float, said: bool) -> None:
    made = pour(workspace, Recipe("soy", "fig", load_percent=load))
    assert [one.name for one in made.advice] == (["load-unusual"] if said else [])


def test_candles_cannot_hold_more_than_was_melted(workspace: Workspace) -> None:
    with pytest.raises(PooleyeError) as refused:
        pour(workspace, Recipe("soy", wax_mass_g=500), [JAR])
    assert refused.value.reference == "batch-does-not-add-up"
    made = pour(workspace, Recipe("soy", wax_mass_g=560), [JAR])
    assert "20 g of 560 g are left over" in made.advice[0].text
    with pytest.raises(PooleyeError):
        more_candles(workspace, made.pour, JAR)


def test_a_refused_pour_leaves_nothing_behind(workspace: Workspace) -> None:
    with pytest.raises(PooleyeError):
        pour(workspace, Recipe("soy", wax_mass_g=500), [JAR])
    assert materials.list_materials(workspace, "wax").rows == ()
    assert materials.list_materials(workspace, "vessel").rows == ()


def test_an_unknown_vessel_asks_for_its_rim(workspace: Workspace) -> None:
    with pytest.raises(PooleyeError) as refused:
        pour(workspace, Recipe("soy"), [CandleSet(1, "jar", "wick 3")])
    assert "--rim-inner" in refused.value.hint


def test_a_name_nearly_right_is_answered_with_the_right_one(workspace: Workspace) -> None:
    materials.add_wax(workspace, "garden blend")
    with pytest.raises(PooleyeError) as refused:
        pour(workspace, Recipe("gardn blend"))
    assert "garden blend" in refused.value.hint


def test_the_same_name_is_not_added_twice_whatever_its_capitals(workspace: Workspace) -> None:
    materials.add_vessel(workspace, "Straight Jar", 75.0)
    with pytest.raises(PooleyeError) as refused:
        materials.add_vessel(workspace, "straight  jar", 75.0)
    assert refused.value.reference == "already-there"


@pytest.mark.parametrize(
    ("rim", "more"),
    [(3.0, {}), (900.0, {}), (75.0, {"rim_outer_mm": 70.0}), (75.0, {"height_mm": 90.0, "inner_depth_mm": 95.0})],
)
def test_an_impossible_vessel_is_refused(workspace: Workspace, rim: float, more: dict[str, float]) -> None:
    with pytest.raises(PooleyeError) as refused:
        materials.add_vessel(workspace, "jar", rim, **more)  # type: ignore[arg-type]
    assert refused.value.reference == "absurd-vessel"


def test_a_cup_of_the_trades_tea_light_size_is_a_tea_light(workspace: Workspace) -> None:
    # Tea lights are 36 to 39 mm across: quality mark RAL-GZ 041/3 (second-hand).
    assert materials.add_vessel(workspace, "cup", 37.0).details["kind"] == "tea-light"
    assert materials.add_vessel(workspace, "jar", 60.0).details["kind"] == "container"


def test_each_wax_density_lies_within_its_published_range(workspace: Workspace) -> None:
    # Paraffin 0.880 to 0.925 g/cm³: CAMEO materials database. Beeswax 0.958 to 0.970: British Pharmacopoeia.
    published = {"paraffin": (0.880, 0.925), "beeswax": (0.958, 0.970)}
    for family, (low, high) in published.items():
        known = materials.FAMILIES[family]
        assert known.density_g_cm3 == pytest.approx((low + high) / 2)
        assert known.density_u_g_cm3 == pytest.approx((high - low) / 2 / 3**0.5, rel=0.02)


def test_a_trial_sorts_its_candles_into_arms_and_misses_those_that_are_too_few(workspace: Workspace) -> None:
    trials.new_trial(workspace, "spring jar")
    made = pour(workspace, Recipe("soy"), [JAR, CandleSet(2, "straight jar", "wick 4")])
    shown = trials.add_to_trial(workspace, "spring jar", made.codes)
    assert [(arm.name, len(arm.candles)) for arm in shown.arms] == [("wick 3", 3), ("wick 4", 2)]
    assert [one.name for one in shown.advice] == ["arm-too-small"]
    assert "wick 4" in shown.advice[0].text


def test_one_candle_answers_one_question(workspace: Workspace, three: Callable[..., Any]) -> None:
    codes = three(workspace)
    trials.new_trial(workspace, "one")
    trials.new_trial(workspace, "two")
    trials.add_to_trial(workspace, "one", codes)
    with pytest.raises(PooleyeError) as refused:
        trials.add_to_trial(workspace, "two", codes[:1])
    assert refused.value.reference == "in-another-trial"


def test_moving_a_candle_into_a_trial_is_kept_in_its_history(workspace: Workspace, three: Callable[..., Any]) -> None:
    code, *_ = three(workspace)
    trials.new_trial(workspace, "spring jar")
    trials.add_to_trial(workspace, "spring jar", [code])
    lines = [entry.what for entry in corrections.history(workspace, code).entries]
    assert any("trial nothing → 1" in line for line in lines)
    assert any("arm nothing → wick 3" in line for line in lines)


# --- lots: trace, hold, cost ----------------------------------------------------------------------------------------


@pytest.fixture
def with_lots(workspace: Workspace) -> tuple[Workspace, tuple[str, ...], tuple[str, ...]]:
    """Two pours of one wax lot; wick stickers of lot S1 in the first, S2 in the second."""
    materials.add_wax(workspace, "soy")
    materials.add_wick(workspace, "wick 3")
    materials.add_vessel(workspace, "straight jar", 75.0)
    materials.add_lot(workspace, "wax", "W7", "soy", amount=5000, price=40.0)
    materials.add_lot(workspace, "sticker", "S1", "round sticker", amount=100, price=5.0)
    materials.add_lot(workspace, "sticker", "S2", "round sticker", amount=100, price=5.0)
    materials.add_lot(workspace, "wick", "K1", "wick 3", amount=200, price=18.0)
    materials.add_lot(workspace, "vessel", "V1", "straight jar", amount=12, price=21.6)
    recipe = Recipe("soy", wax_mass_g=540)
    first = pour(workspace, recipe, [JAR], lots=["W7", "S1", "K1", "V1"])
    second = pour(workspace, recipe, [JAR], lots=["W7", "S2", "K1"])
    return workspace, first.codes, second.codes


def test_a_lot_is_traced_to_every_candle_that_holds_it(
    with_lots: tuple[Workspace, tuple[str, ...], tuple[str, ...]],
) -> None:
    workspace, first, second = with_lots
    assert {row[0] for row in trace.trace(workspace, "S1").candles} == set(first)
    assert {row[0] for row in trace.trace(workspace, "W7").candles} == set(first + second)


def test_holding_a_lot_holds_its_candles_and_releasing_it_frees_those_alone(
    with_lots: tuple[Workspace, tuple[str, ...], tuple[str, ...]],
) -> None:
    workspace, first, second = with_lots
    trace.hold(workspace, second[:1], "chipped rim")
    held = trace.hold_lot(workspace, "W7", "wax sweats")
    assert set(held.held_now) == set(first + second)
    with pytest.raises(PooleyeError) as refused:
        pour(workspace, Recipe("soy"), lots=["W7"])
    assert refused.value.reference == "lot-held"
    freed = trace.release(workspace, (), "only the outer bags were wet", lot="W7")
    assert set(freed.candles) == set(first + second[1:])
    states = {row[0]: row[2] for row in trace.trace(workspace, "W7").candles}
    assert states[second[0]] == "held"
    assert states[first[0]] == "curing"


def test_cost_of_a_candle_by_hand(with_lots: tuple[Workspace, tuple[str, ...], tuple[str, ...]]) -> None:
    workspace, first, _ = with_lots
    found = trace.cost(workspace, first[0])
    # 180 g of 5000 g for 40.00; one of 100 stickers for 5.00; one of 200 wicks for 18.00; one of 12 jars for 21.60.
    assert found.per_currency == {"EUR": pytest.approx(144 + 5 + 9 + 180)}
    assert found.unknown == ()
    assert "3.38 EUR" in found.said()[0]


def test_what_has_no_price_is_named_and_not_counted_as_nothing(
    with_lots: tuple[Workspace, tuple[str, ...], tuple[str, ...]],
) -> None:
    workspace, _, second = with_lots
    found = trace.cost(workspace, second[0])
    assert found.unknown == ("vessel straight jar (no lot said)",)
    assert "at least 1.58 EUR" in found.said()[0]


def test_cost_of_a_pour_is_that_of_its_candles(with_lots: tuple[Workspace, tuple[str, ...], tuple[str, ...]]) -> None:
    workspace, first, _ = with_lots
    one, all_ = trace.cost(workspace, first[0]), trace.cost(workspace, "P1")
    assert all_.per_currency["EUR"] == pytest.approx(3 * one.per_currency["EUR"])


def test_two_lots_with_one_label_are_told_apart_by_their_component(workspace: Workspace) -> None:
    materials.add_wax(workspace, "soy")
    materials.add_lot(workspace, "wax", "A1", "soy")
    materials.add_lot(workspace, "sticker", "A1", "round sticker")
    with pytest.raises(PooleyeError) as refused:
        trace.trace(workspace, "A1")
    assert refused.value.reference == "lot-unclear"
    assert trace.trace(workspace, "sticker:A1").lot.component == "sticker"


def test_a_vessel_is_told_with_its_units_as_people_write_them(workspace: Workspace) -> None:
    (line,) = materials.add_vessel(workspace, "straight jar", rim_inner_mm=80.0, height_mm=100.5).said()
    assert line.endswith("rim inner 80 mm, height 100.5 mm")


def test_a_lot_counts_pieces_in_the_plural(workspace: Workspace) -> None:
    lot = materials.add_lot(workspace, "sticker", "S1", "round sticker", amount=100, price=5.0)
    assert ", 100 pieces for 5.00" in lot.said()[0]
