"""Renders training pictures from the side: `python -m studio.make_side FIRST COUNT OUT.npz [--variant V]`.

A square picture of which training cuts out landscape and portrait photos; linear (float16), since the phone is
simulated while training. Masks (uint8) in the order of MASKS, each as if nothing stood before it but the vessel's own
near wall. `--validation`: OUT is a folder that gets whole photos and truth_FIRST.json instead.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from . import looks, scene, seeds, sets, side, truth
from . import spec as spec_module
from .camera import Pinhole
from .geometry import Mesh, ball, dense, grid_mesh, revolve, star_disc
from .make_dataset import clamp
from .scene import CIRCLE, Stage, glossy, picture, rgb, two_sided
from .sets import Prop
from .side import SideState, SideView
from .spec import ANGLES, Spec, Vessel
from .top_truth import OPAQUE

Array = NDArray[np.float64]

MASKS = ("vessel", "mouth", "flame", "wax")
SIDE_PX, LONG_PX = 400, 384  # the square that is rendered; the long side of the photos cut from it
LIT, BARE, FLAT = 0.8, 0.09, 0.06  # shares of pictures: flame burning, no vessel, flat drawings
OBLIQUE, PILLARS = 0.06, 0.6  # seen from far above; of those without a vessel, with bare candles
TALL, TALLEST_MM = 0.25, 100.0  # of large flames: such as no candle should have
UNDER = 0.2  # on a coaster or dish
BURNING = ("partial", "nearly_full", "full", "off_centre", "tunnelling")
OUT = ("new", "snuffed", "cold")
VALIDATION_PX = 1200
MEANT_SHARE = 0.7  # of the apparent size of the candle meant that another burning one has at most


@dataclass(frozen=True, eq=False)
class Candle:
    """A vessel with what is in it, standing at `place_mm` (3,) from the origin."""

    spec: Spec
    state: SideState
    place_mm: Array = field(default_factory=lambda: np.zeros(3))


class Beside(Stage):
    """Adds to a stage under another name and at another place."""

    def __init__(self, stage: Stage, prefix: str, offset: Array) -> None:
        self.scratch, self.scene = stage.scratch, stage.scene
        self.stage, self.prefix, self.offset = stage, prefix, offset

    def add(self, name: str, mesh: Mesh, bsdf: Any, emitter: Any | None = None) -> None:
        self.stage.add(self.prefix + name, mesh.moved(self.offset), bsdf, emitter)


# --- what is drawn at random -----------------------------------------------------------------------------------------


def draw_candle(seed: int, rng: np.random.Generator, *, lit: bool) -> Candle:
    spec = spec_module.draw(seed, str(rng.choice(np.array(BURNING if lit else OUT))))
    wicks = tuple(replace(w, lean_deg=min(w.lean_deg, 45.0)) for w in spec.wicks)
    if lit and rng.random() < 0.3 and spec.vessel.kind != "tealight":
        most = TALLEST_MM if rng.random() < TALL else 46
        wicks = tuple(replace(w, flame_mm=w.flame_mm and float(rng.uniform(25, most))) for w in wicks)
    spec = replace(spec, wicks=wicks)
    reaches = spec.pool is not None and spec.pool.edge_mm.min() > 0.95 * float(
        spec.vessel.inner_radius(spec.headspace_mm)
    )
    depth = float(rng.uniform(3, 14)) if reaches and spec.vessel.kind not in OPAQUE else None
    smoke = float(rng.uniform(0.08, 0.5)) if lit and rng.random() < 0.15 else 0.0
    return Candle(spec, SideState(depth, smoke=smoke, glow=float(rng.choice([0.0, rng.uniform(0.1, 0.9)]))))


def draw_view(vessel: Vessel, rng: np.random.Generator) -> SideView:
    """A phone beside the candle: from below its rim to well above, near or far, zoomed or not."""
    focal = float(rng.choice([rng.uniform(23, 29), rng.uniform(45, 56), rng.uniform(30, 95)], p=[0.5, 0.15, 0.35]))
    portrait = bool(rng.random() < 0.5)
    short = 0.75 * LONG_PX
    height_px = np.exp(rng.uniform(np.log(0.1), np.log(0.85))) * (LONG_PX if portrait else short)
    f_px = focal * 1.25 * LONG_PX / side.DIAGONAL_MM
    size = max(vessel.height_mm + 0.2 * vessel.outer_mm, 0.75 * vessel.outer_mm)
    distance = float(max(size * f_px / height_px, 0.9 * vessel.outer_mm + 60))
    tilt = float(rng.choice([rng.uniform(-3, 9), rng.uniform(5, 18), rng.uniform(15, 28)], p=[0.55, 0.3, 0.15]))
    if rng.random() < OBLIQUE:
        tilt = float(rng.uniform(28, 70))
    stand = vessel.height_mm - vessel.lip_mm
    lowest = np.degrees(np.arcsin(np.clip((8 - stand / 2) / distance, -1, 1)))  # the lens stays over the table
    roll = float(np.clip(rng.normal(0, 2.5), -6, 6))
    return SideView(
        distance, max(tilt, float(lowest)), float(rng.uniform(0, 360)), roll, focal,
        (float(np.clip(rng.normal(0.5, 0.1), 0.22, 0.78)), float(np.clip(rng.normal(0.58, 0.1), 0.25, 0.8))),
    )  # fmt: skip


def square_camera(view: SideView, vessel: Vessel) -> Pinhole:
    """The view's camera with a square film of SIDE_PX about the same optical axis."""
    return replace(side.side_camera(view, vessel, LONG_PX), width_px=SIDE_PX, height_px=SIDE_PX)


@cache
def _table_of(name: str, seed: int) -> NDArray[np.float32]:
    return np.clip(sets.TABLES[name](np.random.default_rng(seed)), 0.005, 0.9).astype(np.float32)


def table_pixels(rng: np.random.Generator) -> NDArray[np.float32]:
    if rng.random() < 0.45:
        return looks.table_top(rng, 768)
    names = np.array(["oak", "walnut", "white_boards", "linen", "blue_linen", "slate", "terrazzo"])
    name = str(rng.choice(names, p=[0.38, 0.18, 0.12, 0.1, 0.07, 0.08, 0.07]))
    shade = rng.uniform(0.6, 1.4) * (1 + rng.normal(0, 0.08, 3))
    return np.clip(_table_of(name, int(rng.integers(0, 2))) * shade, 0.005, 0.92).astype(np.float32)


def hung_wall(rng: np.random.Generator, size: int) -> NDArray[np.float32]:
    """A wall with pictures, shelves or tiles, out of focus more or less."""
    pixels = looks.paper(rng, size)
    for _ in range(int(rng.integers(1, 14))):
        (x, y), (w, h) = rng.integers(0, size, 2), rng.integers(size // 40, size // 4, 2)
        cv2.rectangle(
            pixels, (int(x), int(y)), (int(x + w), int(y + h)), looks.tint(rng, (0.02, 0.9), 0.7).tolist(), -1
        )
    return np.clip(cv2.GaussianBlur(pixels, (0, 0), float(rng.uniform(0.3, 4))), 0.005, 0.95).astype(np.float32)


def draw_room(rng: np.random.Generator) -> NDArray[np.float32]:
    if rng.random() < 0.5:
        return looks.room(rng, 192)
    cool = (float(rng.uniform(0.7, 1)), 0.95, 1.0)
    windows = tuple(
        (float(rng.uniform(0, 360)), float(rng.uniform(-5, 50)), float(rng.uniform(8, 70)), float(rng.uniform(10, 60)),
         float(rng.uniform(3, 30)))
        for _ in range(int(rng.integers(0, 4)))
    )  # fmt: skip
    walls = tuple(float(c) for c in rng.uniform(0.1, 0.8) * looks.tint(rng, (0.6, 1.0), 0.2))
    return sets.room(sets.Light(walls, windows, cool, float(rng.uniform(0.7, 1.6)), float(rng.uniform(0.2, 0.8))))  # type: ignore[arg-type]


# --- the scene -------------------------------------------------------------------------------------------------------


def add_candle(stage: Stage, candle: Candle, rng: np.random.Generator, power: float) -> None:
    spec = candle.spec
    stage.add("vessel", scene.vessel_mesh(spec.vessel), scene.vessel_bsdf(spec.vessel))
    scene.add_wax(stage, spec, rng)
    if candle.state.pool_depth_mm:
        side.add_liquid(stage, spec, candle.state.pool_depth_mm)
    scene.add_wicks(stage, replace(spec, wicks=tuple(replace(w, flame_mm=0.0) for w in spec.wicks)), rng)
    for k, wick in enumerate(spec.wicks):
        if wick.flame_mm:
            side.add_flame(stage, f"flame{k}", wick, spec.headspace_mm, power)
    scene.add_soot(stage, spec, np.random.default_rng([spec.seed, 2]))
    if rng.random() < 0.25 and spec.vessel.kind != "tealight":
        add_label(stage, spec.vessel, rng)


def add_label(stage: Stage, vessel: Vessel, rng: np.random.Generator) -> None:
    """Paper round part of the wall, printed with something."""
    n, rows = 60, 12
    low, high = -vessel.height_mm * rng.uniform(0.6, 0.9), -vessel.height_mm * rng.uniform(0.15, 0.5)
    turn, half = rng.uniform(0, 6.2832), rng.uniform(0.4, 1.6)
    z = np.linspace(high, low, rows)[:, None] * np.ones(n)
    phi = turn + np.linspace(-half, half, n)
    r = np.asarray(vessel.inner_radius(-z)) + vessel.wall_mm + 0.15
    points = np.stack([r * np.cos(phi), r * np.sin(phi), z], -1)
    u, v = np.meshgrid(np.linspace(0, 1, n), np.linspace(0, 1, rows))
    ink, words = looks.tint(rng, (0.02, 0.4), 0.6), np.zeros((256, 256), np.uint8)
    for k in range(int(rng.integers(1, 5))):
        text, at = "abcdefgh"[: int(rng.integers(3, 8))], (int(rng.integers(10, 90)), 40 + 45 * k)
        cv2.putText(words, text, at, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, float(rng.uniform(0.8, 2)), 255,
                    int(rng.integers(1, 4)), cv2.LINE_AA)  # fmt: skip
    pixels = np.where(words[..., None] > 127, ink, looks.paper(rng, 256))
    stage.add("label", grid_mesh(points, np.stack([u, v], -1), wrap=False), glossy(picture(pixels), 0.4))


def glassware(stage: Stage, name: str, rng: np.random.Generator, at: Array) -> None:
    """A tumbler, bottle or mug: round, upright, and no candle."""
    r, wall = rng.uniform(20, 42), rng.uniform(1.5, 4)
    h = r * rng.uniform(1.6, 4.5)
    neck = rng.uniform(0.3, 0.5) * r
    bottle = rng.random() < 0.5
    top = [(r, 0.62 * h), (neck, 0.75 * h), (neck, h), (neck - wall / 2, h)] if bottle else [(r, h), (r - wall, h)]
    inside = [(neck - wall / 2, 0.75 * h), (r - wall, 0.6 * h)] if bottle else []
    body = dense([(0.0, 6), (r - wall - 1, 6), (r - wall, 8), *inside[::-1], *top[::-1], (r, 2), (r - 2, 0), (0.0, 0)])
    clear = {"type": "dielectric", "int_ior": 1.51, "specular_transmittance": rgb(rng.uniform(0.4, 1, 3))}
    dull = glossy(rgb(looks.tint(rng, (0.02, 0.85), 0.6)), 0.12)
    stage.add(name, revolve(body).moved(at), clear if rng.random() < 0.55 else dull)
    if not bottle and rng.random() < 0.5:
        fill = star_disc(CIRCLE * (r - wall + 0.05), np.full(40, rng.uniform(0.3, 0.8) * h), np.zeros(2), r)
        stage.add(name + "fill", fill.moved(at), glossy(rgb(looks.tint(rng, (0.01, 0.3), 0.5)), 0.2))


def stemware(stage: Stage, name: str, rng: np.random.Generator, at: Array) -> None:
    """A glass on a stem."""
    r, h, wall = rng.uniform(26, 42), rng.uniform(120, 200), rng.uniform(1.2, 2.5)
    low, mouth = rng.uniform(0.35, 0.5) * h, r * rng.uniform(0.75, 1.0)
    out = [(r, low + 0.3 * h), (0.7 * r, low + 0.06 * h), (3.5, low), (3.5, 8), (0.95 * r, 3), (0.95 * r, 0), (0.0, 0)]
    inside = [(0.0, low + 4), (0.7 * r - wall, low + 0.08 * h), (r - wall, low + 0.3 * h), (mouth - wall, h)]
    body = revolve(dense([*inside, (mouth, h), *out])).moved(at)
    stage.add(
        name, body, {"type": "dielectric", "int_ior": 1.51, "specular_transmittance": rgb(rng.uniform(0.8, 1, 3))}
    )


def pillar(stage: Stage, name: str, rng: np.random.Generator, at: Array, power: float) -> Candle:
    """A candle without a vessel; where its flame is, as of a candle in one."""
    r, h = (rng.uniform(20, 45), rng.uniform(50, 180)) if rng.random() < 0.75 else (11.0, rng.uniform(120, 250))
    dip = rng.uniform(0, 0.15) * r
    body = [(0.0, h - dip), (0.6 * r, h - dip), (r - 1, h), (r, h - 1.5), (r, 0.5), (r - 0.5, 0), (0.0, 0.0)]
    stage.add(name, revolve(dense(body)).moved(at), glossy(rgb(looks.wax_colour(rng)), float(rng.uniform(0.2, 0.5))))
    burning = spec_module.draw(int(rng.integers(1 << 30)), "partial")
    flame = float(rng.uniform(12, 45))
    wick = replace(burning.wicks[0], foot_mm=np.zeros(2), lean_deg=float(rng.uniform(0, 25)), flame_mm=flame)
    lit = replace(burning, wicks=(wick,), headspace_mm=0.0, vessel=replace(burning.vessel, kind="clear_glass"))
    top = at + np.array([0, 0, h - dip])
    beside = Beside(stage, name, top)
    scene.add_wicks(beside, replace(lit, wicks=(replace(wick, flame_mm=0.0),)), rng)
    side.add_flame(beside, "flame", wick, 0.0, power)
    return Candle(lit, SideState(), top)


def add_thing(stage: Stage, name: str, rng: np.random.Generator, at: Array, *, candles: bool) -> None:
    kinds = ["other", "glassware", "stemware", "mug", "matches", "saucer", "lid", "jar"]
    kind = str(rng.choice(np.array(kinds), p=[0.36, 0.22, 0.07, 0.1, 0.08, 0.05, 0.04, 0.08]))
    colour = tuple(float(c) for c in looks.tint(rng, (0.05, 0.8), 0.5))
    if kind == "glassware" or (not candles and kind in ("jar", "other")):
        glassware(stage, name, rng, at)
    elif kind == "stemware":
        stemware(stage, name, rng, at)
    elif kind == "other":
        scene.add_other(stage, name, rng, at, 100.0)
    else:
        size = {"mug": rng.uniform(70, 92), "matches": 53, "saucer": 84, "lid": rng.uniform(50, 80), "jar": 66}[kind]
        sets.PROPS[kind](stage, name, Prop(kind, (0, 0), float(rng.uniform(0, 360)), float(size), colour), at)


def add_under(stage: Stage, vessel: Vessel, rng: np.random.Generator, z_mm: float) -> float:
    """A coaster, board or dish that the vessel stands on, its upper side at `z_mm`; returns its thickness."""
    if rng.random() < 0.3:
        return scene.add_saucer(stage, rng, vessel.outer_mm / 2, z_mm)
    thick, reach = rng.uniform(1.5, 18) if rng.random() < 0.3 else rng.uniform(1, 6), vessel.outer_mm / 2
    reach *= rng.uniform(1.02, 1.6)
    disc = dense([(0.0, thick), (reach - 0.4, thick), (reach, thick - 0.4), (reach, 0.0), (0.0, 0.0)])
    pixels = np.clip(looks.table_top(rng, 256), 0.005, 0.95)
    bsdf = glossy(picture(pixels), float(rng.uniform(0.15, 0.6)))
    stage.add("coaster", revolve(disc).moved(np.array([0, 0, z_mm - thick - 0.05])), bsdf)
    return float(thick + 0.05)


def add_around(stage: Stage, candle: Candle, view: SideView, camera: Pinhole, rng: np.random.Generator, *,
               bare: bool, power: float) -> tuple[list[Candle], list[Candle]]:  # fmt: skip
    """Table, room, wall behind, things; returns the other whole candles, none of them nearer than the one meant, and
    bare ones, for their flames."""
    t, vessel = mi.ScalarTransform4f, candle.spec.vessel
    z, level = -(vessel.height_mm - vessel.lip_mm), view.azimuth_deg - 90
    turn = sets.rotation(level)
    depth = rng.uniform(250, 900)
    below = z
    if rng.random() < UNDER:
        below -= add_under(stage, vessel, rng, z)
    plane = t().translate([0, 0, below]).rotate([0, 0, 1], level + rng.normal(0, 25)).scale(float(depth))
    stage.scene["table"] = {"type": "rectangle", "to_world": plane,
                            "bsdf": glossy(picture(table_pixels(rng)), float(rng.uniform(0.15, 0.6)))}  # fmt: skip
    ambient = np.exp(rng.uniform(np.log(0.05), np.log(1.3)))
    up = t().rotate([0, 0, 1], rng.uniform(0, 360)).rotate([1, 0, 0], 90)
    light = (draw_room(rng) * ambient).astype(np.float32)
    stage.scene["room"] = {"type": "envmap", "to_world": up, "bitmap": mi.Bitmap(light)}
    wall_mm = float(rng.uniform(130, 700)) if rng.random() < 0.4 else np.inf
    if wall_mm < np.inf:
        far = turn @ np.array([0, wall_mm, 0]) + [0, 0, z]
        stand = t().translate(far.tolist()).rotate([0, 0, 1], level).rotate([1, 0, 0], 90).scale(1500.0)
        pixels = (looks.table_top, looks.paper, hung_wall)[int(rng.integers(0, 3))](rng, 512)
        stage.scene["wall"] = {"type": "rectangle", "to_world": stand,
                               "bsdf": glossy(picture(pixels), float(rng.uniform(0.08, 0.6)))}  # fmt: skip
    placed, others, flames_of = [(np.zeros(2), vessel.outer_mm / 2)], [], []
    aside = 0.5 * SIDE_PX / camera.f_px
    for k in range(int(rng.choice([0, 1, 2, 3, 4, 5], p=[0.15, 0.2, 0.25, 0.2, 0.12, 0.08]))):
        whole = not bare and rng.random() < 0.22
        other = draw_candle(candle.spec.seed + 40_000_000 + k, rng, lit=candle.spec.lit and rng.random() < 0.35)
        reach = other.spec.vessel.outer_mm / 2 if whole else 52.0
        away = rng.uniform(0.12 if whole else -0.1, 1.6) * view.distance_mm * rng.uniform(0.3, 1)
        right = rng.uniform(-1.1, 1.1) * aside * (view.distance_mm + away)
        clear = vessel.outer_mm / 2 + reach + 3
        if away < 0.5 * vessel.outer_mm and abs(right) < clear:  # beside it, touching or nearly
            right = np.sign(right) * (clear + rng.exponential(25))
        if away + reach > wall_mm or any(np.hypot(*(np.array([right, away]) - p)) < reach + r + 2 for p, r in placed):
            continue
        nearer = whole and apparent(other, away, view) > MEANT_SHARE * apparent(candle, 0.0, view)
        if nearer and (other.spec.lit or not candle.spec.lit):  # else nobody could tell which one is meant
            continue
        placed.append((np.array([right, away]), reach))
        at = turn @ np.array([right, away, 0.0]) + [0, 0, below]
        if whole:
            rise = other.spec.vessel.height_mm - other.spec.vessel.lip_mm
            others.append(replace(other, place_mm=at + np.array([0, 0, rise])))
        elif (bare and rng.random() < PILLARS) or rng.random() < 0.03:
            flames_of.append(pillar(stage, f"pillar{k}", rng, at, power))
        else:
            likely = not bare and (candle.spec.lit or away > 0.2 * view.distance_mm)
            add_thing(stage, f"thing{k}", rng, at, candles=likely)
    return others, flames_of


def apparent(candle: Candle, away_mm: float, view: SideView) -> float:
    """How large it looks, up to a factor that all share."""
    return candle.spec.vessel.outer_mm * candle.spec.vessel.height_mm / (view.distance_mm + away_mm) ** 2


def add_ghosts(stage: Stage, *, lit: bool) -> None:
    """The materials of a side view that scene.add_ghosts does not have, so that one compiled kernel serves all."""
    scene.add_ghosts(stage)
    speck = ball(np.array([15000.0, 0, -9000.0]), 0.01, np.random.default_rng(0), n=4)
    dull = picture(np.full((2, 2, 3), 0.5))
    wet = two_sided({"type": "plastic", "int_ior": 1.44, "diffuse_reflectance": rgb(0.5)})
    cover = picture(np.full((2, 2, 1), 0.5), wrap="clamp")
    stage.add("ghost_band", speck, {"type": "mask", "opacity": cover, "nested": wet})
    stage.add("ghost_matt_map", speck, two_sided({"type": "diffuse", "reflectance": dull}))
    if not lit:
        radiance = picture(np.full((2, 2, 3), 0.5), wrap="clamp")
        stage.add("ghost_flame", speck, {"type": "null"}, {"type": "area", "radiance": radiance})
    t = mi.ScalarTransform4f
    stage.scene["ghost_cube"] = {"type": "cube", "to_world": t().translate([15000, 0, -9000]).scale(0.01),
                                 "bsdf": glossy(rgb(0.5))}  # fmt: skip


def build(candle: Candle, view: SideView, camera: Pinhole, scratch: Path, *, bare: bool) -> tuple[Any, list[Candle]]:
    stage, rng = Stage(scratch), np.random.default_rng([candle.spec.seed, 1])
    power = float(np.exp(rng.uniform(np.log(7), np.log(30))))
    stage.scene["integrator"] = {"type": "path", "max_depth": 18, "rr_depth": 8}
    others, pillars = add_around(stage, candle, view, camera, rng, bare=bare, power=power)
    for k, other in enumerate(others):
        add_candle(Beside(stage, f"second{k}_", other.place_mm), other, rng, power)
    if not bare:
        add_candle(stage, candle, rng, power)
    burning = (not bare and candle.spec.lit) or any(other.spec.lit for other in (*others, *pillars))
    add_ghosts(stage, lit=burning)
    return stage.scene, [*others, *pillars]


# --- the truth -------------------------------------------------------------------------------------------------------


def circle_px(camera: Pinhole, radius: float, z: float, place: Array) -> NDArray[np.float32]:
    points = np.concatenate([radius * CIRCLE, np.full((len(ANGLES), 1), z)], 1) + place
    return camera.project(points).astype(np.float32)


def hull(*outlines: NDArray[np.float32]) -> Array:
    return cv2.convexHull(np.concatenate(outlines))[:, 0].astype(np.float64)


def flames(candle: Candle, camera: Pinhole, shape: tuple[int, int]) -> NDArray[np.float32]:
    seen = np.zeros(shape, np.float32)
    for wick in candle.spec.wicks:
        if wick.flame_mm:
            mesh, _ = scene.flame_mesh(wick, candle.spec.headspace_mm)
            seen = np.maximum(
                seen, truth.filled(shape, hull(camera.project(mesh.vertices + candle.place_mm).astype(np.float32)))
            )
    v, place = candle.spec.vessel, candle.place_mm
    if v.kind not in OPAQUE:
        return seen
    mouth = hull(circle_px(camera, v.rim_inner_mm / 2 + v.lip_width_mm / 2, v.lip_mm, place))
    open_ = truth.filled(shape, mouth) if camera.position_mm[2] > place[2] + v.lip_mm else np.zeros(shape, np.float32)
    return seen * (1 - outside(candle, camera, shape) * (1 - open_))


def outside(candle: Candle, camera: Pinhole, shape: tuple[int, int]) -> NDArray[np.float32]:
    v, place = candle.spec.vessel, candle.place_mm
    stand, lip = v.height_mm - v.lip_mm, v.rim_inner_mm / 2 + max(v.lip_width_mm, v.wall_mm)
    rings = ((lip - v.lip_width_mm / 2, v.lip_mm), (lip, 0.0), (v.base_inner_mm / 2 + v.wall_mm, -stand))
    return truth.filled(shape, hull(*(circle_px(camera, r, z, place) for r, z in rings)))


def masks(candle: Candle, others: list[Candle], camera: Pinhole, *, bare: bool) -> NDArray[np.uint8]:
    """(h, w, 4) in the order of MASKS; flames of all candles, the rest of the one meant."""
    shape, v = (camera.height_px, camera.width_px), candle.spec.vessel
    flame = np.zeros(shape, np.float32)
    for other in others:
        flame = np.maximum(flame, flames(other, camera, shape))
    body, mouth, wax = (np.zeros(shape, np.float32) for _ in range(3))
    if not bare:
        body = outside(candle, camera, shape)
        flame = np.where(body > 0, flames(candle, camera, shape), np.maximum(flame, flames(candle, camera, shape)))
        outer = v.rim_inner_mm / 2 + max(v.lip_width_mm, v.wall_mm)
        mouth = truth.filled(shape, hull(circle_px(camera, outer, v.lip_mm / 2, candle.place_mm)))
        if v.kind not in OPAQUE:
            z = -candle.spec.headspace_mm
            z += float(truth.ring_height(candle.spec, float(v.inner_radius(-z))).mean())
            stand = v.height_mm - v.lip_mm
            rings = ((float(v.inner_radius(-z)) + v.wall_mm, z), (v.base_inner_mm / 2 + v.wall_mm, -stand))
            wax = truth.filled(shape, hull(*(circle_px(camera, r, h, candle.place_mm) for r, h in rings)))
    return np.round(np.stack([body, mouth, flame, wax], -1) * 255).astype(np.uint8)


# --- pictures --------------------------------------------------------------------------------------------------------


def calmed(light: NDArray[np.float32], flame: NDArray[np.float32]) -> NDArray[np.float32]:
    """Fireflies cut, but not a thin flame with them."""
    return np.where(flame[..., None] > 0, np.nan_to_num(light), clamp(light)).astype(np.float32)


def drawn(candle: Candle, camera: Pinhole, rng: np.random.Generator, made: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The candle as a drawing of flat colours before a flat table."""
    shape, v, place = made.shape[:2], candle.spec.vessel, candle.place_mm
    body, mouth, flame, wax = (made[..., k, None].astype(np.float32) / 255 for k in range(4))
    out = np.ones((*shape, 3), np.float32) * looks.tint(rng, (0.03, 0.5), 0.4).astype(np.float32)
    out[int(rng.uniform(0.35, 0.8) * shape[0]) :] = looks.tint(rng, (0.05, 0.6), 0.5)

    def over(mask: NDArray[np.float32], colour: Array) -> None:
        out[:] = out * (1 - mask) + mask * colour

    if v.kind in OPAQUE:
        over(body, looks.tint(rng, (0.03, 0.6), 0.6))
        over(mouth, looks.tint(rng, (0.1, 0.5), 0.3))
    else:
        over(body, out.mean((0, 1)) * rng.uniform(0.3, 0.9))
        window = truth.filled(
            shape, hull(*(circle_px(camera, 0.8 * v.outer_mm / 2, z, place) for z in (0.0, -0.9 * v.height_mm)))
        )
        over(window[..., None] * body, out.mean((0, 1)) * rng.uniform(0.7, 1.3))
        over(wax, candle.spec.wax_colour)
        if candle.state.pool_depth_mm:
            deep = wax * (1 - np.roll(wax, round(candle.state.pool_depth_mm * camera.f_px / 300), 0))
            over(deep, candle.spec.wax_colour * [0.85, 0.75, 0.4])
        rim = np.round(hull(circle_px(camera, v.outer_mm / 2, 0.0, place)) * 16).astype(np.int32)
        cv2.polylines(out, [rim], True, [float(c) for c in out.mean((0, 1)) * 0.4], 1, cv2.LINE_AA, 4)
    over(flame, np.array([9.0, 8.5, 6.5]))
    return out


def square(seed: int, spp: int, scratch: Path) -> dict[str, NDArray[Any]]:
    rng = np.random.default_rng([seed, 6])
    bare, flat = rng.random() < BARE, rng.random() < FLAT
    candle = draw_candle(seed, rng, lit=rng.random() < LIT)
    view = draw_view(candle.spec.vessel, rng)
    camera = square_camera(view, candle.spec.vessel)
    if flat:
        made = masks(candle, [], camera, bare=False)
        light = drawn(candle, camera, rng, made)
    else:
        built, others = build(candle, view, camera, scratch, bare=bare)
        made = masks(candle, others, camera, bare=bare)
        light = calmed(scene.render(built, camera, None, spp), made[..., 2].astype(np.float32))
        if not bare:
            light = side.smoking(
                side.glowing(light, candle.spec, candle.state, camera), candle.spec, candle.state, camera
            )
    return {"picture": np.clip(light, 0, 6e4).astype(np.float16), "labels": made, "seed": np.int64(seed)}


def whole_photo(seed: int, spp: int, scratch: Path, out: Path) -> dict[str, Any]:
    """One photo with its EXIF, written to `out`, and its entry of the truth."""
    from .phone import Phone, Tags, develop, save

    rng = np.random.default_rng([seed, 6])
    candle = draw_candle(seed, rng, lit=rng.random() < 0.9)
    view = replace(draw_view(candle.spec.vessel, rng), portrait=bool(rng.random() < 0.5))
    camera = side.side_camera(view, candle.spec.vessel, VALIDATION_PX)
    built, others = build(candle, view, camera, scratch, bare=False)
    flame = masks(candle, others, camera, bare=False)[..., 2].astype(np.float32)
    light = calmed(scene.render(built, camera, None, spp), flame)
    light = side.smoking(side.glowing(light, candle.spec, candle.state, camera), candle.spec, candle.state, camera)
    light = np.stack([cv2.medianBlur(np.ascontiguousarray(light[..., k]), 3) for k in range(3)], -1)
    phone = Phone(exposure=float(rng.uniform(0.6, 1.15)), jpeg_quality=88)
    name = f"side_{seed}.jpg"
    save(develop(light, phone, seed), out / name, Tags("2025:03:01 12:00:00", focal_35mm=round(view.focal_35mm)), phone)
    return {"file": name, "seed": seed, "spec": vessel_facts(candle)} | side.side_facts(
        candle.spec, candle.state, view, camera
    )


def vessel_facts(candle: Candle) -> dict[str, Any]:
    v = candle.spec.vessel
    return {"kind": v.kind, "rim_inner_mm": v.rim_inner_mm, "rim_outer_mm": v.outer_mm, "height_mm": v.height_mm,
            "base_inner_mm": v.base_inner_mm, "headspace_mm": candle.spec.headspace_mm}  # fmt: skip


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    seeds.add_arguments(p, spp=40)
    p.add_argument("--validation", action="store_true")
    a = p.parse_args()
    sets.TABLE_PX = 1280  # small pictures need no finer grain
    if a.validation:
        a.out.mkdir(parents=True, exist_ok=True)
        photos = seeds.each(a, lambda seed, scratch: whole_photo(seed, a.spp, scratch, a.out))
        (a.out / f"truth_{a.first}.json").write_text(json.dumps({"photos": photos}, indent=1, default=float))
    else:
        rows = seeds.each(a, lambda seed, scratch: square(seed, a.spp, scratch))
        np.savez(a.out, **{k: np.stack([r[k] for r in rows]) for k in rows[0]})


if __name__ == "__main__":
    main()
