"""Renders whole photos from above of scenes drawn at random: `python -m studio.make_photos FIRST COUNT FOLDER`.

With their truth beside them, so that `pooleye accuracy FOLDER` tells how it does on what nothing was ever set on: take
seeds that no training used. Scenes that no maker would photograph so (tilted over 24 degrees, the mouth cut off) are
left out, and those where another vessel is as likely meant: nothing burns, and it stands nearer to the middle. Soot has
no truth here, since its own needs a second picture without it.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import scene, seeds, top_truth, truth
from . import spec as spec_module
from .camera import Pinhole, top_camera
from .make_dataset import clamp, glow
from .phone import Phone, Tags, develop, save

LONG_PX = 1400
MOST_TILT_DEG = 24.0
UNLIT_SHARE = 0.5  # of the unlit ones that are kept


def whole_photo(seed: int, spp: int, scratch: Path, out: Path) -> dict[str, Any] | None:
    """One photo with its EXIF, written to `out`, and its entry of the truth; None where the scene is left out."""
    rng = np.random.default_rng([seed, 9])
    spec = spec_module.draw(seed)
    camera = top_camera(spec.view, LONG_PX)
    facts = top_truth.rim_facts(spec, camera)
    unlucky = not spec.lit and rng.random() < 1 - UNLIT_SHARE
    if spec.view.tilt_deg > MOST_TILT_DEG or not facts["rim_fully_in_frame"] or unlucky:
        return None
    built, extra = scene.build(spec, camera, scratch)
    if not spec.lit and another_is_meant(camera, extra["others"]):
        return None
    crop = (0, 0, camera.width_px, camera.height_px)
    light = glow(clamp(scene.render(built, camera, None, spp)), spec, truth.surfaces(spec, camera, crop))
    phone = Phone(exposure=float(rng.uniform(0.7, 1.1)), jpeg_quality=90)
    name, tags = f"top_{seed}.jpg", Tags("2025:03:01 12:00:00", focal_35mm=round(spec.view.focal_35mm))
    save(develop(light.astype(np.float32), phone, seed), out / name, tags, phone)
    vessel, untold = spec.vessel, {"delta_L_by_sector": [None] * 12, "delta_L_mean": None}
    shot = {"file": name, "candle": str(seed), "state": "", "soot": {"present": spec.soot is not None} | untold}
    round_ = vessel.squareness == 0 and abs(vessel.ovality - 1) < 1e-6
    if spec.filling != "wax" or not round_:
        why = "no candle" if round_ else "not round"
        vessel_facts = top_truth.vessel_facts(spec)
        return {**shot, "view": "top", "measurable": False, "reason": why, **facts, **vessel_facts}
    told = top_truth.top_facts(spec, camera, shot["soot"])
    camera_told = {**told["camera"], "has_exif": True, "exif_orientation": 1}
    return {**shot, "measurable": True, **told, "camera": camera_told}


def another_is_meant(camera: Pinhole, others: list[tuple[NDArray[np.float64], float, float]]) -> bool:
    """Whether another vessel's mouth (place, radius, height) is nearer to the picture's middle than the candle's."""
    middle = (np.array([camera.width_px, camera.height_px]) - 1) / 2
    mouths = np.array([[0.0, 0.0, 0.0], *(place + np.array([0, 0, height]) for place, _, height in others)])
    away = np.hypot(*(camera.project(mouths) - middle).T)
    return bool((away[1:] < away[0]).any())


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    seeds.add_arguments(p, spp=48)
    a = p.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    shots = seeds.each(a, lambda seed, scratch: whole_photo(seed, a.spp, scratch, a.out))
    (a.out / "truth.json").write_text(json.dumps({"shots": shots}, indent=1, default=float))


if __name__ == "__main__":
    main()
