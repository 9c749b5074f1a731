"""The pool's growth and what is left, against pools whose growth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pooleye.judge import forecast
from pooleye.judge.evidence import Burn
from pooleye.measurement import Quantity


def seen(*points, u=0.7):
    return [(minutes, Quantity(width, u, "mm")) for minutes, width in points]


def curve(width, tau, minutes):
    return min(75.0, width * (1 - np.exp(-minutes / tau)))


def test_a_slow_pool_is_said_early_not_to_reach_the_wall():
    found = forecast.growth(seen((60, 30), (120, 45)), 75.0)
    assert found is not None
    assert found.word == "will not reach the wall"


def test_a_pool_between_is_not_called():
    found = forecast.growth(seen((60, 40), (120, 60)), 75.0)
    assert found is not None
    assert found.word == "may or may not reach the wall"


def test_a_full_pool_only_says_that_it_is_full():
    full = forecast.growth(seen((60, 55), (120, 75), (240, 75)), 75.0)
    assert full is not None
    assert full.word == "will reach the wall"
    assert full.at_end_mm.value == pytest.approx(75.0, abs=0.2)
    assert full.full_at.high is not None
    assert full.full_at.high < 150


def test_one_look_forecasts_nothing():
    assert forecast.growth(seen((60, 30)), 75.0) is None
    assert forecast.growth([], 75.0) is None


def test_a_shrinking_pool_does_not_follow_the_curve():
    found = forecast.growth(seen((60, 60), (120, 35), (180, 20)), 75.0)
    assert found is not None
    assert not found.fits
    assert "do not follow" in " ".join(found.said())


def test_widths_and_times_are_as_sure_as_they_say():
    """Known pools seen with known noise: width within ±2u, time within its 90 %, as often as they should."""
    random = np.random.default_rng(7)
    width_inside, time_inside, called_wrong, counted = 0, 0, 0, 0
    for _ in range(150):
        width, tau = random.uniform(50, 105), random.uniform(40, 150)
        points = [(m, curve(width, tau, m) + random.normal(0, 1.2)) for m in (60, 120)]
        if any(w > 73 for _, w in points):
            continue
        found = forecast.growth(seen(*points), 75.0)
        assert found is not None
        counted += 1
        width_inside += abs(curve(width, tau, 240) - found.at_end_mm.value) <= 2 * found.at_end_mm.u
        full = -tau * np.log(1 - 73 / width) if width > 73 else np.inf
        time_inside += found.full_at.low <= full <= (found.full_at.high or np.inf)
        called_wrong += (found.word == "will reach the wall" and full > 240) or (
            found.word == "will not reach the wall" and full <= 240
        )
    assert counted > 100
    assert 0.85 <= width_inside / counted <= 1.0
    assert 0.80 <= time_inside / counted <= 1.0
    assert called_wrong / counted <= 0.06


def weighed(rates, fill=180.0):
    """Burns of four hours at these rates."""
    return tuple(
        Burn(
            number,
            minutes=Quantity(240, 0.8, "min"),
            burnt=Quantity(4 * rate, 0.04, "g"),
            burn_rate=Quantity(rate, 0.03, "g/h"),
        )
        for number, rate in enumerate(rates, 1)
    )


def test_hours_left_count_only_the_wax_above_the_stop_level(made):
    # Facts: 12.7 mm of wax of 0.90 g/cm³ in a bore of 75 mm are 50.50 g; 5.5625 g/h.
    candle = made.candle(*weighed([5.5625] * 3), wax_left_g=Quantity(50.50 + 55.625, 0.3, "g"))
    left = forecast.hours_left(candle, 12.7)
    assert left is not None
    assert left.usable.value == pytest.approx(55.625, abs=0.01)
    assert left.hours.value == pytest.approx(10.0, abs=0.01)
    assert left.burns.value == pytest.approx(2.5, abs=0.01)


def test_a_single_burn_is_trusted_less_than_five():
    one, five = (forecast.mean_rate([Quantity(5.5, 0.03, "g/h")] * n) for n in (1, 5))
    assert one is not None
    assert five is not None
    assert one.u > 2 * five.u


def test_no_weighing_no_forecast(made):
    assert forecast.hours_left(made.candle(replace(made.burn(1), burn_rate=None, burnt=None)), 12.7) is None


def test_forecasts_are_held_to_what_then_happened(made):
    rates = [5.2, 5.5, 5.4, 5.9, 6.1]  # rising as the level falls
    found = forecast.looked_back(made.candle(*weighed(rates), over=True), 12.7)
    assert [one.after for one in found] == [1, 2, 3, 4]
    assert all(one.happened.value == pytest.approx(4 * (5 - one.after)) for one in found)
    assert all(abs(one.z) < 2 for one in found)
    assert forecast.looked_back(made.candle(*weighed(rates)), 12.7) == ()


def test_a_forecast_that_was_wrong_shows(made):
    found = forecast.looked_back(made.candle(*weighed([3.0, 3.1, 3.0, 9.0]), over=True), 12.7)
    assert abs(found[-1].z) > 3


def test_pool_forecasts_are_held_to_the_last_look(made):
    looks = [made.look(m, pool_diameter=(float(curve(70, 70, m)), 0.7)) for m in (60, 120, 180, 240)]
    stalled = [*looks[:2], made.look(240, pool_diameter=(46.0, 0.7))]
    good, bad = forecast.pools_looked_back(made.candle(made.burn(1, *looks), made.burn(2, *stalled)))
    assert (good.from_looks, good.at_min) == (3, 240)
    assert abs(good.z) < 2
    assert bad.z > 2  # the pool stopped growing: a draught, or a drowning wick
    assert forecast.pools_looked_back(made.candle(made.burn(1, *looks[:2]))) == ()
