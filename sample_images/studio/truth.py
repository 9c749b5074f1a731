"""What is where in a studio picture, exactly, from the same Spec that was rendered: masks to learn from."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera import Pinhole, ellipse_of_circle
from .spec import ANGLES, Spec

Array = NDArray[np.float64]
Crop = tuple[int, int, int, int]
MASKS = ("mouth", "wax", "pool", "flame", "ball", "wick", "crumbs")


def pixel_grid(crop: Crop, per_pixel: int = 2) -> Array:
    """Sub-pixel centres (h * s, w * s, 2) of a crop of the picture."""
    x, y, w, h = crop
    s = per_pixel
    gx, gy = np.meshgrid(x + (np.arange(w * s) + 0.5) / s - 0.5, y + (np.arange(h * s) + 0.5) / s - 0.5)
    return np.stack([gx, gy], -1)


def ring_height(spec: Spec, radius: float) -> Array:
    """How far solid wax stands above the pool plane at the wall, at ANGLES."""
    if spec.pool is None:
        return np.zeros(len(ANGLES))
    gap = np.clip(radius - spec.pool.edge_mm, 0, None)
    return spec.rise_mm(gap, gap)


def surfaces(spec: Spec, camera: Pinhole, crop: Crop) -> dict[str, NDArray[np.float32]]:
    """Coverage 0..1 of the mouth, and of wax and pool as seen through it, plus `from_flame_mm` in the pool plane."""
    grid = pixel_grid(crop)
    rays = camera.rays(grid.reshape(-1, 2))
    rim = camera.along(rays, 0.0)
    mouth = np.hypot(*rim.T) < spec.vessel.rim_inner_mm / 2
    z = -spec.headspace_mm
    at = camera.along(rays, z)
    r, phi = np.hypot(*at.T), np.arctan2(at[:, 1], at[:, 0])
    radius = float(spec.vessel.inner_radius(spec.headspace_mm))
    raised = np.interp(phi, ANGLES, ring_height(spec, radius), period=2 * np.pi)
    higher = at - rays[:, :2] * (raised / -rays[:, 2])[:, None]
    wax = mouth & (np.hypot(*higher.T) < radius) & (spec.filling == "wax")
    pool = np.zeros(len(rays), bool)
    if spec.pool is not None:
        pool = mouth & (r < np.interp(phi, ANGLES, spec.pool.edge_mm, period=2 * np.pi))
    shape = grid.shape[:2]

    def coverage(mask: NDArray[Any]) -> NDArray[np.float32]:
        small = mask.reshape(shape).astype(np.float32)
        return cv2.resize(small, (crop[2], crop[3]), interpolation=cv2.INTER_AREA)

    feet = [w.foot_mm for w in spec.wicks if w.flame_mm] or [np.zeros(2)]
    near = np.min([np.hypot(*(at - foot).T) for foot in feet], axis=0)
    return {"mouth": coverage(mouth), "wax": coverage(wax), "pool": coverage(pool), "from_flame_mm": coverage(near)}


def dot(shape: tuple[int, int], centre: Array, sigma_px: float) -> NDArray[np.float32]:
    """A Gaussian spot of height 1."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    return np.exp(-((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / (2 * sigma_px**2)).astype(np.float32)


def filled(shape: tuple[int, int], outline_px: Array) -> NDArray[np.float32]:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(outline_px * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def flame_outline(spec: Spec, camera: Pinhole) -> list[Array]:
    from .scene import flame_mesh

    hulls = []
    for wick in spec.wicks:
        if wick.flame_mm:
            px = camera.project(flame_mesh(wick, spec.headspace_mm)[0].vertices).astype(np.float32)
            hulls.append(cv2.convexHull(px).reshape(-1, 2).astype(np.float64))
    return hulls


def masks(
    spec: Spec, camera: Pinhole, crop: Crop, crumbs: list[Array], made: dict[str, NDArray[np.float32]]
) -> NDArray[np.uint8]:
    """(h, w, 7) in the order of MASKS, 0..255; wick feet and crumbs are spots of 2.5 % of the rim's radius."""
    corner = np.array(crop[:2], float)
    shape = (crop[3], crop[2])
    rim = ellipse_of_circle(camera, spec.vessel.rim_inner_mm / 2)
    spot = max(0.03 * rim[2], 1.2)
    flame, carbon, wick, litter = (np.zeros(shape, np.float32) for _ in range(4))
    for hull in flame_outline(spec, camera):
        flame = np.maximum(flame, filled(shape, hull - corner))
    for w in spec.wicks:
        path = w.path(spec.headspace_mm)
        foot = camera.project(path[:1])[0] - corner
        wick = np.maximum(wick, dot(shape, foot, spot))
        if w.ball_mm:
            tip = camera.project(path[-1:])[0] - corner
            scale = camera.f_px / float(np.linalg.norm(path[-1] - camera.position_mm))
            angle = np.linspace(0, 2 * np.pi, 40)
            carbon = np.maximum(
                carbon, filled(shape, tip + w.ball_mm / 2 * scale * np.stack([np.cos(angle), np.sin(angle)], 1))
            )
    for crumb in crumbs:
        litter = np.maximum(litter, dot(shape, camera.project(crumb[None])[0] - corner, spot))
    stack = np.stack([made["mouth"], made["wax"], made["pool"], flame, carbon, wick, litter], -1)
    return np.round(stack * 255).astype(np.uint8)


def mouths(
    spec: Spec, camera: Pinhole, crop: Crop, others: list[tuple[Array, float, float]], *, main: bool = True
) -> NDArray[np.uint8]:
    """(h, w, 2): every vessel's mouth in the picture, and the flames."""
    corner, shape = np.array(crop[:2], float), (crop[3], crop[2])
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle), np.zeros(180)], 1)
    seen, flame = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for place, radius, height in others:
        seen = np.maximum(seen, filled(shape, camera.project(place + [0, 0, height] + radius * circle) - corner))
    if main:
        seen = np.maximum(seen, filled(shape, camera.project(spec.vessel.rim_inner_mm / 2 * circle) - corner))
        for hull in flame_outline(spec, camera):
            flame = np.maximum(flame, filled(shape, hull - corner))
    return np.round(np.stack([seen, flame], -1) * 255).astype(np.uint8)
