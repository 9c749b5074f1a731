"""Weighings: burn rate with its uncertainty, wax left, slips of the hand and of the unit."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import select

from pooleye.burnlog import corrections, wax_left
from pooleye.burnlog.burns import light, snuff
from pooleye.burnlog.records import Candle, Vessel, Wax
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.weighing import weigh
from pooleye.errors import PooleyeError
from pooleye.measurement import Quantity
from pooleye.units import G_PER_OUNCE

Three = Callable[..., tuple[str, ...]]


def _burn(workspace: Workspace, clock: Any, code: str, hours: float = 4.0) -> None:
    light(workspace, [code])
    clock.forward(hours=hours)
    snuff(workspace, [code])
    clock.forward(hours=6)


def test_burn_rate_and_its_uncertainty_by_the_guide(workspace: Workspace, three: Three, clock: Any) -> None:
    # 285.40 g to 263.15 g in 4.00 h, scale step 0.1 g, each time ± 1 min rectangular: worked by JCGM 100:2008, 4.3.7,
    # F.2.2.1 and 5.1.2: 5.5625 g/h, u(Δm) 0.0408 g, u(t) 0.0136 h, u(r) 0.0215 g/h.
    code, *_ = three(workspace)
    weigh(workspace, code, 285.40)
    _burn(workspace, clock, code)
    weighed = weigh(workspace, code, 263.15)
    assert weighed.burnt is not None
    assert weighed.burn_rate is not None
    assert weighed.burnt.value == pytest.approx(22.25)
    assert weighed.burnt.u == pytest.approx(0.0408, abs=5e-5)
    assert weighed.burn_rate.value == pytest.approx(5.5625)
    assert weighed.burn_rate.u == pytest.approx(0.0215, abs=5e-5)
    assert dict(weighed.burn_rate.parts)["time"] == pytest.approx(5.5625 * 0.0136 / 4, abs=2e-5)
    assert weighed.burn_rate.unit == "g/h"


def test_the_propagation_agrees_with_drawing_at_random() -> None:
    # JCGM 101:2008: the same inputs drawn at random must scatter as the formula says.
    import numpy as np

    draw = np.random.default_rng(20260301)
    step, width, n = 0.1, 1 / 60, 200_000
    mass = 22.25 + draw.uniform(-step / 2, step / 2, n) - draw.uniform(-step / 2, step / 2, n)
    hours = 4.0 + draw.uniform(-width, width, n) - draw.uniform(-width, width, n)
    u_mass = math.sqrt(2) * wax_left.step_u(step)
    found = wax_left.rate(Quantity(22.25, u_mass, "g"), 4.0, width * math.sqrt(2 / 3))
    assert float(np.std(mass / hours)) == pytest.approx(found.u, rel=0.01)


def _candle(bore_mm: float, density: float) -> Any:
    wax = Wax(name="w", density_g_cm3=density, density_u_g_cm3=0.0)
    vessel = Vessel(name="v", rim_inner_mm=bore_mm)
    return SimpleNamespace(pour=SimpleNamespace(wax=wax), vessel=vessel)


def test_level_of_wax_by_hand() -> None:
    # Bore 75 mm, 0.90 g/cm³: area 44.179 cm²; 50.50 g stand 12.7 mm high, 39.76 g 10 mm; 5.5625 g/h lower the level by
    # 1.399 mm/h. Worked from m = ρ·A·h.
    candle = _candle(75.0, 0.90)
    assert wax_left.bore_area_mm2(candle) == pytest.approx(4417.9, abs=0.05)
    for grams, level in ((50.50, 12.7), (39.76, 10.0), (5.5625, 1.399)):
        assert wax_left.level_of(candle, Quantity(grams, 0.1, "g")).value == pytest.approx(level, abs=1e-3)


def test_wax_left_from_fill_mass_and_from_the_empty_vessel(workspace: Workspace, three: Three, clock: Any) -> None:
    by_fill, *_ = three(workspace)
    by_empty, *_ = three(workspace, vessel="jar two", empty_mass_g=320.0)
    for code, new, after in ((by_fill, 500.0, 478.0), (by_empty, 500.0, 478.0)):
        weigh(workspace, code, new)
        _burn(workspace, clock, code)
        weighed = weigh(workspace, code, after)
        assert weighed.wax_left is not None
        assert weighed.wax_left.value == pytest.approx(158.0)
        assert weighed.burns_left == pytest.approx(158 / 22, rel=1e-6)


def test_without_a_weighing_before_there_is_no_rate_and_the_log_says_so(
    workspace: Workspace, three: Three, clock: Any
) -> None:
    code, *_ = three(workspace)
    _burn(workspace, clock, code)
    weighed = weigh(workspace, code, 478.0)
    assert weighed.burn_rate is None
    assert [one.name for one in weighed.advice] == ["not-weighed-before"]


def test_one_weighing_serves_the_burn_before_it_and_the_burn_after_it(
    workspace: Workspace, three: Three, clock: Any
) -> None:
    code, *_ = three(workspace)
    weigh(workspace, code, 500.0)
    for mass in (480.0, 458.0):
        _burn(workspace, clock, code)
        weighed = weigh(workspace, code, mass)
    assert weighed.burn_number == 2
    assert weighed.burnt is not None
    assert weighed.burnt.value == pytest.approx(22.0)


@pytest.mark.parametrize(
    ("typed", "reference", "word"),
    [
        (480.0 / G_PER_OUNCE, "unit-slip", "ounces"),
        (0.480, "unit-slip", "kilograms"),
        (785.0, "absurd-mass", "gained"),
        (300.0, "absurd-mass", "impossible"),
    ],
)
def test_slips_of_unit_and_candle_are_caught(
    workspace: Workspace, three: Three, clock: Any, typed: float, reference: str, word: str
) -> None:
    code, *_ = three(workspace)
    weigh(workspace, code, 500.0)
    _burn(workspace, clock, code)
    with pytest.raises(PooleyeError) as refused:
        weigh(workspace, code, typed)
    assert refused.value.reference == reference
    assert word in refused.value.message
    kept = weigh(workspace, code, typed, despite="the scale was checked")
    assert kept.mass_g == typed


def test_a_first_weighing_lighter_than_its_own_wax_is_caught(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace, empty_mass_g=320.0)
    with pytest.raises(PooleyeError) as refused:
        weigh(workspace, code, 500.0 / G_PER_OUNCE)
    assert refused.value.reference == "unit-slip"
    assert weigh(workspace, code, 500.0).moment == "new"


def test_the_other_candle_on_the_scale_is_named(workspace: Workspace, three: Three, clock: Any) -> None:
    one, two, _ = three(workspace)
    weigh(workspace, one, 500.0)
    weigh(workspace, two, 650.0)
    _burn(workspace, clock, one)
    with pytest.raises(PooleyeError) as refused:
        weigh(workspace, one, 648.0)
    assert two in refused.value.hint


def test_a_burning_candle_is_not_put_on_the_scale(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(hours=1)
    with pytest.raises(PooleyeError) as refused:
        weigh(workspace, code, 500.0)
    assert refused.value.reference == "still-alight"


def test_a_weighing_struck_out_no_longer_counts(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    weigh(workspace, code, 500.0)
    _burn(workspace, clock, code)
    weigh(workspace, code, 470.0, despite="typed in a hurry")
    corrections.strike(workspace, "weighing", "2", "misread")
    weighed = weigh(workspace, code, 480.0)
    assert weighed.burnt is not None
    assert weighed.burnt.value == pytest.approx(20.0)


def _burnt(workspace: Workspace, code: str, moment: Any) -> Quantity | None:
    with workspace.read() as session:
        candle = session.scalars(select(Candle).where(Candle.code == code)).one()
        return wax_left.burnt_until(candle, moment)


def test_wax_burnt_until_a_moment_goes_with_time_within_a_weighed_burn(
    workspace: Workspace, three: Three, clock: Any
) -> None:
    code, *_ = three(workspace)
    weigh(workspace, code, 500.0)
    lit = clock()
    _burn(workspace, clock, code)
    weigh(workspace, code, 480.0)
    whole = _burnt(workspace, code, clock())
    half = _burnt(workspace, code, lit + timedelta(hours=2))
    assert whole is not None
    assert half is not None
    assert (whole.value, half.value) == (pytest.approx(20.0), pytest.approx(10.0))
    # Inside a burn the rate is not constant: the half is known less well than the whole.
    assert half.u > 5 * whole.u
    second = clock()
    light(workspace, [code])
    clock.forward(hours=2)
    running = _burnt(workspace, code, second + timedelta(hours=2))
    assert running is not None
    assert running.value == pytest.approx(30.0)
    assert running.u == pytest.approx(5.0, rel=0.02)


def test_wax_burnt_is_unknown_where_nothing_was_weighed(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    _burn(workspace, clock, code)
    assert _burnt(workspace, code, clock()) is None


def test_a_weighing_entered_later_must_fit_those_already_there(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    before = clock()
    clock.forward(hours=1)
    _burn(workspace, clock, code)
    weigh(workspace, code, 480.0)
    with pytest.raises(PooleyeError) as refused:
        weigh(workspace, code, 470.0, at=before)
    assert "later" in refused.value.message
    assert weigh(workspace, code, 500.0, at=before).moment == "new"
