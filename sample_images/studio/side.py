"""A candle seen from the side: camera, set, flame with its blue foot, liquid behind glass, smoke; and the truth of it.

Frame and units as in geometry.py. Field names of the truth: sample_images/README.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from . import scene, sets, tracing, truth
from .camera import DIAGONAL_MM, Pinhole, ellipse_of_circle
from .geometry import grid_mesh
from .scene import CIRCLE, Stage, rgb, two_sided
from .spec import ANGLES, Spec, Vessel, Wick
from .top_truth import OPAQUE, rounded

Array = NDArray[np.float64]
Linear = NDArray[np.float32]
WARM = np.array([1.0, 0.80, 0.50])
SMOKE_GREY = 0.42  # of the light behind it


@dataclass(frozen=True)
class SideView:
    """Camera of a side view; `aim`: where the middle of the vessel's axis falls, as fractions of the picture."""

    distance_mm: float
    tilt_deg: float  # downwards from the horizontal
    azimuth_deg: float  # where the camera looks, in the vessel's frame
    roll_deg: float = 0.0
    focal_35mm: float = 26.0
    aim: tuple[float, float] = (0.5, 0.56)
    portrait: bool = False
    zoom_px: tuple[int, int] | None = None  # half of width and height of the middle part that is kept


@dataclass(frozen=True)
class SideState:
    """What only a side view shows. `pool_depth_mm`: liquid's depth at the wall, None where solid wax hides it."""

    pool_depth_mm: float | None = None
    deepest_mm: float = 9.0
    smoke: float = 0.0
    glow: float = 0.35


def side_camera(view: SideView, vessel: Vessel, long_side_px: int) -> Pinhole:
    short = long_side_px * 3 // 4
    width, height = (short, long_side_px) if view.portrait else (long_side_px, short)
    f_px = view.focal_35mm * float(np.hypot(width, height)) / DIAGONAL_MM
    tilt, turn, roll = np.radians([view.tilt_deg, view.azimuth_deg, view.roll_deg])
    forward = np.array([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), -np.sin(tilt)])
    level = np.cross(forward, [0, 0, 1.0])
    level /= np.linalg.norm(level)
    right = np.cos(roll) * level + np.sin(roll) * np.cross(forward, level)
    rotation = np.stack([right, np.cross(forward, right), forward])
    camera = Pinhole(np.zeros(3), rotation, f_px, width, height)
    ray = camera.rays(np.array([[view.aim[0] * (width - 1), view.aim[1] * (height - 1)]]))[0]
    middle = np.array([0.0, 0.0, -(vessel.height_mm - vessel.lip_mm) / 2])
    kept = (2 * view.zoom_px[0], 2 * view.zoom_px[1]) if view.zoom_px else (width, height)
    return Pinhole(middle - ray * view.distance_mm, rotation, f_px, *kept)


def focal_35mm(camera: Pinhole) -> float:
    """What "35 mm equivalent" says of a picture, zoomed or not."""
    return round(camera.f_px * DIAGONAL_MM / float(np.hypot(camera.width_px, camera.height_px)), 1)


# --- the scene -------------------------------------------------------------------------------------------------------


def flame_light(power: float) -> NDArray[np.float32]:
    """Radiance (4, 256, 3) from foot to tip: a faint blue cup, then the bright body."""
    t = (np.arange(256) + 0.5) / 256
    body = np.clip((t - 0.10) / 0.22, 0, 1) ** 1.6
    blue = np.exp(-(((t - 0.10) / 0.10) ** 2)) * np.clip(t / 0.03, 0, 1)
    light = power * body[:, None] * WARM + 0.8 * blue[:, None] * np.array([0.16, 0.34, 1.0])
    return np.repeat(light[None].astype(np.float32), 4, 0)


def add_flame(stage: Stage, name: str, wick: Wick, depth_mm: float, power: float) -> None:
    """A glowing body that hides nothing: the wick shows through its foot, as in a real flame."""
    mesh, _ = scene.flame_mesh(wick, depth_mm)
    radiance = scene.picture(flame_light(power), wrap="clamp")
    stage.add(name, mesh, {"type": "null"}, {"type": "area", "radiance": radiance})


def add_liquid(stage: Stage, spec: Spec, depth_mm: float) -> None:
    """The band of liquid that clear glass shows at the wall, with a soft lower edge."""
    z = -spec.headspace_mm - np.linspace(0, 1, 24)[:, None] * (depth_mm + 0.5)
    r = np.asarray(spec.vessel.inner_radius(-z)) + 0.1
    points = np.concatenate([r[..., None] * CIRCLE[None], np.broadcast_to(z[..., None], (24, len(ANGLES), 1))], -1)
    u, v = np.meshgrid(np.arange(len(ANGLES)) / len(ANGLES), np.linspace(0, 1, 24))
    down = np.linspace(0, depth_mm + 0.5, 128)
    cover = np.clip((depth_mm + 0.4 - down) / 0.8, 0, 1)
    colour = spec.wax_colour * (spec.wax_colour / spec.wax_colour.max()) ** 0.8 * 0.52
    stage.add(
        "liquid",
        grid_mesh(points[::-1], np.stack([u, v], -1)[::-1], wrap=True),
        {
            "type": "mask",
            "opacity": scene.picture(np.repeat(cover[:, None, None], 4, 1), wrap="clamp"),
            "nested": two_sided({"type": "plastic", "int_ior": 1.44, "diffuse_reflectance": rgb(colour)}),
        },
    )


def add_surroundings(stage: Stage, spec: Spec, made: sets.Set, view: SideView, camera: Pinhole) -> None:
    """Table, room and things; the place of a thing is in mm from the vessel: to the right, and away from the camera."""
    t = mi.ScalarTransform4f
    z = -(spec.vessel.height_mm - spec.vessel.lip_mm)
    level = view.azimuth_deg - 90
    plane = t().translate([0, 0, z]).rotate([0, 0, 1], level + made.table_turn_deg).scale(sets.TABLE_MM / 2)
    stage.scene["table"] = {"type": "rectangle", "to_world": plane, "bsdf": sets.table_bsdf(made)}
    up = t().rotate([1, 0, 0], 90)
    stage.scene["room"] = {"type": "envmap", "to_world": up, "bitmap": mi.Bitmap(sets.room(made.light))}
    for k, prop in enumerate(made.props):
        place = sets.rotation(level) @ np.array([*prop.at, 0.0]) + [0, 0, z]
        sets.PROPS[prop.kind](stage, f"{prop.kind}_{k}", replace(prop, turn_deg=level + prop.turn_deg), place)


def build(spec: Spec, state: SideState, made: sets.Set, view: SideView, camera: Pinhole, scratch: Path) -> scene.Scene:
    stage = Stage(scratch)
    rng = np.random.default_rng([spec.seed, 1])
    stage.scene["integrator"] = {"type": "path", "max_depth": 18, "rr_depth": 8}
    add_surroundings(stage, spec, made, view, camera)
    stage.add("vessel", scene.vessel_mesh(spec.vessel), scene.vessel_bsdf(spec.vessel))
    scene.add_wax(stage, spec, rng)
    if state.pool_depth_mm:
        add_liquid(stage, spec, state.pool_depth_mm)
    dark = replace(spec, wicks=tuple(replace(w, flame_mm=0.0) for w in spec.wicks))
    scene.add_wicks(stage, dark, rng)
    for k, wick in enumerate(spec.wicks):
        if wick.flame_mm:
            add_flame(stage, f"flame{k}", wick, spec.headspace_mm, 11.0)
    scene.add_soot(stage, spec, np.random.default_rng([spec.seed, 2]))
    return stage.scene


# --- after the light: what the surfaces lack -------------------------------------------------------------------------


def glowing(picture: Linear, spec: Spec, state: SideState, camera: Pinhole) -> Linear:
    """Flame light that comes through the wax's side wall; an opaque vessel shows none."""
    if not spec.lit or spec.vessel.kind in OPAQUE or state.glow == 0:
        return picture
    outline = np.concatenate([wall_outline(spec.vessel, camera, -spec.headspace_mm), base_outline(spec.vessel, camera)])
    wax = truth.filled(picture.shape[:2], cv2.convexHull(outline.astype(np.float32))[:, 0])
    foot = camera.project(np.array([[*spec.wicks[0].foot_mm, -spec.headspace_mm]]))[0]
    scale = camera.f_px / float(np.linalg.norm(camera.position_mm))
    y, x = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    away = np.hypot(x - foot[0], 1.25 * (y - foot[1])) / scale
    level = float(np.median(picture[wax > 0.5]))
    glow = state.glow * level * np.exp(-away / (0.42 * spec.vessel.rim_inner_mm)) * wax
    return (picture + glow[..., None] * tracing.WARM * spec.wax_colour / spec.wax_colour.max()).astype(np.float32)


def smoking(picture: Linear, spec: Spec, state: SideState, camera: Pinhole) -> Linear:
    """A wisp that rises from the flame's tip, widens and fades."""
    if not state.smoke or not spec.lit:
        return picture
    _, axis = scene.flame_mesh(spec.wicks[0], spec.headspace_mm)
    up = np.linspace(0, 150, 300)
    rng = np.random.default_rng([spec.seed, 9])
    phase = rng.uniform(0, 6.28, 3)
    sway = 0.02 * up * (np.sin(up / 17 + phase[0]) + 0.6 * np.sin(up / 7.5 + phase[1])) + 0.012 * up * np.sin(phase[2])
    line = axis[-1] + np.stack([camera.rotation[0] * s for s in sway]) + np.array([0, 0, 1.0]) * up[:, None]
    px = camera.project(line)
    scale = camera.f_px / float(np.linalg.norm(camera.position_mm))
    cover = np.zeros(picture.shape[:2], np.float32)
    x = np.arange(picture.shape[1], dtype=np.float32)
    rows = np.arange(max(int(np.ceil(px[:, 1].min())), 0), min(int(px[0, 1]) + 1, picture.shape[0]))
    for row in rows:
        middle, rise = (np.interp(row, px[::-1, 1], values[::-1]) for values in (px[:, 0], up))
        fade = state.smoke * np.exp(-rise / 75) * np.clip(rise / 4, 0, 1)
        cover[row] = fade * np.exp(-0.5 * ((x - middle) / ((0.8 + 0.022 * rise) * scale)) ** 2)
    grey = SMOKE_GREY * cv2.GaussianBlur(picture, (0, 0), 6 * scale)
    return (picture * (1 - cover[..., None]) + grey * cover[..., None]).astype(np.float32)


def radiance(
    spec: Spec, state: SideState, made: sets.Set, view: SideView, long_side_px: int, spp: int, scratch: Path
) -> Linear:
    camera = side_camera(view, spec.vessel, long_side_px)
    built = build(spec, state, made, view, camera, scratch)
    mean, variance, guides = tracing.passes(built, camera, spp, count=max(min(8, spp // 2), 2))
    calm = tracing.smoothed(mean, variance, guides, spec.vessel.rim_inner_mm, levels=3)
    return smoking(glowing(calm, spec, state, camera), spec, state, camera)


# --- the truth -------------------------------------------------------------------------------------------------------


def wall_outline(vessel: Vessel, camera: Pinhole, z_mm: float) -> Array:
    """Outer wall at a height, projected (240, 2)."""
    outer = float(vessel.inner_radius(-z_mm)) + vessel.wall_mm
    return camera.project(np.concatenate([outer * CIRCLE, np.full((len(CIRCLE), 1), z_mm)], 1))


def base_outline(vessel: Vessel, camera: Pinhole) -> Array:
    return wall_outline(vessel, camera, -(vessel.height_mm - vessel.lip_mm))


def ends(outline_px: Array, camera: Pinhole, vessel: Vessel) -> list[list[float]]:
    """Left and right outermost points, across the vessel's axis as it stands in the picture."""
    axis = camera.project(np.array([[0, 0, 0], [0, 0, -vessel.height_mm]], float))
    along = (axis[1] - axis[0]) / np.linalg.norm(axis[1] - axis[0])
    across = outline_px @ np.array([along[1], -along[0]])
    return [rounded(outline_px[int(np.argmin(across))]), rounded(outline_px[int(np.argmax(across))])]


def hidden_mm(spec: Spec, camera: Pinhole, axis: Array) -> float:
    """How much of the flame's foot an opaque near wall hides."""
    if spec.vessel.kind not in OPAQUE:
        return 0.0
    fine = axis[0] + np.linspace(0, 1, 400)[:, None] * (axis[-1] - axis[0])
    to_camera = camera.position_mm - fine
    out = to_camera[:, :2] / np.linalg.norm(to_camera[:, :2], axis=1, keepdims=True)
    reach = spec.vessel.rim_inner_mm / 2 + spec.vessel.lip_width_mm / 2
    steps = (reach - (fine[:, :2] * out).sum(1)) / np.linalg.norm(to_camera[:, :2], axis=1)
    passes_at = fine[:, 2] + steps * to_camera[:, 2]
    return float((passes_at < spec.vessel.lip_mm).mean() * np.linalg.norm(axis[-1] - axis[0]))


def flame_facts(spec: Spec, camera: Pinhole) -> dict[str, Any]:
    if not spec.lit:
        return {"present": False}
    wick = spec.wicks[0]
    mesh, axis = scene.flame_mesh(wick, spec.headspace_mm)
    foot, tip = camera.project(axis[[0, -1]])
    hidden = hidden_mm(spec, camera, axis)
    shown = camera.project((axis[0] + hidden / wick.flame_mm * (axis[-1] - axis[0]))[None])[0]
    vessel_axis = camera.project(np.array([[0, 0, -spec.vessel.height_mm], [0, 0, 0]], float))
    lean = np.degrees(np.subtract(*[np.arctan2(v[0], -v[1]) for v in (tip - foot, vessel_axis[1] - vessel_axis[0])]))
    ring = mesh.vertices.reshape(-1, 20, 3)
    width = 2 * np.linalg.norm(ring[1:-1] - axis[:, None], axis=2).max()
    return {
        "present": True,
        "height_mm": round(wick.flame_mm, 2),
        "width_mm": round(float(width), 2),
        "tip_px": rounded(tip),
        "base_px": rounded(foot),
        "lean_deg": round(float(lean), 2),
        "visible_height_mm": round(wick.flame_mm - hidden, 2),
        "visible_base_px": rounded(shown),
        "hidden_by_opaque_wall_mm": round(hidden, 2),
    }


def side_facts(spec: Spec, state: SideState, view: SideView, camera: Pinhole) -> dict[str, Any]:
    """Everything but the file's own particulars."""
    v = spec.vessel
    stand = v.height_mm - v.lip_mm
    ring = float(truth.ring_height(spec, float(v.inner_radius(spec.headspace_mm))).mean())
    level = stand - spec.headspace_mm + ring
    seen = v.kind not in OPAQUE
    facing = camera.position_mm[:2] / np.linalg.norm(camera.position_mm[:2])
    line = np.array([*(facing * float(v.inner_radius(stand - level))), level - stand])
    names = ("cx", "cy", "semi_major", "semi_minor", "angle_deg")
    return {
        "view": "side",
        "lit": spec.lit,
        "camera": {
            "distance_mm": view.distance_mm,
            "tilt_deg": view.tilt_deg,
            "roll_deg": view.roll_deg,
            "focal_35mm": focal_35mm(camera),
            "width_px": camera.width_px,
            "height_px": camera.height_px,
        },
        "rim_line_px": ends(wall_outline(v, camera, 0.0), camera, v),
        "base_line_px": ends(base_outline(v, camera), camera, v),
        "rim_ellipse_outer_px": dict(zip(names, rounded(ellipse_of_circle(camera, v.outer_mm / 2)), strict=True)),
        "flame": flame_facts(spec, camera),
        "smoke": {"present": state.smoke > 0, "strength": round(state.smoke, 3)},
        "wax_level": {
            "visible": seen,
            "height_mm": round(level, 2),
            "px": rounded(camera.project(line[None])[0]),
            "pool_surface_height_mm": round(stand - spec.headspace_mm, 2),
        },
        "pool_depth_mm": {
            "visible": seen and state.pool_depth_mm is not None,
            "value": state.pool_depth_mm,
            "deepest_mm": state.deepest_mm if spec.pool else None,
        },
    }
