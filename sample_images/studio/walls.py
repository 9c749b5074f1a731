"""Unwrapped walls to learn soot on, for `studio.train_wall`: `python -m studio.walls render|photos ...`.

    render FIRST COUNT FOLDER   random candles, each with its clean twin if sooty, and new in another light (Mitsuba 3)
    photos FOLDER               clean test photos of the candles that training may see, at their true pose

A wall is unwrapped as pooleye does it, at the true pose and at poses off by what pooleye's are off by.
"""

from __future__ import annotations

import argparse
import json
import pickle
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.accuracy import true_frame
from pooleye.optics.camera import Camera
from pooleye.optics.circle_pose import CirclePose
from pooleye.optics.colour import linear_to_srgb
from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import look_close
from pooleye.top.pose import vessel_frame
from pooleye.top.wallband import Band, unwrap

from .camera import Pinhole, ellipse_of_circle, top_camera
from .spec import Spec, draw, draw_soot, draw_view

Array = NDArray[np.float64]
NEAR_PX, ZOOM = 384, 1.5  # rendered pixels; a phone's picture has more of them on a vessel
TILT_DEG, SIZE, SHIFT_MM, DEPTH_MM = 1.0, 0.003, 0.1, 0.7  # standard deviations of pooleye's own errors
POSES = 4


def shoot(spec: Spec, rng: np.random.Generator, scratch: Path, spp: int) -> dict[str, Any]:
    """The vessel filling most of a square, linear light; with the same picture without its soot."""
    from . import scene
    from .make_dataset import clamp, glow
    from .truth import surfaces

    aim = tuple(0.5 + 0.5 * (at - 0.5) for at in spec.view.aim)
    view = replace(spec.view, aim=aim)
    rough = ellipse_of_circle(top_camera(view, 1000), spec.vessel.rim_inner_mm / 2)
    camera = top_camera(view, int(1000 * NEAR_PX / (rough[2] * rng.uniform(2.25, 2.4))))
    rim = ellipse_of_circle(camera, spec.vessel.rim_inner_mm / 2)
    corner = [round(rim[k] - NEAR_PX / 2) for k in (0, 1)]
    sizes = (camera.width_px, camera.height_px)
    pad = [max(-corner[k], corner[k] + NEAR_PX - sizes[k], 0) for k in (0, 1)]
    camera = replace(camera, width_px=sizes[0] + 2 * pad[0], height_px=sizes[1] + 2 * pad[1])
    crop = (corner[0] + pad[0], corner[1] + pad[1], NEAR_PX, NEAR_PX)
    built, _ = scene.build(spec, camera, scratch)
    made = surfaces(spec, camera, crop)
    picture = glow(clamp(scene.render(built, camera, crop, spp)), spec, made)
    clean = None
    if spec.soot is not None:
        bare = {name: part for name, part in built.items() if name != "soot"}
        clean = glow(clamp(scene.render(bare, camera, crop, spp)), spec, made)
    return {
        "spec": spec,
        "frame": frame_of(spec, camera, crop),
        "picture": picture,
        "clean": clean,
        "mouth": made["mouth"],
    }


def frame_of(spec: Spec, camera: Pinhole, crop: tuple[int, int, int, int]) -> VesselFrame:
    """The rendered vessel in pooleye's terms, in the square enlarged by ZOOM."""
    cx, cy = camera.centre_px
    eye = Camera(
        camera.f_px * ZOOM, (cx - crop[0] + 0.5) * ZOOM - 0.5, (cy - crop[1] + 0.5) * ZOOM - 0.5, camera.f_px, False
    )
    pose = CirclePose(-camera.rotation @ camera.position_mm, camera.rotation @ np.array([0, 0, 1.0]))
    v = spec.vessel
    return vessel_frame(
        pose, eye, v.rim_inner_mm, None if v.base_inner_mm == v.rim_inner_mm else v.base_inner_mm, v.height_mm
    )


def develop(picture: Array, gain: float, white: Array, blur_px: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """A phone's picture: exposure, white balance, blur, noise, JPEG."""
    light = cv2.resize(
        np.asarray(picture * gain * white, np.float32), None, fx=ZOOM, fy=ZOOM, interpolation=cv2.INTER_CUBIC
    )
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light = light + rng.normal(size=light.shape) * np.sqrt(np.maximum(light, 0) * 1.2e-4 + 4e-6)
    code = np.round(255 * linear_to_srgb(light)).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", code[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1], 1)[..., ::-1].copy()


def off(frame: VesselFrame, rng: np.random.Generator) -> VesselFrame:
    """The frame as pooleye may see it."""
    normal, axis = frame.pose.normal, rng.normal(size=3)
    axis -= axis @ normal * normal
    leaning = normal + np.tan(np.radians(rng.normal(0, TILT_DEG))) * axis / np.linalg.norm(axis)
    centre = frame.pose.centre_mm * (1 + rng.normal(0, SIZE)) + [*rng.normal(0, SHIFT_MM, 2), 0]
    return replace(frame, pose=CirclePose(centre, leaning / np.linalg.norm(leaning)))


def packed(band: Band) -> dict[str, Any]:
    return {
        "linear": band.linear.astype(np.float32), "seen": band.seen, "px": band.pixels.astype(np.float32),
        "ppm": band.px_per_mm.astype(np.float32), "lit": band.lit,
    }  # fmt: skip


def walls(rgb: NDArray[np.uint8], clean: NDArray[np.uint8] | None, frame: VesselFrame, depth_mm: float, lit: bool,
          rng: np.random.Generator) -> list[tuple[dict[str, Any], dict[str, Any] | None]]:  # fmt: skip
    """(wall, its clean twin) at POSES poses, the first one true."""
    close, found = look_close(rgb, frame.rim_ellipse()), []
    for k in range(POSES):
        seen = off(frame, rng) if k else frame
        depth = max(depth_mm + (rng.normal(0, DEPTH_MM) if k else 0.0), 1.0)
        pair = [
            None if p is None else packed(unwrap(p, close, seen.rim_ellipse(), seen, depth, lit)) for p in (rgb, clean)
        ]
        found.append((pair[0], pair[1]))
    return found


def rendered(shot: dict[str, Any], rng: np.random.Generator) -> list[Any]:
    lum = shot["picture"] @ np.array([0.2126, 0.7152, 0.0722])
    gain = rng.uniform(0.3, 0.8) / np.quantile(lum[shot["mouth"] > 0.5], 0.8)
    white = np.exp(rng.normal(0, 0.12, 3))
    blur, seed = rng.uniform(0.4, 1.1), int(rng.integers(1e9))
    pictures = [
        None if p is None else develop(p, gain, white / white[1], blur, np.random.default_rng(seed))
        for p in (shot["picture"], shot["clean"])
    ]
    spec = shot["spec"]
    return walls(pictures[0], pictures[1], shot["frame"], spec.headspace_mm, spec.lit, rng)


def render(first: int, count: int, folder: Path, spp: int) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(first, first + count):
            spec, rng = draw(seed), np.random.default_rng([seed, 77])
            if spec.filling != "wax" or spec.vessel.squareness:
                continue
            sooty = spec.pool is not None and rng.random() < 0.65
            spec = replace(spec, soot=draw_soot(np.random.default_rng([seed, 9])) if sooty else None)
            unlit = tuple(replace(wick, flame_mm=0.0, ball_mm=0.0) for wick in spec.wicks)
            new = replace(
                spec, seed=seed + 10**6, soot=None, pool=None, debris=0, ring_mm=0.0, wicks=unlit,
                view=draw_view(rng, spec.vessel), headspace_mm=max(spec.headspace_mm * rng.uniform(0.5, 1.0), 1.5),
            )  # fmt: skip
            now, before = (shoot(one, rng, Path(scratch), spp) for one in (spec, new))
            both = {"now": rendered(now, rng) + rendered(now, rng), "before": rendered(before, rng)}
            (folder / f"{seed}.wall").write_bytes(pickle.dumps(both))


def photos(folder: Path) -> None:
    """Clean test photos of all candles but those kept out of training."""
    from pooleye.photo import load_photo

    tests = Path(__file__).parents[2] / "tests" / "photos"
    told = json.loads((tests / "truth.json").read_text(encoding="utf-8"))
    rng = np.random.default_rng(5)
    shots = [
        s
        for s in told["shots"]
        if s["view"] == "top" and s["measurable"] and s["candle"] not in told["kept_out_of_training"]
    ]
    new = {s["candle"]: s for s in shots if s["checkpoint_minutes"] is None}
    for shot in shots:
        if not shot["soot"]["present"]:
            now, before = (
                walls(load_photo(tests / s["file"]).rgb, None, true_frame(s), s["headspace_mm"], s["lit"], rng)
                for s in (shot, new[shot["candle"]])
            )
            (folder / f"{Path(shot['file']).stem}.photo").write_bytes(pickle.dumps({"now": now, "before": before}))


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("what", choices=["render", "photos"])
    p.add_argument("rest", nargs="*")
    p.add_argument("--variant", default="llvm_ad_rgb")
    p.add_argument("--spp", type=int, default=32)
    a = p.parse_args()
    folder = Path(a.rest[-1])
    folder.mkdir(parents=True, exist_ok=True)
    if a.what == "photos":
        photos(folder)
        return
    import mitsuba as mi

    mi.set_variant(a.variant)
    render(int(a.rest[0]), int(a.rest[1]), folder, a.spp)


if __name__ == "__main__":
    main()
