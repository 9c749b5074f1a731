"""Renders training pictures: `python -m studio.make_dataset near|far FIRST COUNT OUT.npz [--variant V]`.

`near`: the vessel's mouth filling most of a square, with masks.
`far`: the whole photo, small, with every mouth and flame in it. Pictures stay linear (float16); the phone is
simulated while training, so that one render serves many exposures, white balances, blurs and noises.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import seeds

NEAR_PX, FAR_PX = 400, (384, 288)
CUPS, OBLIQUE = 0.12, 0.05  # shares of `far` pictures


def clamp(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cuts the renderer's fireflies: nothing outshines 60 times the median, nor its own neighbourhood by 20."""
    import cv2

    top = 60 * max(float(np.median(picture)), 1e-4)
    picture = np.nan_to_num(np.minimum(picture, top))
    around = cv2.medianBlur(picture, 3)
    spark = picture.max(-1, keepdims=True) > 4 * around.max(-1, keepdims=True) + 0.02 * top / 60
    return np.where(spark, around, picture)


def glow(picture: NDArray[np.float32], spec: Any, made: dict[str, NDArray[np.float32]]) -> NDArray[np.float32]:
    """Light that the flame sends through the wax itself, which the surface-only wax of the studio lacks."""
    if spec.pool is None or not spec.lit or spec.pool.glow == 0:
        return picture
    rng = np.random.default_rng([spec.seed, 3])
    t = made["from_flame_mm"] / (rng.uniform(0.1, 0.5) * spec.vessel.rim_inner_mm)
    fall = (np.exp(-t), np.exp(-(t**2)), 1 / (1 + t**2))[int(rng.integers(0, 3))]
    where = made["wax"] if rng.random() < 0.7 else made["pool"]
    level = float(np.median(picture[made["wax"] > 0.5])) if (made["wax"] > 0.5).any() else 0.0
    warm = np.array([1.0, 0.82, 0.55]) * spec.wax_colour / spec.wax_colour.max()
    return (picture + (spec.pool.glow * level * fall * where)[..., None] * warm).astype(np.float32)


def near(seed: int, spp: int, scratch: Path) -> dict[str, NDArray[Any]]:
    from . import camera as cam
    from . import scene, truth
    from . import spec as spec_module

    spec = spec_module.draw(seed)
    rng = np.random.default_rng([seed, 4])
    view = replace(spec.view, aim=(0.5 + 0.6 * (spec.view.aim[0] - 0.5), 0.5 + 0.6 * (spec.view.aim[1] - 0.5)))
    rough = cam.ellipse_of_circle(cam.top_camera(view, 1000), spec.vessel.rim_inner_mm / 2)
    long_side = int(1000 * NEAR_PX / (rough[2] * rng.uniform(2.9, 3.5)))
    camera = cam.top_camera(view, long_side)
    rim = cam.ellipse_of_circle(camera, spec.vessel.rim_inner_mm / 2)
    corner = [round(rim[k] - NEAR_PX / 2) for k in (0, 1)]
    # the picture may be smaller than the crop: let the film grow instead, the camera stays the same
    pad = [max(-corner[k], corner[k] + NEAR_PX - size, 0) for k, size in ((0, camera.width_px), (1, camera.height_px))]
    camera = replace(camera, width_px=camera.width_px + 2 * pad[0], height_px=camera.height_px + 2 * pad[1])
    crop = (corner[0] + pad[0], corner[1] + pad[1], NEAR_PX, NEAR_PX)
    built, extra = scene.build(spec, camera, scratch)
    picture = clamp(scene.render(built, camera, crop, spp))
    made = truth.surfaces(spec, camera, crop)
    labels = truth.masks(spec, camera, crop, extra["crumbs"], made)
    return {
        "picture": glow(picture, spec, made).astype(np.float16), "labels": labels, "seed": np.int64(seed),
        "rim": np.array([rim[0] - corner[0], rim[1] - corner[1], rim[2], rim[3], np.radians(rim[4])], np.float32),
    }  # fmt: skip


def far(seed: int, spp: int, scratch: Path) -> dict[str, NDArray[Any]]:
    from . import camera as cam
    from . import scene, truth
    from . import spec as spec_module

    rng = np.random.default_rng([seed, 5])
    cup = rng.random() < CUPS
    spec = spec_module.draw(seed, "not_candle" if cup else None)
    view = replace(spec.view, portrait=False)
    if cup or rng.random() < OBLIQUE:  # seen from a chair: nothing to measure, but which round edge is the mouth
        view = replace(view, tilt_deg=float(rng.uniform(20, 55)))
    camera = cam.top_camera(view, FAR_PX[0])
    built, extra = scene.build(spec, camera, scratch)
    present = rng.random() > 0.06
    if not present:
        gone = ("vessel", "wax", "pool", "skirt", "soot", "wick", "ball", "flame", "crumb", "saucer", "handle")
        built = {k: v for k, v in built.items() if not k.startswith(gone)}
    crop = (0, 0, camera.width_px, camera.height_px)
    picture = clamp(scene.render(built, camera, crop, spp))
    if present:
        picture = glow(picture, spec, truth.surfaces(spec, camera, crop))
    return {
        "picture": picture.astype(np.float16),
        "labels": truth.mouths(spec, camera, crop, extra["others"], main=present),
        "seed": np.int64(seed),
    }


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("what", choices=["near", "far"])
    seeds.add_arguments(p, spp=64)
    a = p.parse_args()
    make = near if a.what == "near" else far
    rows = seeds.each(a, lambda seed, scratch: make(seed, a.spp, scratch))
    np.savez(a.out, **{k: np.stack([r[k] for r in rows]) for k in rows[0]})


if __name__ == "__main__":
    main()
