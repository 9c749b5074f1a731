"""The pose settled on rim and wax line: drawn circles seen by a known camera, so the truth is exact."""

import numpy as np
import pytest

from pooleye.optics.camera import camera_for
from pooleye.optics.circle_pose import CirclePose, circle_poses
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top.refine import INDEPENDENT, RIM_SHARE, SIZE_U, WAX_U, settle_on_wax

RADIUS_MM, DEPTH_MM = 38.0, 20.0
CAMERA = camera_for((1600, 1200), 26)


def true_frame(tilt_deg: float, azimuth_deg: float = 30.0) -> VesselFrame:
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    normal = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
    return VesselFrame(CirclePose(np.array([10.0, -5.0, 260.0]), normal), CAMERA, RADIUS_MM)


def start_from(frame: VesselFrame, rim: Ellipse) -> VesselFrame:
    poses = circle_poses(rim, RADIUS_MM, CAMERA)
    return VesselFrame(max(poses, key=lambda p: float(p.normal @ frame.pose.normal)), CAMERA, RADIUS_MM)


def wax_edge(frame: VesselFrame, depth_mm: float, noise_px: float = 0.4) -> np.ndarray:
    px = frame.wall_circle_px(depth_mm, 180)
    return px + np.random.default_rng(3).normal(0, noise_px, px.shape)


@pytest.mark.parametrize("tilt_deg", [1.0, 4.0, 9.0, 18.0])
def test_a_rim_a_little_out_of_shape_costs_the_tilt_less_once_the_wax_line_is_used(tilt_deg):
    """An axis wrong by 0.2 % is nothing to the eye and degrees to the tilt of a vessel seen nearly square-on."""
    frame = true_frame(tilt_deg)
    vector = frame.rim_ellipse().vector()
    rim = Ellipse.from_vector(vector + vector[2] * np.array([0, 0, 0, 0.002, -0.002]))
    start = start_from(frame, rim)
    settled = settle_on_wax(start, rim, 0.006, wax_edge(frame, DEPTH_MM), DEPTH_MM, 0.5)
    assert settled is not None
    better, _ = settled

    def off_deg(other):
        return np.degrees(np.arccos(min(1.0, float(other.pose.normal @ frame.pose.normal))))

    assert off_deg(better) < 0.7
    assert off_deg(better) < off_deg(start)


def test_an_edge_that_is_no_circle_at_that_depth_is_not_believed():
    frame = true_frame(9.0)
    rim = frame.rim_ellipse()
    half_solid = wax_edge(frame, DEPTH_MM)
    half_solid[:90] = wax_edge(frame, 2.0)[:90] * 0.5 + half_solid[:90] * 0.5
    assert settle_on_wax(frame, rim, 0.006, half_solid, DEPTH_MM, 0.5) is None


def test_a_wax_line_hidden_behind_the_rim_says_nothing():
    frame = true_frame(9.0)
    at_the_rim = frame.wall_circle_px(0.2, 180)
    assert settle_on_wax(frame, frame.rim_ellipse(), 0.006, at_the_rim, 0.2, 0.5) is None


def test_noise_free_circles_leave_the_true_pose_alone():
    frame = true_frame(12.0)
    settled = settle_on_wax(frame, frame.rim_ellipse(), 0.006, wax_edge(frame, DEPTH_MM, 0.0), DEPTH_MM, 0.5)
    assert settled is not None
    pose = settled[0].pose
    assert np.allclose(pose.normal, frame.pose.normal, atol=2e-3)
    assert np.allclose(pose.centre_mm, frame.pose.centre_mm, atol=0.2)


@pytest.mark.parametrize("tilt_deg", [6.0, 12.0, 20.0])
def test_the_uncertainty_of_a_settled_tilt_is_that_of_its_errors(tilt_deg):
    """Rims wrong in place and shape, the wax line in depth, in size and, half as much as it may, in its edge; of those
    that are believed, the root mean square of a tilt's error over its u is about 1 or less (GUM, JCGM 100:2008, 2.3.1).
    """
    frame, rng, u_rim = true_frame(tilt_deg), np.random.default_rng(8), 0.006
    vector = frame.rim_ellipse().vector()
    zs = []
    for _ in range(60):
        rim = Ellipse.from_vector(vector + vector[2] * RIM_SHARE * u_rim * rng.normal(size=5))
        edge = frame.wall_circle_px(DEPTH_MM, 180)
        places = np.tile(rng.normal(size=int(INDEPENDENT)), 2)
        off = 0.5 * WAX_U * np.interp(np.arange(180), np.arange(48) * 180 / INDEPENDENT, places)
        edge = edge.mean(0) + (edge - edge.mean(0)) * (1 + SIZE_U * rng.normal() + off[:, None])
        settled = settle_on_wax(start_from(frame, rim), rim, u_rim, edge, DEPTH_MM + 0.5 * rng.normal(), 0.5)
        if settled is not None:
            better, u_tilt = settled
            zs.append((better.pose.tilt_deg - frame.pose.tilt_deg) / np.degrees(u_tilt))
    assert len(zs) > 30
    assert 0.5 < np.sqrt(np.mean(np.square(zs))) < 1.2
