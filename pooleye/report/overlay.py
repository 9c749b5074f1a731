"""The photo with what was found drawn in, so that a person sees at a glance whether to believe the numbers.

Every line is drawn twice, dark and wide below, bright and narrow above, so that it shows on white wax and on black
tin alike. Colours are from the set of Okabe and Ito (2008), which colour-blind people can tell apart.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Severity, reason_named, stops_first
from pooleye.measurement import PhotoResult

if TYPE_CHECKING:
    from PIL import ImageFont

    from pooleye.photo import Photo, RgbImage

Colour = tuple[int, int, int]
SKY_BLUE: Colour = (86, 180, 233)
YELLOW: Colour = (240, 228, 66)
VERMILION: Colour = (255, 110, 40)
PINK: Colour = (235, 150, 200)
WHITE: Colour = (255, 255, 255)
GREY: Colour = (170, 170, 170)
DARK: Colour = (18, 18, 20)

SUBPIXEL_BITS = 4  # cv2 draws at 1/16 pixel
JPEG_QUALITY = 90
SCALE_BARS_MM = (5, 10, 20, 50, 100)
#: The rows below the picture: quantity, words, colour of the outline it belongs to.
PANEL_ROWS: tuple[tuple[str, str, Colour | None], ...] = (
    ("pool_diameter", "melt pool", YELLOW),
    ("pool_coverage", "liquid share", None),
    ("hangup_mean", "hang-up, mean", None),
    ("hangup_max", "hang-up, widest", None),
    ("wick_offset", "wick off centre", PINK),
    ("carbon_ball_diameter", "carbon ball", None),
    ("soot_delta_L", "soot (L*)", None),
    ("headspace", "headspace", None),
    ("flame_height", "flame height", VERMILION),
    ("flame_width", "flame width", None),
    ("wax_level", "wax level", None),
    ("pool_depth", "pool depth", None),
)


def overlay_names(photos: Sequence[str]) -> list[str]:
    """One file name for each photo's overlay, all different: two folders may hold photos of the same name."""
    taken: dict[str, int] = {}
    names = []
    for photo in photos:
        stem = re.sub(r"[^\w.-]+", "_", Path(photo).stem) or "photo"
        taken[stem] = taken.get(stem, 0) + 1
        names.append(f"{stem}_measured.jpg" if taken[stem] == 1 else f"{stem}_measured-{taken[stem]}.jpg")
    return names


def draw_overlay(photo: Photo, result: PhotoResult, path: Path | str, *, rim_inner_mm: float | None = None) -> None:
    """Writes the overlay picture; the ending of `path` chooses JPEG or PNG. Without `rim_inner_mm` no scale bar.

    Raises OSError when the file cannot be written.
    """
    canvas = _Canvas.on(photo)
    if result.status == "measured":
        _draw_found(canvas, result, rim_inner_mm)
    picture = np.vstack([canvas.pixels, _panel(result, canvas.pixels.shape[1])])
    _write(picture, Path(path))


@dataclass
class _Canvas:
    """The working picture, being drawn on; takes full-size pixels."""

    pixels: RgbImage
    photo: Photo

    @classmethod
    def on(cls, photo: Photo) -> _Canvas:
        return cls(photo.rgb.copy(), photo)

    @property
    def stroke_px(self) -> int:
        return max(2, round(float(max(self.pixels.shape[:2])) / 500))

    @property
    def margin_px(self) -> float:
        """A distance from the picture's edge, in full-size pixels."""
        return max(self.photo.full_size_px) / 30

    def curve(self, points_px: Sequence[Iterable[float]], colour: Colour, *, closed: bool = True) -> None:
        """A line through full-size points, with a dark rim."""
        fixed = self._fixed(points_px)
        for shade, width in ((DARK, self.stroke_px * 2 + 1), (colour, self.stroke_px)):
            cv2.polylines(self.pixels, [fixed], closed, shade, width, cv2.LINE_AA, SUBPIXEL_BITS)

    def dashes(self, points_px: Sequence[Iterable[float]], colour: Colour) -> None:
        """A closed dashed line: the outline resampled to 48 pieces, every other one drawn."""
        closed = np.vstack([np.asarray(points_px, float), np.asarray(points_px, float)[:1]])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        for start in range(0, 48, 2):
            at = np.linspace(start, start + 1, 8) / 48 * along[-1]
            piece = np.column_stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)])
            self.curve(piece.tolist(), colour, closed=False)

    def cross(self, point_px: Iterable[float], colour: Colour) -> None:
        x, y = point_px
        arm = 5 * self.stroke_px * self.photo.scale_px
        self.curve([(x - arm, y), (x + arm, y)], colour, closed=False)
        self.curve([(x, y - arm), (x, y + arm)], colour, closed=False)

    def label(self, text: str, point_px: Iterable[float], colour: Colour, anchor: str = "mm") -> None:
        """Text at a full-size point, with a dark rim."""
        from PIL import Image, ImageDraw

        x, y = self.photo.to_working_px(list(point_px))
        image = Image.fromarray(self.pixels)
        size = max(14, max(self.pixels.shape[:2]) // 45)
        ImageDraw.Draw(image).text(
            (x, y), text, fill=colour, font=_font(size), anchor=anchor, stroke_width=size // 8, stroke_fill=DARK
        )
        self.pixels = np.array(image)

    def _fixed(self, points_px: Sequence[Iterable[float]]) -> NDArray[np.int32]:
        working = self.photo.to_working_px([list(point) for point in points_px])
        return np.asarray(np.round(working * 2**SUBPIXEL_BITS), dtype=np.int32)


def _draw_found(canvas: _Canvas, result: PhotoResult, rim_inner_mm: float | None) -> None:
    found = result.outlines_px
    if found.wall:
        canvas.dashes(list(found.wall), WHITE)
    if found.pool:
        canvas.curve(list(found.pool), YELLOW)
    if found.flame_base and found.flame_tip:
        canvas.curve([found.flame_base, found.flame_tip], VERMILION, closed=False)
    if found.wick:
        canvas.cross(found.wick, PINK)
    if found.rim:
        canvas.curve(rim_points_px(found.rim).tolist(), SKY_BLUE)
        _draw_twelve(canvas, found.rim)
        if rim_inner_mm:
            _draw_scale_bar(canvas, 2 * found.rim["semi_major"] / rim_inner_mm)


def rim_points_px(rim: Mapping[str, float], count: int = 180) -> NDArray[np.float64]:
    """Points (count, 2) along the rim ellipse of `Outlines.rim`, in the same pixels."""
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    turn = np.radians(rim["angle_deg"])
    along, across = rim["semi_major"] * np.cos(t), rim["semi_minor"] * np.sin(t)
    x = rim["cx"] + along * np.cos(turn) - across * np.sin(turn)
    y = rim["cy"] + along * np.sin(turn) + across * np.cos(turn)
    return np.column_stack([x, y])


def _draw_twelve(canvas: _Canvas, rim: Mapping[str, float]) -> None:
    """A tick across the rim where clock positions start: straight up in the picture."""
    outline = rim_points_px(rim, 720)
    top = outline[np.argmin(np.where(outline[:, 1] < rim["cy"], np.abs(outline[:, 0] - rim["cx"]), np.inf))]
    length = 0.05 * rim["semi_major"]
    canvas.curve([(top[0], top[1] - length), (top[0], top[1] + length)], SKY_BLUE, closed=False)
    canvas.label("12", (top[0], max(top[1] - 2.2 * length, canvas.margin_px)), SKY_BLUE)


def _draw_scale_bar(canvas: _Canvas, full_px_per_mm: float) -> None:
    """A bar of a round length, about a quarter of the picture's short side, in the plane of the rim."""
    width, height = canvas.photo.full_size_px
    target_mm = min(width, height) / 4 / full_px_per_mm
    length_mm = min(SCALE_BARS_MM, key=lambda mm: abs(mm - target_mm))
    start = (canvas.margin_px, height - canvas.margin_px)
    end = (start[0] + length_mm * full_px_per_mm, start[1])
    tick = canvas.margin_px / 4
    canvas.curve([(start[0], start[1] - tick), start, end, (end[0], end[1] - tick)], WHITE, closed=False)
    canvas.label(f"{length_mm} mm", ((start[0] + end[0]) / 2, start[1] - 2 * tick), WHITE)


# --- the panel below the picture -------------------------------------------------------------------------------------


def _panel(result: PhotoResult, width_px: int) -> RgbImage:
    """What was measured, in large letters on a dark strip as wide as the picture."""
    from PIL import Image, ImageDraw

    size = max(18, width_px // 34)
    rows = _panel_rows(result)
    text_lines = [line for words, colour in _panel_words(result) for line in _wrapped(words, size, width_px, colour)]
    columns = 2
    grid_rows = -(-len(rows) // columns)
    line_px = round(size * 1.45)
    panel = Image.new("RGB", (width_px, line_px * (len(text_lines) + grid_rows + 1)), DARK)
    draw = ImageDraw.Draw(panel)
    for index, (words, colour) in enumerate(text_lines):
        draw.text((size, line_px * (index + 0.5)), words, fill=colour, font=_font(size))
    for index, (label, value, swatch) in enumerate(rows):
        left = size + (index // grid_rows) * (width_px // columns)
        top = line_px * (len(text_lines) + index % grid_rows + 0.5)
        draw.rectangle((left, top + size * 0.25, left + size * 0.7, top + size * 0.95), fill=swatch or DARK)
        draw.text((left + size * 1.1, top), label, fill=GREY, font=_font(size))
        draw.text((left + width_px // columns - 2 * size, top), value, fill=WHITE, font=_font(size), anchor="ra")
    return np.asarray(panel, dtype=np.uint8)


def _panel_rows(result: PhotoResult) -> list[tuple[str, str, Colour | None]]:
    found = result.quantities
    return [(label, str(found[name]), swatch) for name, label, swatch in PANEL_ROWS if name in found]


def _panel_words(result: PhotoResult) -> list[tuple[str, Colour]]:
    """Sentences above the numbers: stops first, then why a photo was declined, then cautions."""
    flags = stops_first(result.flags)
    words = [(f"STOP: {flag.meaning} {flag.remedy}", VERMILION) for flag in flags if flag.severity is Severity.STOP]
    if result.reason is not None:
        words += [(f"Not measured: {reason_named(result.reason).meaning}", YELLOW), (f"Try: {result.hint}", WHITE)]
    words += [(flag.meaning, YELLOW) for flag in flags if flag.severity is Severity.CAUTION]
    return words


def _wrapped(words: str, size: int, width_px: int, colour: Colour) -> list[tuple[str, Colour]]:
    """Lines no wider than the panel."""
    lines, line = [], ""
    for word in words.split():
        longer = f"{line} {word}".strip()
        if line and _font(size).getlength(longer) > width_px - 2 * size:
            lines.append(line)
            longer = word
        line = longer
    return [(text, colour) for text in [*lines, line]]


@lru_cache(maxsize=8)
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The font that comes with Pillow, so that overlays look the same on every machine."""
    from PIL import ImageFont

    return ImageFont.load_default(size)


def _write(picture: RgbImage, path: Path) -> None:
    from PIL import Image

    Image.fromarray(picture).save(path, quality=JPEG_QUALITY)
