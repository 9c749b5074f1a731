"""Training crops from photos with known truth: `python -m studio.from_photos FOLDER OUT.npz --leave-out d3 d6 d8`.

FOLDER holds photos and a truth.json in the form of `sample_images/README.md`. What the truth does not say pixel by
pixel (flame, crumbs) is taken from the present network, so that fine-tuning leaves it alone.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import camera_for
from pooleye.optics.circle_pose import circle_poses
from pooleye.optics.colour import srgb_to_linear
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.photo import load_photo
from pooleye.top.closeup import look_close

SIZE, REACH = 400, 1.6  # px, rim radii from the centre to the crop's edge
LIP_MM = 0.8


def draw(shape_px: NDArray[np.float64], px: int = SIZE) -> NDArray[np.float32]:
    mask = np.zeros((px, px), np.uint8)
    cv2.fillPoly(mask, [np.round(shape_px * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def crop_of(shot: dict[str, Any], folder: Path) -> dict[str, NDArray[Any]]:
    photo = load_photo(folder / shot["file"])
    r = shot["rim_ellipse_px"]
    rim = Ellipse(r["cx"], r["cy"], r["semi_major"], r["semi_minor"], np.radians(r["angle_deg"])).mapped(
        1 / photo.scale_px
    )
    step = REACH * rim.a / (SIZE / 2)
    to_photo = np.array([[step, 0, rim.cx - step * (SIZE - 1) / 2], [0, step, rim.cy - step * (SIZE - 1) / 2]])
    soft = cv2.GaussianBlur(photo.rgb, (0, 0), 0.4 * step) if step > 1.2 else photo.rgb
    picture = cv2.warpAffine(
        soft, to_photo, (SIZE, SIZE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT
    )

    def here(px: Any) -> NDArray[np.float64]:
        return (np.atleast_2d(px) - to_photo[:, 2]) / step

    camera = camera_for(photo.full_size_px, shot["camera"]["focal_35mm"]).scaled(1 / photo.scale_px)
    radius = shot["vessel"]["rim_inner_diameter_mm"] / 2
    foot = (np.array(shot["wick"]["base_px"]) + 0.5) / photo.scale_px - 0.5
    frames = [VesselFrame(p, camera, radius) for p in circle_poses(rim, radius, camera)]
    depth = shot["headspace_mm"] - LIP_MM
    frame = min(frames, key=lambda f: abs(np.hypot(*f.to_plane(foot, depth)[0]) - shot["wick"]["offset_mm"]))
    pool = shot.get("pool") or {}
    ring = 1.8 if pool.get("present") and pool["coverage"] < 0.98 else 0.0
    mouth = draw(here(rim.points(360)))
    wax = draw(here(frame.wall_circle_px(depth - ring))) * mouth
    wet = np.zeros_like(mouth)
    if pool.get("present"):
        wet = draw(here((np.array(pool["outline_px"]) + 0.5) / photo.scale_px - 0.5)) * mouth
    look = look_close(photo.rgb, rim)
    grid = np.stack(np.meshgrid(np.arange(SIZE), np.arange(SIZE)), -1).reshape(-1, 2) * step + to_photo[:, 2]
    at = look.to_square(grid).astype(np.float32).reshape(SIZE, SIZE, 2)

    def learnt(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.remap(values, at[..., 0], at[..., 1], cv2.INTER_LINEAR), np.float32)

    ball = np.zeros_like(mouth)
    tip = here((np.array(shot["wick"]["tip_px"]) + 0.5) / photo.scale_px - 0.5)[0]
    size = shot["wick"].get("mushroom_diameter_mm") or 0.0
    if size:
        scale = camera.f_px / (frame.pose.distance_mm + depth - 8) / step
        angle = np.linspace(0, 2 * np.pi, 40)
        ball = draw(tip + size / 2 * scale * np.stack([np.cos(angle), np.sin(angle)], 1))
    if shot["state"] == "tunnelling":  # the wax at the wall stands far above the pool, by how much is not in the truth
        wax = learnt(look.wax) * mouth
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    centre = here(foot)[0]
    sigma = 0.03 * rim.a / step
    wick = np.exp(-((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / (2 * sigma**2))
    stack = np.stack([mouth, wax, wet, learnt(look.flame), ball, wick, learnt(look.crumbs)], -1)
    ellipse = np.array([*here([[rim.cx, rim.cy]])[0], rim.a / step, rim.b / step, rim.angle_rad], np.float32)
    linear = srgb_to_linear(picture)
    labels = np.round(stack * 255).clip(0, 255).astype(np.uint8)
    return {"picture": linear.astype(np.float16), "labels": labels, "rim": ellipse}


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder", type=Path)
    p.add_argument("out", type=Path)
    p.add_argument("--leave-out", nargs="*", default=[])
    a = p.parse_args()
    shots = json.loads((a.folder / "truth.json").read_text())["shots"]
    use = [s for s in shots if s["view"] == "top" and s["measurable"] and s["candle"] not in a.leave_out]
    rows = [crop_of(s, a.folder) for s in use]
    np.savez(a.out, **{k: np.stack([r[k] for r in rows]) for k in rows[0]})
    print(len(rows), "crops")


if __name__ == "__main__":
    main()
