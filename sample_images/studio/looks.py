"""Procedural pictures for the studio: table tops, wax, rooms. All arrays are linear RGB, float32."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def noise(rng: np.random.Generator, size: int, cells: float, octaves: int = 4, stretch: float = 1.0) -> Image:
    """Fractal value noise, about 0 ± 1; `stretch` > 1 draws it out along x."""
    out = np.zeros((size, size), np.float32)
    for octave in range(octaves):
        n = max(cells * 2**octave, 2)
        small = rng.standard_normal((int(min(n + 3, size)), int(min(n / stretch + 3, size)))).astype(np.float32)
        out += cv2.resize(small, (size, size), interpolation=cv2.INTER_CUBIC) * 0.6**octave
    return out


def tint(rng: np.random.Generator, value: tuple[float, float], saturation: float) -> NDArray[np.float64]:
    """A random colour, linear RGB: brightness range and how far from grey."""
    colour = rng.uniform(*value) * (1 + saturation * rng.uniform(-1, 1, 3))
    return np.clip(colour, 0.01, 0.92)


def wood(rng: np.random.Generator, size: int) -> Image:
    base = tint(rng, (0.06, 0.55), 0.15) * np.array([1.25, 1.0, rng.uniform(0.55, 0.9)])
    grain = noise(rng, size, rng.uniform(20, 80), 4, stretch=rng.uniform(8, 30))
    rings = np.sin(noise(rng, size, 4, 2, stretch=6) * rng.uniform(2, 12))
    shade = 1 + rng.uniform(0.04, 0.16) * grain + rng.uniform(0, 0.12) * rings
    board = size // int(rng.integers(3, 9))
    for y in range(int(rng.integers(0, board)), size, board):
        shade[y : y + board] *= rng.uniform(0.85, 1.15)
        if rng.random() < 0.8:
            shade[y : y + int(rng.integers(1, 4))] *= rng.uniform(0.3, 0.8)
    return (base * shade[..., None]).astype(np.float32)


def cloth(rng: np.random.Generator, size: int) -> Image:
    base = tint(rng, (0.06, 0.6), 0.5)
    y, x = np.mgrid[0:size, 0:size].astype(np.float32)
    pitch = rng.uniform(2.5, 9)
    weave = np.sin(2 * np.pi * x / pitch) * np.sin(2 * np.pi * y / pitch)
    shade = 1 + rng.uniform(0.05, 0.25) * weave + 0.06 * noise(rng, size, 40, 3)
    if rng.random() < 0.3:  # stripes or checks
        period = rng.uniform(20, 120)
        shade *= 1 + rng.uniform(0.1, 0.5) * np.sign(np.sin(2 * np.pi * x / period))
        if rng.random() < 0.5:
            shade *= 1 + rng.uniform(0.1, 0.5) * np.sign(np.sin(2 * np.pi * y / period))
    return (base * shade[..., None]).astype(np.float32)


def stone(rng: np.random.Generator, size: int) -> Image:
    base = tint(rng, (0.08, 0.65), 0.12)
    shade = 1 + rng.uniform(0.03, 0.2) * noise(rng, size, rng.uniform(4, 30), 6)
    if rng.random() < 0.35:  # marble veins
        shade *= 1 - rng.uniform(0.2, 0.6) * np.exp(-np.abs(noise(rng, size, 5, 5)) * rng.uniform(8, 30))
    if rng.random() < 0.25:  # tiles
        pitch = size // int(rng.integers(3, 10))
        shade[::pitch] *= 0.5
        shade[:, ::pitch] *= 0.5
    return (base * shade[..., None]).astype(np.float32)


def paper(rng: np.random.Generator, size: int) -> Image:
    base = tint(rng, (0.15, 0.85), 0.2)
    return (base * (1 + 0.02 * noise(rng, size, 120, 2))[..., None]).astype(np.float32)


def shapes(rng: np.random.Generator, size: int) -> Image:
    """A patterned oilcloth: discs and rings of many sizes, the enemy of naive circle finders."""
    out = np.ones((size, size, 3), np.float32) * tint(rng, (0.1, 0.7), 0.3).astype(np.float32)
    for _ in range(int(rng.integers(10, 80))):
        centre = (int(rng.integers(0, size)), int(rng.integers(0, size)))
        colour = [float(c) for c in tint(rng, (0.05, 0.8), 0.8)]
        cv2.circle(out, centre, int(rng.integers(6, 90)), colour, int(rng.choice([-1, 2, 4, 8])), cv2.LINE_AA)
    return out


def table_top(rng: np.random.Generator, size: int = 768) -> Image:
    kind = rng.choice(np.array(["wood", "cloth", "stone", "paper", "shapes"]), p=[0.42, 0.19, 0.19, 0.11, 0.09])
    picture = {"wood": wood, "cloth": cloth, "stone": stone, "paper": paper, "shapes": shapes}[str(kind)](rng, size)
    return np.clip(picture, 0.005, 0.95)


WAXES = np.array(
    [(0.86, 0.84, 0.80), (0.80, 0.70, 0.50), (0.82, 0.77, 0.64), (0.70, 0.30, 0.32), (0.10, 0.14, 0.36),
     (0.25, 0.45, 0.30), (0.72, 0.50, 0.20), (0.45, 0.12, 0.14), (0.55, 0.50, 0.62), (0.30, 0.20, 0.12),
     (0.62, 0.72, 0.74)]
)  # fmt: skip


def wax_colour(rng: np.random.Generator) -> NDArray[np.float64]:
    """Mostly the whites and creams of real jars, else a dyed wax."""
    index = int(rng.integers(0, 3)) if rng.random() < 0.6 else int(rng.integers(3, len(WAXES)))
    return np.clip(WAXES[index] * rng.uniform(0.8, 1.08) * (1 + rng.normal(0, 0.06, 3)), 0.02, 0.93)


def wax_surface(rng: np.random.Generator, colour: NDArray[np.float64], size: int = 256) -> Image:
    """Solid wax with its frosting and mottling."""
    strength = rng.choice([0.01, 0.03, 0.08, 0.2], p=[0.3, 0.4, 0.2, 0.1])
    mottle = 1 + strength * noise(rng, size, rng.uniform(3, 14), 4)
    return np.clip(colour * mottle[..., None], 0.01, 0.95).astype(np.float32)


ONE_SIDED = 0.3  # share of rooms


def room(rng: np.random.Generator, height: int = 128) -> Image:
    """A room as an equirectangular light map: walls, ceiling, windows or lamps; straight up is the first row."""
    width = 2 * height
    level = rng.uniform(0.15, 0.9)
    wall = level * tint(rng, (0.6, 1.0), 0.2)
    out = np.ones((height, width, 3), np.float32) * wall.astype(np.float32)
    out[: height // 3] *= rng.uniform(0.6, 1.6)  # ceiling
    out[height // 2 :] *= rng.uniform(0.2, 0.7)  # floor, furniture
    warm = np.array([1.0, rng.uniform(0.7, 0.95), rng.uniform(0.4, 0.9)])
    cool = np.array([rng.uniform(0.75, 1.0), 0.95, 1.0])
    for _ in range(int(rng.integers(0, 4))):  # windows
        x, y = int(rng.integers(0, width)), int(rng.uniform(0.08, 0.42) * height)
        w, h = int(rng.uniform(0.03, 0.16) * width), int(rng.uniform(0.05, 0.25) * height)
        light = rng.uniform(3, 30) * (cool if rng.random() < 0.7 else warm)
        columns = np.arange(x, x + w) % width
        out[y : y + h, columns] = light
        if rng.random() < 0.6:
            out[y : y + h, columns[w // 2 : w // 2 + 2]] = wall
            out[y + h // 2 : y + h // 2 + 1, columns] = wall
    for _ in range(int(rng.integers(0, 3))):  # lamps
        x, y = int(rng.integers(0, width)), int(rng.uniform(0.03, 0.4) * height)
        cv2.circle(out, (x, y), int(rng.integers(1, 5)), [float(v) for v in rng.uniform(5, 60) * warm], -1)
    if rng.random() < ONE_SIDED:  # a dim room and one strong light: the rim throws a soft crescent on the wax
        out *= rng.uniform(0.15, 0.5)
        x, y = int(rng.integers(0, width)), int(rng.uniform(0.12, 0.36) * height)
        size = int(rng.integers(2, 8))
        light = rng.uniform(400, 1500) / size**2 * (warm if rng.random() < 0.6 else cool)
        cv2.circle(out, (x, y), size, [float(v) for v in light], -1)
    return out
