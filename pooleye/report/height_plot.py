"""The flame's height over a clip, as a small plot for the overlay."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pooleye.photo import RgbImage
    from pooleye.side.moving import HeightSeries

LINE, PAPER, INK, FAINT = (255, 110, 40), (18, 18, 20), (255, 255, 255), (90, 90, 95)
SHAPE = 0.36  # height over width
STEPS = (1, 2, 5, 10, 20, 50)  # mm or s (or pictures) between grid lines
LINES = 5  # grid lines wanted
FEW = 60  # pictures, each of which gets a dot


def height_plot(series: HeightSeries, width_px: int) -> RgbImage:
    """Height in mm over time in s, or over the picture's number where the clip has no times; (h, width_px, 3)."""
    from PIL import Image, ImageDraw, ImageFont

    size = max(14, width_px // 42)
    height_px = round(SHAPE * width_px)
    left, right, top, bottom = 3 * size, width_px - size, round(1.8 * size), height_px - 2 * size
    font = ImageFont.load_default(size)
    picture = Image.new("RGB", (width_px, height_px), PAPER)
    draw = ImageDraw.Draw(picture)
    across = np.arange(len(series.heights_mm)) if series.times_s is None else series.times_s
    x_low, x_high = float(across[0]), max(float(across[-1]), float(across[0]) + 1e-3)
    y_low, y_high = _range(series.heights_mm)
    for value in _grid(y_low, y_high):
        y = bottom - (value - y_low) / (y_high - y_low) * (bottom - top)
        draw.line((left, y, right, y), fill=FAINT)
        draw.text((left - size / 2, y), f"{value:g}", fill=INK, font=font, anchor="rm")
    for value in _grid(x_low, x_high):
        x = left + (value - x_low) / (x_high - x_low) * (right - left)
        draw.line((x, top, x, bottom), fill=FAINT)
        draw.text((x, bottom + size / 3), f"{value:g}", fill=INK, font=font, anchor="ma")
    draw.text((size / 2, size / 4), _title(series), fill=INK, font=font)
    x_px = left + (across - x_low) / (x_high - x_low) * (right - left)
    y_px = bottom - (series.heights_mm - y_low) / (y_high - y_low) * (bottom - top)
    points = [(float(x), float(y)) for x, y in zip(x_px, y_px, strict=True)]
    draw.line(points, fill=LINE, width=max(2, size // 8), joint="curve")
    if len(points) <= FEW:
        for x, y in points:
            draw.circle((x, y), size / 5, fill=LINE)
    return np.asarray(picture, dtype=np.uint8)


def _title(series: HeightSeries) -> str:
    if series.resolution_hz is None:
        return "flame height, mm, over pictures"
    return f"flame height, mm, over time, s; frequencies are told apart from {series.resolution_hz:.2g} Hz on"


def _range(heights_mm: NDArray[np.float64]) -> tuple[float, float]:
    """Heights from a little below the lowest to a little above the highest, at least 4 mm: a calm flame looks calm."""
    low, high = float(heights_mm.min()), float(heights_mm.max())
    margin = max(0.1 * (high - low), (4.0 - (high - low)) / 2)
    return low - margin, high + margin


def _grid(low: float, high: float) -> list[float]:
    step = next((step for step in STEPS if (high - low) / step <= LINES), (high - low) / LINES)
    if high - low < 2:
        step = 0.25 if high - low < 1 else 0.5
    return [float(value) for value in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step]
