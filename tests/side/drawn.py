"""Simple side pictures drawn from known geometry: an opaque or see-through vessel, wax, a flame, a wisp of smoke.

Flat colours, no light simulation: what they test is geometry and bookkeeping, with truth known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from pooleye.measuring import Vessel
from pooleye.optics.camera import camera_for
from pooleye.photo import Photo
from pooleye.side.pose import Frustum, SidePose

SUBPIXEL = 4


@dataclass(frozen=True)
class Drawing:
    """Lengths in mm, angles in degrees; `foot_mm` and `flame_mm`: the flame's foot above the underside, its height."""

    outer_mm: float = 80.0
    height_mm: float = 90.0
    wall_mm: float = 3.0
    base_outer_mm: float | None = None
    see_through: bool = True
    wax_mm: float = 62.0
    pool_depth_mm: float = 0.0
    flame_mm: float = 30.0
    foot_mm: float = 65.0
    flame_width_mm: float = 8.0
    flame_lean_deg: float = 0.0
    flame_x_mm: float = 0.0
    more_flames_x_mm: tuple[float, ...] = ()
    smoke: float = 0.0
    distance_mm: float = 360.0
    tilt_deg: float = 4.0
    roll_deg: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    size_px: tuple[int, int] = (1200, 900)
    focal_35mm: float = 40.0
    noise: float = 1.5
    seed: int = 0
    background: tuple[int, int, int] = (92, 104, 112)
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def vessel(self) -> Vessel:
        inner = self.outer_mm - 2 * self.wall_mm
        base = None if self.base_outer_mm is None else self.base_outer_mm - 2 * self.wall_mm
        return Vessel(inner, self.outer_mm, base, self.height_mm)

    @property
    def headspace_mm(self) -> float:
        return self.height_mm - self.wax_mm

    def pose(self) -> SidePose:
        camera = camera_for(self.size_px, self.focal_35mm)
        base = (self.base_outer_mm or self.outer_mm) / 2
        frustum = Frustum(self.outer_mm / 2, base, self.height_mm)
        x, y = self.size_px[0] / 2 + self.shift_px[0], 0.6 * self.size_px[1] + self.shift_px[1]
        angles = np.radians([self.roll_deg, self.tilt_deg])
        return SidePose.of(frustum, camera, [x, y, np.log(self.distance_mm), *angles])

    def pixels(self) -> np.ndarray:
        picture = np.full((self.size_px[1], self.size_px[0], 3), self.background, np.uint8)
        pose, circle = self.pose(), np.linspace(0, 2 * np.pi, 180)
        _table(picture)
        poses, inner = pose.poses, self.outer_mm / 2 - self.wall_mm
        edge = float(poses.outline_azimuth()[0])
        near = np.linspace(-edge, edge, 60)
        body = np.concatenate([poses.circle_px(self.height_mm, circle)[0], poses.circle_px(0.0, circle)[0]])
        hull = cv2.convexHull(body.astype(np.float32))[:, 0]
        if not self.see_through:
            _fill(picture, poses.circle_px(self.height_mm, circle)[0], (150, 140, 130))
            self._flames(picture, pose)
            front = np.concatenate([poses.circle_px(self.height_mm, near)[0], poses.circle_px(0.0, near[::-1])[0]])
            _fill(picture, front, (70, 60, 120))
            return self._finished(picture)
        # a thick clear wall shows dark at its sides, and its curve spreads wax over the whole width
        _fill(picture, hull, (60, 70, 70))
        clear = np.linspace(-0.8 * edge, 0.8 * edge, 40)
        window = [poses.circle_px(h, clear)[0] for h in (self.wax_mm, self.height_mm - 0.5)]
        _fill(picture, np.concatenate([window[0], window[1][::-1]]), (105, 112, 112))
        solid = self.wax_mm - self.pool_depth_mm
        if poses.lens_above_mm(self.wax_mm)[0] > 0:
            _fill(picture, poses.circle_px(self.wax_mm, circle, inner)[0], (175, 165, 140))
        for top, bottom, colour in ((self.wax_mm, solid, (205, 190, 120)), (solid, 5.0, (228, 216, 190))):
            if top > bottom:
                band = [poses.circle_px(h, near)[0] for h in (top, bottom)]
                _fill(picture, np.concatenate([band[0], band[1][::-1]]), colour)
        lip = np.round(poses.circle_px(self.height_mm, circle)[0] * 2**SUBPIXEL).astype(np.int32)
        cv2.polylines(picture, [lip], True, (70, 80, 80), 2, cv2.LINE_AA, SUBPIXEL)  # glass shows its lip all round
        self._flames(picture, pose)
        return self._finished(picture)

    def photo(self) -> Photo:
        return Photo("drawn.png", self.pixels(), 1.0, self.size_px, self.focal_35mm, None, "0" * 64)

    def _flames(self, picture: np.ndarray, pose: SidePose) -> None:
        from pooleye.side.facing import plane_map

        to_photo = plane_map(pose)
        lean = np.tan(np.radians(self.flame_lean_deg))
        t = np.linspace(0, 1, 80)
        half = self.flame_width_mm / 2 * t * (1 - t) ** 0.74 / (0.5747 * 0.4253**0.74)
        for x in (self.flame_x_mm, *self.more_flames_x_mm) if self.flame_mm else ():
            middle, height = x + lean * (1 - t) * self.flame_mm, self.foot_mm + (1 - t) * self.flame_mm
            _fill(
                picture,
                _on_plane(to_photo, np.r_[middle - half, (middle + half)[::-1]], np.r_[height, height[::-1]]),
                (255, 253, 240),
            )
        if self.smoke:
            up = np.linspace(0, 45, 60)
            sway = self.flame_x_mm + lean * self.flame_mm + 1.5 * np.sin(up / 9)
            line = _on_plane(to_photo, sway, self.foot_mm + self.flame_mm + 1 + up)
            veil = np.zeros(picture.shape[:2], np.float32)
            cv2.polylines(veil, [np.round(line * 2**SUBPIXEL).astype(np.int32)], False, 1.0, 6, cv2.LINE_AA, SUBPIXEL)
            picture[:] = (picture * (1 - self.smoke * cv2.GaussianBlur(veil, (0, 0), 1.5)[..., None])).astype(np.uint8)

    def _finished(self, picture: np.ndarray) -> np.ndarray:
        soft = cv2.GaussianBlur(picture, (0, 0), 0.7).astype(np.float32)
        grain = np.random.default_rng(self.seed).normal(0, self.noise, soft.shape)
        return np.clip(soft + np.where(soft > 250, 0, grain), 0, 255).astype(np.uint8)


def _on_plane(to_photo: np.ndarray, x: np.ndarray, height: np.ndarray) -> np.ndarray:
    seen = np.column_stack([x, height, np.ones_like(x)]) @ to_photo.T
    return seen[:, :2] / seen[:, 2:]


def _fill(picture: np.ndarray, outline: np.ndarray, colour: tuple[int, int, int]) -> None:
    points = np.round(outline * 2**SUBPIXEL).astype(np.int32)
    cv2.fillPoly(picture, [points], colour, cv2.LINE_AA, SUBPIXEL)


def _table(picture: np.ndarray) -> None:
    horizon = int(0.55 * picture.shape[0])
    picture[horizon:] = (150, 120, 90)
