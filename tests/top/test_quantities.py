"""How sure the phone's place is, and that what says nothing is left out."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from pooleye.top.quantities import _pose_quantities, _telling


def found(tilt_deg, *, rim=0.006, rival_deg=None, height_mm=300.0):
    rival = None if rival_deg is None else SimpleNamespace(pose=SimpleNamespace(tilt_deg=rival_deg))
    scene = SimpleNamespace(
        frame=SimpleNamespace(pose=SimpleNamespace(tilt_deg=tilt_deg, height_mm=height_mm)),
        rim=SimpleNamespace(u_relative=rim, standing=SimpleNamespace(rival=rival, u_tilt_rad=None)),
        camera=SimpleNamespace(f_px=1400.0, u_f_px=14.0),
        headspace_mm=20.0,
        depth_mm=19.0,
    )
    return _pose_quantities(scene)


@pytest.mark.parametrize("tilt_deg", [0.0, 1.5, 4.0, 10.0, 25.0])
@pytest.mark.parametrize("rim", [0.005, 0.04])
def test_the_tilts_uncertainty_is_that_of_ellipses_drawn_by_chance(tilt_deg, rim):
    """b / a = cos(tilt), the axes wrong by a normal error; the root mean square of what the tilt then is wrong by."""
    drawn = np.cos(np.radians(tilt_deg)) * (1 + rim * np.random.default_rng(3).normal(size=20_000))
    spread = np.sqrt(np.mean((np.degrees(np.arccos(np.minimum(drawn, 1.0))) - tilt_deg) ** 2))
    assert dict(found(tilt_deg, rim=rim)["tilt"].parts)["rim"] == pytest.approx(spread, rel=0.2)


def test_what_says_no_more_than_that_it_is_a_photo_from_above_is_left_out_and_flagged():
    assert _telling(found(12.0)) == (found(12.0), ())
    telling, flags = _telling(found(20.0, rival_deg=4.0))  # one of two tilts, and nothing tells which
    assert set(telling) == {"camera_height"}
    assert flags == ("camera-unsure",)
    assert _telling(found(12.0, rim=0.4))[0] == {}
