"""The pinhole camera that took a photo, as well as EXIF tells it.

Sources: the 35 mm equivalent compares picture *diagonals* (CIPA DCG-001; the full frame is 36 x 24 mm, diagonal
43.267 mm); EXIF 2.3 tag 0xA405 FocalLengthIn35mmFilm holds whole millimetres and 0 means unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
FULL_FRAME_WIDTH_MM = 36.0

EXIF_STEP_MM = 1.0
"""EXIF stores whole millimetres: a rectangular distribution of this width (JCGM 100:2008, F.2.2.1)."""

WIDTH_CONVENTION_SHARE = 0.1
"""Judged: one writer in ten scales by the picture's width instead of its diagonal.

The two agree only at 3:2 and differ by 4 % at 4:3. Much less, and a camera of the other kind is taken for certain;
much more, and every camera height carries two per cent that hardly any phone deserves.
"""

NOMINAL_RELATIVE_U = 0.015
"""Judged: a lens differs from its nominal focal length by production, by focusing close (the image distance grows by
about f/D, 2 % for a 6 mm lens at 300 mm) and by the crop of the maker's distortion correction."""

DEFAULT_FOCAL_35MM = 26.0
DEFAULT_FOCAL_RANGE_35MM = (23.0, 28.0)
"""From memory: main cameras of phones are sold as 23 to 28 mm, most often 24 to 26 mm."""


@dataclass(frozen=True)
class Camera:
    """Pinhole camera without distortion; square pixels.

    ``u_f_px`` is the standard uncertainty of the focal length, ``u_parts_px`` says what it is made of (the parts add
    in quadrature), ``assumed`` is true where no focal length was on record and a phone's default stands in.
    """

    f_px: float
    cx_px: float
    cy_px: float
    u_f_px: float
    assumed: bool
    u_parts_px: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.f_px) and self.f_px > 0):
            raise ValueError(f"focal length must be positive, got {self.f_px} px")
        if not (math.isfinite(self.u_f_px) and self.u_f_px > 0):
            raise ValueError(f"a focal length needs an uncertainty above zero, got {self.u_f_px} px")

    def matrix(self) -> NDArray[np.float64]:
        """The 3x3 matrix K from camera-frame directions to homogeneous pixels."""
        return np.array([[self.f_px, 0.0, self.cx_px], [0.0, self.f_px, self.cy_px], [0.0, 0.0, 1.0]])

    def with_focal(self, f_px: float) -> Camera:
        """The same camera with another focal length, for carrying its uncertainty through a computation."""
        return Camera(f_px, self.cx_px, self.cy_px, self.u_f_px, self.assumed, self.u_parts_px)

    def scaled(self, factor: float) -> Camera:
        """The camera of the same picture resized by ``factor`` (0.25 = a quarter of the width).

        Resizing keeps picture *edges* in place, not pixel centres, hence the half pixels.
        """
        return Camera(
            self.f_px * factor,
            (self.cx_px + 0.5) * factor - 0.5,
            (self.cy_px + 0.5) * factor - 0.5,
            self.u_f_px * factor,
            self.assumed,
            tuple((name, u_px * factor) for name, u_px in self.u_parts_px),
        )


def camera_for(full_size_px: tuple[int, int], focal_35mm: float | None) -> Camera:
    """The camera of a photo of ``full_size_px`` = (width, height), upright and not cropped.

    ``focal_35mm`` is EXIF's 35 mm equivalent; None, 0 (EXIF: unknown) and nonsense fall back on a phone's main
    camera with the uncertainty of not knowing which. The principal point is taken at the picture's centre.
    """
    width_px, height_px = full_size_px
    if width_px < 1 or height_px < 1:
        raise ValueError(f"a picture has a size, got {full_size_px}")
    assumed = focal_35mm is None or not math.isfinite(focal_35mm) or focal_35mm <= 0
    nominal_35mm = DEFAULT_FOCAL_35MM if focal_35mm is None or assumed else focal_35mm
    px_per_mm = math.hypot(width_px, height_px) / FULL_FRAME_DIAGONAL_MM
    f_px = nominal_35mm * px_per_mm
    parts = (
        ("focal-unknown" if assumed else "focal-rounding", px_per_mm * (_u_default_mm() if assumed else _u_step_mm())),
        ("focal-convention", _u_convention_px(f_px, nominal_35mm, max(full_size_px))),
        ("focal-nominal", NOMINAL_RELATIVE_U * f_px),
    )
    u_f_px = math.sqrt(sum(u_px**2 for _, u_px in parts))
    return Camera(f_px, (width_px - 1) / 2, (height_px - 1) / 2, u_f_px, assumed, parts)


def _u_step_mm() -> float:
    return EXIF_STEP_MM / math.sqrt(12.0)


def _u_default_mm() -> float:
    """Root mean square distance from the default of a value spread evenly over the range of phones."""
    low_mm, high_mm = DEFAULT_FOCAL_RANGE_35MM
    bias_mm = (low_mm + high_mm) / 2 - DEFAULT_FOCAL_35MM
    return math.sqrt((high_mm - low_mm) ** 2 / 12.0 + bias_mm**2)


def _u_convention_px(f_diagonal_px: float, focal_35mm: float, longer_side_px: int) -> float:
    """Standard deviation of a two-valued guess: diagonal, or width with the share given above."""
    f_width_px = focal_35mm * longer_side_px / FULL_FRAME_WIDTH_MM
    share = WIDTH_CONVENTION_SHARE
    return math.sqrt(share * (1 - share)) * abs(f_width_px - f_diagonal_px)
