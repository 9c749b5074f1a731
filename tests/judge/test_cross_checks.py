"""Physics checks against published candle data and worked examples; values marked memory were not read again."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from pooleye.burnlog import wax_left
from pooleye.judge import cross_checks
from pooleye.judge.criteria import shipped
from pooleye.measurement import Quantity

G_H = "g/h"


def rules(made, burn, **more):
    return {one.rule for one in cross_checks.check_burn(shipped(), made.candle(burn, **more), burn)}


def test_burn_rate_of_the_worked_example():
    # 285.40 to 263.15 g in 4.00 h, scale step 0.1 g, times ± 1 min rectangular: 5.5625 g/h, u 0.0215 (JCGM 100:2008).
    u_g = math.hypot(wax_left.step_u(0.1), wax_left.step_u(0.1))
    found = wax_left.rate(Quantity(22.25, u_g, "g"), 4.00, math.hypot(1 / 60, 1 / 60) / math.sqrt(3))
    assert u_g == pytest.approx(0.0408, abs=5e-5)
    assert found.value == pytest.approx(5.5625)
    assert found.u == pytest.approx(0.0215, abs=5e-5)


def test_level_and_mass_of_the_worked_example(made):
    # Bore 75 mm, 0.90 g/cm³: 44.179 cm²; 5.5625 g/h let the level fall 1.399 mm/h; 12.7 mm are 50.50 g, 10 mm 39.76 g.
    assert made.setup.bore_area_mm2 / 100 == pytest.approx(44.179, abs=5e-4)
    assert cross_checks.level_fall_mm(made.setup, Quantity(5.5625, 0.02, "g")).value == pytest.approx(1.399, abs=5e-4)
    assert made.setup.mass_of_level_g(12.7) == pytest.approx(50.50, abs=5e-3)
    assert made.setup.mass_of_level_g(10.0) == pytest.approx(39.76, abs=5e-3)


def test_the_published_flame_and_rate_belong_together(made):
    # 21 mm paraffin candle: 42 mm at 0.105 g/min (from memory).
    burn = made.burn(3, made.look(flame_height=(42.0, 1.0)), burn_rate=Quantity(6.3, 0.1, G_H))
    assert "flame_for_rate" not in rules(made, burn)


@pytest.mark.parametrize("rate", [4.4, 4.7, 7.1, 7.3])
def test_published_burn_rates_of_candles_raise_no_doubt(made, rate):
    # Five pillar types: first hour 4.4 to 7.3 g/h, later 4.7 to 7.1 g/h (abstract read); flames usual in the trade.
    for height in (18.0, 30.0):
        burn = made.burn(3, made.look(flame_height=(height, 1.0)), burn_rate=Quantity(rate, 0.05, G_H))
        assert "flame_for_rate" not in rules(made, burn)


@pytest.mark.parametrize(("height", "rate", "doubted"), [(60.0, 1.5, True), (6.0, 9.0, True), (22.0, 5.5, False)])
def test_a_flame_that_its_burn_rate_cannot_feed(made, height, rate, doubted):
    burn = made.burn(3, made.look(flame_height=(height, 0.5)), burn_rate=Quantity(rate, 0.03, G_H))
    assert ("flame_for_rate" in rules(made, burn)) is doubted


def test_without_a_weighing_the_flame_is_not_doubted(made):
    burn = made.burn(3, made.look(flame_height=(60.0, 0.5)), burn_rate=None)
    assert cross_checks.flame_for_rate(made.setup, burn) is None
    assert rules(made, burn) == set()


def headspaces(made, fall):
    """22 g burnt in a 75 mm bore let the level fall 5.53 mm; the headspaces say otherwise."""
    before, after = Quantity(20.0, 0.6, "mm"), Quantity(20.0 + fall, 0.6, "mm")
    return made.burn(3, headspace_before_mm=before, headspace_after_mm=after)


@pytest.mark.parametrize(("fall", "doubted"), [(5.5, False), (7.0, False), (14.0, True), (0.0, True)])
def test_level_and_weighing_must_tell_of_the_same_wax(made, fall, doubted):
    assert ("level_against_mass" in rules(made, headspaces(made, fall))) is doubted


def test_in_a_tapered_vessel_the_level_is_not_held_to_the_mass(made):
    burn = headspaces(made, 14.0)
    assert rules(made, burn, setup=replace(made.setup, straight=False)) == set()


@pytest.mark.parametrize(("wax", "doubted"), [(100.0, False), (12.0, True)])
def test_a_pool_cannot_hold_more_wax_than_there_is(made, wax, doubted):
    seen = made.look(pool_diameter=(72.0, 0.5), pool_depth=(14.0, 0.6))
    burn = made.burn(3, seen, wax_before_g=Quantity(wax, 0.5, "g"))
    assert ("melted_against_wax" in rules(made, burn)) is doubted


@pytest.mark.parametrize(("celsius", "doubted"), [(48.0, False), (145.0, True), (8.0, True), (22.0, False)])
def test_a_vessel_that_no_candle_heats(made, celsius, doubted):
    burn = made.burn(3, made.look(vessel_temperature=(celsius, 1.7)), room_c=21.0)
    assert ("vessel_above_room" in rules(made, burn)) is doubted


@pytest.mark.parametrize(("width", "doubted"), [(75.5, False), (80.0, True)])
def test_a_pool_wider_than_its_vessel(made, width, doubted):
    burn = made.burn(3, made.look(pool_diameter=(width, 0.5)))
    assert ("pool_wider_than_bore" in rules(made, burn)) is doubted


def test_a_sound_record_raises_no_doubt(made):
    assert rules(made, made.burn(3)) == set()
