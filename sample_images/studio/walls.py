"""Unwrapped walls to learn soot on: `python -m studio.walls FIRST COUNT OUT.npz [--seconds S]`, and, by COUNT 0, those
of the clean test photos of the candles that training may see.

Random candles, path-traced (Mitsuba 3): the photo, its clean twin if it has soot, and the baseline photo of the same
candle: new, fuller, from elsewhere, half of the time on another table in another light. Their walls are unwrapped as
pooleye does it, once at the true pose and once at a pose off by what pooleye's own are off by. Light stays linear; the
phone is simulated while training.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.optics.circle_pose import CirclePose
from pooleye.optics.planes import SECTORS, VesselFrame
from pooleye.top import wallband as wb
from pooleye.top.closeup import Closeup
from pooleye.top.networks import NEAR_PX
from pooleye.top.pose import vessel_frame

from . import seeds
from .camera import Pinhole, ellipse_of_circle, top_camera
from .spec import KINDS, Spec, draw, draw_soot, draw_view

Array = NDArray[np.float64]
Fields = dict[str, NDArray[Any]]
FINE = 6  # samples averaged to a column
TILT_DEG, SIZE, SHIFT_MM, DEPTH_MM = 1.0, 0.003, 0.1, 0.7  # standard deviations of pooleye's own errors
SOOTY, SAME_ROOM, OPAQUE_KEPT = 0.65, 0.5, 0.5
ZOOM = (1.0, 2.2)  # a phone's picture has so many times more pixels on a vessel
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def fitting(seed: int) -> tuple[Spec, Spec] | None:
    """The candle and the same one new; None for a seed that draws none of use here."""
    spec, rng = draw(seed), np.random.default_rng([seed, 77])
    glass = "glass" in spec.vessel.kind
    if spec.filling != "wax" or spec.vessel.squareness or not (glass or rng.random() < OPAQUE_KEPT):
        return None
    sooty = spec.pool is not None and rng.random() < SOOTY
    unlit = tuple(replace(wick, flame_mm=0.0, ball_mm=0.0) for wick in spec.wicks)
    new = replace(
        spec, soot=None, pool=None, debris=0, ring_mm=0.0, wicks=unlit, view=draw_view(rng, spec.vessel),
        seed=seed if rng.random() < SAME_ROOM else seed + 10**8,
        headspace_mm=max(spec.headspace_mm * rng.uniform(0.4, 1.0), 1.5),
    )  # fmt: skip
    return replace(spec, soot=draw_soot(np.random.default_rng([seed, 9])) if sooty else None), new


def framed(spec: Spec, rng: np.random.Generator, size_px: int) -> tuple[Pinhole, tuple[int, int, int, int]]:
    """The camera, and the square of the picture that the mouth and a little around it fill."""
    view = replace(spec.view, aim=(0.5 + 0.5 * (spec.view.aim[0] - 0.5), 0.5 + 0.5 * (spec.view.aim[1] - 0.5)))
    rough = ellipse_of_circle(top_camera(view, 1000), spec.vessel.rim_inner_mm / 2)
    camera = top_camera(view, int(1000 * size_px / (rough[2] * rng.uniform(2.7, 2.9))))
    rim = ellipse_of_circle(camera, spec.vessel.rim_inner_mm / 2)
    corner = [round(rim[k] - size_px / 2) for k in (0, 1)]
    sizes = (camera.width_px, camera.height_px)
    pad = [max(-corner[k], corner[k] + size_px - sizes[k], 0) for k in (0, 1)]
    camera = replace(camera, width_px=sizes[0] + 2 * pad[0], height_px=sizes[1] + 2 * pad[1])
    return camera, (corner[0] + pad[0], corner[1] + pad[1], size_px, size_px)


def frame_of(spec: Spec, camera: Pinhole, crop: tuple[int, int, int, int]) -> VesselFrame:
    """The rendered vessel in pooleye's terms, in the square."""
    cx, cy = camera.centre_px
    pose = CirclePose(-camera.rotation @ camera.position_mm, camera.rotation @ np.array([0, 0, 1.0]))
    v = spec.vessel
    base = None if v.base_inner_mm == v.rim_inner_mm else v.base_inner_mm
    return vessel_frame(
        pose, Camera(camera.f_px, cx - crop[0], cy - crop[1], camera.f_px, False), v.rim_inner_mm, base, v.height_mm
    )


def off(frame: VesselFrame, rng: np.random.Generator) -> VesselFrame:
    """The frame as pooleye may see it."""
    normal, axis = frame.pose.normal, rng.normal(size=3)
    axis -= axis @ normal * normal
    leaning = normal + np.tan(np.radians(rng.normal(0, TILT_DEG))) * axis / np.linalg.norm(axis)
    centre = frame.pose.centre_mm * (1 + rng.normal(0, SIZE)) + [*rng.normal(0, SHIFT_MM, 2), 0]
    return replace(frame, pose=CirclePose(centre, leaning / np.linalg.norm(leaning)))


def traced(spec: Spec, camera: Pinhole, crop: tuple[int, int, int, int], spp: int, scratch: Path) -> list[Array]:
    """The picture, linear light; if there is soot, then also the same without it."""
    import mitsuba as mi

    from . import scene
    from .make_dataset import clamp

    built, _ = scene.build(spec, camera, scratch)
    loaded = mi.load_dict(built | {"sensor": scene.sensor(camera, crop, spp)}, parallel=False)
    pictures = [clamp(np.array(mi.render(loaded), np.float32)[..., :3])]
    if spec.soot is not None:
        parts = mi.traverse(loaded)
        veil = next(name for name in parts.keys() if name.startswith("soot") and name.endswith("opacity.data"))  # noqa: SIM118
        parts[veil] = parts[veil] * 0
        parts.update()
        pictures.append(clamp(np.array(mi.render(loaded), np.float32)[..., :3]))
    return pictures


def seen_of(spec: Spec, camera: Pinhole, crop: tuple[int, int, int, int], made: dict[str, Any]) -> Closeup:
    """What the near net would see, by geometry; a square whose pixels are the picture's own."""
    from .truth import filled, flame_outline

    flame = np.zeros(made["wax"].shape, np.float32)
    for hull in flame_outline(spec, camera):
        flame = np.maximum(flame, filled(flame.shape, hull - crop[:2]))
    seen = {name: made[name] for name in ("mouth", "wax", "pool")}
    unseen = dict.fromkeys(("ball", "wick", "crumbs"), np.zeros_like(flame))
    nothing, middle = np.zeros((1, 1, 3), np.uint8), np.full(2, (NEAR_PX - 1) / 2)
    return Closeup(**seen, **unseen, flame=flame, picture=nothing, matrix=np.eye(2), centre=middle)


def clock_lines(frame: VesselFrame) -> Array:
    """Azimuths of FINE lines in each column."""
    fine = wb.COLUMNS * FINE
    return frame.azimuth_of_clock((np.arange(fine) + 0.5) * 360.0 / fine - 180.0 / SECTORS)


def unwrapped(pictures: list[Array], close: Closeup, frame: VesselFrame, wax_line_mm: float, zoom: float) -> Fields:
    """What pooleye.top.wallband.unwrap makes of a picture, in linear light, of each of the pictures."""
    at = wb.wall_px(frame, clock_lines(frame), wb.DEPTH_MM[:, None])
    rim = frame.rim_ellipse()
    square = close.to_square(at.reshape(-1, 2)).reshape(at.shape)
    wall = wb.sampled(np.maximum(close.wax, close.pool), square) < wb.WAX_SURE
    wall &= wb.sampled(close.flame, square) < wb.FLAME_SURE
    above = np.less(wb.DEPTH_MM, wax_line_mm - wb.ABOVE_WAX_MM)[:, None]
    seen, shown = (above & wb.inside_mouth(rim, at, by) for by in (wb.EDGE_PX / zoom, 0.0))
    seen = seen & wall
    kept = wb.columns(seen).mean(2) >= 0.5
    px, ppm = wb.pixels(at, shown & np.less(wb.DEPTH_MM, wb.BAND_MM)[:, None])
    light = [np.where(kept[..., None], wb.column_means(wb.sampled(p, at), seen), 0.0) for p in pictures]
    ratio = np.ones(kept.shape)
    if len(light) > 1:
        dark, bare = (one @ LUMINANCE for one in light)
        ratio = np.where(kept, dark / np.maximum(bare, 1e-6), 1.0)
    return {
        "light": coarse(light[0]), "seen": np.packbits(kept),
        "ratio": np.round(np.clip(ratio, 0, 1.02) * 250).astype(np.uint8),
        "px": (px * zoom**2).astype(np.float16), "ppm": (ppm * zoom).astype(np.float16),
    }  # fmt: skip


def coarse(light: Array) -> NDArray[np.float16]:
    """Half precision with seven bits of mantissa: half a per cent, and packs better."""
    half = np.minimum(light, 6e4).astype(np.float16)
    return ((half.view(np.uint16) + 4) & np.uint16(0xFFF8)).view(np.float16)


def surroundings(picture: Array, frame: VesselFrame, depth_mm: float) -> Fields:
    """The rings of wallband.RINGS by clock column."""
    at = wb.ring_px(frame, clock_lines(frame), depth_mm)
    shown = (np.array(wb.RINGS) > 0)[:, None] | wb.inside_mouth(frame.rim_ellipse(), at, 0.0)
    rings = wb.columns(wb.sampled(picture, at)).mean(2) * (wb.columns(shown).mean(2) > 0.5)[..., None]
    return {"around": coarse(rings)}


def photo(spec: Spec, rng: np.random.Generator, scratch: Path, spp: int, size_px: int, poses: int) -> Fields:
    """All that is kept of one photo, its walls at `poses` poses, the first one true unless it is the only one."""
    from .make_dataset import glow
    from .truth import surfaces

    camera, crop = framed(spec, rng, size_px)
    made = surfaces(spec, camera, crop)
    zoom = float(rng.uniform(*ZOOM))
    blur = rng.uniform(0.3, 1.0) / zoom
    pictures = [cv2.GaussianBlur(glow(p, spec, made), (0, 0), blur) for p in traced(spec, camera, crop, spp, scratch)]
    scale = 0.5 / max(float(np.quantile((pictures[0] @ LUMINANCE)[made["mouth"] > 0.5], 0.8)), 1e-6)
    pictures = [np.asarray(p * scale, np.float32) for p in pictures]
    close, frame = seen_of(spec, camera, crop, made), frame_of(spec, camera, crop)
    walls = []
    for k in range(poses):
        true = k == 0 and poses > 1
        depth = spec.headspace_mm + (0.0 if true else rng.normal(0, DEPTH_MM))
        walls.append(unwrapped(pictures, close, frame if true else off(frame, rng), max(depth, 1.0), zoom))
    return (
        {name: np.stack([w[name] for w in walls]) for name in walls[0]}
        | surroundings(pictures[0], frame, spec.headspace_mm)
        | {"lit": np.bool_(spec.lit)}
    )


def pair(now: Spec, new: Spec, scratch: Path, spp: int, size_px: int) -> Fields:
    """A candle's photo and, its names beginning with "before_", its baseline's."""
    rng = np.random.default_rng([now.seed, 78])
    shot, before = photo(now, rng, scratch, spp, size_px, 2), photo(new, rng, scratch, spp, size_px, 1)
    before = {
        name: values[0] if name in ("light", "seen", "px", "ppm") else values
        for name, values in before.items()
        if name != "ratio"
    }
    about = {
        "seed": np.int64(now.seed),
        "kind": np.int8(KINDS.index(now.vessel.kind)),
        "sooty": np.bool_(now.soot is not None),
        "headspace": np.float32(now.headspace_mm),
        "same_room": np.bool_(new.seed == now.seed),
    }
    return shot | {f"before_{name}": values for name, values in before.items()} | about


def clean_photos() -> list[Fields]:
    """Walls of the clean test photos of all candles but those kept out, at their true pose and at one that is off."""
    from pooleye.accuracy import read_annotated, true_frame
    from pooleye.photo import load_photo
    from pooleye.top.closeup import look_close

    tests, rng = read_annotated(Path(__file__).parents[2] / "tests" / "photos"), np.random.default_rng(5)

    def fields(shot: dict[str, Any], poses: int) -> Fields:
        photo, frame = load_photo(tests.folder / shot["file"]), true_frame(shot)
        close, rows = look_close(photo.rgb, frame.rim_ellipse()), []
        for k in range(poses):
            seen = off(frame, rng) if k or poses == 1 else frame
            band = wb.unwrap(photo.rgb, close, seen.rim_ellipse(), seen, shot["headspace_mm"], shot["lit"])
            rows.append({
                "light": coarse(np.where(band.seen[..., None], band.linear, 0.0)), "seen": np.packbits(band.seen),
                "ratio": np.full(band.seen.shape, 250, np.uint8), "px": band.pixels.astype(np.float16),
                "ppm": band.px_per_mm.astype(np.float16), "around": coarse(np.nan_to_num(band.rings)),
            })  # fmt: skip
        walls = {name: np.stack([row[name] for row in rows]) for name in rows[0]}
        return walls | {"around": walls["around"][0], "lit": np.bool_(shot["lit"])}

    found = []
    for k, shot in enumerate(tests.shots):
        base = tests.baseline_of(shot) or shot
        usable = shot["view"] == "top" and shot["measurable"] and not shot["soot"]["present"]
        if usable and shot["candle"] not in tests.kept_out:
            before = {name: v if name in ("around", "lit") else v[0] for name, v in fields(base, 1).items()}
            named = {f"before_{name}": values for name, values in before.items() if name != "ratio"}
            about = {"seed": np.int64(10 * k + 1), "kind": np.int8(-1), "sooty": np.bool_(False),
                     "headspace": np.float32(shot["headspace_mm"]), "same_room": np.bool_(False)}  # fmt: skip
            found.append(fields(shot, 2) | named | about)
    return found


def save(rows: list[Fields], out: Path) -> None:
    np.savez_compressed(out, **{name: np.stack([row[name] for row in rows]) for name in rows[0]})


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    seeds.add_arguments(p, spp=48, variant="llvm_ad_rgb")
    p.add_argument("--pixels", type=int, default=448)
    a = p.parse_args()

    def made(seed: int, scratch: Path) -> Fields | None:
        candle = fitting(seed)
        return None if candle is None else pair(*candle, scratch, a.spp, a.pixels)

    save(seeds.each(a, made) if a.count else clean_photos(), a.out)


if __name__ == "__main__":
    main()
