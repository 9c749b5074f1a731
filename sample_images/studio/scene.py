"""From a Spec to a scene of the path tracer (Mitsuba 3): meshes, materials, light."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from . import looks
from .camera import Pinhole
from .geometry import (
    Mesh,
    ball,
    dense,
    disc_uv,
    grid_mesh,
    lip_profile,
    revolve,
    ring_between,
    star_disc,
    tube,
    write_ply,
)
from .spec import ANGLES, Pool, Spec, Vessel, Wick

Array = NDArray[np.float64]
Scene = dict[str, Any]
CIRCLE = np.stack([np.cos(ANGLES), np.sin(ANGLES)], 1)


def rgb(colour: Any) -> Scene:
    return {"type": "rgb", "value": [float(c) for c in np.broadcast_to(colour, 3)]}


def picture(pixels: NDArray[Any], *, wrap: str = "repeat") -> Scene:
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(pixels, np.float32)),
        "raw": True,
        "wrap_mode": wrap,
    }


def two_sided(bsdf: Scene) -> Scene:
    return {"type": "twosided", "bsdf": bsdf}


def glossy(reflectance: Scene, roughness: float = 0.2) -> Scene:
    return two_sided({"type": "roughplastic", "diffuse_reflectance": reflectance, "alpha": roughness})


class Stage:
    """Collects the shapes of one scene; meshes go through files in a scratch folder."""

    def __init__(self, scratch: Path) -> None:
        self.scratch, self.scene = scratch, {"type": "scene"}

    def add(self, name: str, mesh: Mesh, bsdf: Scene, emitter: Scene | None = None) -> None:
        path = write_ply(mesh, self.scratch / f"{name}.ply")
        self.scene[name] = {"type": "ply", "filename": path, "bsdf": bsdf} | ({"light": emitter} if emitter else {})


def squash(mesh: Mesh, vessel: Vessel) -> Mesh:
    """Bends a round vessel's mesh into an oval or squarish one (mouths the tool must decline)."""
    if vessel.squareness == 0 and vessel.ovality == 1:
        return mesh
    xy = mesh.vertices[:, :2]
    r, phi = np.hypot(xy[:, 0], xy[:, 1]), np.arctan2(xy[:, 1], xy[:, 0])
    p = 2 + 6 * vessel.squareness
    r = r / (np.abs(np.cos(phi)) ** p + np.abs(np.sin(phi)) ** p) ** (1 / p)
    bent = np.stack([r * np.cos(phi), r * np.sin(phi) * vessel.ovality, mesh.vertices[:, 2]], 1)
    return Mesh(bent, mesh.normals, mesh.uv, mesh.faces)


def vessel_bsdf(vessel: Vessel) -> Scene:
    if vessel.kind in ("clear_glass", "amber_glass", "tinted_glass"):
        # the colour of two passages through the wall; each interface carries half of it
        return {"type": "dielectric", "int_ior": 1.51, "specular_transmittance": rgb(np.sqrt(vessel.colour))}
    if vessel.kind == "frosted_glass":
        return {
            "type": "roughdielectric",
            "int_ior": 1.51,
            "alpha": vessel.roughness,
            "specular_transmittance": rgb(np.sqrt(vessel.colour)),
        }
    if vessel.kind == "ceramic":
        return glossy(rgb(vessel.colour), max(vessel.roughness, 0.05))
    return two_sided(
        {
            "type": "roughconductor",
            "material": "Al",
            "alpha": vessel.roughness,
            "specular_reflectance": rgb(vessel.colour),
        }
    )


def vessel_mesh(vessel: Vessel) -> Mesh:
    """Closed body: inner floor, inner wall, lip, outer wall, underside."""
    depth = vessel.height_mm - vessel.lip_mm
    r, w, base = vessel.rim_inner_mm / 2, vessel.wall_mm, vessel.base_mm
    floor = vessel.base_inner_mm / 2
    lip = lip_profile(r, vessel.lip_width_mm, vessel.lip_mm, vessel.lip_roundness)
    outside: list[tuple[float, float]] = [(float(lip[-1, 0]), 0.0)]
    if vessel.lip_width_mm > w + 0.1:  # a rolled rim curls back to the wall below it
        bead = (vessel.lip_width_mm - w) / 2
        outside += [(r + vessel.lip_width_mm - bead * 0.3, -bead), (r + w, -1.6 * bead)]
    outside += [(floor + w, -depth + 0.5), (floor + w - 0.5, -depth), (0.0, -depth)]
    profile = np.concatenate(
        [
            dense([(0.0, -depth + base), (floor - 0.6, -depth + base), (floor, -depth + base + 0.6), (r, 0.0)]),
            lip[1:-1],
            dense(outside),
        ]
    )
    return squash(revolve(profile), vessel)


def pool_albedo(pool: Pool, spec: Spec, radius: float, solid: NDArray[np.float32]) -> NDArray[np.float32]:
    """Solid wax's picture darkened where it is liquid: deeper colour away from the edge, soft or crisp at it."""
    size = solid.shape[0]
    axis = (np.arange(size) + 0.5) / size * 2 * radius - radius
    x, y = np.meshgrid(axis, axis)
    r, phi = np.hypot(x, y), np.arctan2(y, x)
    inside = np.interp(phi, ANGLES, pool.edge_mm, period=2 * np.pi) - r  # mm inside the outline
    blend = np.clip(inside / max(pool.softness_mm, 0.05) + 0.5, 0, 1)
    depth = 1 - np.exp(-np.clip(inside, 0, None) / (0.25 * radius))
    factor = pool.darkness * (1 - 0.25 * depth * (pool.darkness < 1))
    colour = spec.wax_colour * (spec.wax_colour / spec.wax_colour.max()) ** (2 * pool.saturation)
    liquid = colour[None, None] * factor[..., None]
    return np.clip(solid * (1 - blend[..., None]) + liquid * blend[..., None], 0.005, 0.95).astype(np.float32)


def add_wax(stage: Stage, spec: Spec, rng: np.random.Generator) -> None:
    vessel, z = spec.vessel, -spec.headspace_mm
    radius = float(vessel.inner_radius(spec.headspace_mm))
    squeeze = 0.06 if rng.random() < 0.7 else -0.08  # wet to the glass, or shrunk off it
    solid = looks.wax_surface(rng, spec.wax_colour)
    rough = float(rng.uniform(0.15, 0.5))
    if spec.filling == "drink":
        colour = looks.tint(rng, (0.01, 0.3), 0.4)
        stage.add(
            "wax",
            squash(star_disc(CIRCLE * (radius + 0.05), np.full(40, z), np.zeros(2), radius), vessel),
            two_sided({"type": "plastic", "diffuse_reflectance": rgb(colour)}),
        )
        return
    wall = CIRCLE * (radius + squeeze)
    skirt_depth = np.linspace(0, 1, 12)[:, None] * (
        vessel.height_mm - vessel.base_mm - vessel.lip_mm - spec.headspace_mm - 0.3
    )
    top = z + spec.ring_mm if spec.pool else z
    if spec.pool is None:
        dish = rng.uniform(0, 1.5) * np.linspace(0, 1, 40) ** 4  # contraction towards the wall
        stage.add(
            "wax",
            star_disc(wall, z + dish * rng.choice([-0.5, 1.0]), np.zeros(2), radius),
            glossy(picture(solid), rough),
        )
    else:
        albedo = pool_albedo(spec.pool, spec, radius, solid)
        edge = CIRCLE * spec.pool.edge_mm[:, None]
        stage.add(
            "pool",
            star_disc(edge, np.full(40, z), spec.pool.centre_mm, radius),
            two_sided({"type": "plastic", "int_ior": 1.44, "diffuse_reflectance": picture(albedo)}),
        )
        gap = (np.hypot(*wall.T) - spec.pool.edge_mm).clip(0)
        s = np.linspace(0, 1, 16)[:, None]
        rise = spec.rise_mm(s * gap, gap)
        stage.add("wax", ring_between(edge, wall, z + rise, radius), glossy(picture(albedo), rough))
        top = z + rise[-1]
    below = np.asarray(skirt_depth)
    r_wall = np.asarray(vessel.inner_radius(spec.headspace_mm + below)) + squeeze
    heights = np.broadcast_to(np.asarray(top) - (np.asarray(top) - z) * (below > 0), (12, len(ANGLES))) - below
    skirt = np.concatenate([r_wall[..., None] * CIRCLE[None], heights[..., None]], -1)
    stage.add(
        "skirt",
        grid_mesh(skirt[::-1], disc_uv(skirt[::-1, :, :2], radius), wrap=True),
        glossy(rgb(spec.wax_colour), 0.4),
    )


def flame_mesh(wick: Wick, depth_mm: float) -> tuple[Mesh, Array]:
    """A teardrop of revolution around a bent axis; also its centre line."""
    path = wick.path(depth_mm)
    start = path[len(path) // 2] - np.array([0, 0, 0.5])
    t = np.linspace(0, 1, 28)
    profile = np.sin(np.pi * t**0.62) ** 0.9 * (1 - 0.25 * t)
    lean = np.radians(wick.flame_lean_deg)
    out = np.array([np.cos(wick.lean_azimuth), np.sin(wick.lean_azimuth), 0])
    axis = start + (t * wick.flame_mm)[:, None] * (np.cos(lean) * np.array([0, 0, 1.0]) + np.sin(lean) * out)
    return tube(axis, np.maximum(wick.flame_mm * wick.flame_width / 2 * profile, 0.02), 20), axis


def add_wicks(stage: Stage, spec: Spec, rng: np.random.Generator) -> None:
    for k, wick in enumerate(spec.wicks):
        path = wick.path(spec.headspace_mm)
        below = path[:1] - [[0, 0, 1.5]]
        colour = looks.tint(rng, (0.01, 0.05), 0.2) if wick.used else looks.tint(rng, (0.4, 0.8), 0.1)
        flat = rng.uniform(1.0, 3.5) if rng.random() < 0.12 else 1.0
        stage.add(
            f"wick{k}",
            tube(np.concatenate([below, path]), np.full(len(path) + 1, wick.radius_mm * flat**0.5)),
            two_sided({"type": "diffuse", "reflectance": rgb(colour)}),
        )
        if wick.ball_mm:
            stage.add(
                f"ball{k}",
                ball(path[-1], wick.ball_mm / 2, rng, 0.25),
                two_sided({"type": "diffuse", "reflectance": rgb(0.02)}),
            )
        if wick.flame_mm:
            mesh, _ = flame_mesh(wick, spec.headspace_mm)
            power = rng.uniform(8, 20)
            stage.add(
                f"flame{k}",
                mesh,
                {"type": "diffuse", "reflectance": rgb(0.0)},
                {
                    "type": "area",
                    "radiance": rgb(power * np.array([1.0, rng.uniform(0.68, 0.85), rng.uniform(0.32, 0.55)])),
                },
            )


def add_soot(stage: Stage, spec: Spec, rng: np.random.Generator) -> None:
    if spec.soot is None:
        return
    depth = min(float(spec.soot.depth_mm.max()), spec.headspace_mm - 0.2)
    rows = np.linspace(0, 1, 64)[:, None]
    fade = np.clip(1 - rows * depth / spec.soot.depth_mm, 0, 1) ** rng.uniform(0.6, 1.6)
    blotches = 1 + spec.soot.blotch * np.clip(looks.noise(rng, 256, 10, 3)[:64, : len(ANGLES)], -1, 1)
    opacity = np.clip(spec.soot.opacity * fade * blotches, 0, 0.98)
    z = -0.15 - np.linspace(0, 1, 24)[:, None] * (depth - 0.15)
    r = np.asarray(spec.vessel.inner_radius(-z)) - 0.1
    points = np.concatenate([r[..., None] * CIRCLE[None], np.broadcast_to(z[..., None], (24, len(ANGLES), 1))], -1)
    u, v = np.meshgrid(np.arange(len(ANGLES)) / len(ANGLES), np.linspace(0, 1, 24))  # v = 0 is the first row: the rim
    black = two_sided({"type": "diffuse", "reflectance": rgb(0.015)})
    stage.add(
        "soot",
        grid_mesh(points, np.stack([u, v], -1), wrap=True),
        {"type": "mask", "opacity": picture(opacity[..., None]), "nested": black},
    )


def add_debris(stage: Stage, spec: Spec, rng: np.random.Generator) -> list[Array]:
    places = []
    reach = 0.85 * (spec.pool.edge_mm.min() if spec.pool else float(spec.vessel.inner_radius(spec.headspace_mm)))
    for k in range(spec.debris):
        r, phi = reach * np.sqrt(rng.uniform(0.03, 1)), rng.uniform(0, 6.2832)
        at = np.array([r * np.cos(phi), r * np.sin(phi), -spec.headspace_mm + 0.2])
        turn, length = rng.uniform(0, 6.2832), rng.uniform(0.5, 4)
        half = length / 2 * np.array([np.cos(turn), np.sin(turn), 0])
        radius = rng.uniform(0.3, 0.9)
        line = np.stack([at - half, at - 0.5 * half, at + 0.5 * half, at + half])
        stage.add(
            f"crumb{k}",
            tube(line, radius * np.array([0.6, 1, 1, 0.5])),
            two_sided({"type": "diffuse", "reflectance": rgb(looks.tint(rng, (0.01, 0.12), 0.3))}),
        )
        places.append(at)
    return places


def add_other(stage: Stage, name: str, rng: np.random.Generator, at: Array, reach: float) -> tuple[float, float] | None:
    """A box, ball, pencil, plate, or another vessel on the table at `at`; for a vessel with a mouth,
    its radius and height.
    """
    kind = str(rng.choice(np.array(["box", "ball", "pencil", "plate", "jar"]), p=[0.25, 0.15, 0.2, 0.12, 0.28]))
    colour = rgb(looks.tint(rng, (0.05, 0.8), 0.9))
    if kind == "box":
        size = rng.uniform(0.15, 0.7, 2) * reach
        height = rng.uniform(3, 40)
        t = mi.ScalarTransform4f
        place = (
            t()
            .translate([*at[:2], at[2] + height / 2])
            .rotate([0, 0, 1], rng.uniform(0, 180))
            .scale([*size / 2, height / 2])
        )
        stage.scene[name] = {"type": "cube", "to_world": place, "bsdf": glossy(colour, 0.3)}
    elif kind == "ball":
        radius = rng.uniform(0.08, 0.28) * reach
        stage.scene[name] = {
            "type": "sphere",
            "center": [*at[:2], at[2] + radius],
            "radius": radius,
            "bsdf": glossy(colour, 0.2),
        }
    elif kind == "pencil":
        turn, half = rng.uniform(0, 6.2832), rng.uniform(0.4, 0.9) * reach
        along = np.array([np.cos(turn), np.sin(turn), 0]) * half
        line = np.stack([at - along, at - 0.9 * along, at + 0.9 * along, at + along]) + np.array([0, 0, 4])
        stage.add(name, tube(line, np.array([0.5, 4, 4, 4])), glossy(colour, 0.2))
    elif kind == "plate":
        radius, rim = rng.uniform(0.2, 0.6) * reach, rng.uniform(2, 12)
        profile = dense(
            [(0.0, 1.0), (radius * 0.7, 1.0), (radius, rim), (radius - 1, rim - 2), (radius * 0.7, 0), (0.0, 0.0)]
        )
        stage.add(name, revolve(profile).moved(at), glossy(colour, 0.15))
    else:
        radius, height, wall = rng.uniform(16, 48), rng.uniform(15, 110), rng.uniform(1, 5)
        fill = rng.uniform(0.3, 0.9) * height
        body = [
            (0.0, 3.0),
            (radius - 1, 3.0),
            (radius, 4.0),
            (radius, height),
            (radius + wall / 2, height + wall / 3),
            (radius + wall, height),
            (radius + wall, 0.5),
            (0.0, 0.0),
        ]
        metal = {
            "type": "roughconductor",
            "material": "Al",
            "alpha": float(rng.uniform(0.1, 0.3)),
            "specular_reflectance": rgb(0.9),
        }
        bsdf = two_sided(metal) if rng.random() < 0.25 else glossy(colour, 0.15)
        if rng.random() < 0.3:
            bsdf = {"type": "dielectric", "int_ior": 1.51, "specular_transmittance": rgb(rng.uniform(0.5, 1, 3))}
        stage.add(name, revolve(dense(body)).moved(at), bsdf)
        content = looks.wax_colour(rng) if rng.random() < 0.75 else looks.tint(rng, (0.01, 0.2), 0.5)
        surface = star_disc(CIRCLE * (radius - 0.1), np.full(40, fill), np.zeros(2), radius)
        stage.add(name + "fill", surface.moved(at), glossy(rgb(content), 0.3))
        if rng.random() < 0.8:
            lean = np.array([rng.normal(0, 1.5), rng.normal(0, 1.5), rng.uniform(4, 10)])
            foot = at + np.array([0, 0, fill])
            stage.add(
                name + "wick",
                tube(np.stack([foot, foot + lean / 2, foot + lean]), np.full(3, 1.0)),
                glossy(rgb(0.03), 0.4),
            )
        return radius, height
    return None


def add_saucer(stage: Stage, rng: np.random.Generator, radius_mm: float, z_mm: float) -> float:
    """A dish under the vessel, its inside floor at `z_mm`; returns how far below that the table lies, mm."""
    floor, reach, rim = 1.08 * radius_mm, radius_mm * rng.uniform(1.35, 2.2), rng.uniform(2, 14)
    thick = rng.uniform(1.5, 4)
    profile = dense(
        [(0.0, thick), (floor, thick), (reach, thick + rim), (reach - 1, thick + rim - 1.5), (floor, 0.0), (0.0, 0.0)]
    )
    bsdf = glossy(rgb(looks.tint(rng, (0.05, 0.85), 0.3)), 0.15)
    stage.add("saucer", revolve(profile).moved(np.array([0, 0, z_mm - thick - 0.05])), bsdf)
    return float(thick + 0.05)


def add_handle(stage: Stage, vessel: Vessel, rng: np.random.Generator) -> None:
    """A cup's handle: a bow on its outer wall."""
    turn, bow = rng.uniform(0, 6.2832), np.linspace(-np.pi / 2, np.pi / 2, 24)
    out = vessel.outer_mm / 2 - 1.5 + rng.uniform(14, 26) * np.cos(bow)
    up = -vessel.height_mm * rng.uniform(0.4, 0.55) + vessel.height_mm * rng.uniform(0.2, 0.32) * np.sin(bow)
    line = np.stack([out * np.cos(turn), out * np.sin(turn), up], 1)
    stage.add("handle", tube(line, np.full(24, rng.uniform(2.5, 5))), vessel_bsdf(vessel))


def add_table(stage: Stage, spec: Spec, rng: np.random.Generator, camera: Pinhole) -> list[tuple[Array, float, float]]:
    """The table, what lies under the vessel and the things around it; returns the other vessels'
    (place, radius, height).
    """
    z = -(spec.vessel.height_mm - spec.vessel.lip_mm)
    t, span = mi.ScalarTransform4f, 700.0
    plane = t().translate([0, 0, z]).rotate([0, 0, 1], rng.uniform(0, 360)).scale(span)
    stage.scene["table"] = {
        "type": "rectangle",
        "to_world": plane,
        "bsdf": glossy(picture(looks.table_top(rng, 1024)), float(rng.uniform(0.15, 0.6))),
    }
    radius = spec.vessel.outer_mm / 2
    drink = spec.filling == "drink"
    if rng.random() < (0.6 if drink else 0.1):  # a saucer or plate, whose rim is no vessel's mouth
        z -= add_saucer(stage, rng, radius, z)
        stage.scene["table"]["to_world"] = t().translate([0, 0, z]).rotate([0, 0, 1], rng.uniform(0, 360)).scale(span)
    elif rng.random() < 0.2:  # a coaster
        reach, height = radius * rng.uniform(1.05, 1.6), rng.uniform(1, 5)
        stage.add(
            "coaster",
            revolve(dense([(0.0, height), (reach, height), (reach, 0.0), (0.0, 0.0)])).moved(
                np.array([0, 0, z - height])
            ),
            glossy(rgb(looks.tint(rng, (0.05, 0.7), 0.4)), 0.4),
        )
        stage.scene["table"]["to_world"] = (
            t().translate([0, 0, z - height]).rotate([0, 0, 1], rng.uniform(0, 360)).scale(span)
        )
        z -= height
    corners = camera.on_plane(
        np.array([[0, 0], [camera.width_px, 0], [0, camera.height_px], [camera.width_px, camera.height_px]], float), z
    )
    others = []
    for k in range(spec.others):
        weights = rng.dirichlet(np.ones(4))
        at = weights @ corners
        gap = np.hypot(*at)
        reach = 0.5 * float(np.linalg.norm(corners[0] - corners[3]))
        clear = radius + 62
        if gap < clear:
            at = at / max(gap, 1e-6) * clear
        if any(np.hypot(*(at - o[0][:2])) < 110 for o in others):
            continue
        place = np.array([*at, z])
        jar = add_other(stage, f"other{k}", rng, place, min(reach * 0.5, 2 * (np.hypot(*at) - radius - 4)))
        if jar:
            others.append((place, *jar))
    return others


def sensor(camera: Pinhole, crop: tuple[int, int, int, int] | None, spp: int) -> Scene:
    """`crop` is (x, y, width, height) px of the full picture.

    A crop is a film of its own with a shifted principal point: the renderer bakes crop offsets into its kernels, and
    a new offset would cost seconds of compiling for every picture.
    """
    forward, down = camera.rotation[2], camera.rotation[1]
    look = mi.ScalarTransform4f().look_at(
        camera.position_mm.tolist(), (camera.position_mm + forward).tolist(), (-down).tolist()
    )
    x, y, w, h = crop or (0, 0, camera.width_px, camera.height_px)
    film = {
        "type": "hdrfilm",
        "width": w,
        "height": h,
        "pixel_format": "rgb",
        "component_format": "float32",
        "rfilter": {"type": "gaussian"},
    }
    shift = [0.5 - (camera.centre_px[0] + 0.5 - x) / w, 0.5 - (camera.centre_px[1] + 0.5 - y) / h]
    return {
        "type": "perspective",
        "fov_axis": "x",
        "fov": float(np.degrees(2 * np.arctan(w / 2 / camera.f_px))),
        "principal_point_offset_x": shift[0],
        "principal_point_offset_y": shift[1],
        "to_world": look,
        "near_clip": 1.0,
        "far_clip": 20000.0,
        "film": film,
        "sampler": {"type": "independent", "sample_count": spp, "seed": 0},
    }


def add_ghosts(stage: Stage) -> None:
    """One far-away crumb of every material and shape: a GPU kernel is compiled per set of materials; keep one."""
    speck = ball(np.array([15000.0, 0, -9000.0]), 0.01, np.random.default_rng(0), n=4)
    dull = picture(np.full((2, 2, 3), 0.5))
    kinds = {
        "glossy": glossy(rgb(0.5)),
        "glossy_map": glossy(dull),
        "matt": two_sided({"type": "diffuse", "reflectance": rgb(0.5)}),
        "wet": two_sided({"type": "plastic", "diffuse_reflectance": rgb(0.5)}),
        "wet_map": two_sided({"type": "plastic", "diffuse_reflectance": dull}),
        "metal": two_sided({"type": "roughconductor", "material": "Al", "specular_reflectance": rgb(0.5)}),
        "glass": {"type": "dielectric", "specular_transmittance": rgb(0.5)},
        "frosted": {"type": "roughdielectric", "alpha": 0.3, "specular_transmittance": rgb(0.5)},
        "veil": {
            "type": "mask",
            "opacity": picture(np.full((2, 2, 1), 0.5)),
            "nested": two_sided({"type": "diffuse", "reflectance": rgb(0.5)}),
        },
        "black": {"type": "diffuse", "reflectance": rgb(0.0)},
    }
    for name, bsdf in kinds.items():
        stage.add("ghost_" + name, speck, bsdf)
    stage.scene["ghost_sphere"] = {
        "type": "sphere",
        "center": [15000.0, 0, -9000.0],
        "radius": 0.01,
        "bsdf": glossy(rgb(0.5)),
    }


def build(spec: Spec, camera: Pinhole, scratch: Path) -> tuple[Scene, dict[str, Any]]:
    """The renderer's scene (without its sensor) and what else the truth needs: crumbs and other vessels."""
    stage = Stage(scratch)
    rng = np.random.default_rng([spec.seed, 1])
    add_ghosts(stage)
    # `max_depth`: glass walls take several interfaces in and out again
    stage.scene["integrator"] = {"type": "path", "max_depth": 18, "rr_depth": 8}
    up = mi.ScalarTransform4f().rotate([0, 0, 1], rng.uniform(0, 360)).rotate([1, 0, 0], 90)
    light = (looks.room(rng) * spec.ambient).astype(np.float32)  # `scale` would be baked into the kernel
    stage.scene["room"] = {"type": "envmap", "to_world": up, "bitmap": mi.Bitmap(light)}
    others = add_table(stage, spec, rng, camera)
    stage.add("vessel", vessel_mesh(spec.vessel), vessel_bsdf(spec.vessel))
    if spec.filling != "wax" and rng.random() < 0.6:
        add_handle(stage, spec.vessel, rng)
    crumbs: list[Array] = []
    if spec.filling != "empty":
        add_wax(stage, spec, rng)
    add_wicks(stage, spec, rng)
    if spec.filling == "wax":
        crumbs = add_debris(stage, spec, rng)
        add_soot(stage, spec, np.random.default_rng([spec.seed, 2]))
    return stage.scene, {"crumbs": crumbs, "others": others}


def render(scene: Scene, camera: Pinhole, crop: tuple[int, int, int, int] | None, spp: int) -> NDArray[np.float32]:
    """Linear radiance (height, width, 3)."""
    # one after the other, so that materials are numbered alike in every scene and compiled kernels are found again
    loaded = mi.load_dict(scene | {"sensor": sensor(camera, crop, spp)}, parallel=False)
    picture = np.array(mi.render(loaded), dtype=np.float32)[..., :3]
    del loaded
    gc.collect()
    return picture
