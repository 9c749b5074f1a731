"""The vessel's pose from the regions that the network takes for vessel and mouth, and the network's regions."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn import Drawing

from pooleye.optics.camera import camera_for
from pooleye.side.maps import Maps
from pooleye.side.pose import Frustum, SidePose
from pooleye.side.silhouette import about, closer, filled, region_of, wax_height_mm

SIZE = (1200, 900)
SCALE = 192 / SIZE[0]


def painted(outline_px: np.ndarray) -> np.ndarray:
    """Logits of a map that is sure of the hull of these working pixels, and of nothing else."""
    fine = np.zeros((8 * 144, 8 * 192), np.uint8)
    points = np.round(((outline_px + 0.5) * SCALE * 8 - 0.5) * 16).astype(np.int32)
    cv2.fillConvexPoly(fine, cv2.convexHull(points), 255, cv2.LINE_8, 4)
    cover = cv2.resize(fine, (192, 144), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return np.clip(cover, 0.02, 0.98) * 8 - 4


def maps_of(pose: SidePose, wax_mm: float | None = None) -> Maps:
    """What a perfect network would see of a vessel in this pose."""
    circle, height = np.linspace(0, 2 * np.pi, 120), pose.frustum.height_mm
    ring = {level: pose.poses.circle_px(level, circle)[0] for level in (0.0, height, wax_mm) if level is not None}
    nothing = np.full((144, 192), -9.0, np.float32)
    wax = nothing if wax_mm is None else painted(np.concatenate([ring[0.0], ring[wax_mm]]))
    return Maps(painted(np.concatenate([ring[0.0], ring[height]])), painted(ring[height]), nothing, wax, SCALE)


@pytest.mark.parametrize("tilt_deg", [-4.0, 2.0, 9.0, 20.0])
@pytest.mark.parametrize("height_known", [True, False])
def test_the_pose_that_made_the_regions_is_found(tilt_deg: float, height_known: bool):
    frustum, camera = Frustum(40.0, 34.0, 90.0), camera_for(SIZE, 26)
    truth = SidePose.of(frustum, camera, [640.0, 500.0, np.log(300.0), 0.04, np.radians(tilt_deg)])
    maps = maps_of(truth)
    region = region_of(maps)
    assert region is not None
    given = frustum if height_known else replace(frustum, height_mm=70.0)
    found = filled(maps, region, given, maps.camera(camera), height_known=height_known)
    assert found.overlap > 0.97
    assert found.poses.frustum.height_mm == pytest.approx(90.0, abs=2.5)
    x, y, log_distance, roll, tilt = found.poses.vectors[0]
    assert (np.array([x, y]) + 0.5) / SCALE - 0.5 == pytest.approx([640.0, 500.0], abs=6.0)
    assert np.exp(log_distance) == pytest.approx(300.0, rel=0.02)
    assert np.degrees([roll, tilt]) == pytest.approx([np.degrees(0.04), tilt_deg], abs=2.5)


def test_the_vessel_meant_is_the_one_with_a_mouth_not_the_largest():
    camera = camera_for(SIZE, 26)
    small = SidePose.of(Frustum(40.0, 40.0, 60.0), camera, [900.0, 600.0, np.log(600.0), 0.0, 0.1])
    maps = maps_of(small)
    beside = painted(np.array([[60.0, 300.0], [500.0, 300.0], [500.0, 850.0], [60.0, 850.0]]))
    region = region_of(replace(maps, vessel=np.maximum(maps.vessel, beside)))
    assert region is not None
    assert (region.middle + 0.5) / SCALE - 0.5 == pytest.approx([900.0, 600.0], abs=12.0)


def test_another_shape_does_not_fill_the_region():
    camera = camera_for(SIZE, 26)
    truth = SidePose.of(Frustum(40.0, 40.0, 90.0), camera, [600.0, 480.0, np.log(300.0), 0.0, 0.05])
    maps = maps_of(truth)
    region = region_of(maps)
    assert region is not None
    flat = filled(maps, region, Frustum(40.0, 40.0, 30.0), maps.camera(camera), height_known=True)
    assert flat.overlap < 0.8


@pytest.mark.parametrize("tilt_deg", [1.0, 14.0])
def test_the_waxs_height_is_read_from_its_region(tilt_deg: float):
    camera = camera_for(SIZE, 26)
    pose = SidePose.of(Frustum(40.0, 40.0, 90.0), camera, [600.0, 480.0, np.log(300.0), 0.0, np.radians(tilt_deg)])
    assert wax_height_mm(maps_of(pose, 62.0), pose) == pytest.approx(62.0, abs=2.5)
    assert wax_height_mm(maps_of(pose), pose) is None


def test_the_network_sees_a_drawn_vessel_and_its_flame_and_looks_closer():
    drawing = Drawing(size_px=(2400, 1800), distance_mm=500.0)
    rgb, pose = drawing.pixels(), drawing.pose()
    whole = Maps.of(rgb)
    region = region_of(whole)
    assert region is not None
    part = closer(whole, region, drawing.size_px)
    assert part is not None
    near = Maps.of(rgb, part)
    assert near.scale > 1.3 * whole.scale
    for maps in (whole, near):
        places = np.column_stack([pose.axis_px([30.0, 80.0]), np.ones(2)]) @ maps.to_map().T
        body, flame = (tuple(np.round(place[1::-1]).astype(int)) for place in places)
        assert maps.vessel[body] > 0
        assert maps.flame[flame] > 0
        assert maps.flame[body] < 0


def test_a_part_of_the_photo_is_the_photos_own_place():
    """Maps of a part lead to the same place in the photo as maps of the whole."""
    nothing = np.zeros((4, 4), np.float32)
    whole, part = (
        Maps(nothing, nothing, nothing, nothing, scale, corner) for scale, corner in ((0.1, (0, 0)), (0.4, (300, 200)))
    )
    for maps in (whole, part):
        x, y, _ = maps.to_map() @ [450.0, 260.0, 1.0]
        camera = maps.camera(replace(camera_for(SIZE, 26), cx_px=450.0, cy_px=260.0))
        assert (camera.cx_px, camera.cy_px) == pytest.approx((x, y))


def test_a_look_about_a_region_shows_all_of_it_with_its_margins():
    """In a copy half as large, of a part that begins at (100, 50)."""
    flat = np.full((100, 120), -9.0, np.float32)
    seen = flat.copy()
    seen[30:70, 40:60] = 9.0
    maps = Maps(seen, flat, flat, flat, 0.5, (100, 50))
    region = region_of(maps)
    assert region is not None
    rows, columns = about(maps, region, (1000, 800), (0.5, 1.0, 0.5, 0.25))
    assert (rows, columns) == (slice(50 + 60 - 80, 50 + 140 + 20), slice(100 + 80 - 40, 100 + 120 + 40))
