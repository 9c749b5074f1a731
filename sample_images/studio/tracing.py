"""Light of a sample scene in passes of different seeds, and from them a picture with less noise."""

from __future__ import annotations

import gc
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from . import scene, sets, truth
from .camera import Pinhole, top_camera
from .scene import Scene, Stage
from .spec import Spec

Linear = NDArray[np.float32]
GUIDES = "albedo:albedo,normal:sh_normal,place:position"
WARM = np.array([1.0, 0.82, 0.55])  # light of a flame that went through wax


@dataclass(frozen=True)
class Glow:
    """Light that the flame sends through the wax, which the studio's surface-only wax lacks."""

    strength: float = 0.5  # against the wax's median radiance
    reach: float = 0.3  # of the rim's diameter


def build(spec: Spec, made: sets.Set, camera: Pinhole, scratch: Path) -> Scene:
    stage = Stage(scratch)
    rng = np.random.default_rng([spec.seed, 1])
    stage.scene["integrator"] = {"type": "path", "max_depth": 18, "rr_depth": 8}
    sets.add_set(stage, spec, made, camera)
    stage.add("vessel", scene.vessel_mesh(spec.vessel), scene.vessel_bsdf(spec.vessel))
    scene.add_wax(stage, spec, rng)
    scene.add_wicks(stage, spec, rng)
    scene.add_debris(stage, spec, rng)
    scene.add_soot(stage, spec, np.random.default_rng([spec.seed, 2]))
    return stage.scene


def passes(built: Scene, camera: Pinhole, spp: int, count: int) -> tuple[Linear, Linear, Linear]:
    """Mean radiance, its variance (h, w) and guides (h, w, 9) of `count` passes of spp / count samples each."""
    each = max(spp // count, 1)
    loaded = mi.load_dict(built | {"sensor": scene.sensor(camera, None, each)})
    frames = np.stack([np.array(mi.render(loaded, seed=k, spp=each), np.float32)[..., :3] for k in range(count)])
    guides = mi.load_dict({"type": "aov", "aovs": GUIDES})
    shown = np.array(mi.render(loaded, integrator=guides, seed=99, spp=16), np.float32)[..., -9:]
    del loaded
    gc.collect()
    return *steady_mean(np.nan_to_num(frames)), np.nan_to_num(shown)


def steady_mean(frames: Linear) -> tuple[Linear, Linear]:
    """Mean over passes with lone sparks cut back: no pass counts for more than the others allow. Also its variance."""
    luma = frames @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    middle = np.median(luma, 0)
    around = cv2.GaussianBlur(middle, (0, 0), 2.0)
    limit = 3.0 * np.maximum(middle, around) + 0.02 * np.median(middle)
    kept = frames * np.minimum(1, limit / np.maximum(luma, 1e-9))[..., None]
    return kept.mean(0), (np.minimum(luma, limit).var(0, ddof=1) / len(frames)).astype(np.float32)


def smoothed(mean: Linear, variance: Linear, guides: Linear, size_mm: float, levels: int = 4) -> Linear:
    """Edge-avoiding à-trous wavelet filter (Dammertz et al. 2010) of the light without the surfaces' own colour.

    It averages only over neighbours with like normal, place and light, the last against the noise measured between
    passes; the table's grain and a card's ink lie in the albedo and stay as sharp as they are.
    """
    albedo = np.clip(guides[..., :3], 0.02, 1.0)
    normal, place = guides[..., 3:6], guides[..., 6:9]
    light = mean / albedo
    noise = np.sqrt(cv2.GaussianBlur(variance, (0, 0), 1.5)) / albedo.mean(-1)
    fixed = np.concatenate([normal / np.sqrt(0.05), place / (0.02 * size_mm)], -1)
    taps = np.array([1, 4, 6, 4, 1], np.float32) / 16
    h, w = noise.shape
    for level in range(levels):
        step, edge = 2**level, 2 ** (level + 1)
        now = np.concatenate([light, light.mean(-1, keepdims=True), fixed], -1)
        wide = np.pad(now, ((edge, edge), (edge, edge), (0, 0)), mode="edge")
        total, weights = np.zeros_like(light), np.zeros((h, w), np.float32)
        tolerance = 2.2 * noise / 1.6**level + 1e-4
        scale = np.array([1, 1, 1, 1 / step, 1 / step, 1 / step], np.float32)
        for dy in range(5):
            for dx in range(5):
                there = wide[dy * step : dy * step + h, dx * step : dx * step + w]
                apart = (((there[..., 4:] - fixed) * scale) ** 2).sum(-1)
                like = np.exp(-np.abs(there[..., 3] - now[..., 3]) / tolerance - apart) * (taps[dy] * taps[dx])
                total += like[..., None] * there[..., :3]
                weights += like
        light = total / weights[..., None]
    return light * albedo


def glowing(picture: Linear, spec: Spec, camera: Pinhole, glow: Glow) -> Linear:
    if not spec.lit or glow.strength == 0:
        return picture
    made = truth.surfaces(spec, camera, (0, 0, camera.width_px, camera.height_px))
    level = float(np.median(picture[made["wax"] > 0.5]))
    fall = np.exp(-made["from_flame_mm"] / (glow.reach * spec.vessel.rim_inner_mm)) * made["wax"]
    return (
        picture + (glow.strength * level * fall)[..., None] * WARM * spec.wax_colour / spec.wax_colour.max()
    ).astype(np.float32)


def calmed_glass(picture: Linear, spec: Spec, camera: Pinhole) -> Linear:
    """Specks left in and behind a glass wall brought near their neighbours' median; elsewhere nothing changes.

    The filter of `smoothed` cannot help there: what it is told of a glass pixel is the glass, not what shows through.
    """
    if not spec.vessel.kind.endswith("glass"):
        return picture
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn), np.zeros(180)], 1)
    down = [0, 0, -(spec.vessel.height_mm - spec.vessel.lip_mm)]
    wide = spec.vessel.outer_mm / 2 + 1
    outline = camera.project(np.concatenate([wide * circle, (wide - spec.vessel.wall_mm) * circle + down]))
    glass = truth.filled(picture.shape[:2], cv2.convexHull(outline.astype(np.float32))[:, 0])[..., None] > 0.5
    for darkest, brightest in ((0.80, 1.25), (0.85, 1.18)):
        middle = np.stack([cv2.medianBlur(np.ascontiguousarray(picture[..., k]), 5) for k in range(3)], -1)
        picture = np.where(glass, np.clip(picture, darkest * middle, brightest * middle), picture)
    return picture


def radiance(
    spec: Spec, made: sets.Set, glow: Glow, long_side_px: int, spp: int, scratch: Path, *, soot: bool = True
) -> Linear:
    """Linear radiance (h, w, 3) of the finished scene; without its soot if told so."""
    camera = top_camera(spec.view, long_side_px)
    shown = spec if soot else replace(spec, soot=None)
    mean, variance, guides = passes(build(shown, made, camera, scratch), camera, spp, count=max(min(8, spp // 2), 2))
    return glowing(smoothed(mean, variance, guides, spec.vessel.rim_inner_mm), shown, camera, glow)
