"""Planes of the vessel: projection, parallax, directions by the clock, rectified outlines."""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from pooleye.optics import polygon
from pooleye.optics.camera import Camera, camera_for
from pooleye.optics.circle_pose import CirclePose, circle_poses
from pooleye.optics.ellipse import Ellipse, EllipseFit, fit_ellipse
from pooleye.optics.planes import VesselFrame, azimuth_of

VIEWS = json.loads((Path(__file__).parent / "data" / "rendered_views.json").read_text())["views"]
CENTRED = Camera(3000, 0, 0, 30, assumed=False)
SQUARE_ON = CirclePose(np.array([0, 0, 400.0]), np.array([0, 0, -1.0]))
TILTED = CirclePose(np.array([0, 0, 400.0]), np.array([0, -0.5, -math.sqrt(3) / 2]))
SKEWED = CirclePose(np.array([30, -45, 310.0]), np.array([0.28, 0.21, -0.9367496997597597]))
POSES = [SQUARE_ON, TILTED, SKEWED]


def ellipse_through(points_px: np.ndarray) -> Ellipse:
    fit = fit_ellipse(points_px, loss="none")
    assert isinstance(fit, EllipseFit)
    return fit.ellipse


class TestAxes:
    def test_square_on_axes_are_right_up_and_towards_the_camera(self) -> None:
        frame = VesselFrame(SQUARE_ON, CENTRED, 37.5)
        # 3000 px at 400 mm: 7.5 px per mm; up in the vessel's frame is up in the picture, where y is negative.
        assert frame.project([[10, 0, 0], [0, 10, 0], [0, 0, 100]]) == pytest.approx(
            np.array([[75, 0], [0, -75], [0, 0]]), abs=1e-9
        )
        higher = frame.project([[10, 0, 100]])[0]
        assert higher == pytest.approx([100, 0])  # 100 mm nearer to the camera: 3000 px at 300 mm

    @pytest.mark.parametrize("pose", POSES)
    def test_axes_are_right_handed_and_of_unit_length(self, pose: CirclePose) -> None:
        axes = VesselFrame(pose, CENTRED, 37.5)._axes
        assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(axes) == pytest.approx(1)
        assert axes[2] == pytest.approx(pose.normal)

    @pytest.mark.parametrize("pose", POSES)
    def test_azimuth_zero_is_straight_up_in_the_picture_and_grows_clockwise(self, pose: CirclePose) -> None:
        frame = VesselFrame(pose, CENTRED, 37.5)
        up, right, down, left = (
            frame.project(frame.wall_point(np.radians([0, 90, 180, 270]), 0.0)) - frame.rim_centre_px
        )
        assert up[0] == pytest.approx(0, abs=1e-9)
        assert up[1] < 0 < down[1]
        assert left[0] < 0 < right[0]

    @pytest.mark.parametrize("pose", POSES)
    def test_clock_angle_and_azimuth_undo_each_other(self, pose: CirclePose) -> None:
        frame = VesselFrame(pose, CENTRED, 37.5)
        clock = np.arange(0, 360, 7.5)
        assert frame.clock_deg(frame.azimuth_of_clock(clock)) == pytest.approx(clock, abs=1e-8)
        azimuth = np.arange(0, 2 * math.pi, 0.1).reshape(3, 21)
        assert frame.azimuth_of_clock(frame.clock_deg(azimuth)) == pytest.approx(azimuth, abs=1e-9)

    def test_square_on_the_clock_is_the_azimuth_and_tilt_parts_them(self) -> None:
        azimuth = np.radians([30, 60, 200])
        assert VesselFrame(SQUARE_ON, CENTRED, 37.5).clock_deg(azimuth) == pytest.approx([30, 60, 200])
        parted = VesselFrame(TILTED, CENTRED, 37.5).clock_deg(azimuth)
        assert (np.abs(parted - [30, 60, 200]) > 2).all()

    def test_sectors_are_centred_on_the_hours(self) -> None:
        frame = VesselFrame(SQUARE_ON, CENTRED, 37.5)
        clock = np.radians([0, 14.9, 15.1, 30, 90, 180, 270, 344.9, 345.1, 359.9])
        assert frame.sector_of_azimuth(clock).tolist() == [0, 0, 1, 1, 3, 6, 9, 11, 0, 0]

    @pytest.mark.parametrize("pose", POSES)
    def test_every_sector_shows_thirty_degrees_of_the_picture(self, pose: CirclePose) -> None:
        frame = VesselFrame(pose, CENTRED, 37.5)
        sectors = frame.sector_of_azimuth(frame.azimuth_of_clock(np.arange(0.05, 360, 0.1)))
        assert np.bincount(sectors, minlength=12).tolist() == [300] * 12


class TestProjection:
    @pytest.mark.parametrize("pose", POSES)
    def test_projection_is_that_of_opencv(self, pose: CirclePose) -> None:
        frame = VesselFrame(pose, CENTRED, 37.5)
        points = np.random.default_rng(1).uniform([-40, -40, -60], [40, 40, 20], (50, 3))
        turn, _ = cv2.Rodrigues(frame._axes.T)
        reference, _ = cv2.projectPoints(points, turn, pose.centre_mm, CENTRED.matrix(), None)
        assert frame.project(points) == pytest.approx(reference.reshape(-1, 2), abs=1e-6)

    @pytest.mark.parametrize("pose", POSES)
    @pytest.mark.parametrize("depth_mm", [-5.0, 0.0, 25.0, 80.0])
    def test_plane_and_picture_undo_each_other(self, pose: CirclePose, depth_mm: float) -> None:
        frame = VesselFrame(pose, CENTRED, 37.5)
        xy = np.random.default_rng(2).uniform(-40, 40, (30, 2))
        px = frame.project(np.column_stack([xy, np.full(30, -depth_mm)]))
        assert frame.to_plane(px, depth_mm) == pytest.approx(xy, abs=1e-9)
        mapped = np.column_stack([xy, np.ones(30)]) @ frame.plane_homography(depth_mm).T
        assert mapped[:, :2] / mapped[:, 2:] == pytest.approx(px, abs=1e-9)

    def test_pixels_beyond_the_horizon_are_nowhere(self) -> None:
        frame = VesselFrame(TILTED, CENTRED, 37.5)
        # The plane's normal leans 30 degrees, so 61 degrees off the axis on the far side looks past it.
        away = np.array([[0, 3000 * math.tan(math.radians(61))], [0, -3000 * math.tan(math.radians(61))]])
        seen = frame.to_plane(away, 0.0)
        assert np.isnan(seen).any(axis=1).tolist() in ([True, False], [False, True])

    @pytest.mark.parametrize("pose", POSES)
    def test_rim_ellipse_leads_back_to_the_pose(self, pose: CirclePose) -> None:
        frame = VesselFrame(pose, CENTRED, 37.5)
        back = min(
            circle_poses(frame.rim_ellipse(), 37.5, CENTRED), key=lambda p: np.linalg.norm(p.normal - pose.normal)
        )
        assert back.centre_mm == pytest.approx(pose.centre_mm, abs=1e-4)
        assert back.normal == pytest.approx(pose.normal, abs=1e-5)

    def test_wall_circle_lies_on_its_ellipse_and_starts_at_twelve(self) -> None:
        frame = VesselFrame(SKEWED, CENTRED, 40, base_inner_radius_mm=30, height_mm=80)
        circle = frame.wall_circle_px(40.0, n=90)
        ellipse = frame.circle_ellipse(35.0, 40.0)
        assert np.abs(ellipse.orthogonal_residuals(circle)).max() < 1e-8
        assert circle[0] == pytest.approx(frame.project(frame.wall_point(0.0, 40.0))[0])


class TestParallax:
    """What lies deeper looks smaller: similar triangles, true = apparent * (D + h) / D for a lens D above the rim."""

    @pytest.mark.parametrize(("d_mm", "h_mm", "factor"), [(400, 20, 1.05), (250, 60, 1.24), (500, 5, 1.01)])
    def test_square_on_it_is_similar_triangles(self, d_mm: float, h_mm: float, factor: float) -> None:
        pose = CirclePose(np.array([0, 0, float(d_mm)]), np.array([0, 0, -1.0]))
        frame = VesselFrame(pose, CENTRED, 37.5)
        pool = frame.circle_ellipse(30.0, h_mm)
        apparent_mm = pool.a * d_mm / CENTRED.f_px
        assert 30.0 / apparent_mm == pytest.approx(factor)
        assert np.linalg.norm(frame.to_plane([[pool.a, 0]], h_mm)) == pytest.approx(30.0)

    def test_square_on_apparent_ratio(self) -> None:
        """Pool of 68 mm in a rim of 75 mm, 20 mm down, seen from 400 mm: 242.8571/281.25 px."""
        frame = VesselFrame(SQUARE_ON, CENTRED, 37.5)
        pool, rim = frame.circle_ellipse(34, 20), frame.rim_ellipse()
        assert (pool.a, rim.a) == (pytest.approx(242.8571, abs=5e-5), pytest.approx(281.25))

    def test_tilted_pool_of_the_worked_example(self) -> None:
        """30 degrees: raw ratio 0.86880, true 0.90667; the square-on rule with D = 400 leaves 0.90642."""
        frame = VesselFrame(TILTED, CENTRED, 37.5)
        pool = frame.circle_ellipse(34, 20)
        assert pool.a == pytest.approx(244.6195, abs=5e-5)
        assert pool.cy == pytest.approx(80.644, abs=5e-4)
        assert pool.a / frame.rim_ellipse().a == pytest.approx(0.86880, abs=5e-6)
        outline_mm = frame.to_plane(pool.points(360), 20)
        assert polygon.equivalent_diameter(outline_mm) / 75 == pytest.approx(0.90667, abs=6e-5)

    def test_only_the_right_pose_sees_a_concentric_pool_as_concentric(self) -> None:
        """Both poses explain the rim; a circle 20 mm down about the same axis tells them apart."""
        frame = VesselFrame(TILTED, CENTRED, 37.5)
        pool_px = frame.circle_ellipse(34, 20).points(360)
        offsets_mm = []
        for pose in circle_poses(frame.rim_ellipse(), 37.5, CENTRED):
            outline_mm = VesselFrame(pose, CENTRED, 37.5).to_plane(pool_px, 20)
            offsets_mm.append(float(np.linalg.norm(polygon.centroid(outline_mm))))
        assert min(offsets_mm) == pytest.approx(0, abs=1e-3)
        # The wrong axis leans about 60 degrees away from the right one: 2 * 20 mm * sin(30 degrees) and more.
        assert max(offsets_mm) > 20

    def test_focal_length_hardly_touches_the_ratio(self) -> None:
        """4 % of focal length at 400 mm changes the 20 mm correction from 1.0500 to 1.0481 (own arithmetic)."""
        wrong = CENTRED.with_focal(3000 * 1.04)
        pool = VesselFrame(SQUARE_ON, CENTRED, 37.5).circle_ellipse(34, 20)
        pose = circle_poses(Ellipse(0, 0, 281.25, 281.25, 0), 37.5, wrong)[0]
        measured = polygon.equivalent_diameter(VesselFrame(pose, wrong, 37.5).to_plane(pool.points(720), 20))
        assert measured / 68 == pytest.approx(1.0481 / 1.0500, abs=1e-4)


class TestTaper:
    def test_cylinder_keeps_its_radius(self) -> None:
        assert VesselFrame(SQUARE_ON, CENTRED, 37.5).inner_radius_mm(50) == 37.5

    def test_taper_narrows_in_a_straight_line(self) -> None:
        frame = VesselFrame(SQUARE_ON, CENTRED, 40, base_inner_radius_mm=30, height_mm=80)
        assert [frame.inner_radius_mm(d) for d in (0, 40, 80)] == [40, 35, 30]
        assert frame.wall_point(math.pi / 2, 40.0)[0] == pytest.approx([35, 0, -40])

    def test_taper_without_height_is_refused(self) -> None:
        with pytest.raises(ValueError, match="height"):
            VesselFrame(SQUARE_ON, CENTRED, 40, base_inner_radius_mm=30)

    def test_rim_without_size_is_refused(self) -> None:
        with pytest.raises(ValueError, match="radius"):
            VesselFrame(SQUARE_ON, CENTRED, 0)


def test_azimuth_of_plane_points() -> None:
    assert np.degrees(azimuth_of([[0, 1], [1, 0], [0, -1], [-1, 0]])) == pytest.approx([0, 90, 180, 270])


@pytest.fixture(params=VIEWS, ids=[f"{v['vessel']}-{v['tilt_deg']}" for v in VIEWS])
def view(request: pytest.FixtureRequest) -> dict:
    return dict(request.param)


def rectified(view: dict) -> tuple[VesselFrame, float, np.ndarray]:
    """The frame of a rendered view, the depth of its pool below the rim circle, and the pool outline in mm."""
    camera = camera_for(tuple(view["size_px"]), view["focal_35mm"])
    e = view["rim_ellipse_px"]
    rim = Ellipse(e["cx"], e["cy"], e["semi_major"], e["semi_minor"], math.radians(e["angle_deg"]))
    radius_mm = view["rim_inner_diameter_mm"] / 2
    pose = min(circle_poses(rim, radius_mm, camera), key=lambda p: abs(p.tilt_deg - view["tilt_deg"]))
    # The rim circle is where the wall meets the rounded lip, a little below the rim plane that headspace counts from.
    depth_mm = view["headspace_mm"] - (pose.height_mm - view["camera_height_mm"])
    frame = VesselFrame(pose, camera, radius_mm)
    return frame, depth_mm, frame.to_plane(view["pool"]["outline_px"], depth_mm)


class TestRenderedViews:
    """Exact geometry of an independent renderer: what is left is the rounding of its file to 0.01 px and mm."""

    def test_pool_in_its_own_plane(self, view: dict) -> None:
        _, _, outline_mm = rectified(view)
        pool = view["pool"]
        assert polygon.equivalent_diameter(outline_mm) == pytest.approx(pool["equivalent_diameter_mm"], abs=0.05)
        smallest, largest = polygon.feret_diameters(outline_mm)
        assert smallest == pytest.approx(pool["min_diameter_mm"], abs=0.05)
        assert largest == pytest.approx(pool["max_diameter_mm"], abs=0.05)
        assert np.linalg.norm(polygon.centroid(outline_mm)) == pytest.approx(pool["offset_mm"], abs=0.05)

    def test_hang_up_by_the_clock(self, view: dict) -> None:
        frame, depth_mm, outline_mm = rectified(view)
        azimuth = np.radians(np.arange(0, 360, 0.25))
        edge = polygon.radial_profile(outline_mm, (0, 0), math.pi / 2 - azimuth)
        width_mm = frame.inner_radius_mm(depth_mm) - edge
        sectors = frame.sector_of_azimuth(azimuth)
        by_sector = [width_mm[sectors == k].mean() for k in range(12)]
        assert by_sector == pytest.approx(view["hangup_width_mm"]["by_sector"], abs=0.08)
        assert width_mm.mean() == pytest.approx(view["hangup_width_mm"]["mean"], abs=0.05)
