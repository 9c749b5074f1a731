"""Rim and pool drawn by hand, held against the exact truth of the rendered photos."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from pooleye.burnlog import burns
from pooleye.burnlog.photo_shown import show_photo
from pooleye.burnlog.redraw import read_drawn, redraw
from pooleye.burnlog.snap import snap
from pooleye.errors import PooleyeError
from pooleye.measurement import PhotoResult
from pooleye.measuring import Vessel
from pooleye.optics.ellipse import Ellipse
from pooleye.photo import load_photo
from pooleye.top.corrected import Drawn, measure_drawn

Truth = dict[str, dict[str, Any]]
NAMES = ("d1_01_top.jpg", "d2_02_top.jpg", "d3_01_top.jpg", "d6_02_top.jpg", "d7_02_top.jpg", "d9_01_top.jpg")


def drawn_as_it_is(shot: dict[str, Any], *, grown: float = 1.0, u_px: float = 2.0) -> Drawn:
    """The true rim and the true outline of the pool, as a perfect hand would draw them; the pool grown about itself."""
    rim = shot["rim_ellipse_px"]
    ellipse = Ellipse(rim["cx"], rim["cy"], rim["semi_major"], rim["semi_minor"], math.radians(rim["angle_deg"]))
    points = shot["pool"]["outline_px"]
    x, y = (sum(point[axis] for point in points) / len(points) for axis in (0, 1))
    return Drawn(ellipse, tuple((x + grown * (px - x), y + grown * (py - y)) for px, py in points), u_px)


def measured(photos: Path, shot: dict[str, Any], drawn: Drawn) -> PhotoResult:
    size = shot["vessel"]
    straight = abs(size["inner_base_diameter_mm"] - size["rim_inner_diameter_mm"]) < 0.01
    base = None if straight else size["inner_base_diameter_mm"]
    vessel = Vessel(size["rim_inner_diameter_mm"], None, base, size["height_mm"])
    return measure_drawn(load_photo(photos / shot["file"]), vessel, drawn, headspace_mm=shot["headspace_mm"])


@pytest.mark.parametrize("name", NAMES)
def test_a_perfect_drawing_gives_the_true_sizes(photos: Path, truth: Truth, name: str) -> None:
    shot = truth[name]
    found = measured(photos, shot, drawn_as_it_is(shot)).quantities
    pool = shot["pool"]
    for quantity, true in (
        ("pool_diameter", pool["equivalent_diameter_mm"]),
        ("pool_diameter_min", pool["min_diameter_mm"]),
        ("pool_diameter_max", pool["max_diameter_mm"]),
        ("pool_coverage", pool["coverage"]),
        ("hangup_mean", shot["hangup_width_mm"]["mean"]),
    ):
        one = found[quantity]
        assert abs(one.value - true) <= 2 * one.u, (quantity, str(one), true)
        assert one.u < (0.06 if one.unit == "1" else 2.5)


def test_a_pool_drawn_a_tenth_larger_is_a_tenth_wider(photos: Path, truth: Truth) -> None:
    shot = truth["d1_01_top.jpg"]
    plain, grown = (measured(photos, shot, drawn_as_it_is(shot, grown=by)).quantities for by in (1.0, 1.1))
    assert grown["pool_diameter"].value / plain["pool_diameter"].value == pytest.approx(1.1, rel=0.01)
    assert grown["hangup_mean"].value < plain["hangup_mean"].value


def test_a_hand_that_trembles_more_is_less_certain(photos: Path, truth: Truth) -> None:
    shot = truth["d1_01_top.jpg"]
    steady, shaky = (
        measured(photos, shot, drawn_as_it_is(shot, u_px=by)).quantities["pool_diameter"].u for by in (1.0, 8.0)
    )
    assert shaky > 1.5 * steady


def test_no_pool_drawn_is_no_pool_even_beside_a_flame(photos: Path, truth: Truth) -> None:
    shot = truth["d1_01_top.jpg"]
    found = measured(photos, shot, Drawn(drawn_as_it_is(shot).rim, (), 2.0))
    assert found.quantities["pool_coverage"].value == 0
    assert "pool_diameter" not in found.quantities
    assert "pool-none" in found.flags


@pytest.mark.parametrize(
    ("rim", "pool"),
    [
        ("", ""),
        ("1,2,3,4", ""),
        ("100,100,0,0,0", ""),
        ("100,100,50,10,0", ""),
        ("nan,100,50,50,0", ""),
        ("1e9,100,50,50,0", ""),
        ("500,500,100,95,0", "1,1 2,2"),
        ("500,500,100,95,0", "5000,5000 5010,5000 5000,5010"),
        ("500,500,100,95,0", "500,500 nan,1 1,1"),
        ("500,500,100,95,0", "x,y"),
        ("500,500,100,95,0;drop", ""),
    ],
)
def test_what_is_no_drawing_is_refused(rim: str, pool: str) -> None:
    with pytest.raises(PooleyeError) as refused:
        read_drawn(rim, pool, 2.0)
    assert refused.value.reference == "bad-drawing"


def test_where_a_hand_says_no_pool_none_is_shown_and_the_tools_outline_is_kept(bench: Any, photos: Path) -> None:
    burns.light(bench.workspace, [bench.codes[0]])
    bench.clock.forward(minutes=60)
    done = snap(bench.workspace, photos / "d1_01_top.jpg", code=bench.codes[0])
    rim = done.result["outlines_px"]["rim"]
    drawn = ",".join(str(rim[name]) for name in ("cx", "cy", "semi_major", "semi_minor", "angle_deg"))
    redraw(bench.workspace, done.sha256, read_drawn(drawn, "", 2.0))
    shown = show_photo(bench.workspace, done.sha256)
    assert shown.found_px["pool"] is None
    assert shown.by_hand["pool_coverage"].value == 0
    assert shown.outlines_px["pool"]
    assert shown.quantities["pool_coverage"].value > 0


def test_a_drawing_that_fits_nothing_in_the_photo_is_refused(bench: Any, photos: Path) -> None:
    burns.light(bench.workspace, [bench.codes[0]])
    bench.clock.forward(minutes=60)
    done = snap(bench.workspace, photos / "d1_01_top.jpg", code=bench.codes[0])
    for rim in ("5000,5000,100,95,0", "600,600,9000,8900,0"):
        with pytest.raises(PooleyeError) as refused:
            redraw(bench.workspace, done.sha256, read_drawn(rim, "", 2.0))
        assert refused.value.reference == "bad-drawing"
