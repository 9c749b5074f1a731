"""Sets for the sample photos: light, table tops and the things on a candle maker's bench, each given, none drawn.

Same frame and units as geometry.py. A seed here only chooses the grain of a surface, never what stands where.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from . import looks
from .camera import Pinhole
from .geometry import Mesh, ball, dense, grid_mesh, revolve, star_disc, tube
from .scene import CIRCLE, Scene, Stage, glossy, picture, rgb, two_sided
from .spec import Spec

Array = NDArray[np.float64]
Image = NDArray[np.float32]
TABLE_PX, TABLE_MM = 2560, 900.0  # 0.35 mm a texel: what a phone resolves from 40 cm
PHONE_MM = (74.0, 152.0, 8.0)


@dataclass(frozen=True)
class Light:
    """A room: how bright its walls are, and the windows and lamps in it (azimuth, elevation, size in degrees)."""

    walls: tuple[float, float, float]
    windows: tuple[tuple[float, float, float, float, float], ...]  # azimuth, elevation, width, height, radiance
    sky: tuple[float, float, float] = (0.88, 0.95, 1.0)
    ceiling: float = 1.25
    floor: float = 0.4


@dataclass(frozen=True)
class Prop:
    """A thing on the table: `at` is where its middle is seen in the picture, as fractions of width and height.

    `turn_deg` is anticlockwise as seen in the picture, from lying along its width.
    """

    kind: str
    at: tuple[float, float]
    turn_deg: float = 0.0
    size_mm: float = 60.0
    colour: tuple[float, float, float] = (0.5, 0.5, 0.5)
    text: str = ""
    seed: int = 0


@dataclass(frozen=True)
class Set:
    """Where a photo is taken."""

    table: str
    table_turn_deg: float
    light: Light
    props: tuple[Prop, ...] = ()
    seed: int = 0
    coaster: tuple[float, tuple[float, float, float]] | None = None  # diameter and colour of what it stands on


# --- light -----------------------------------------------------------------------------------------------------------


def room(light: Light, height: int = 256) -> Image:
    """Equirectangular radiance map; straight up is the first row. Windows have a frame, a bar and a brighter top."""
    width = 2 * height
    elevation = 90 - (np.arange(height) + 0.5) * 180 / height
    shade = np.interp(
        elevation, [-90, -12, 2, 35, 60, 90], [light.floor, light.floor, 0.8, 1.0, light.ceiling, light.ceiling]
    )
    out = (shade[:, None, None] * np.array(light.walls)).repeat(width, 1).astype(np.float32)
    per_degree = height / 180
    for azimuth, up, wide, high, radiance in light.windows:
        x0, y0 = int((azimuth - wide / 2) % 360 * per_degree), int((90 - up - high / 2) * per_degree)
        w, h = max(int(wide * per_degree), 2), max(int(high * per_degree), 2)
        pane = np.linspace(1.15, 0.75, h)[:, None, None] * np.array(light.sky) * radiance
        columns = np.arange(x0, x0 + w) % width
        out[y0 : y0 + h, columns] = pane
        if w > 12:  # glazing bars
            out[y0 : y0 + h, columns[w // 2 - 1 : w // 2 + 1]] = np.array(light.walls)
            out[y0 + h // 2 : y0 + h // 2 + 2, columns] = np.array(light.walls)
    wrapped = np.concatenate([out, out, out], 1)
    return np.ascontiguousarray(cv2.GaussianBlur(wrapped, (0, 0), 1.2)[:, width : 2 * width])


# --- table tops ------------------------------------------------------------------------------------------------------


def streaks(rng: np.random.Generator, size: int, along_px: float, across_px: float) -> Image:
    """Noise drawn out along x, about 0 ± 1."""
    small = rng.standard_normal((max(int(size / across_px), 4), max(int(size / along_px), 4))).astype(np.float32)
    return cv2.resize(small, (size, size), interpolation=cv2.INTER_CUBIC)


def board(rng: np.random.Generator, length: int, width: int) -> Image:
    """Shade (width, length) of one plank: growth rings cut lengthwise, fibres, pores."""
    y, x = np.mgrid[0:width, 0:length].astype(np.float32)
    centre, rise = rng.uniform(-0.3, 1.3) * width, rng.uniform(0.02, 0.06)
    wander = cv2.resize(rng.standard_normal((5, 9)).astype(np.float32), (length, width), interpolation=cv2.INTER_CUBIC)
    arch = np.hypot(y - centre + 14 * wander, (x - rng.uniform(0, length)) * rise)
    phase = arch / rng.uniform(9, 15) + 0.7 * wander
    rings = (phase % 1.0) ** 2.2 - 0.3
    fibres = streaks(rng, max(length, width), 160, 2.2)[:width, :length]
    fine = streaks(rng, max(length, width), 60, 1.0)[:width, :length]
    pores = np.clip(streaks(rng, max(length, width), 26, 1.3)[:width, :length] - 1.5, 0, 1)
    return (1 - 0.20 * rings + 0.045 * fibres + 0.03 * fine - 0.22 * pores) * rng.uniform(0.9, 1.1)


def planks(rng: np.random.Generator, colour: tuple[float, float, float], board_mm: float, gap: float) -> Image:
    size, step = TABLE_PX, int(board_mm / TABLE_MM * TABLE_PX)
    shade = np.ones((size, size), np.float32)
    for y in range(0, size, step):
        rows = min(step, size - y)
        shade[y : y + rows] = board(rng, size, step)[:rows]
        shade[max(y - 1, 0) : y + 2] *= gap
        shade[y + 2 : y + 4] *= (1 + gap) / 2
    tone = np.clip(shade[..., None], 0.05, 1.6)
    return np.array(colour, np.float32) * np.concatenate([tone**0.85, tone, tone**1.25], -1)


def linen(rng: np.random.Generator, colour: tuple[float, float, float]) -> Image:
    """Woven threads of uneven thickness, warp over weft, and soft creases."""
    size, pitch = TABLE_PX, 4
    warp = np.repeat(rng.normal(1, 0.10, (1, size // pitch)), pitch, 1) + 0.05 * streaks(rng, size, 1.5 * pitch, 120).T
    weft = np.repeat(rng.normal(1, 0.10, (size // pitch, 1)), pitch, 0) + 0.05 * streaks(rng, size, 120, 1.5 * pitch)
    y, x = np.mgrid[0:size, 0:size]
    over = ((x // pitch + y // pitch) % 2).astype(np.float32)
    bulge = 0.82 + 0.25 * np.where(
        over > 0, np.sin(np.pi * (y % pitch + 0.5) / pitch), np.sin(np.pi * (x % pitch + 0.5) / pitch)
    )
    creases = 0.05 * looks.noise(rng, size, 4, 2) + 0.02 * looks.noise(rng, size, 14, 2)
    shade = np.where(over > 0, warp, weft) * bulge * (1 + creases)
    return (np.array(colour) * np.clip(shade, 0.2, 1.5)[..., None]).astype(np.float32)


def slate(rng: np.random.Generator, colour: tuple[float, float, float]) -> Image:
    shade = (
        1
        + 0.12 * looks.noise(rng, TABLE_PX, 6, 7)
        + 0.05 * rng.standard_normal((TABLE_PX, TABLE_PX)).astype(np.float32)
    )
    scratches = np.zeros((TABLE_PX, TABLE_PX), np.float32)
    for _ in range(60):
        a = rng.uniform(0, TABLE_PX, 2)
        b = a + rng.normal(0, 90, 2)
        cv2.line(
            scratches, tuple(int(v) for v in a), tuple(int(v) for v in b), float(rng.uniform(0.05, 0.3)), 1, cv2.LINE_AA
        )
    return (np.array(colour) * np.clip(shade + scratches, 0.2, 2.2)[..., None]).astype(np.float32)


def terrazzo(rng: np.random.Generator, colour: tuple[float, float, float]) -> Image:
    out = np.ones((TABLE_PX, TABLE_PX, 3), np.float32) * np.array(colour, np.float32)
    chips = np.array(
        [
            (0.62, 0.6, 0.56),
            (0.30, 0.27, 0.25),
            (0.50, 0.34, 0.25),
            (0.12, 0.13, 0.14),
            (0.70, 0.64, 0.52),
            (0.33, 0.40, 0.38),
        ]
    )
    for _ in range(2600):
        n = int(rng.integers(5, 8))
        angle = np.sort(rng.uniform(0, 6.2832, n))
        reach = rng.gamma(2.2, 5.0) + 2
        points = rng.uniform(0, TABLE_PX, 2) + reach * rng.uniform(0.6, 1.2, (n, 1)) * np.stack(
            [np.cos(angle), np.sin(angle)], 1
        )
        shade = chips[int(rng.integers(0, len(chips)))] * rng.uniform(0.8, 1.15)
        cv2.fillPoly(out, [np.round(points * 16).astype(np.int32)], [float(v) for v in shade], cv2.LINE_AA, 4)
    return out * (1 + 0.03 * looks.noise(rng, TABLE_PX, 300, 3))[..., None]


TABLES = {
    "oak": lambda rng: planks(rng, (0.36, 0.215, 0.105), 118, 0.45),
    "walnut": lambda rng: planks(rng, (0.135, 0.072, 0.038), 95, 0.5),
    "white_boards": lambda rng: np.clip(0.55 + 0.45 * planks(rng, (0.70, 0.69, 0.66), 92, 0.3), 0, 0.82) * 0.85,
    "linen": lambda rng: linen(rng, (0.52, 0.46, 0.37)),
    "blue_linen": lambda rng: linen(rng, (0.14, 0.19, 0.26)),
    "slate": lambda rng: slate(rng, (0.062, 0.066, 0.072)),
    "terrazzo": lambda rng: terrazzo(rng, (0.66, 0.63, 0.58)),
}
GLOSS = {
    "oak": 0.32,
    "walnut": 0.25,
    "white_boards": 0.35,
    "linen": None,
    "blue_linen": None,
    "slate": 0.4,
    "terrazzo": 0.18,
}


def table_bsdf(made: Set) -> Scene:
    pixels = picture(np.clip(TABLES[made.table](np.random.default_rng(made.seed)), 0.005, 0.9))
    rough = GLOSS[made.table]
    return glossy(pixels, rough) if rough else two_sided({"type": "diffuse", "reflectance": pixels})


# --- things ----------------------------------------------------------------------------------------------------------


def rotation(turn_deg: float) -> Array:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def turned(mesh: Mesh, turn_deg: float, at: Array) -> Mesh:
    r = rotation(turn_deg).T
    return Mesh(mesh.vertices @ r + at, mesh.normals @ r, mesh.uv, mesh.faces)


def slab(stage: Stage, name: str, at: Array, size: tuple[float, float, float], turn_deg: float, bsdf: Scene) -> None:
    t = mi.ScalarTransform4f
    place = t().translate([at[0], at[1], at[2] + size[2] / 2]).rotate([0, 0, 1], turn_deg).scale([s / 2 for s in size])
    stage.scene[name] = {"type": "cube", "to_world": place, "bsdf": bsdf}


def top_face(pixels: Image) -> Scene:
    """A picture that reads upright on a cube's top face, whose texture lies on its side."""
    return picture(np.rot90(pixels, -1))


def written(
    lines: list[str],
    size_px: tuple[int, int],
    paper: tuple[float, float, float],
    ink: tuple[float, float, float],
    large: float = 1.0,
) -> Image:
    """A label with handwriting, first line larger."""
    width, height = size_px
    ground = np.ones((height, width, 3), np.float32) * np.array(paper, np.float32)
    mask = np.zeros((height, width), np.uint8)
    for k, line in enumerate(lines):
        scale = large * (1.5 if k == 0 else 1.05) * width / 420
        base = int(height * (0.30 if k == 0 else 0.30 + 0.23 * k))
        cv2.putText(
            mask,
            line,
            (int(0.07 * width), base),
            cv2.FONT_HERSHEY_SCRIPT_SIMPLEX,
            scale,
            255,
            max(int(2.6 * scale), 1),
            cv2.LINE_AA,
        )
    blend = (mask.astype(np.float32) / 255)[..., None]
    out = ground * (1 - blend) + np.array(ink, np.float32) * blend
    return np.ascontiguousarray(
        out * (1 + 0.03 * looks.noise(np.random.default_rng(3), 512, 90, 2)[:height, :width, None])
    )


def card(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    pixels = written(prop.text.split("|"), (480, 300), prop.colour, (0.03, 0.035, 0.07))
    slab(
        stage,
        name,
        at,
        (prop.size_mm, prop.size_mm * 0.625, 0.6),
        prop.turn_deg,
        two_sided({"type": "diffuse", "reflectance": top_face(pixels)}),
    )


def code_picture(text: str, per_module: int = 12) -> Image:
    """A QR code with its quiet zone, ink on paper."""
    modules = cv2.QRCodeEncoder.create().encode(text)
    return np.repeat(np.repeat(modules, per_module, 0), per_module, 1).astype(np.float32) / 255


def tag(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A candle's label: its code by hand, scent and wick below, and the code as QR beside it."""
    ink = (0.03, 0.035, 0.07)
    code = code_picture("POOLEYE:" + prop.text.split("|")[0], 10)
    n = code.shape[0]
    ground = np.ones((n + 8, 264 + n, 3), np.float32) * np.array(prop.colour, np.float32)
    ground[:, :256] = written(prop.text.split("|"), (256, n + 8), prop.colour, ink, 1.55)
    ground[4 : 4 + n, -n - 4 : -4] *= np.clip(code[..., None], 0.04, None)
    size = (prop.size_mm, prop.size_mm * ground.shape[0] / ground.shape[1], 0.5)
    pixels = ground
    slab(stage, name, at, size, prop.turn_deg, two_sided({"type": "diffuse", "reflectance": top_face(pixels)}))


def ruler(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A steel rule, 1 mm marks along both edges; 168 mm long."""
    length, width, per_mm = 168, 26, 6
    pixels = np.full((width * per_mm, length * per_mm, 3), 0.42, np.float32)
    pixels *= 1 + 0.05 * streaks(np.random.default_rng(5), 1024, 300, 1)[: pixels.shape[0], : pixels.shape[1], None]
    for mm in range(3, length - 3):
        tall = int((8 if (mm - 3) % 10 == 0 else 6 if (mm - 3) % 5 == 0 else 3.5) * per_mm)
        for rows in (slice(0, tall), slice(pixels.shape[0] - tall, None)):
            pixels[rows, mm * per_mm : mm * per_mm + 2] = 0.03
    figures = np.zeros(pixels.shape[:2], np.uint8)
    for cm in range(1, 16):
        cv2.putText(figures, str(cm), ((cm * 10 + 4) * per_mm, 62), cv2.FONT_HERSHEY_DUPLEX, 0.8, 255, 2, cv2.LINE_AA)
    pixels *= 1 - 0.9 * (figures / 255)[..., None].astype(np.float32)
    bsdf = glossy(top_face(pixels), 0.12)
    slab(stage, name, at, (length, width, 1.0), prop.turn_deg, bsdf)


def pencil(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    half, lift = prop.size_mm / 2, np.array([0, 0, 3.6])

    def part(x: list[float], r: list[float], kind: str, bsdf: Scene, sides: int = 6) -> None:
        line = np.array([[v, 0, 0] for v in x])
        stage.add(name + kind, turned(tube(line, np.array(r), sides), prop.turn_deg, at + lift), bsdf)

    part([-half, -half + 0.1, half - 20.1, half - 20], [3.4, 3.5, 3.5, 3.4], "body", glossy(rgb(prop.colour), 0.15))
    part([half - 20, half - 12, half - 4], [3.4, 2.2, 1.0], "wood", glossy(rgb((0.55, 0.36, 0.2)), 0.4), 16)
    part([half - 4, half - 2, half], [1.0, 0.6, 0.1], "lead", glossy(rgb(0.03), 0.3), 12)


def match_stick(stage: Stage, name: str, at: Array, turn_deg: float, burnt: bool) -> None:
    slab(
        stage, name, at, (43, 2.1, 2.1), turn_deg, two_sided({"type": "diffuse", "reflectance": rgb((0.6, 0.45, 0.27))})
    )
    tip = at + rotation(turn_deg) @ np.array([21, 0, 1.2])
    colour = (0.02, 0.018, 0.016) if burnt else (0.42, 0.05, 0.035)
    line = np.array([[-3.2, 0, 0], [-1.5, 0, 0], [1, 0, 0], [2, 0, 0]])
    stage.add(
        name + "tip", turned(tube(line, np.array([1.2, 1.7, 1.8, 0.6]), 12), turn_deg, tip), glossy(rgb(colour), 0.5)
    )


def matches(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A matchbox with a striking strip, a match before it, one burnt."""
    slab(stage, name, at, (53, 36, 13), prop.turn_deg, glossy(top_face(matchbox(prop.colour)), 0.45))
    turn = rotation(prop.turn_deg)
    match_stick(stage, name + "a", at + turn @ np.array([4, -31, 0]), prop.turn_deg + 8, burnt=True)
    match_stick(stage, name + "b", at + turn @ np.array([-6, -39, 0]), prop.turn_deg - 5, burnt=False)


def matchbox(colour: tuple[float, float, float]) -> Image:
    pixels = np.ones((180, 265, 3), np.float32) * np.array(colour, np.float32)
    pixels[12:-12, 12:-12] = np.array([0.75, 0.66, 0.47])
    cv2.circle(pixels, (132, 90), 48, [float(c) for c in colour], -1, cv2.LINE_AA)
    cv2.ellipse(pixels, (132, 98), (13, 26), 0, 0, 360, (0.85, 0.55, 0.12), -1, cv2.LINE_AA)
    return pixels


def dish_profile(radius: float, rim: float, wall: float) -> Array:
    return dense(
        [
            (0.0, wall),
            (radius * 0.62, wall),
            (radius, rim),
            (radius - wall * 0.6, rim - wall),
            (radius * 0.62, 0.0),
            (0.0, 0.0),
        ]
    )


def saucer(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A small plate with two burnt matches and wick trimmings."""
    radius = prop.size_mm / 2
    stage.add(name, revolve(dish_profile(radius, 0.2 * radius, 2.6)).moved(at), glossy(rgb(prop.colour), 0.08))
    match_stick(stage, name + "a", at + np.array([4, -3, 2.7]), prop.turn_deg, burnt=True)
    match_stick(stage, name + "b", at + np.array([-3, 6, 2.7]), prop.turn_deg + 33, burnt=True)
    rng = np.random.default_rng(prop.seed)
    for k in range(5):
        place = at + np.array([*rng.normal(0, 0.25 * radius, 2), 3.4])
        half = rotation(float(rng.uniform(0, 360))) @ np.array([rng.uniform(1.5, 4), 0, 0])
        stage.add(
            f"{name}bit{k}",
            tube(np.stack([place - half, place, place + half]), np.full(3, 0.8)),
            glossy(rgb(0.03), 0.6),
        )


def flakes(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A bowl of wax flakes."""
    radius, rng = prop.size_mm / 2, np.random.default_rng(prop.seed)
    profile = dense(
        [
            (0.0, 3),
            (radius * 0.55, 3),
            (radius * 0.9, radius * 0.35),
            (radius, radius * 0.75),
            (radius - 2.5, radius * 0.75 - 0.5),
            (radius * 0.85, radius * 0.33),
            (radius * 0.5, 0.0),
            (0.0, 0.0),
        ]
    )
    stage.add(name, revolve(profile).moved(at), glossy(rgb(prop.colour), 0.12))
    vertices, normals, uv, faces, count = [], [], [], [], 0
    for _ in range(420):
        r, phi = radius * 0.86 * np.sqrt(rng.uniform(0, 1)), rng.uniform(0, 6.2832)
        heap = radius * (0.52 + 0.32 * (1 - (r / radius) ** 2)) + rng.uniform(-4, 2)
        m = ball(np.zeros(3), float(rng.uniform(2.2, 4.5)), rng, 0.35, n=7)
        spin = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        flat = np.diag([1, 0.75, 0.28]) @ spin
        vertices.append(m.vertices @ flat + at + [r * np.cos(phi), r * np.sin(phi), heap])
        n = m.normals @ np.linalg.inv(flat).T
        normals.append(n / np.linalg.norm(n, axis=1, keepdims=True))
        uv.append(m.uv)
        faces.append(m.faces + count)
        count += len(m.vertices)
    heap_mesh = Mesh(np.concatenate(vertices), np.concatenate(normals), np.concatenate(uv), np.concatenate(faces))
    stage.add(name + "heap", heap_mesh, glossy(rgb((0.84, 0.79, 0.66)), 0.35))


def sprig(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A stem with round leaves in pairs, lying flat."""
    rng, half = np.random.default_rng(prop.seed), prop.size_mm / 2
    t = np.linspace(-1, 1, 30)
    line = np.stack([half * t, 0.12 * half * np.sin(1.7 * t + 0.4), 3.2 + 1.5 * (1 - t**2)], 1)
    stage.add(
        name, turned(tube(line, np.linspace(1.3, 0.5, 30), 10), prop.turn_deg, at), glossy(rgb((0.16, 0.12, 0.06)), 0.4)
    )
    for k in range(16):
        s = -0.8 + 1.75 * (k // 2) / 8
        root = np.array([half * s, 0.12 * half * np.sin(1.7 * s + 0.4), 3.5])
        side = (62 if k % 2 else -62) + rng.normal(0, 9)
        long = half * (0.30 - 0.10 * (s + 0.8) / 1.75)
        green = np.array(prop.colour) * rng.uniform(0.75, 1.2)
        on_stem = turned(leaf(long, float(rng.uniform(0.55, 0.8))), float(side), root)
        stage.add(f"{name}leaf{k}", turned(on_stem, prop.turn_deg, at), glossy(rgb(green), 0.35))


def leaf(length: float, roundness: float) -> Mesh:
    """A leaf along +x with a folded midrib and a lifted tip."""
    s, v = np.meshgrid(np.linspace(0, 1, 16), np.linspace(-1, 1, 9), indexing="ij")
    half_width = 0.5 * roundness * length * np.sin(np.pi * np.clip(s, 0, 1) ** 0.8) ** 0.7
    points = np.stack(
        [s * length, v * half_width, 0.10 * length * (np.abs(v) * half_width / length + s**2 * 0.9) + 0.3], -1
    )
    return grid_mesh(points, np.stack([s, v], -1), wrap=False)


def napkin(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A folded cloth with soft folds."""
    n, rng = 60, np.random.default_rng(prop.seed)
    x, y = np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n), indexing="ij")
    edge = np.clip((1 - np.maximum(np.abs(x), np.abs(y))) / 0.06, 0, 1) ** 0.5
    folds = 1.3 * np.sin(5 * x + 2.2 * y + 1.5 * looks.noise(rng, n, 3, 2)) + 0.9 * looks.noise(rng, n, 5, 2)
    wave = 0.02 * np.stack([looks.noise(rng, n, 3, 2), looks.noise(rng, n, 3, 2)], -1)
    half = prop.size_mm / 2
    points = np.stack([half * (x + wave[..., 0]), half * 0.75 * (y + wave[..., 1]), edge * (5.0 + folds) + 0.2], -1)
    cloth = linen(np.random.default_rng(prop.seed), prop.colour)[:900, :900]
    mesh = turned(grid_mesh(points, np.stack([(x + 1) / 2, (y + 1) / 2], -1), wrap=False), prop.turn_deg, at)
    stage.add(name, mesh, two_sided({"type": "diffuse", "reflectance": picture(cloth)}))


def lid(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A tin's lid, upside down or not."""
    r = prop.size_mm / 2
    profile = dense(
        [
            (0.0, 11),
            (r * 0.8, 11),
            (r * 0.82, 10.2),
            (r * 0.9, 10.2),
            (r - 0.8, 11),
            (r, 10),
            (r, 0.2),
            (r - 0.4, 0.2),
            (r - 0.4, 9.6),
            (0.0, 9.6),
        ]
    )
    metal = {"type": "roughconductor", "material": "Al", "alpha": 0.16, "specular_reflectance": rgb(prop.colour)}
    stage.add(name, revolve(profile).moved(at), two_sided(metal))


def wicks(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A few prepared wicks: waxed cotton with a metal foot, lying side by side."""
    rng = np.random.default_rng(prop.seed)
    metal = two_sided({"type": "roughconductor", "material": "Al", "alpha": 0.2, "specular_reflectance": rgb(0.85)})
    for k in range(4):
        turn = prop.turn_deg + float(rng.normal(0, 7))
        root = at + rotation(prop.turn_deg) @ np.array([0, 9.0 * (k - 1.5), 0])
        t = np.linspace(0, 1, 14)
        line = np.stack([prop.size_mm * (t - 0.5), rng.normal(0, 2) * np.sin(3 * t), 1.4 + 5.5 * (1 - t)], 1)
        stage.add(
            f"{name}{k}", turned(tube(line, np.full(14, 1.25), 10), turn, root), glossy(rgb((0.72, 0.68, 0.58)), 0.5)
        )
        foot = revolve(dense([(0.0, 3.0), (1.8, 3.0), (2.0, 0.6), (7.2, 0.5), (7.2, 0.1), (0.0, 0.0)]), 48)
        stand = np.array([[0, 0, -1], [0, 1, 0], [1, 0, 0]], float)  # the foot stands on its edge
        mesh = Mesh(foot.vertices @ stand.T + [-prop.size_mm / 2, 0, 7.2], foot.normals @ stand.T, foot.uv, foot.faces)
        stage.add(f"{name}foot{k}", turned(mesh, turn, root), metal)


def mug(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """A mug of tea: a round rim that is not a candle."""
    r, h = prop.size_mm / 2, prop.size_mm * 1.05
    body = dense(
        [(0.0, 5), (r - 6, 5), (r - 3.5, 9), (r - 3.2, h - 1), (r - 1.6, h), (r, h - 1), (r, 3), (r - 3, 0), (0.0, 0.0)]
    )
    stage.add(name, revolve(body).moved(at), glossy(rgb(prop.colour), 0.07))
    fill = star_disc(CIRCLE * (r - 3.25), np.full(40, 0.78 * h), np.zeros(2), r)
    stage.add(
        name + "tea", fill.moved(at), two_sided({"type": "plastic", "diffuse_reflectance": rgb((0.13, 0.045, 0.012))})
    )
    t = np.linspace(-np.pi / 2, np.pi / 2, 24)
    loop = np.stack([r - 2 + 0.42 * r * np.cos(t), 0 * t, h * 0.52 + 0.30 * h * np.sin(t)], 1)
    stage.add(name + "ear", turned(tube(loop, np.full(24, 4.6), 20), prop.turn_deg, at), glossy(rgb(prop.colour), 0.07))


def jar(stage: Stage, name: str, prop: Prop, at: Array) -> None:
    """Another poured candle, new, in an opaque cup."""
    r, h, w = prop.size_mm / 2, prop.size_mm * 1.15, 3.5
    body = dense(
        [
            (0.0, 5),
            (r - 1, 5),
            (r, 6),
            (r, h - 0.8),
            (r + w / 2, h),
            (r + w, h - 0.8),
            (r + w, 0.6),
            (r + w - 1, 0),
            (0.0, 0.0),
        ]
    )
    stage.add(name, revolve(body).moved(at), glossy(rgb(prop.colour), 0.12))
    wax = looks.wax_surface(np.random.default_rng(prop.seed), np.array([0.82, 0.76, 0.62]))
    stage.add(
        name + "wax",
        star_disc(CIRCLE * (r + 0.05), np.full(40, 0.8 * h), np.zeros(2), r).moved(at),
        glossy(picture(wax), 0.3),
    )
    foot = at + np.array([0.8, -0.6, 0.8 * h])
    stage.add(
        name + "wick",
        tube(np.stack([foot, foot + np.array([0.2, 0.1, 4]), foot + np.array([0.9, 0.5, 8])]), np.full(3, 1.1)),
        glossy(rgb((0.7, 0.66, 0.56)), 0.5),
    )


PROPS: dict[str, Any] = {
    "card": card,
    "tag": tag,
    "ruler": ruler,
    "pencil": pencil,
    "matches": matches,
    "saucer": saucer,
    "flakes": flakes,
    "sprig": sprig,
    "napkin": napkin,
    "lid": lid,
    "wicks": wicks,
    "mug": mug,
    "jar": jar,
}


def add_phone(stage: Stage, camera: Pinhole) -> None:
    """The phone that takes the photo, behind its lens: it shades the table and is mirrored in liquid wax."""
    t, r = mi.ScalarTransform4f, camera.rotation
    frame = np.eye(4)
    frame[:3, :3] = np.stack([r[0], r[1], r[2]], 1)
    frame[:3, 3] = camera.position_mm - 6.5 * r[2] + 22 * r[0] + 52 * r[1]  # the lens sits in a corner of the back
    place = t(frame) @ t().scale([s / 2 for s in PHONE_MM])
    stage.scene["phone"] = {"type": "cube", "to_world": place, "bsdf": glossy(rgb(0.03), 0.2)}


def picture_azimuth_deg(camera: Pinhole, z_mm: float) -> float:
    """Which way on the table the picture's x axis points, at the picture's middle."""
    x, y = camera.centre_px
    a, b = camera.on_plane(np.array([[x - 50, y], [x + 50, y]]), z_mm)
    return float(np.degrees(np.arctan2(*(b - a)[::-1])))


def add_set(stage: Stage, spec: Spec, made: Set, camera: Pinhole) -> None:
    """Table, light, things and phone around the vessel."""
    t = mi.ScalarTransform4f
    z = -(spec.vessel.height_mm - spec.vessel.lip_mm)
    if made.coaster:
        reach, thick = made.coaster[0] / 2, 4.0
        disc = revolve(dense([(0.0, thick), (reach - 0.5, thick), (reach, thick - 0.5), (reach, 0.0), (0.0, 0.0)]))
        grain = looks.noise(np.random.default_rng(made.seed), 256, 60, 3)
        cork = np.array(made.coaster[1]) * (1 + 0.12 * grain)[..., None]
        z -= thick
        stage.add(
            "coaster", disc.moved(np.array([0, 0, z])), two_sided({"type": "diffuse", "reflectance": picture(cork)})
        )
    size = np.array([camera.width_px, camera.height_px], float)
    level = picture_azimuth_deg(camera, z)
    plane = t().translate([0, 0, z]).rotate([0, 0, 1], level + made.table_turn_deg).scale(TABLE_MM / 2)
    stage.scene["table"] = {"type": "rectangle", "to_world": plane, "bsdf": table_bsdf(made)}
    up = t().rotate([1, 0, 0], 90)
    stage.scene["room"] = {"type": "envmap", "to_world": up, "bitmap": mi.Bitmap(room(made.light))}
    for k, prop in enumerate(made.props):
        place = np.array([*camera.on_plane((np.array(prop.at) * size)[None], z)[0], z])
        PROPS[prop.kind](stage, f"{prop.kind}_{k}", replace(prop, turn_deg=level + prop.turn_deg), place)
    add_phone(stage, camera)
