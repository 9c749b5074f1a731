"""What stands on the studio's table: a candle, its state, the camera and the room, drawn at random or given.

Every length is in mm in the vessel's frame (geometry.py). A Spec is plain data: the same seed gives the same picture.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ANGLES = np.linspace(0, 2 * np.pi, 240, endpoint=False)  # azimuths at which outlines are stored

KINDS = ("clear_glass", "amber_glass", "tinted_glass", "frosted_glass", "ceramic", "tin", "tealight")


@dataclass(frozen=True)
class Vessel:
    kind: str
    rim_inner_mm: float  # diameter where the inner wall meets the lip
    wall_mm: float
    height_mm: float
    base_inner_mm: float  # diameter at the inside of the base; equal to rim_inner_mm when straight
    lip_mm: float  # how far the lip rises above the rim plane
    lip_width_mm: float  # radial width of the lip: the wall, or more for a rolled rim
    lip_roundness: float  # 1 a half circle, less is flatter
    colour: Array
    roughness: float
    squareness: float = 0.0  # 0 round; > 0 a mouth that is not (declined by the tool)
    ovality: float = 1.0

    def inner_radius(self, depth_mm: float | Array) -> float | Array:
        t = np.clip(np.asarray(depth_mm) / max(self.height_mm - self.base_mm, 1.0), 0, 1)
        return (self.rim_inner_mm + (self.base_inner_mm - self.rim_inner_mm) * t) / 2

    @property
    def base_mm(self) -> float:
        return max(self.wall_mm * 1.6, 0.4)

    @property
    def outer_mm(self) -> float:
        return self.rim_inner_mm + 2 * self.wall_mm


@dataclass(frozen=True)
class Wick:
    foot_mm: Array  # (2,)
    lean_deg: float
    lean_azimuth: float
    stub_mm: float
    radius_mm: float
    used: bool
    ball_mm: float  # diameter of the carbon ball, 0 for none
    flame_mm: float  # 0 for none
    flame_width: float = 0.3  # width over height
    flame_lean_deg: float = 0.0

    def path(self, depth_mm: float, n: int = 12) -> Array:
        """(n, 3) centre line from the foot to the tip, bending over."""
        t = np.linspace(0, 1, n)
        out = np.sin(np.radians(self.lean_deg)) * self.stub_mm * (0.4 * t + 0.6 * t**2)
        up = np.cos(np.radians(self.lean_deg)) * self.stub_mm * t
        direction = np.array([np.cos(self.lean_azimuth), np.sin(self.lean_azimuth)])
        return np.concatenate([self.foot_mm + out[:, None] * direction, (up - depth_mm)[:, None]], 1)


@dataclass(frozen=True)
class Pool:
    edge_mm: Array  # (240,) radius of the outline about the vessel's axis at ANGLES, already inside the wall
    centre_mm: Array  # (2,) a point well inside it
    darkness: float  # albedo of liquid over solid; above 1 for a pool that glows
    softness_mm: float
    saturation: float
    glow: float


@dataclass(frozen=True)
class Soot:
    opacity: Array  # (240,) at the rim, by azimuth
    depth_mm: Array  # (240,) where it has faded out
    blotch: float


@dataclass(frozen=True)
class View:
    height_mm: float
    tilt_deg: float
    tilt_azimuth: float
    roll_deg: float
    focal_35mm: float
    aim: tuple[float, float]  # where the rim's centre falls, as a fraction of width and height
    portrait: bool


@dataclass(frozen=True)
class Spec:
    seed: int
    vessel: Vessel
    headspace_mm: float
    wax_colour: Array
    ring_mm: float  # how far solid wax at the wall stands above the pool
    wicks: tuple[Wick, ...]
    pool: Pool | None
    soot: Soot | None
    debris: int
    filling: str  # wax | empty | drink
    view: View
    ambient: float  # how bright the room is against the flame
    others: int  # distracting objects
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def lit(self) -> bool:
        return any(w.flame_mm > 0 for w in self.wicks)

    def rise_mm(self, out_mm: float | Array, gap_mm: Array) -> Array:
        """How high solid wax stands above the pool `out_mm` outside its edge, where it is `gap_mm` wide: a ring that
        climbs steeply from the edge and levels off, no steeper on the whole than wax left by a tunnelling wick."""
        steepest = 0.5 if self.ring_mm <= 6 else 1.2
        reach = max(6.0, 0.6 * self.ring_mm)
        return np.minimum(self.ring_mm, steepest * gap_mm) * np.clip(np.asarray(out_mm) / reach, 0, 1) ** 0.6

    def clean(self) -> Spec:
        return replace(self, soot=None)


def harmonics(rng: np.random.Generator, scale: float, first: int = 1, last: int = 7) -> Array:
    """A smooth closed deviation of about ±scale at ANGLES."""
    out = np.zeros(len(ANGLES))
    for k in range(first, last):
        out += rng.normal() / k * np.cos(k * ANGLES + rng.uniform(0, 6.2832))
    return scale * out


def draw_vessel(rng: np.random.Generator) -> Vessel:
    kind = str(rng.choice(np.array(KINDS), p=[0.32, 0.12, 0.07, 0.10, 0.17, 0.13, 0.09]))
    if kind == "tealight":
        d, height, wall = rng.uniform(35.5, 39.5), rng.uniform(14, 19), rng.uniform(0.15, 0.4)
    elif kind == "tin":
        d, height, wall = rng.uniform(55, 100), rng.uniform(35, 70), rng.uniform(0.25, 0.5)
    elif kind == "ceramic":
        d, height, wall = rng.uniform(58, 100), rng.uniform(65, 120), rng.uniform(2.5, 7)
    else:
        d, height, wall = rng.uniform(48, 100), rng.uniform(60, 130), rng.uniform(1.8, 5)
    metal = kind in ("tin", "tealight")
    lip_width = (
        wall + rng.uniform(0.5, 2.8) if metal else wall * (rng.uniform(1.0, 1.25) if rng.random() < 0.2 else 1.0)
    )
    lip = lip_width * rng.uniform(0.3, 0.6) if metal else rng.uniform(0.3, max(0.5, min(lip_width / 2, 2.2)))
    taper = rng.uniform(0.68, 0.97) if rng.random() < (0.25 if kind != "tin" else 0.05) else 1.0
    colour = {
        "clear_glass": np.ones(3) * rng.uniform(0.96, 1.0),
        "amber_glass": np.array([rng.uniform(0.75, 0.95), rng.uniform(0.3, 0.55), rng.uniform(0.02, 0.15)]),
        "tinted_glass": np.clip(rng.uniform(0.15, 1.0, 3), 0, 1),
        "frosted_glass": np.ones(3) * rng.uniform(0.85, 1.0),
        "ceramic": np.clip(rng.choice([0.03, 0.12, 0.4, 0.85]) * (1 + rng.normal(0, 0.1, 3)), 0.015, 0.92)
        if rng.random() < 0.7
        else rng.uniform(0.03, 0.8, 3),
        "tin": np.clip(rng.uniform(0.55, 0.95) * (1 + rng.normal(0, 0.06, 3)), 0.1, 0.98),
        "tealight": np.ones(3) * rng.uniform(0.75, 0.95),
    }[kind]
    rough = {"ceramic": rng.uniform(0.05, 0.5), "tin": rng.uniform(0.08, 0.4), "tealight": rng.uniform(0.1, 0.35)}
    return Vessel(
        kind, d, wall, height, d * taper, lip, lip_width, float(rng.uniform(0.25, 1.0)), colour,
        float(rough.get(kind, rng.uniform(0.12, 0.4))),
    )  # fmt: skip


STATES = ("new", "partial", "nearly_full", "full", "off_centre", "tunnelling", "snuffed", "cold", "not_candle")


def draw_pool_edge(rng: np.random.Generator, state: str, radius: float, feet: Array) -> tuple[Array, Array]:
    """(outline radius at ANGLES about the axis, centre); within 0.6 % of the wall counts as reaching it."""
    mean = {
        "partial": rng.uniform(0.35, 0.85), "nearly_full": rng.uniform(0.85, 1.0), "full": 1.3,
        "off_centre": rng.uniform(0.4, 0.8), "tunnelling": rng.uniform(0.3, 0.65), "snuffed": rng.uniform(0.5, 1.3),
    }[state] * radius  # fmt: skip
    centre = feet.mean(0) * rng.uniform(0.6, 1.0)
    if state == "off_centre":
        direction = rng.uniform(0, 6.2832)
        centre = centre + rng.uniform(0.1, 0.4) * radius * np.array([np.cos(direction), np.sin(direction)])
    irregular = rng.choice([0.01, 0.025, 0.06], p=[0.35, 0.4, 0.25])
    around = mean * (1 + harmonics(rng, irregular, 2, 9))
    for foot in feet if len(feet) > 1 else []:  # lobes towards every wick
        toward = np.arctan2(*(foot - centre)[::-1])
        around += np.linalg.norm(foot - centre) * 0.7 * np.clip(np.cos(ANGLES - toward), 0, 1) ** 2
    xy = centre + around[:, None] * np.stack([np.cos(ANGLES), np.sin(ANGLES)], 1)
    azimuth, r = np.arctan2(xy[:, 1], xy[:, 0]), np.hypot(xy[:, 0], xy[:, 1])
    order = np.argsort(azimuth)
    edge = np.interp(ANGLES, azimuth[order], r[order], period=2 * np.pi)
    if np.hypot(*centre) > 0.9 * np.abs(around).min():  # the axis is not inside: keep the outline star-shaped about it
        edge = np.maximum(edge, 0.04 * radius)
        centre = centre * 0.0
    return np.where(edge > 0.994 * radius, radius, edge), centre


def draw_wicks(rng: np.random.Generator, state: str, radius: float, vessel: Vessel) -> tuple[Wick, ...]:
    small = vessel.kind == "tealight"
    count = int(rng.choice([1, 2, 3], p=[0.92, 0.05, 0.03])) if radius > 35 else 1
    lit = state in ("partial", "nearly_full", "full", "off_centre", "tunnelling")
    used = state != "new"
    wicks = []
    turn = rng.uniform(0, 6.2832)
    drift = rng.choice([rng.uniform(0, 2.5), rng.uniform(2, 8), rng.uniform(0.3, 0.85) * radius], p=[0.72, 0.2, 0.08])
    for k in range(count):
        spread = rng.uniform(0.3, 0.5) * radius if count > 1 else min(drift, 0.88 * radius)
        angle = turn + 6.2832 * k / count
        tall = rng.uniform(6, 16) if small else rng.uniform(9, 42)
        flame = float(tall if lit and (k == 0 or rng.random() < 0.9) else 0.0)
        ball = float(rng.uniform(1.2, 5.5)) if used and rng.random() < 0.35 else 0.0
        wicks.append(
            Wick(
                spread * np.array([np.cos(angle), np.sin(angle)]),
                float(min(abs(rng.normal(0, 14)), 70)),
                float(rng.uniform(0, 6.2832)),
                float(rng.uniform(3, 7) if small else rng.uniform(3.5, 12)),
                float(rng.uniform(0.4, 0.8) if small else rng.uniform(0.6, 1.6)),
                used,
                ball * (0.6 if small else 1.0),
                flame,
                float(rng.uniform(0.22, 0.42)),
                float(rng.normal(0, 7)),
            )
        )
    return tuple(wicks)


def draw_soot(rng: np.random.Generator) -> Soot:
    if rng.random() < 0.25:
        arc = np.ones(len(ANGLES))
    else:
        arc = np.exp(-((np.angle(np.exp(1j * (ANGLES - rng.uniform(0, 6.2832)))) / rng.uniform(0.25, 1.4)) ** 2))
        if rng.random() < 0.3:
            arc += np.exp(-((np.angle(np.exp(1j * (ANGLES - rng.uniform(0, 6.2832)))) / rng.uniform(0.2, 0.8)) ** 2))
    opacity = np.clip(rng.uniform(0.1, 0.95) * arc * (1 + harmonics(rng, 0.15, 2, 9)), 0, 0.98)
    return Soot(
        opacity, np.clip(rng.uniform(5, 24) * (1 + harmonics(rng, 0.15, 1, 5)), 2, 40), float(rng.uniform(0, 0.5))
    )


def draw_view(rng: np.random.Generator, vessel: Vessel) -> View:
    tilt = abs(float(rng.normal(0, 11)))
    focal = float(rng.choice([rng.uniform(23, 29), rng.uniform(45, 56)], p=[0.7, 0.3]))
    fill = rng.uniform(0.12, 0.6)  # rim diameter over the picture's long side
    height = vessel.rim_inner_mm * focal / (34.6 * fill)  # a 4:3 picture of 43.27 mm diagonal is 34.6 mm long
    return View(
        float(np.clip(height, 85, 480)),
        float(min(tilt, 29)),
        float(rng.uniform(0, 6.2832)),
        float(rng.uniform(0, 360)),
        focal,
        (float(np.clip(rng.normal(0.5, 0.13), 0.2, 0.8)), float(np.clip(rng.normal(0.5, 0.13), 0.2, 0.8))),
        bool(rng.random() < 0.4),
    )


def draw(seed: int, state: str | None = None) -> Spec:
    """A random scene; the mix of states is that of a burn test with the hard cases over-represented."""
    rng = np.random.default_rng(seed)
    vessel = draw_vessel(rng)
    state = state or str(rng.choice(np.array(STATES), p=[0.12, 0.19, 0.12, 0.22, 0.09, 0.09, 0.08, 0.03, 0.06]))
    if state == "not_candle" and rng.random() < 0.4:
        vessel = replace(vessel, squareness=float(rng.uniform(0.3, 1.0)), ovality=float(rng.uniform(0.7, 1.0)))
    deep = rng.uniform(0.05, 0.35) if vessel.kind == "tealight" else rng.uniform(0.06, 0.6)
    headspace = float(np.clip(deep * vessel.height_mm, 1.5, vessel.height_mm - vessel.base_mm - 8))
    radius = float(vessel.inner_radius(headspace))
    wicks = () if state == "not_candle" else draw_wicks(rng, state, radius, vessel)
    pool, ring = None, 0.0
    if state not in ("new", "cold", "not_candle"):
        edge, centre = draw_pool_edge(rng, state, radius, np.array([w.foot_mm for w in wicks]))
        darkness = rng.choice(
            [rng.uniform(0.42, 0.8), rng.uniform(0.8, 0.94), rng.uniform(1.04, 1.2)], p=[0.62, 0.26, 0.12]
        )
        pool = Pool(
            edge, centre, float(darkness), float(rng.choice([0.0, rng.uniform(0.1, 1.2)], p=[0.55, 0.45])),
            float(rng.uniform(0, 0.35)),
            float(rng.choice([0.0, rng.uniform(0.1, 0.9), rng.uniform(0.9, 3.0)], p=[0.35, 0.45, 0.2])),
        )  # fmt: skip
        ring = float(rng.choice([0.0, rng.uniform(0.2, 2.5), rng.uniform(2, 6)], p=[0.2, 0.65, 0.15]))
        if state == "tunnelling":  # the wick goes down and leaves its wall standing
            ring = float(rng.uniform(2, 18))
            headspace = float(min(headspace + 0.7 * ring, vessel.height_mm - vessel.base_mm - 8))
    sooty = state not in ("new", "not_candle") and rng.random() < 0.5
    return Spec(
        seed, vessel, headspace, wax_colour(rng), min(ring, headspace * 0.8), wicks, pool,
        draw_soot(rng) if sooty else None,
        int(rng.integers(1, 6)) if state not in ("new", "not_candle") and rng.random() < 0.25 else 0,
        "wax" if state != "not_candle" else str(rng.choice(np.array(["empty", "drink", "drink"]))),
        draw_view(rng, vessel), float(np.exp(rng.uniform(np.log(0.4), np.log(7)))), int(rng.integers(0, 5)),
    )  # fmt: skip


def wax_colour(rng: np.random.Generator) -> Array:
    from . import looks

    return looks.wax_colour(rng)
