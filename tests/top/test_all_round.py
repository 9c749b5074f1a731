"""Two photos of one rim put together: values by clock that are known, turned by a known angle."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.top.all_round import all_round
from pooleye.top.soot import Soot, summed_up
from pooleye.top.turn import Turn

CLOCK = np.arange(12)


def coat(at_hour: float) -> np.ndarray:
    """Soot round one clock position, smooth."""
    away = (CLOCK - at_hour + 6) % 12 - 6
    return -10 * np.exp(-((away / 1.5) ** 2))


def seen(change: np.ndarray, hidden: tuple[int, ...] = (), u: float = 1.0) -> Soot:
    shown = ~np.isin(CLOCK, hidden)
    return summed_up(change, np.full(12, u), shown.astype(float), True)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 75.0, 180.0, 340.0])
def test_what_one_hides_the_other_fills_in_at_the_firsts_clock(turn_deg: float) -> None:
    change = coat(7.0)
    first = seen(change, hidden=(5, 6, 7, 8))
    second = seen(coat(7.0 + turn_deg / 30), hidden=(0, 1, 11))
    both = all_round(first, second, Turn(turn_deg, 2.5))
    gone = [k for k, value in enumerate(both.by_sector) if value is None]
    for sector, (value, u, true) in enumerate(zip(both.by_sector, both.u_by_sector, change, strict=True)):
        if sector not in gone:
            assert value is not None
            assert u is not None
            assert abs(value - true) < 2 * u
    assert both.view_arc_deg == 360.0 - 30.0 * len(gone)
    assert both.view_arc_deg >= max(first.view_arc_deg, second.view_arc_deg)


def test_a_sooty_far_side_that_the_first_photo_hides_is_told() -> None:
    first, second = seen(coat(6.0), hidden=(4, 5, 6, 7, 8)), seen(coat(0.0), hidden=(4, 5, 6, 7, 8))
    assert first.arc_deg == 0
    both = all_round(first, second, Turn(180.0, 3.0))
    assert both.by_sector[6] == pytest.approx(-10.0)
    assert both.arc_deg > 60
    assert both.view_arc_deg == 360


def test_both_views_of_one_place_are_weighed_by_how_sure_they_are_but_not_surer_than_the_surer() -> None:
    both = all_round(seen(np.full(12, -4.0), u=1.0), seen(np.full(12, -8.0), u=2.0), Turn(0.0, 1.0))
    assert both.by_sector[3] == pytest.approx(-4.8)
    assert both.u_by_sector[3] is not None
    assert both.u_by_sector[3] >= 1.0


def test_an_unsure_turn_widens_what_changes_round_the_clock() -> None:
    first, second = seen(coat(6.0), hidden=tuple(range(6, 12))), seen(coat(6.0))
    sure, unsure = (all_round(first, second, Turn(15.0, u)).u_by_sector for u in (1.0, 20.0))
    assert sure[7] is not None
    assert unsure[7] is not None
    assert unsure[7] > 1.5 * sure[7]


def test_without_the_turn_the_sootier_photo_speaks_for_the_rim() -> None:
    clean, sooty = seen(np.zeros(12)), seen(coat(3.0), hidden=(8, 9))
    assert all_round(clean, sooty, None) is sooty
    assert all_round(sooty, clean, None) is sooty
