"""The workshop's photos, from its story: where each candle stands, how it is lit, how the phone is held.

Nothing is drawn at random but what a hand would vary: camera, turn of the vessel, place of the label; the seed is the
photo's own, so that the same photo comes out again.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from . import samples, sets, story
from .phone import Phone, Tags
from .samples import AFTERNOON, CREAM, DAY, EVENING, IVORY, KITCHEN, OVERCAST, SAGE
from .sets import Prop, Set
from .side import SideState, SideView
from .spec import Soot, Spec, Vessel
from .story import Look, Specimen, State
from .tracing import Glow

LONG_SIDE_PX, ALONE_LONG_SIDE_PX = 1600, 1200
CLIP_LONG_SIDE_PX = 560
WAX = {story.FIG: CREAM, story.RAIN: SAGE, "unscented": IVORY}
FINISH = {
    "clear_glass": {"colour": (0.985, 0.99, 0.985), "roughness": 0.12},
    "tin": {"colour": (0.46, 0.47, 0.50), "lip_width": 2.2, "roughness": 0.2},
    "tealight": {"colour": (0.86, 0.86, 0.87), "lip_width": 1.4, "roughness": 0.16},
}
HAND = {story.FIG: "Fig & Cedar", story.RAIN: "Rain on Slate", "unscented": "tea light"}


@dataclass(frozen=True)
class Shot:
    """One photo to make. `side` and `seen` only for a view from the side; `frames_mm`: flame heights of a clip."""

    look: Look
    spec: Spec
    scene: Set
    phone: Phone
    tags: Tags | None
    glow: Glow
    side: SideView | None = None
    seen: SideState | None = None
    frames_mm: tuple[float, ...] = ()
    long_side_px: int = LONG_SIDE_PX


def vessel_of(jar: story.Jar) -> Vessel:
    return samples.vessel(jar.kind, jar.rim_inner, jar.height, jar.wall, jar.lip, **FINISH[jar.kind])  # type: ignore[arg-type]


def rng_of(look: Look) -> np.random.Generator:
    return np.random.default_rng(zlib.crc32(f"{look.candle} {look.burn} {look.minutes} {look.view}".encode()))


def pool_of(one: Specimen, state: State, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """An outline of the told mean width about the wick, a little uneven."""
    if state.pool_mm == 0:
        return None
    wall = one.jar.rim_inner / 2
    if state.pool_mm >= one.jar.rim_inner:
        return samples.pool(2 * wall, wall)
    uneven = min(0.02 * state.pool_mm, 0.35 * (wall - state.pool_mm / 2) + 0.1)
    ripples = tuple((k, float(uneven / k**0.5 * rng.uniform(0.4, 1)), float(rng.uniform(0, 6.28))) for k in (2, 3, 5))
    room = wall - state.pool_mm / 2
    offset = np.array(state.wick_at)
    pull = min(0.7, 0.5 * room / max(float(np.hypot(*offset)), 0.1))
    return samples.pool(
        state.pool_mm / 2, wall, centre=tuple(pull * offset), ripples=ripples, darkness=0.70, softness=0.4
    )


def soot_of(one: Specimen, state: State) -> Soot | None:
    """On one side of the rim, as a draught would have it; the same side all the candle's life."""
    if state.soot == 0:
        return None
    return samples.soot(state.soot, 40.0 + 95 * one.number, 62, 7.0 + 6.0 * state.soot)


def spec_of(one: Specimen, look: Look, state: State, view: object, rng: np.random.Generator) -> Spec:
    used = look.burn is not None
    small = one.jar.kind == "tealight"
    stub = (4.0 if small else 5.2) if used else (5.5 if small else 7.0)
    loose = one.drifts and look.burn == 2
    wick = samples.wick(
        state.wick_at,
        stub=stub,
        lean=(8.0 + 12.0 * used * rng.random() + 22.0 * loose),
        towards=0.64 if loose else float(rng.uniform(0, 6.28)),
        radius=one.wicking.width_mm / 2,
        used=used,
        ball=state.ball_mm,
        flame=state.flame_mm,
        flame_lean=float(rng.normal(0, 2.5)),
    )
    return samples.candle(
        500 + one.number,
        vessel_of(one.jar),
        state.headspace_mm,
        WAX[one.scent],
        (wick,),
        view,  # type: ignore[arg-type]
        pool=pool_of(one, state, rng),
        soot=soot_of(one, state),
        ring=state.ring_mm,
    )


def light_of(look: Look, one: Specimen) -> sets.Light:
    """Another weather every day; the tins and the tea light burn in the evening."""
    if look.burn is None:
        return OVERCAST
    if one.number <= 9:
        return (DAY, OVERCAST, KITCHEN, AFTERNOON)[look.burn - 1]
    return EVENING if one.jar.kind == "tealight" else (AFTERNOON, KITCHEN)[look.burn - 1]


def phone_of(look: Look, light: sets.Light, rng: np.random.Generator) -> Phone:
    dim = light is EVENING
    lit = look.burn is not None
    made = Phone(
        exposure=float((0.82 if lit else 1.0) * rng.uniform(0.92, 1.1)),
        bloom=0.8,
        electrons=2800 if dim else 6000,
        warmth=float(rng.uniform(0.5, 0.68)),
        jpeg_quality=86,
    )
    return replace(made, defocus_px=10.0, motion_px=44, motion_deg=31, electrons=1500) if look.blurred else made


def tags_of(look: Look, light: sets.Light) -> Tags | None:
    if not look.exif:
        return None
    return Tags(
        f"{look.taken:%Y:%m:%d %H:%M:%S}", story.ZONE, 26, look.orientation, iso=500 if light is EVENING else 125
    )


def tag_text(one: Specimen) -> str:
    return f"{one.code}|{HAND[one.scent]}|{one.wicking.name}"


BENCH = {
    1: (
        Prop("pencil", (0.14, 0.62), 66, 150, (0.62, 0.33, 0.05)),
        Prop("matches", (0.88, 0.20), 25, 53, (0.12, 0.25, 0.24)),
    ),
    2: (Prop("ruler", (0.50, 0.90), 3, 168), Prop("sprig", (0.12, 0.22), 70, 120, (0.20, 0.30, 0.19), seed=4)),
    3: (Prop("saucer", (0.12, 0.80), 15, 84, (0.70, 0.69, 0.66), seed=1),),
    0: (Prop("wicks", (0.14, 0.78), 35, 86, seed=3), Prop("pencil", (0.86, 0.85), 155, 150, (0.12, 0.25, 0.4))),
}


def top_shot(look: Look, one: Specimen, state: State) -> Shot:
    rng, light = rng_of(look), light_of(look, one)
    scale = {"clear_glass": 1.0, "tin": 1.12, "tealight": 0.78}[one.jar.kind]
    portrait = rng.random() < 0.3
    view = samples.view(
        float(scale * rng.uniform(158, 188)),
        float(rng.uniform(4, 15)) if look.burn else float(rng.uniform(2, 8)),
        float(rng.uniform(0, 360)),
        float(rng.normal(0, 7)),
        aim=(float(rng.normal(0.5, 0.02)), float(rng.normal(0.5, 0.02))),
        portrait=portrait,
    )
    # the roll brings the picture upright for a tester who always stands on the same side of the bench
    view = replace(view, roll_deg=view.roll_deg + np.degrees(view.tilt_azimuth))
    place = (0.30, 0.11) if portrait else (0.845, 0.22 if rng.random() < 0.5 else 0.76)
    things = tuple(p for p in BENCH[one.number % 4] if np.hypot(p.at[0] - place[0], p.at[1] - place[1]) > 0.3)
    if portrait:
        things = tuple(replace(p, at=(p.at[0], 0.90)) for p in things[:1] if p.kind != "ruler")
    tag = (Prop("tag", place, float(rng.normal(0, 6)), 66, (0.78, 0.76, 0.70), tag_text(one)),) if look.tag else ()
    table = "oak" if one.number <= 9 else "slate" if one.jar.kind == "tin" else "linen"
    made = Set(table, float(rng.uniform(-20, 20)) + 60 * one.number, light, tag + things, seed=11)
    spec = spec_of(one, look, state, view, rng)
    return Shot(look, spec, made, phone_of(look, light, rng), tags_of(look, light), Glow(0.27, 0.33))


#: Half of width and height, px, of the middle part that is kept: the tester zoomed in on the jar.
ZOOM: dict[tuple[str, int], tuple[int, int]] = {
    ("MAKX", 1): (291, 435),
    ("MAKX", 2): (282, 483),
    ("4AYJ", 2): (208, 428),
    ("HCC3", 2): (264, 510),
    ("XCMM", 2): (286, 379),
    ("CC3C", 2): (271, 393),
    ("PEER", 2): (266, 435),
    ("7EPF", 2): (233, 396),
    ("JE44", 2): (266, 457),
    ("YFFJ", 2): (305, 402),
    ("MAKX", 3): (281, 356),
    ("MAKX", 4): (240, 339),
    ("7EPF", 4): (310, 429),
}


def side_shot(look: Look, one: Specimen, state: State) -> Shot:
    """From the side: a jar with another vessel farther off that the zoom leaves out, anything else alone."""
    rng, light = rng_of(look), light_of(look, one)
    near = {"clear_glass": 235.0, "tin": 230.0, "tealight": 165.0}[one.jar.kind]
    assert look.burn is not None
    glass = one.jar.kind == "clear_glass"
    side = SideView(
        float(near * rng.uniform(0.94, 1.12)),
        float(rng.uniform(3, 7)),
        float(rng.uniform(225, 315)) if glass else 177.0,
        float(rng.normal(0, 1.2)),
        aim=(float(rng.normal(0.5, 0.03)), float(rng.normal(0.62, 0.02))),
        portrait=bool(rng.random() < 0.35) and not look.clip,
        zoom_px=ZOOM.get((one.code, look.burn)),
    )
    if look.clip:  # filmed from near, against a window
        side = SideView(155.0, 6.0, 262.0, 0.6, aim=(0.5, 0.60), portrait=True)
        glass = False
    things = (
        Prop("jar", (float(rng.uniform(110, 150)), 160.0), 0, 62, (0.33, 0.36, 0.33), seed=6),
        Prop("matches", (float(rng.uniform(-150, -110)), 60.0), 25, 53, (0.12, 0.25, 0.24)),
    )
    table = "oak" if one.number <= 9 else "slate" if one.jar.kind == "tin" else "linen"
    made = Set(table, 14.0, light, things[: 1 + one.number % 2] if glass else (), seed=11)
    spec = spec_of(one, look, state, samples.view(230, 8, 0, 0), rng)
    reaches = state.pool_mm >= one.jar.rim_inner
    seen = SideState(round(8.0 + 0.7 * look.burn, 1) if reaches else None, smoke=state.smoke)
    frames: tuple[float, ...] = ()
    if look.clip:
        t = 2 * np.pi * np.arange(story.CLIP_FRAMES) / story.CLIP_FPS
        frames = tuple(state.flame_mm + 1.6 * np.sin(story.FLICKER_HZ * t) + 0.5 * np.sin(0.5 * t + 1))
    size = CLIP_LONG_SIDE_PX if look.clip else LONG_SIDE_PX if glass else ALONE_LONG_SIDE_PX
    return Shot(look, spec, made, phone_of(look, light, rng), tags_of(look, light), Glow(0.0), side, seen, frames, size)


@cache
def shots() -> tuple[Shot, ...]:
    """All photos and the clip, in the order taken."""
    made, out = story.specimens(), []
    for look in story.looks():
        one = made[look.candle]
        state = one.state(look.burn, look.minutes)
        out.append((top_shot if look.view == "top" else side_shot)(look, one, state))
    return tuple(out)
