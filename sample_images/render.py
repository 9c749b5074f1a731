#!/usr/bin/env python
"""Renders the sample photos: `python sample_images/render.py [NAME ...]` (needs `pip install -e '.[render]'`).

Light is traced once per photo and kept in a cache folder under a hash of all that shapes it, so the command can be
stopped and run again, and a change to the phone alone costs a second. Writes the photos and truth.json beside itself.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import sys
import tempfile
import time
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

if TYPE_CHECKING:
    from studio.samples import Shot

Linear = NDArray[np.float32]
SHAPING = ("camera", "geometry", "looks", "scene", "sets", "spec", "tracing")  # modules whose code decides the light


def fingerprint(shot: Shot, spp: int, *, soot: bool = True) -> str:
    """Names the light of a shot: its Spec, set and glow, the sample count and the studio's own code."""
    text = json.dumps(
        [asdict(shot.spec), asdict(shot.scene), asdict(shot.glow), shot.long_side_px, spp, soot],
        default=plain,
        sort_keys=True,
    )
    return hashlib.sha256((text + studio_source()).encode()).hexdigest()[:16]


@cache
def studio_source() -> str:
    """The studio's code without its layout and comments: formatting it must not cost a render."""
    return "".join(ast.dump(ast.parse((HERE / "studio" / f"{name}.py").read_text())) for name in SHAPING)


def plain(value: Any) -> Any:
    return value.tolist()


def light_of(shot: Shot, spp: int, folder: Path, *, soot: bool = True) -> Linear:
    """Linear radiance from the cache, or traced and put there."""
    from studio import tracing

    path = folder / f"{fingerprint(shot, spp, soot=soot)}.npy"
    if not path.is_file():
        started = time.monotonic()
        with tempfile.TemporaryDirectory() as scratch:
            made = tracing.radiance(shot.spec, shot.scene, shot.glow, shot.long_side_px, spp, Path(scratch), soot=soot)
        partial = path.with_suffix(".part.npy")
        np.save(partial, made.astype(np.float16))
        partial.rename(path)
        print(f"  light of {shot.file}: {time.monotonic() - started:.0f} s", flush=True)
    return np.load(path).astype(np.float32)


def make(shot: Shot, spp: int, folder: Path) -> dict[str, Any]:
    """Writes one photo and returns its truth."""
    from studio import phone, top_truth, tracing
    from studio.camera import top_camera

    camera = top_camera(shot.spec.view, shot.long_side_px)
    light = tracing.calmed_glass(light_of(shot, spp, folder), shot.spec, camera)
    chosen = phone.choose(light, shot.phone)
    phone.save(phone.develop(light, shot.phone, shot.spec.seed, chosen), HERE / shot.file, shot.tags, shot.phone)
    pictures: tuple[Any, Any] = (None, None)
    if shot.spec.soot is not None:
        clean = tracing.calmed_glass(light_of(shot, spp, folder, soot=False), shot.spec, camera)
        pictures = tuple(phone.develop(a, shot.phone, 0, chosen, noise=False) for a in (light, clean))
    facts = top_truth.top_facts(shot.spec, camera, top_truth.soot_facts(shot.spec, camera, *pictures))
    facts["camera"] |= {
        "has_exif": shot.tags is not None,
        "exif_orientation": shot.tags.orientation if shot.tags else 1,
    }
    return {
        "file": shot.file,
        "candle": shot.candle,
        "checkpoint_minutes": shot.minutes,
        "state": shot.state,
        "measurable": shot.measurable,
        "reason": shot.reason,
        "background": shot.scene.table,
    } | facts


def record(facts: list[dict[str, Any]], order: list[str]) -> None:
    """Puts the new facts into truth.json, in the order of the list of shots."""
    path = HERE / "truth.json"
    known = {s["file"]: s for s in json.loads(path.read_text())["shots"]} if path.is_file() else {}
    known |= {s["file"]: s for s in facts}
    rows = ",\n".join(json.dumps(known[name], separators=(",", ":")) for name in order if name in known)
    path.write_text(f'{{"format": "README.md", "shots": [\n{rows}\n]}}\n')


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("names", nargs="*", help="files to make, with or without ending; default all")
    p.add_argument("--spp", type=int, help="light paths a pixel, instead of what the list of shots says")
    p.add_argument(
        "--variant", default="scalar_rgb", help="of Mitsuba; llvm_ad_rgb is about six times as fast and needs LLVM"
    )
    p.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "pooleye-samples")
    a = p.parse_args()
    import mitsuba as mi

    mi.set_variant(a.variant)
    from studio.samples import SHOTS

    a.cache.mkdir(parents=True, exist_ok=True)
    wanted = [s for s in SHOTS if not a.names or s.file in a.names or Path(s.file).stem in a.names]
    for shot in wanted:
        record([make(shot, a.spp or shot.spp, a.cache)], [s.file for s in SHOTS])
        print(shot.file, flush=True)


if __name__ == "__main__":
    main()
