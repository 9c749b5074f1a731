"""Scenes drawn with numpy, of which everything is known exactly: what a perfect network would see in a vessel.

Nothing here uses the code under test but its types and `pooleye.optics` (which has its own tests against OpenCV).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from pooleye.optics.camera import Camera, camera_for
from pooleye.optics.circle_pose import CirclePose
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import Closeup

SIZE_PX = (1600, 1200)
SQUARE_PX, MARGIN = 320, 1.3
FINE = 8  # samples along each side of a pixel: a map's value is the share of the pixel that is covered


def pose_of(camera: Camera, tilt_deg: float, towards_deg: float, height_mm: float, at_px=(800.0, 600.0)) -> CirclePose:
    """A circle whose plane is `height_mm` from the lens and leans by `tilt_deg`, its centre seen at `at_px`."""
    t, p = np.radians(tilt_deg), np.radians(towards_deg)
    normal = np.array([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), -np.cos(t)])
    ray = np.linalg.inv(camera.matrix()) @ [*at_px, 1.0]
    return CirclePose(ray * (height_mm / abs(float(normal @ ray))), normal)


@dataclass
class Scene:
    """A vessel with wax at `depth_mm` below the rim circle and a pool (N, 2) mm in it, or none."""

    rim_mm: float = 76.0
    depth_mm: float = 20.0
    pool_mm: np.ndarray | None = None
    tilt_deg: float = 12.0
    towards_deg: float = 40.0
    height_mm: float = 300.0
    base_mm: float | None = None
    vessel_height_mm: float | None = None
    at_px: tuple[float, float] = (800.0, 600.0)
    camera: Camera = field(default_factory=lambda: camera_for(SIZE_PX, 26.0))
    pose: CirclePose | None = None

    @property
    def frame(self) -> VesselFrame:
        pose = self.pose or pose_of(self.camera, self.tilt_deg, self.towards_deg, self.height_mm, self.at_px)
        base = None if self.base_mm is None else self.base_mm / 2
        return VesselFrame(pose, self.camera, self.rim_mm / 2, base, self.vessel_height_mm)

    @property
    def rim(self) -> Ellipse:
        return self.frame.rim_ellipse()

    @property
    def wax_radius_mm(self) -> float:
        return self.frame.inner_radius_mm(self.depth_mm)

    def closeup(self, rim: Ellipse | None = None, **maps: np.ndarray) -> Closeup:
        """What a perfect network sees in the square that brings `rim` to the standard circle."""
        frame, square = self.frame, square_of(rim or self.rim)
        mouth = filled(square, frame.wall_circle_px(0.0, 720))
        wax = mouth & filled(square, frame.wall_circle_px(self.depth_mm, 720))
        pool = np.zeros_like(mouth) if self.pool_mm is None else wax & filled(square, self.seen_px(self.pool_mm))
        empty = np.zeros((SQUARE_PX, SQUARE_PX), np.float32)
        seen = {"mouth": shares(mouth), "wax": shares(wax ^ pool), "pool": shares(pool)}
        seen |= dict.fromkeys(("flame", "ball", "wick", "crumbs"), empty) | maps
        picture = np.zeros((SQUARE_PX, SQUARE_PX, 3), np.uint8)
        return Closeup(**seen, picture=picture, matrix=square[0], centre=square[1])

    def seen_px(self, outline_mm: np.ndarray, depth_mm: float | None = None) -> np.ndarray:
        """Pixels of an outline (N, 2) mm that lies level, in the wax's plane unless told otherwise."""
        z = -(self.depth_mm if depth_mm is None else depth_mm)
        return self.frame.project(np.column_stack([outline_mm, np.full(len(outline_mm), z)]))

    def spot(self, xyz_mm, sigma_px: float = 2.0, height: float = 0.9) -> np.ndarray:
        """A map with a round spot where a point (x, y, z) mm of the vessel frame is seen."""
        matrix, centre = square_of(self.rim)
        x, y = np.linalg.inv(matrix) @ (self.frame.project([xyz_mm])[0] - centre) + (SQUARE_PX - 1) / 2
        gx, gy = np.meshgrid(np.arange(SQUARE_PX), np.arange(SQUARE_PX))
        return (height * np.exp(-((gx - x) ** 2 + (gy - y) ** 2) / (2 * sigma_px**2))).astype(np.float32)

    def disc(self, centre_mm, diameter_mm: float, depth_mm: float) -> np.ndarray:
        """A map of a level disc at `depth_mm`."""
        return shares(filled(square_of(self.rim), self.seen_px(circle(diameter_mm / 2, centre_mm), depth_mm)))

    def picture(self) -> np.ndarray:
        """A photo (1200, 1600, 3): table, a lip 3 mm wide, a grey wall, cream wax, a darker pool; a little noise."""
        fine = 2
        level = np.full((SIZE_PX[1] * fine, SIZE_PX[0] * fine), 90, np.uint8)
        paint(level, fine, self.seen_px(circle(self.rim_mm / 2 + 3), 0.0), 215)
        mouth, wax = (np.zeros_like(level) for _ in range(2))
        paint(mouth, fine, self.frame.wall_circle_px(0.0, 720), 1)
        paint(wax, fine, self.frame.wall_circle_px(self.depth_mm, 720), 1)
        level[mouth > 0] = 130
        level[(mouth & wax) > 0] = 230
        if self.pool_mm is not None:
            pool = np.zeros_like(level)
            paint(pool, fine, self.seen_px(self.pool_mm), 1)
            level[(mouth & wax & pool) > 0] = 180
        image = cv2.resize(level, SIZE_PX, interpolation=cv2.INTER_AREA)
        image = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 0.8)[..., None]
        noise = np.random.default_rng(1).normal(0, 1.5, (*image.shape[:2], 3))
        return np.clip(image + noise, 0, 255).astype(np.uint8)


def square_of(rim: Ellipse) -> tuple[np.ndarray, np.ndarray]:
    """Matrix (2, 2) and centre (2,) of the square: its pixels from the middle to working pixels."""
    return rim.shape_matrix() * (MARGIN / (SQUARE_PX / 2)), np.array([rim.cx, rim.cy])


def filled(square: tuple[np.ndarray, np.ndarray], outline_px: np.ndarray) -> np.ndarray:
    """The inside of an outline of working pixels, FINE times finer than the square's pixels."""
    matrix, centre = square
    at = (outline_px - centre) @ np.linalg.inv(matrix).T + (SQUARE_PX - 1) / 2
    mask = np.zeros((SQUARE_PX * FINE, SQUARE_PX * FINE), np.uint8)
    paint(mask, FINE, at, 1)
    return mask


def paint(mask: np.ndarray, fine: int, outline_px: np.ndarray, value: int) -> None:
    """Fills an outline of pixels in a picture that is `fine` times finer."""
    at = (outline_px + 0.5) * fine - 0.5
    cv2.fillPoly(mask, [np.round(at * 16).astype(np.int32)], value, cv2.LINE_8, 4)


def shares(mask: np.ndarray) -> np.ndarray:
    """Share of each pixel that is covered."""
    return cv2.resize(mask.astype(np.float32), (SQUARE_PX, SQUARE_PX), interpolation=cv2.INTER_AREA)


def circle(radius_mm: float, centre_mm=(0.0, 0.0), n: int = 720) -> np.ndarray:
    t = np.arange(n) * (2 * np.pi / n)
    return np.stack([np.cos(t), np.sin(t)], 1) * radius_mm + centre_mm


@pytest.fixture(scope="session")
def draw():
    """What the tests of this folder draw with: Scene, circle, pose_of."""

    class Tools:
        pass

    tools = Tools()
    tools.Scene, tools.circle, tools.pose_of = Scene, circle, pose_of
    return tools
