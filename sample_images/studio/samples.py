"""The sample photos, one by one: what stands where, how it is lit, how the phone is held.

The workshop, its candles and its scents are invented. Nothing is drawn at random: seeds only choose grain.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from .phone import Phone, Tags
from .sets import Light, Prop, Set
from .spec import ANGLES, Array, Pool, Soot, Spec, Vessel, View, Wick
from .tracing import Glow

LONG_SIDE_PX = 1280
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Shot:
    """One file of the sample folder."""

    file: str
    candle: str
    state: str
    spec: Spec
    scene: Set
    phone: Phone = field(default_factory=Phone)
    tags: Tags | None = None
    glow: Glow = field(default_factory=Glow)
    minutes: int | None = None  # alight; None for a new or cold candle
    measurable: bool = True
    reason: str | None = None
    long_side_px: int = LONG_SIDE_PX
    spp: int = 14  # light paths a pixel; glass and lamp light want more, opaque vessels by day fewer


# --- parts -----------------------------------------------------------------------------------------------------------


def vessel(
    kind: str,
    rim: float,
    height: float,
    wall: float,
    lip: float,
    colour: Colour,
    *,
    base: float | None = None,
    lip_width: float | None = None,
    roundness: float = 0.8,
    roughness: float = 0.12,
) -> Vessel:
    return Vessel(kind, rim, wall, height, base or rim, lip, lip_width or wall, roundness, np.array(colour), roughness)


def wick(
    at: tuple[float, float] = (0.6, -0.4),
    *,
    stub: float = 5.0,
    lean: float = 8.0,
    towards: float = 0.8,
    radius: float = 1.0,
    used: bool = True,
    ball: float = 0.0,
    flame: float = 0.0,
    flame_lean: float = 3.0,
) -> Wick:
    return Wick(np.array(at), lean, towards, stub, radius, used, ball, flame, 0.30, flame_lean)


def pool(
    radius: float,
    wall: float,
    *,
    centre: tuple[float, float] = (0.0, 0.0),
    ripples: tuple[tuple[int, float, float], ...] = (),
    darkness: float = 0.74,
    softness: float = 0.5,
    saturation: float = 0.2,
    lobes: tuple[tuple[float, float], ...] = (),
) -> Pool:
    """Mean `radius` about `centre`, bulged by ripples (order, mm, phase) and lobes to wicks, cut by the wall."""
    around = np.full(len(ANGLES), radius)
    for order, amplitude, phase in ripples:
        around += amplitude * np.cos(order * ANGLES + phase)
    for foot in lobes:
        toward = np.arctan2(foot[1], foot[0])
        around += np.hypot(*foot) * 0.75 * np.clip(np.cos(ANGLES - toward), 0, 1) ** 2
    xy = np.array(centre) + around[:, None] * np.stack([np.cos(ANGLES), np.sin(ANGLES)], 1)
    azimuth, r = np.arctan2(xy[:, 1], xy[:, 0]), np.hypot(*xy.T)
    order_ = np.argsort(azimuth)
    edge = np.interp(ANGLES, azimuth[order_], r[order_], period=2 * np.pi)
    return Pool(np.where(edge > 0.994 * wall, wall, edge), np.array(centre), darkness, softness, saturation, 0.0)


def soot(strength: float, middle_deg: float, half_width_deg: float, depth: float) -> Soot:
    away = np.angle(np.exp(1j * (ANGLES - np.radians(middle_deg))))
    arc = np.exp(-((away / np.radians(half_width_deg)) ** 2))
    ragged = 1 + 0.10 * np.sin(5 * ANGLES + 1) + 0.07 * np.sin(11 * ANGLES)
    return Soot(np.clip(strength * arc * ragged, 0, 0.97), depth * (0.7 + 0.3 * arc) * ragged, 0.25)


def view(
    height: float,
    tilt: float,
    azimuth: float,
    roll: float,
    *,
    focal: float = 26,
    aim: tuple[float, float] = (0.5, 0.5),
    portrait: bool = False,
) -> View:
    return View(height, tilt, np.radians(azimuth), roll, focal, aim, portrait)


def candle(
    seed: int,
    jar: Vessel,
    headspace: float,
    wax: Colour,
    wicks: tuple[Wick, ...],
    seen: View,
    *,
    pool: Pool | None = None,
    soot: Soot | None = None,
    ring: float = 1.0,
    debris: int = 0,
) -> Spec:
    return Spec(
        seed, jar, headspace, np.array(wax), ring if pool else 0.0, wicks, pool, soot, debris, "wax", seen, 1.0, 0
    )


def at(day_time: str, orientation: int = 1, focal: int = 26, day: str = "2026:03:14", iso: int = 160) -> Tags:
    return Tags(f"{day} {day_time}", focal_35mm=focal, orientation=orientation, iso=iso)


# --- light -----------------------------------------------------------------------------------------------------------

DAY = Light((0.24, 0.225, 0.20), ((60, 24, 44, 36, 13.0), (118, 24, 30, 36, 11.0)), (0.99, 0.98, 0.96))
OVERCAST = Light((0.22, 0.215, 0.205), ((200, 30, 60, 40, 8.0),), (0.98, 0.985, 0.98))
AFTERNOON = Light((0.22, 0.19, 0.155), ((75, 16, 40, 26, 11.0),), (1.0, 0.86, 0.66), ceiling=1.0)
EVENING = Light(
    (0.12, 0.088, 0.056), ((215, 42, 16, 12, 42.0), (20, 55, 10, 8, 22.0)), (1.0, 0.74, 0.44), ceiling=1.1, floor=0.3
)
KITCHEN = Light((0.28, 0.255, 0.22), ((320, 62, 26, 9, 26.0), (150, 20, 40, 30, 6.0)), (1.0, 0.92, 0.80))

CREAM, IVORY, WHITE = (0.80, 0.715, 0.54), (0.83, 0.78, 0.66), (0.86, 0.84, 0.80)
SAGE, BLUSH = (0.42, 0.52, 0.36), (0.72, 0.47, 0.42)


# --- the pear jar: new, one hour, two hours, four hours -------------------------------------------------------------

PEAR_JAR = vessel("clear_glass", 76.0, 92.0, 3.0, 1.3, (0.985, 0.99, 0.985))
R = 38.0
BENCH = (
    Prop("card", (0.155, 0.24), 12, 84, (0.76, 0.70, 0.58), "Pear & Cellar|jar A   wick 2|poured 28 Feb"),
    Prop("pencil", (0.16, 0.47), 64, 150, (0.62, 0.33, 0.05)),
    Prop("matches", (0.86, 0.22), 28, 53, (0.12, 0.25, 0.24)),
    Prop("sprig", (0.87, 0.80), 155, 150, (0.20, 0.30, 0.19), seed=4),
)
OAK = Set("oak", 14, DAY, BENCH, seed=11)

PEAR_NEW = Shot(
    "pear_new.jpg",
    "pear-a",
    "new",
    candle(101, PEAR_JAR, 17.0, CREAM, (wick(stub=7.5, lean=5, used=False),), view(214, 5, 250, 272, aim=(0.5, 0.52))),
    OAK,
    tags=at("13:02:40", iso=80),
    spp=32,
    long_side_px=1440,
)
PEAR_1H = Shot(
    "pear_1h.jpg",
    "pear-a",
    "partial",
    candle(
        102,
        PEAR_JAR,
        17.6,
        CREAM,
        (wick(flame=24, stub=6.0),),
        view(221, 13, 265, 268, aim=(0.49, 0.51)),
        pool=pool(23.2, R, centre=(0.8, -0.6), ripples=((2, 0.6, 0.4), (3, 0.5, 2.0), (5, 0.25, 1.0))),
        ring=1.2,
    ),
    replace(OAK, table_turn_deg=16),
    tags=at("14:11:05", iso=100),
    glow=Glow(0.28, 0.30),
    minutes=60,
    spp=32,
    long_side_px=1440,
)
PEAR_2H = Shot(
    "pear_2h.jpg",
    "pear-a",
    "nearly_full",
    candle(
        103,
        PEAR_JAR,
        18.2,
        CREAM,
        (wick(flame=27, stub=5.5, lean=12),),
        view(227, 15, 258, 275, aim=(0.52, 0.50)),
        pool=pool(32.6, R, centre=(0.9, -0.5), ripples=((2, 0.8, 0.7), (3, 0.6, 2.3), (6, 0.25, 0.0))),
        ring=1.6,
    ),
    replace(OAK, table_turn_deg=12, light=AFTERNOON),
    tags=at("15:10:22", iso=125),
    phone=Phone(exposure=0.78, bloom=0.8),
    glow=Glow(0.30, 0.34),
    minutes=120,
    spp=32,
    long_side_px=1440,
)
PEAR_4H = Shot(
    "pear_4h.jpg",
    "pear-a",
    "full",
    candle(
        104,
        PEAR_JAR,
        19.6,
        CREAM,
        (wick(flame=29, stub=5.2, lean=14, ball=1.6),),
        view(225, 14, 262, 266, aim=(0.50, 0.49)),
        pool=pool(60.0, R),
        ring=0.0,
    ),
    replace(OAK, light=EVENING),
    tags=at("17:09:48", iso=500),
    phone=Phone(exposure=0.85, electrons=2600, warmth=0.55),
    glow=Glow(0.25, 0.4),
    minutes=240,
    spp=16,
)

# --- the sister jar: turned by EXIF, and the blurred one ------------------------------------------------------------

PEAR_TURNED = Shot(
    "pear_b_2h_turned.jpg",
    "pear-b",
    "partial",
    candle(
        105,
        PEAR_JAR,
        17.9,
        CREAM,
        (wick((-1.4, 1.1), flame=25, stub=5.5, lean=10, towards=2.4),),
        view(236, 12, 300, 181, aim=(0.5, 0.47), portrait=True),
        pool=pool(29.0, R, centre=(-1.6, 1.2), ripples=((2, 1.1, 1.9), (3, 0.7, 0.3), (5, 0.3, 2.0))),
        ring=1.8,
    ),
    Set(
        "oak",
        82,
        AFTERNOON,
        (
            Prop("card", (0.24, 0.14), -8, 84, (0.76, 0.70, 0.58), "Pear & Cellar|jar B   wick 2|poured 28 Feb"),
            Prop("ruler", (0.50, 0.87), 4, 168),
            Prop("jar", (0.90, 0.16), 0, 66, (0.33, 0.36, 0.33), seed=6),
        ),
        seed=12,
    ),
    tags=at("15:13:30", orientation=6, iso=125),
    glow=Glow(0.30, 0.34),
    minutes=120,
)
# the first try at the picture after two hours, a moment before; same light, so it costs no render
PEAR_BLURRED = replace(
    PEAR_2H,
    file="pear_2h_shaken.jpg",
    tags=at("15:10:09", iso=800),
    phone=Phone(exposure=0.78, electrons=1200, defocus_px=9.0, motion_px=38, motion_deg=24),
    measurable=False,
    reason="blurred",
)

# --- other vessels ---------------------------------------------------------------------------------------------------

CUP = vessel("ceramic", 80.0, 88.0, 4.2, 2.0, (0.20, 0.27, 0.30), roughness=0.10)
CERAMIC_TUNNEL = Shot(
    "ceramic_tunnel.jpg",
    "slate-a",
    "tunnelling",
    candle(
        107,
        CUP,
        26.0,
        IVORY,
        (wick((-1.0, 0.8), flame=13, stub=4.2, radius=0.8),),
        view(236, 10, 40, 40, aim=(0.48, 0.52)),
        pool=pool(16.4, 40.0, centre=(-0.9, 0.8), ripples=((2, 0.8, 0.0), (3, 0.5, 1.4)), darkness=0.70),
        ring=5.5,
    ),
    Set(
        "linen",
        24,
        OVERCAST,
        (
            Prop("saucer", (0.14, 0.22), 15, 92, (0.70, 0.69, 0.66), seed=1),
            Prop("card", (0.85, 0.78), -11, 84, (0.78, 0.77, 0.73), "Rain on Slate|cup A   wick 1|3 h 05"),
            Prop("wicks", (0.85, 0.20), 35, 92, seed=3),
        ),
        seed=21,
    ),
    tags=at("11:35:10", day="2026:03:15", iso=125),
    phone=Phone(exposure=1.25),
    glow=Glow(0.25, 0.18),
    minutes=185,
    spp=12,
)
TIN = vessel("tin", 74.0, 50.0, 0.4, 0.9, (0.86, 0.86, 0.88), lip_width=2.2, roughness=0.16)
TIN_OFF_CENTRE = Shot(
    "tin_off_centre.jpg",
    "garden-a",
    "off_centre",
    candle(
        108,
        TIN,
        11.5,
        SAGE,
        (wick((7.4, 5.0), flame=21, stub=5.5, lean=16, towards=0.6),),
        view(212, 12, 330, 300, aim=(0.51, 0.5)),
        pool=pool(24.5, 37.0, centre=(7.6, 5.2), ripples=((2, 1.0, 0.3), (3, 0.7, 0.9), (4, 0.3, 2.0)), darkness=0.62),
        ring=1.6,
    ),
    Set(
        "terrazzo",
        0,
        KITCHEN,
        (
            Prop("lid", (0.17, 0.28), 0, 80, (0.86, 0.86, 0.88)),
            Prop("matches", (0.86, 0.74), -24, 53, (0.12, 0.25, 0.24)),
            Prop("mug", (0.93, 0.12), 40, 78, (0.60, 0.30, 0.20)),
        ),
        seed=31,
    ),
    tags=at("16:20:15", day="2026:03:15", iso=200),
    phone=Phone(exposure=1.4),
    glow=Glow(0.23, 0.28),
    minutes=120,
    spp=14,
)
TIN_NO_EXIF = Shot(
    "tin_forwarded.jpg",
    "garden-b",
    "new",
    candle(
        109,
        TIN,
        9.5,
        SAGE,
        (wick((0.8, -1.0), stub=7.0, lean=4, used=False),),
        view(225, 4, 120, 130, aim=(0.47, 0.53)),
    ),
    Set(
        "terrazzo",
        22,
        KITCHEN,
        (
            Prop("flakes", (0.88, 0.20), 0, 96, (0.30, 0.36, 0.40), seed=5),
            Prop("lid", (0.15, 0.72), 0, 80, (0.86, 0.86, 0.88)),
        ),
        seed=31,
    ),
    phone=Phone(exposure=1.35, jpeg_quality=78),
    tags=None,
    long_side_px=1024,
    spp=10,
)
TEALIGHT_CUP = vessel("tealight", 37.6, 16.5, 0.25, 0.5, (0.88, 0.88, 0.90), lip_width=1.3, roughness=0.18)
TEALIGHT = Shot(
    "tealight_40min.jpg",
    "tealight-a",
    "full",
    candle(
        110,
        TEALIGHT_CUP,
        3.4,
        WHITE,
        (wick((0.5, 0.3), flame=14, stub=4.5, lean=10, radius=0.6),),
        view(158, 14, 200, 205, aim=(0.5, 0.5)),
        pool=pool(40.0, 18.8, darkness=0.70),
        ring=0.0,
    ),
    Set(
        "walnut",
        48,
        EVENING,
        (
            Prop("ruler", (0.48, 0.83), 2, 168),
            Prop("sprig", (0.16, 0.26), 40, 120, (0.20, 0.30, 0.19), seed=8),
            Prop("saucer", (0.90, 0.22), 20, 80, (0.55, 0.36, 0.26), seed=2),
        ),
        seed=41,
    ),
    tags=at("19:40:00", day="2026:03:15", iso=640),
    phone=Phone(exposure=0.48, electrons=2200, warmth=0.5),
    glow=Glow(0.20, 0.5),
    minutes=40,
    spp=16,
)
AMBER_JAR = vessel("amber_glass", 72.0, 88.0, 3.2, 1.4, (0.88, 0.46, 0.07))
AMBER_SET = Set(
    "white_boards",
    8,
    DAY,
    (
        Prop("card", (0.15, 0.76), 8, 84, (0.78, 0.77, 0.73), "Smoke & Fig|amber A   wick 4|burn 3"),
        Prop("napkin", (0.86, 0.22), 22, 120, (0.48, 0.22, 0.16), seed=9),
        Prop("pencil", (0.86, 0.74), 118, 150, (0.10, 0.16, 0.26)),
    ),
    seed=51,
)
AMBER_NEW = Shot(
    "amber_new.jpg",
    "fig-a",
    "new",
    candle(
        111,
        AMBER_JAR,
        20.0,
        IVORY,
        (wick((0.3, 0.5), stub=7.0, lean=4, used=False, radius=1.2),),
        view(209, 6, 95, 92, aim=(0.5, 0.5)),
    ),
    replace(AMBER_SET, props=AMBER_SET.props[1:]),
    tags=at("09:58:20", day="2026:03:14", iso=80),
    phone=Phone(exposure=1.45),
    spp=16,
)
AMBER_SOOT = Shot(
    "amber_soot.jpg",
    "fig-a",
    "snuffed",
    candle(
        112,
        AMBER_JAR,
        27.5,
        IVORY,
        (wick((0.3, 0.5), stub=8.0, lean=18, towards=0.4, ball=4.6, radius=1.2),),
        view(216, 9, 80, 88, aim=(0.50, 0.51)),
        pool=pool(60.0, 36.0, darkness=0.72),
        soot=soot(0.92, 90, 55, 22),
        ring=0.0,
    ),
    AMBER_SET,
    tags=at("14:22:51", day="2026:03:16", iso=80),
    phone=Phone(exposure=1.45),
)
STONE_CUP = vessel("ceramic", 84.0, 80.0, 4.6, 2.2, (0.62, 0.58, 0.51), roughness=0.22)
CERAMIC_HEIC = Shot(
    "stone_cup_2h.heic",
    "slate-b",
    "partial",
    candle(
        113,
        STONE_CUP,
        18.5,
        WHITE,
        (wick((1.1, 0.2), flame=23, stub=5.5, lean=9),),
        view(232, 13, 150, 160, aim=(0.51, 0.5)),
        pool=pool(31.5, 42.0, centre=(1.3, 0.4), ripples=((2, 1.0, 1.2), (3, 0.8, 0.0), (7, 0.25, 0.5)), darkness=0.80),
        ring=2.0,
    ),
    Set(
        "slate",
        30,
        OVERCAST,
        (
            Prop("flakes", (0.13, 0.24), 0, 100, (0.58, 0.55, 0.50), seed=7),
            Prop("wicks", (0.88, 0.30), 70, 92, seed=4),
            Prop("card", (0.83, 0.84), 6, 84, (0.78, 0.77, 0.73), "Rain on Slate|cup B   wick 3|2 h"),
        ),
        seed=61,
    ),
    tags=at("12:30:44", day="2026:03:15", iso=125),
    phone=Phone(exposure=0.5),
    glow=Glow(0.25, 0.3),
    minutes=120,
    spp=12,
)
TUMBLER = vessel("clear_glass", 84.0, 86.0, 2.6, 1.2, (0.98, 0.99, 0.985), base=60.0)
TAPERED = Shot(
    "tapered_3h.jpg",
    "pear-t",
    "nearly_full",
    candle(
        114,
        TUMBLER,
        22.0,
        BLUSH,
        (wick((-0.7, -1.2), flame=26, stub=5.5, lean=11, towards=3.5),),
        view(230, 12, 20, 22, aim=(0.49, 0.5)),
        pool=pool(
            33.8, 38.75, centre=(-0.8, -1.0), ripples=((2, 0.9, 0.9), (4, 0.5, 0.3)), darkness=0.66, saturation=0.3
        ),
        ring=1.2,
    ),
    Set(
        "blue_linen",
        38,
        AFTERNOON,
        (
            Prop("matches", (0.13, 0.74), 62, 53, (0.62, 0.24, 0.10)),
            Prop("card", (0.86, 0.22), -14, 84, (0.76, 0.70, 0.58), "Orchard Rose|tumbler   wick 4|3 h"),
        ),
        seed=71,
    ),
    tags=at("16:02:19", day="2026:03:16", iso=160),
    phone=Phone(exposure=0.75),
    glow=Glow(0.30, 0.34),
    minutes=180,
    spp=10,
)
BOWL = vessel("frosted_glass", 98.0, 74.0, 3.4, 1.5, (0.94, 0.96, 0.96), roughness=0.22)
BOWL_FEET = ((-17.5, -3.0), (16.5, 3.5))
TWO_WICKS = Shot(
    "bowl_two_wicks.jpg",
    "bowl-a",
    "partial",
    candle(
        115,
        BOWL,
        15.0,
        IVORY,
        (
            wick(BOWL_FEET[0], flame=20, stub=5.0, towards=3.0),
            wick(BOWL_FEET[1], flame=22, stub=5.5, towards=0.5, flame_lean=5),
        ),
        view(257, 12, 275, 278, aim=(0.5, 0.5)),
        pool=pool(24.0, 49.0, ripples=((3, 0.7, 0.8), (5, 0.4, 0.0)), lobes=BOWL_FEET, darkness=0.76),
        ring=1.8,
    ),
    Set(
        "white_boards",
        68,
        AFTERNOON,
        (
            Prop("sprig", (0.13, 0.76), 20, 160, (0.24, 0.33, 0.24), seed=12),
            Prop("napkin", (0.90, 0.80), -18, 120, (0.16, 0.24, 0.30), seed=3),
            Prop("card", (0.14, 0.18), -6, 84, (0.76, 0.70, 0.58), "Cedar Loft|bowl A   2 x wick 1|1 h 30"),
        ),
        seed=52,
    ),
    tags=at("15:45:37", day="2026:03:16", iso=160),
    phone=Phone(exposure=1.3),
    glow=Glow(0.28, 0.3),
    minutes=90,
    spp=10,
)

SHOTS: tuple[Shot, ...] = (
    PEAR_NEW,
    PEAR_1H,
    PEAR_2H,
    PEAR_4H,
    CERAMIC_TUNNEL,
    TIN_OFF_CENTRE,
    TEALIGHT,
    AMBER_NEW,
    AMBER_SOOT,
    PEAR_TURNED,
    CERAMIC_HEIC,
    TIN_NO_EXIF,
    PEAR_BLURRED,
    TAPERED,
    TWO_WICKS,
)


def radius_at_wax(spec: Spec) -> Array:
    return np.asarray(spec.vessel.inner_radius(spec.headspace_mm))
