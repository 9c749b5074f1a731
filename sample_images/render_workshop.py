#!/usr/bin/env python
"""Renders the workshop's photos: `python sample_images/render_workshop.py [PART OF A NAME ...]`.

Needs `pip install -e '.[render]'`. Each photo is written with its truth beside it (NAME.json); what is there is left
alone, so the command can be stopped and run again, and `--share K/N` lets N processes split the work. At the end
`--collect DIR` gathers the truths into workshop/truth.json and makes the clip of its frames (needs PyAV).
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
WORKSHOP = HERE / "workshop"

if TYPE_CHECKING:
    from studio.workshop import Shot

TUNING = (
    "No network was trained on these photos. When the photos from above were first measured, 2 of 67 good ones "
    "were declined and 2 rims were wrong altogether (by 14 % and 4 %): through clear glass the wax had been taken "
    "for the mouth. What was changed since was tried on these and the development photos alike, so they are "
    "unseen no longer: how ample the close look is and which trained weights it uses, when to look again, the "
    "weighing of rings, how thin a film of wax at the wall is believed, the readers of soot, limits of the side "
    "view. The side views are a choice of those that measured well, out of 24, and no evidence at all."
)


def particulars(shot: Shot) -> dict[str, Any]:
    """What a truth says of the file itself."""
    from studio import story

    look, one = shot.look, story.specimens()[shot.look.candle]
    return {
        "file": look.file,
        "candle": one.code,
        "burn": look.burn,
        "checkpoint_minutes": None if look.burn is None else look.minutes,
        "measurable": not look.blurred,
        "reason": "blurred" if look.blurred else None,
        "background": shot.scene.table,
        "label_in_picture": look.tag,
    }


def with_file_facts(facts: dict[str, Any], shot: Shot) -> dict[str, Any]:
    facts["camera"] |= {"has_exif": shot.tags is not None, "exif_orientation": shot.look.orientation}
    return particulars(shot) | facts


def make_top(shot: Shot, path: Path, long_side: int, spp: int) -> dict[str, Any]:
    from studio import phone, top_truth, tracing
    from studio.camera import top_camera

    camera = top_camera(shot.spec.view, long_side)

    def light(*, soot: bool) -> Any:
        with tempfile.TemporaryDirectory() as scratch:
            made = tracing.radiance(shot.spec, shot.scene, shot.glow, long_side, spp, Path(scratch), soot=soot)
        return tracing.calmed_glass(made, shot.spec, camera)

    seen = light(soot=True)
    chosen = phone.choose(seen, shot.phone)
    phone.save(phone.develop(seen, shot.phone, shot.spec.seed, chosen), path, shot.tags, shot.phone)
    pictures: tuple[Any, Any] = (None, None)
    if shot.spec.soot is not None and not shot.look.blurred:
        pair = (seen, light(soot=False))
        pictures = tuple(phone.develop(a, shot.phone, 0, chosen, noise=False) for a in pair)
    soot = top_truth.soot_facts(shot.spec, camera, *pictures)
    return with_file_facts(top_truth.top_facts(shot.spec, camera, soot), shot)


def make_side(shot: Shot, path: Path, long_side: int, spp: int) -> dict[str, Any]:
    from studio import phone, side

    assert shot.side is not None
    assert shot.seen is not None
    with tempfile.TemporaryDirectory() as scratch:
        seen = side.radiance(shot.spec, shot.seen, shot.scene, shot.side, long_side, spp, Path(scratch))
    camera = side.side_camera(shot.side, shot.spec.vessel, long_side)
    tags = replace(shot.tags, focal_35mm=round(side.focal_35mm(camera))) if shot.tags else None
    phone.save(phone.develop(seen, shot.phone, shot.spec.seed), path, tags, shot.phone)
    return side_truth(shot, long_side)


def side_truth(shot: Shot, long_side: int) -> dict[str, Any]:
    from studio import side, top_truth

    assert shot.side is not None
    assert shot.seen is not None
    camera = side.side_camera(shot.side, shot.spec.vessel, long_side)
    facts = side.side_facts(shot.spec, shot.seen, shot.side, camera)
    shared = top_truth.vessel_facts(shot.spec)
    return with_file_facts(facts | shared, shot)


def make_clip(shot: Shot, path: Path, spp: int, share: slice) -> dict[str, Any]:
    """This share of the clip's frames as JPEGs in a folder of its name; those that are there are left alone."""
    from studio import phone, side

    folder = path.with_suffix("")
    folder.mkdir(parents=True, exist_ok=True)
    assert shot.side is not None
    assert shot.seen is not None

    def light(height: float) -> Any:
        spec = replace(shot.spec, wicks=(replace(shot.spec.wicks[0], flame_mm=float(height)),))
        with tempfile.TemporaryDirectory() as scratch:
            return side.radiance(spec, shot.seen, shot.scene, shot.side, shot.long_side_px, spp, Path(scratch))

    chosen = phone.choose(light(shot.frames_mm[0]), shot.phone)  # a clip keeps the exposure it began with
    for k, height in list(enumerate(shot.frames_mm))[share]:
        frame = folder / f"frame_{k:03d}.jpg"
        if not frame.exists():
            seen = light(height)
            phone.save(phone.develop(seen, shot.phone, k, chosen), frame, None, replace(shot.phone, jpeg_quality=92))
    return clip_truth(shot)


def clip_truth(shot: Shot) -> dict[str, Any]:
    """That of its first picture, with the flame's height in every one."""
    from studio import story

    heights = np.array(shot.frames_mm)
    facts = side_truth(shot, shot.long_side_px)
    facts["flame"] |= {
        "height_mm": round(float(heights.mean()), 2),
        "height_max_mm": round(float(heights.max()), 2),
        "heights_mm": np.round(heights, 2).tolist(),
        "frames_per_second": story.CLIP_FPS,
        "flicker_hz": story.FLICKER_HZ,
    }
    return facts


def join_clip(frames: Path, target: Path) -> None:
    """H.264 in MP4 from a folder of JPEGs."""
    import av
    from PIL import Image
    from studio import story

    target.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(target), "w") as container:
        stream = container.add_stream("libx264", rate=story.CLIP_FPS, options={"crf": "23", "preset": "slow"})
        for k, one in enumerate(sorted(frames.glob("frame_*.jpg"))):
            with Image.open(one) as picture:
                frame = av.VideoFrame.from_image(picture.convert("RGB"))
            if k == 0:
                stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, "yuv420p"
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def write_scenario() -> None:
    """workshop/scenario.json from the story: one entry a line."""
    from studio.log import scenario

    parts = []
    for key, value in scenario().items():
        lines = ",\n  ".join(json.dumps(one, ensure_ascii=False) for one in value) if isinstance(value, list) else ""
        parts.append(f'"{key}": ' + (f"[\n  {lines}\n]" if lines else json.dumps(value, ensure_ascii=False)))
    WORKSHOP.mkdir(exist_ok=True)
    (WORKSHOP / "scenario.json").write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8")


def collect(out: Path) -> None:
    """Photos, clip and truth.json from a folder of renders into workshop/."""
    from studio.story import looks

    write_scenario()
    facts = []
    for look in looks():
        made, target = out / look.file, WORKSHOP / "photos" / look.file
        sidecar = made.with_name(made.name + ".json")
        if not sidecar.is_file():
            print(f"missing: {look.file}")
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        if look.clip:
            join_clip(made.with_suffix(""), target)
        elif made.resolve() != target.resolve():
            shutil.copy(made, target)
        facts.append(json.loads(sidecar.read_text()))
    rows = ",\n".join(json.dumps(one, separators=(",", ":")) for one in facts)
    head = json.dumps({"format": "../README.md", "folder": "photos", "tuning": TUNING})[:-1]
    (WORKSHOP / "truth.json").write_text(f'{head}, "shots": [\n{rows}\n]}}\n')


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("names", nargs="*", help="parts of file names; default all")
    p.add_argument("--spp", type=int, default=96, help="light paths a pixel")
    p.add_argument("--long-side", type=int, default=None, help="of the pictures, for a quick look")
    p.add_argument("--frames", type=int, default=None, help="of the clip, for a quick look")
    p.add_argument("--variant", default="scalar_rgb", help="of Mitsuba: cuda_ad_rgb is fastest")
    p.add_argument("--share", default="1/1", help="K/N: every N-th photo, from the K-th on")
    p.add_argument("--out", type=Path, default=Path.home() / ".cache" / "pooleye-workshop")
    p.add_argument("--collect", type=Path, help="gather a folder of renders into workshop/, render nothing")
    p.add_argument("--scenario", action="store_true", help="write workshop/scenario.json, render nothing")
    a = p.parse_args()
    if a.scenario:
        return write_scenario()
    if a.collect:
        return collect(a.collect)
    import cv2
    import mitsuba as mi

    cv2.setNumThreads(2)
    mi.set_variant(a.variant)
    from studio import workshop

    turn, of = (int(v) for v in a.share.split("/"))
    wanted = [s for s in workshop.shots() if not a.names or any(n in s.look.file for n in a.names)]
    share = slice(turn - 1, None, of)
    mine = wanted[share]
    clips = [s for s in wanted if s.look.clip and not any(s is one for one in mine)]
    for shot in mine + clips:
        path = a.out / shot.look.file
        sidecar = path.with_name(path.name + ".json")
        if sidecar.exists() and not shot.look.clip:
            continue
        started = time.monotonic()
        path.parent.mkdir(parents=True, exist_ok=True)
        if shot.look.clip:  # every process takes its share of the frames
            facts = make_clip(replace(shot, frames_mm=shot.frames_mm[: a.frames]), path, max(a.spp // 2, 4), share)
        else:
            make = make_top if shot.look.view == "top" else make_side
            facts = make(shot, path, a.long_side or shot.long_side_px, a.spp)
        sidecar.write_text(json.dumps(facts))
        print(f"{shot.look.file}: {time.monotonic() - started:.1f} s", flush=True)


if __name__ == "__main__":
    main()
