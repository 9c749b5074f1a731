"""What callipers and a protractor would give for a sample photo seen from above, computed from its Spec.

Field names and meanings are those of sample_images/README.md. Nothing here looks at the picture, but for the soot:
its darkening is that of the finished picture against the same one rendered without soot.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Pinhole, ellipse_of_circle
from .spec import ANGLES, Spec

Array = NDArray[np.float64]
OPAQUE = ("ceramic", "tin", "tealight")
BAND_MM = 10.0  # soot is judged from the rim this far down
FINE = np.linspace(0, 2 * np.pi, 2880, endpoint=False)


def rounded(values: Any, digits: int = 2) -> Any:
    return np.round(np.asarray(values, float), digits).tolist()


def clock_sectors(camera: Pinhole, radius_mm: float, azimuths: Array) -> NDArray[np.int64]:
    """Sector 0..11 of each azimuth: where its rim point is seen from the image of the rim's centre, 0 up, clockwise."""
    rim = np.stack([np.cos(azimuths), np.sin(azimuths), np.zeros(len(azimuths))], 1) * radius_mm
    x, y = (camera.project(rim) - camera.project(np.zeros((1, 3)))).T
    return (np.floor(np.degrees(np.arctan2(x, -y)) / 30 + 0.5) % 12).astype(np.int64)


def by_sector(values: Array, sectors: NDArray[np.int64]) -> list[float | None]:
    return [float(values[sectors == k].mean()) if (sectors == k).any() else None for k in range(12)]


def feret(outline_mm: Array) -> tuple[float, float]:
    """Smallest and largest width between parallel lines."""
    angle = np.linspace(0, np.pi, 1440, endpoint=False)
    reach = outline_mm @ np.stack([np.cos(angle), np.sin(angle)])
    width = reach.max(0) - reach.min(0)
    return float(width.min()), float(width.max())


def area_and_centroid(outline_mm: Array) -> tuple[float, Array]:
    """Shoelace formula, anticlockwise outline."""
    x, y = outline_mm.T
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y2 - x2 * y
    area = cross.sum() / 2
    return float(area), np.array([((x + x2) * cross).sum(), ((y + y2) * cross).sum()]) / (6 * area)


def pool_outline(spec: Spec) -> Array:
    assert spec.pool is not None
    edge = np.interp(FINE, ANGLES, spec.pool.edge_mm, period=2 * np.pi)
    return edge[:, None] * np.stack([np.cos(FINE), np.sin(FINE)], 1)


def hidden_by_rim(spec: Spec, camera: Pinhole) -> float:
    """Share of the pool's edge that the near rim of an opaque vessel hides."""
    edge = np.concatenate([pool_outline(spec), np.full((len(FINE), 1), -spec.headspace_mm)], 1)
    through = camera.on_plane(camera.project(edge), 0.0)
    return float((np.hypot(*through.T) > spec.vessel.rim_inner_mm / 2).mean()) if spec.vessel.kind in OPAQUE else 0.0


def pool_facts(spec: Spec, camera: Pinhole) -> dict[str, Any]:
    if spec.pool is None:
        return {"present": False}
    outline = pool_outline(spec)
    area, centroid = area_and_centroid(outline)
    least, largest = feret(outline)
    shown = outline[::24]
    px = camera.project(np.concatenate([shown, np.full((len(shown), 1), -spec.headspace_mm)], 1))
    radius = float(spec.vessel.inner_radius(spec.headspace_mm))
    return {
        "present": True,
        "outline_mm": rounded(shown),
        "outline_px": rounded(px),
        "area_mm2": round(area, 1),
        "equivalent_diameter_mm": round(2 * np.sqrt(area / np.pi), 2),
        "min_diameter_mm": round(least, 2),
        "max_diameter_mm": round(largest, 2),
        "coverage": round(area / (np.pi * radius**2), 4),
        "offset_mm": round(float(np.hypot(*centroid)), 2),
        "centroid_mm": rounded(centroid),
        "edge_hidden_by_rim_fraction": round(hidden_by_rim(spec, camera), 3),
    }


def hangup_facts(spec: Spec, camera: Pinhole) -> dict[str, Any] | None:
    if spec.pool is None:
        return None
    edge = np.interp(FINE, ANGLES, spec.pool.edge_mm, period=2 * np.pi)
    width = np.clip(float(spec.vessel.inner_radius(spec.headspace_mm)) - edge, 0, None)
    sectors = clock_sectors(camera, spec.vessel.rim_inner_mm / 2, FINE)
    return {
        "by_sector": rounded(by_sector(width, sectors)),
        "mean": round(float(width.mean()), 2),
        "max": round(float(width.max()), 2),
    }


def wick_facts(spec: Spec, camera: Pinhole) -> list[dict[str, Any]]:
    out = []
    for wick in spec.wicks:
        path = wick.path(spec.headspace_mm)
        foot, tip = camera.project(path[[0, -1]])
        along = path[-1] - path[0]
        out.append(
            {
                "base_px": rounded(foot),
                "tip_px": rounded(tip),
                "offset_mm": round(float(np.hypot(*wick.foot_mm)), 2),
                "lean_deg": round(float(np.degrees(np.arctan2(np.hypot(*along[:2]), along[2]))), 2),
                "stub_mm": wick.stub_mm,
                "mushroom_diameter_mm": wick.ball_mm,
                "hidden_by_flame": wick.flame_mm > 0,
            }
        )
    return out


def l_star(rgb: NDArray[np.uint8]) -> Array:
    """CIELAB L* (CIE 15) of sRGB pixels (IEC 61966-2-1), white Y = 1."""
    coded = rgb / 255.0
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    y = linear @ np.array([0.2126, 0.7152, 0.0722])
    return 116 * np.where(y > (6 / 29) ** 3, np.cbrt(y), y * (29 / 6) ** 2 / 3 + 4 / 29) - 16


def wall_seen(spec: Spec, camera: Pinhole) -> tuple[Array, Array]:
    """Pixels (N, 2) of the inner wall down to BAND_MM or the wax, seen through the mouth; azimuths (N,)."""
    depth = np.linspace(0.3, min(BAND_MM, spec.headspace_mm) - 0.2, 24)
    phi, down = (g.ravel() for g in np.meshgrid(FINE[::4], depth))
    r = np.asarray(spec.vessel.inner_radius(down))
    px = camera.project(np.stack([r * np.cos(phi), r * np.sin(phi), -down], 1))
    seen = np.hypot(*camera.on_plane(px, 0.0).T) < spec.vessel.rim_inner_mm / 2 - 0.05
    return px[seen], phi[seen]


def soot_facts(
    spec: Spec, camera: Pinhole, sooty: NDArray[np.uint8] | None, clean: NDArray[np.uint8] | None
) -> dict[str, Any]:
    """`sooty`, `clean`: finished pictures without noise, with and without the soot."""
    if spec.soot is None or sooty is None or clean is None:
        return {
            "present": False,
            "opacity_max": 0.0,
            "arc_deg": 0.0,
            "delta_L_by_sector": [0.0] * 12,
            "delta_L_mean": 0.0,
        }
    px, phi = wall_seen(spec, camera)
    inside = (px >= 0).all(1) & (px[:, 0] < camera.width_px) & (px[:, 1] < camera.height_px)
    x, y = np.round(px[inside]).astype(int).clip(0).T
    x, y = x.clip(max=camera.width_px - 1), y.clip(max=camera.height_px - 1)
    darker = l_star(sooty)[y, x] - l_star(clean)[y, x]
    sectors = clock_sectors(camera, spec.vessel.rim_inner_mm / 2, phi[inside])
    return {
        "present": True,
        "opacity_max": round(float(spec.soot.opacity.max()), 3),
        "arc_deg": round(float((spec.soot.opacity > 0.1).mean() * 360), 1),
        "depth_below_rim_mm": round(float(spec.soot.depth_mm.max()), 1),
        "delta_L_by_sector": [None if v is None else round(v, 2) for v in by_sector(darker, sectors)],
        "delta_L_mean": round(float(darker.mean()), 2),
    }


def camera_facts(spec: Spec, camera: Pinhole) -> dict[str, Any]:
    view = spec.view
    return {
        "height_mm": view.height_mm,
        "tilt_deg": view.tilt_deg,
        "roll_deg": view.roll_deg,
        "focal_35mm": view.focal_35mm,
        "width_px": camera.width_px,
        "height_px": camera.height_px,
    }


def rim_facts(spec: Spec, camera: Pinhole) -> dict[str, Any]:
    ellipse = ellipse_of_circle(camera, spec.vessel.rim_inner_mm / 2)
    points = np.stack([np.cos(FINE), np.sin(FINE), np.zeros(len(FINE))], 1) * spec.vessel.rim_inner_mm / 2
    px = camera.project(points)
    whole = bool((px > 0).all() and (px[:, 0] < camera.width_px - 1).all() and (px[:, 1] < camera.height_px - 1).all())
    names = ("cx", "cy", "semi_major", "semi_minor", "angle_deg")
    return {"rim_ellipse_px": dict(zip(names, rounded(ellipse), strict=True)), "rim_fully_in_frame": whole}


def vessel_facts(spec: Spec) -> dict[str, Any]:
    v = spec.vessel
    return {
        "vessel": {
            "kind": v.kind,
            "rim_inner_diameter_mm": v.rim_inner_mm,
            "outer_diameter_mm": round(v.outer_mm, 2),
            "height_mm": v.height_mm,
            "wall_mm": v.wall_mm,
            "shape": "straight" if v.base_inner_mm == v.rim_inner_mm else "tapered",
            "inner_base_diameter_mm": v.base_inner_mm,
        },
        "headspace_mm": round(spec.headspace_mm, 2),
        "wax_linear_rgb": rounded(spec.wax_colour, 3),
    }


def top_facts(spec: Spec, camera: Pinhole, soot: dict[str, Any]) -> dict[str, Any]:
    """Everything but the file's own particulars."""
    return {
        "view": "top",
        "lit": spec.lit,
        "camera": camera_facts(spec, camera),
        **vessel_facts(spec),
        **rim_facts(spec, camera),
        "pool": pool_facts(spec, camera),
        "hangup_width_mm": hangup_facts(spec, camera),
        "inner_diameter_at_surface_mm": round(2 * float(spec.vessel.inner_radius(spec.headspace_mm)), 2),
        "wick": wick_facts(spec, camera)[0],
        "wicks": wick_facts(spec, camera),
        "soot": soot,
        "debris_present": spec.debris > 0,
    }
