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
from pooleye.measurement import PhotoResult, PointPx, shown

if TYPE_CHECKING:
    from PIL import ImageFont

    from pooleye.photo import Photo, RgbImage
    from pooleye.side.moving import HeightSeries

Colour = tuple[int, int, int]
SKY_BLUE: Colour = (86, 180, 233)
YELLOW: Colour = (240, 228, 66)
VERMILION: Colour = (255, 110, 40)
BROWN: Colour = (213, 94, 0)
PINK: Colour = (235, 150, 200)
WHITE: Colour = (255, 255, 255)
GREY: Colour = (170, 170, 170)
DARK: Colour = (18, 18, 20)

SUBPIXEL_BITS = 4  # cv2 draws at 1/16 pixel
JPEG_QUALITY = 90
CANVAS_PX, MAX_ZOOM = 1200, 3.0  # a phone's screen; more zoom shows nothing new
SURROUNDINGS = 1.7  # how far around the rim the overlay reaches, in units of its radius
SOOTY_L = -3.0  # darker than this counts as soot
SCALE_BARS_MM = (5, 10, 20, 50, 100)
#: The rows below the picture: quantity, words, colour of the outline it belongs to.
PANEL_ROWS: tuple[tuple[str, str, Colour | None], ...] = (
    ("pool_diameter", "melt pool", YELLOW),
    ("pool_coverage", "liquid share", None),
    ("hangup_mean", "hang-up, mean", None),
    ("hangup_max", "hang-up, widest", None),
    ("wick_offset", "wick off centre", PINK),
    ("wick_lean", "wick leans", PINK),
    ("debris_count", "debris", VERMILION),
    ("carbon_ball_diameter", "carbon ball", None),
    ("soot_delta_L", "soot (L*)", BROWN),
    ("soot_arc", "sooty wall", BROWN),
    ("soot_view_arc", "wall that shows", None),
    ("headspace", "headspace", None),
    ("flame_height", "flame height", VERMILION),
    ("flame_height_visible", "flame that shows", VERMILION),
    ("flame_height_max", "flame, tallest", None),
    ("flame_width", "flame width", None),
    ("flame_lean", "flame leans", None),
    ("flicker_amplitude", "flicker", None),
    ("flicker_frequency", "flickers at", None),
    ("smoke_strength", "smoke", None),
    ("wax_level", "wax level", WHITE),
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


def draw_overlay(
    photo: Photo,
    result: PhotoResult,
    path: Path | str,
    *,
    rim_inner_mm: float | None = None,
    series: HeightSeries | None = None,
) -> None:
    """Writes the overlay picture; the ending of `path` chooses JPEG or PNG. Without `rim_inner_mm` no scale bar.

    With the `series` of a clip, the flame's height is plotted below.

    Raises OSError when the file cannot be written.
    """
    drawn = overlay_pixels(photo, result, rim_inner_mm=rim_inner_mm)
    width = drawn.shape[1]
    parts = [drawn, _panel(result, width)]
    if series is not None and len(series.heights_mm) > 1:
        from pooleye.report.height_plot import height_plot

        parts.append(height_plot(series, width))
    picture = np.vstack(parts)
    _write(picture, Path(path))


def overlay_pixels(
    photo: Photo,
    result: PhotoResult,
    *,
    rim_inner_mm: float | None = None,
    by_hand: Sequence[PointPx] = (),
    weight: float = 1.0,
    long_side_px: int = CANVAS_PX,
) -> RgbImage:
    """The part of the photo worth showing, with what was found drawn in; `by_hand`: a pool drawn by a person, dashed.

    `weight` makes strokes and letters larger, for pictures that are shown small; a part shorter than `long_side_px` is
    enlarged to it, a longer one is left as it is.
    """
    canvas = _Canvas.on(photo, result.outlines_px.rim, _standing(result), long_side_px)
    canvas.weight = weight
    if result.status == "measured":
        _draw_found(canvas, result, rim_inner_mm)
    if by_hand:
        canvas.dashes(list(by_hand), WHITE)
    return canvas.pixels


@dataclass
class _Canvas:
    """A part of the working picture, enlarged, being drawn on. Takes points in full-size pixels of the photo."""

    pixels: RgbImage
    photo: Photo
    origin_px: tuple[int, int]  # of the part, in working pixels
    zoom: float  # canvas pixels per working pixel
    weight: float = 1.0  # of strokes and letters

    @classmethod
    def on(cls, photo: Photo, rim: Mapping[str, float] | None, also: Sequence[PointPx], long_side_px: int) -> _Canvas:
        """The surroundings of the rim where one was found, and these points; else the whole picture."""
        (left, top), (right, bottom) = _surroundings_px(photo, rim, also)
        part = photo.rgb[top:bottom, left:right]
        zoom = max(1.0, min(MAX_ZOOM, long_side_px / max(part.shape[:2])))
        pixels = cv2.resize(part, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
        return cls(np.asarray(pixels, dtype=np.uint8), photo, (left, top), zoom)

    @property
    def size_px(self) -> tuple[int, int]:
        return self.pixels.shape[1], self.pixels.shape[0]

    @property
    def unit_px(self) -> float:
        """A hundredth of the canvas's longer side, in canvas pixels: strokes and letters grow with the picture."""
        return self.weight * max(self.size_px) / 100

    def to_canvas_px(self, points_px: Iterable[Iterable[float]]) -> NDArray[np.float64]:
        """Full-size pixels (n, 2) in canvas pixels."""
        working = self.photo.to_working_px([list(point) for point in points_px])
        return np.asarray((working - self.origin_px + 0.5) * self.zoom - 0.5)

    def curve(self, points_px: Iterable[Iterable[float]], colour: Colour, *, closed: bool = True) -> None:
        """A line through full-size points."""
        self.stroke(self.to_canvas_px(points_px), colour, closed=closed)

    def dashes(self, points_px: Iterable[Iterable[float]], colour: Colour) -> None:
        """A closed dashed line: the outline in 48 pieces of one length, every other one drawn."""
        outline = self.to_canvas_px(points_px)
        closed = np.vstack([outline, outline[:1]])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        for start in range(0, 48, 2):
            at = np.linspace(start, start + 1, 8) / 48 * along[-1]
            piece = np.column_stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)])
            self.stroke(piece, colour, closed=False)

    def cross(self, point_px: Iterable[float], colour: Colour) -> None:
        """A small cross on a full-size point."""
        ((x, y),) = self.to_canvas_px([point_px])
        arm = 1.2 * self.unit_px
        self.stroke(np.array([[x - arm, y], [x + arm, y]]), colour, closed=False)
        self.stroke(np.array([[x, y - arm], [x, y + arm]]), colour, closed=False)

    def ring(self, point_px: Iterable[float], colour: Colour) -> None:
        """A small circle round a full-size point."""
        t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        around = np.column_stack([np.cos(t), np.sin(t)]) * 1.4 * self.unit_px
        self.stroke(self.to_canvas_px([point_px]) + around, colour, closed=True)

    def stroke(self, canvas_points: NDArray[np.float64], colour: Colour, *, closed: bool) -> None:
        """A line through canvas points, with a dark rim."""
        fixed = np.asarray(np.round(canvas_points * 2**SUBPIXEL_BITS), dtype=np.int32)
        width = max(2, round(0.25 * self.unit_px))
        for shade, thickness in ((DARK, 2 * width + 1), (colour, width)):
            cv2.polylines(self.pixels, [fixed], closed, shade, thickness, cv2.LINE_AA, SUBPIXEL_BITS)

    def label(self, text: str, canvas_point: tuple[float, float], colour: Colour) -> None:
        """Text centred on a canvas point, with a dark rim; moved inwards where it would leave the picture."""
        from PIL import Image, ImageDraw

        size = max(14, round(2.4 * self.unit_px))
        half = (_font(size).getlength(text) / 2 + size / 4, size * 0.75)
        x, y = (min(max(canvas_point[axis], half[axis]), self.size_px[axis] - half[axis]) for axis in (0, 1))
        image = Image.fromarray(self.pixels)
        ImageDraw.Draw(image).text(
            (x, y), text, fill=colour, font=_font(size), anchor="mm", stroke_width=size // 8, stroke_fill=DARK
        )
        self.pixels = np.array(image)


def _standing(result: PhotoResult) -> tuple[PointPx, ...]:
    """What a side view shows besides the rim: the vessel down to its base and the flame."""
    found = result.outlines_px
    if result.view != "side":
        return ()
    return tuple(point for point in (*found.wall, found.flame_tip, found.flame_base) if point is not None)


def _surroundings_px(
    photo: Photo, rim: Mapping[str, float] | None, also: Sequence[PointPx] = ()
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Top-left and bottom-right corner, in working pixels, of what is worth showing."""
    height, width = photo.rgb.shape[:2]
    if rim is None:
        return (0, 0), (width, height)
    x, y = photo.to_working_px([rim["cx"], rim["cy"]])
    reach = SURROUNDINGS * rim["semi_major"] / photo.scale_px
    margin = 0.3 * rim["semi_major"] / photo.scale_px
    seen = photo.to_working_px(list(also) or [[rim["cx"], rim["cy"]]])
    (far_left, far_up), (far_right, far_down) = seen.min(axis=0) - margin, seen.max(axis=0) + margin
    left, right = (int(np.clip(edge, 0, width)) for edge in (min(x - reach, far_left), max(x + reach, far_right)))
    top, bottom = (int(np.clip(edge, 0, height)) for edge in (min(y - reach, far_up), max(y + reach, far_down)))
    if right - left < 2 or bottom - top < 2:  # a rim beside the picture
        return (0, 0), (width, height)
    return (left, top), (right, bottom)


def _draw_found(canvas: _Canvas, result: PhotoResult, rim_inner_mm: float | None) -> None:
    found = result.outlines_px
    if found.wall:
        canvas.dashes(list(found.wall), WHITE)
    if found.pool:
        canvas.curve(list(found.pool), YELLOW)
    if found.flame_base and found.flame_tip:
        canvas.curve([found.flame_base, found.flame_tip], VERMILION, closed=False)
    if found.wick and found.wick_tip:
        canvas.curve([found.wick, found.wick_tip], PINK, closed=False)
    if found.wick:
        canvas.cross(found.wick, PINK)
    for piece in found.debris:
        canvas.ring(piece, VERMILION)
    if found.rim:
        canvas.curve(rim_points_px(found.rim).tolist(), SKY_BLUE)
        _draw_soot(canvas, found.rim, result.by_clock.get("soot_delta_L", ()))
        if result.view != "side":
            _draw_twelve(canvas, found.rim)
        if rim_inner_mm:
            _draw_scale_bar(canvas, 2 * found.rim["semi_major"] / rim_inner_mm)


def _draw_soot(canvas: _Canvas, rim: Mapping[str, float], by_clock: Sequence[float | None]) -> None:
    """An arc outside of the rim and the change of L* at every clock position that is sooty; "?" where no wall shows."""
    wide = {**rim, "semi_major": 1.06 * rim["semi_major"], "semi_minor": 1.06 * rim["semi_minor"]}
    outline = rim_points_px(wide, 720)
    clock = np.degrees(np.arctan2(outline[:, 0] - rim["cx"], rim["cy"] - outline[:, 1])) % 360
    for hour, change in enumerate(by_clock):
        away = (clock - 30 * hour + 180) % 360 - 180
        if change is not None and change >= SOOTY_L:
            continue
        order = np.argsort(away)
        arc = outline[order][np.abs(away[order]) < 14]
        canvas.curve(arc.tolist(), GREY if change is None else BROWN, closed=False)
        at = canvas.to_canvas_px([outline[np.abs(away).argmin()]])[0]
        canvas.label("?" if change is None else f"{change:z.0f}", (float(at[0]), float(at[1])), WHITE)


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
    outline = canvas.to_canvas_px(rim_points_px(rim, 720).tolist())
    ((centre_x, centre_y),) = canvas.to_canvas_px([(rim["cx"], rim["cy"])])
    x, y = outline[np.argmin(np.where(outline[:, 1] < centre_y, np.abs(outline[:, 0] - centre_x), np.inf))]
    tick = 1.5 * canvas.unit_px
    canvas.stroke(np.array([[x, y - tick], [x, y + tick]]), SKY_BLUE, closed=False)
    canvas.label("12", (x, y - 2.2 * tick), SKY_BLUE)


def _draw_scale_bar(canvas: _Canvas, full_px_per_mm: float) -> None:
    """A bar of a round length, about a quarter of the picture's width, true in the plane of the rim."""
    px_per_mm = full_px_per_mm / canvas.photo.scale_px * canvas.zoom
    width, height = canvas.size_px
    length_mm = min(SCALE_BARS_MM, key=lambda mm: abs(mm - width / 4 / px_per_mm))
    margin, tick = 3 * canvas.unit_px, 0.8 * canvas.unit_px
    left, right, base = margin, margin + length_mm * px_per_mm, height - margin
    bar = np.array([[left, base - tick], [left, base], [right, base], [right, base - tick]])
    canvas.stroke(bar, WHITE, closed=False)
    canvas.label(f"{length_mm} mm", ((left + right) / 2, base - 2.2 * tick), WHITE)


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
    return [(label, shown(name, found[name]), swatch) for name, label, swatch in PANEL_ROWS if name in found]


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

    Image.fromarray(picture).save(path, quality=JPEG_QUALITY, compress_level=1)
