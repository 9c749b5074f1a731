"""Of several candles in one photo, which is meant: flames too small for the whole photo show in a close look."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.flags import Declined
from pooleye.optics.ellipse import Ellipse
from pooleye.top import meant
from pooleye.top.locate import Mouth

PICTURE = np.zeros((1200, 1600, 3), np.uint8)


def mouth(x, off_centre, lit=False, outside=0.0):
    return Mouth(Ellipse(x, 600, 100, 95, 0), lit, outside > 0, outside, 0.96, off_centre)


@pytest.fixture
def looked_at(monkeypatch):
    """Stands in for the networks: the mouths of the whole photo, and where a close look sees a flame."""

    def see(mouths, burning=()):
        looks = []

        def look(rgb, ellipse):
            looks.append(ellipse.cx)
            return ellipse.cx

        monkeypatch.setattr(meant, "find_mouths", lambda rgb: mouths)
        monkeypatch.setattr(meant, "look_amply", look)
        monkeypatch.setattr(meant, "count_flames", lambda x: int(x in burning))
        return looks

    return see


def test_the_one_that_burns_is_meant_though_its_flame_shows_only_closely(looked_at):
    looked_at([mouth(800, 0.1), mouth(300, 0.5)], burning=[300])
    found, flags = meant.meant_mouth(PICTURE)
    assert (found.ellipse.cx, found.lit, flags) == (300, True, ("several-candles",))


def test_where_none_burns_it_is_the_most_central_one(looked_at):
    looked_at([mouth(300, 0.5), mouth(800, 0.1)])
    assert meant.meant_mouth(PICTURE)[0].ellipse.cx == 800


@pytest.mark.parametrize("mouths", [[mouth(800, 0.1)], [mouth(800, 0.1), mouth(300, 0.5, lit=True)]])
def test_a_candle_alone_and_one_seen_to_burn_cost_no_close_look(looked_at, mouths):
    looks = looked_at(mouths)
    meant.meant_mouth(PICTURE)
    assert looks == []


def test_of_a_crowd_only_the_most_central_are_looked_at(looked_at):
    looks = looked_at([mouth(100 * k, 0.9 - 0.1 * k) for k in range(6)])
    meant.meant_mouth(PICTURE)
    assert sorted(looks) == [300, 400, 500]


def test_one_that_burns_and_is_cut_off_is_declined(looked_at):
    looked_at([mouth(800, 0.1), mouth(300, 0.9, outside=0.3)], burning=[300])
    with pytest.raises(Declined) as declined:
        meant.meant_mouth(PICTURE)
    assert declined.value.reference == "rim-cut-off"
