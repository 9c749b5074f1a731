"""The bench card in a photo: code, scale, tilt, 12 o'clock and white.

Pixels: x right, y down, centre of the top left pixel (0, 0), of the picture handed in. The card lies on the table: its
scale and tilt are those of the table, not of the rim above it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pooleye.burnlog import printed
from pooleye.burnlog.picture_codes import codes_in_picture
from pooleye.measurement import Quantity

# A home printer that was not checked may shrink a page by up to 5 %; checked by ruler to 0.3 mm in 100; judged.
_UNCHECKED_REL_U, _CHECKED_REL_U = 0.05 / math.sqrt(3), 0.003 / math.sqrt(3)
# How well a marker's corner is found, px, and what a phone's stated focal length is good for; judged.
_CORNER_U_PX, _FOCAL_REL_U = 0.3, 0.04
# Beyond this the card is bent, or the corners are not those of one flat card.
_FLAT_PX = 4.0


@dataclass(frozen=True)
class CardSeen:
    """A bench card as a photo shows it.

    ``scale``: px per mm at the card's centre. ``tilt``: camera's axis from the card's normal, deg; None without a focal
    length. ``twelve``: direction of the arrow in the picture, deg clockwise from up. ``white``: gains for red, green
    and blue, in linear light, that make the paper neutral (green 1). ``code``: None where no QR was read.
    """

    code: str | None
    scale: Quantity
    tilt: Quantity | None
    twelve: Quantity
    white: tuple[float, float, float]
    markers: int


def _markers(grey: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """(corners on the card in mm, n x 2; in the picture in px, n x 2) of at least three markers of the card."""
    import cv2

    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(printed.marker_dictionary(), settings)
    corners, numbers, _ = detector.detectMarkers(grey)
    found = {int(n): c for n, c in zip(np.ravel(numbers), corners, strict=True)} if numbers is not None else {}
    own = [number for number in range(4) if number in found]
    if len(own) < 3:
        return None
    on_card = np.array([corner for number in own for corner in printed.marker_corners_mm(number)], dtype=np.float64)
    in_picture = np.concatenate([np.reshape(found[number], (4, 2)) for number in own]).astype(np.float64)
    return on_card, in_picture


def _at(homography: NDArray[np.float64], point_mm: tuple[float, float]) -> NDArray[np.float64]:
    x, y, w = homography @ np.array([point_mm[0], point_mm[1], 1.0])
    return np.array([x / w, y / w])


def _scale(homography: NDArray[np.float64]) -> float:
    """px per mm at the card's centre: square root of the area of one mm² there."""
    x, y = printed.CARD_MM[0] / 2, printed.CARD_MM[1] / 2
    right = _at(homography, (x + 0.5, y)) - _at(homography, (x - 0.5, y))
    up = _at(homography, (x, y + 0.5)) - _at(homography, (x, y - 0.5))
    return float(math.sqrt(abs(right[0] * up[1] - right[1] * up[0])))


def _twelve_deg(homography: NDArray[np.float64]) -> float:
    """Direction of the arrow, deg clockwise from up, 0 to 360."""
    foot = _at(homography, (printed.CARD_MM[0] / 2, 0.0))
    tip = _at(homography, (printed.CARD_MM[0] / 2, printed.CARD_MM[1]))
    return float(math.degrees(math.atan2(tip[0] - foot[0], -(tip[1] - foot[1]))) % 360)


def _tilt_deg(
    on_card: NDArray[np.float64], in_picture: NDArray[np.float64], focal_px: float, size_px: tuple[int, int]
) -> float | None:
    """Angle between the camera's axis and the card's normal, by pose from the corners."""
    import cv2

    camera = np.array([[focal_px, 0, (size_px[0] - 1) / 2], [0, focal_px, (size_px[1] - 1) / 2], [0, 0, 1.0]])
    flat = np.column_stack([on_card, np.zeros(len(on_card))])
    found, turn, _ = cv2.solvePnP(flat, in_picture, camera, np.zeros(4), flags=cv2.SOLVEPNP_IPPE)
    if not found:
        return None
    normal = cv2.Rodrigues(turn)[0][:, 2]
    return float(math.degrees(math.acos(min(1.0, abs(float(normal[2]))))))


def _white(rgb: NDArray[np.uint8], homography: NDArray[np.float64]) -> tuple[float, float, float]:
    """Gains that make the lightest patch (the bare paper) neutral; linear light (IEC 61966-2-1)."""
    from pooleye.photo import SRGB_TO_LINEAR

    x, y = (round(float(v)) for v in _at(homography, printed.patch_centres_mm()[-1]))
    reach = max(1, int(_scale(homography) * 3))
    cut = rgb[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1].reshape(-1, 3)
    if len(cut) == 0:
        return (1.0, 1.0, 1.0)
    red, green, blue = (max(1e-3, float(v)) for v in np.median(SRGB_TO_LINEAR[cut], axis=0))
    return (green / red, 1.0, green / blue)


def read_card(
    rgb: NDArray[np.uint8], *, focal_px: float | None = None, ruler_mm: float | None = None
) -> CardSeen | None:
    """The bench card in a picture (height x width x 3, uint8, sRGB); None when fewer than three of its corners show.

    ``focal_px``: focal length in px of this picture. ``ruler_mm``: how long the card's printed 100 mm line really is;
    None = not checked, and the scale is then good to a few percent only.
    """
    import cv2

    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    found = _markers(grey)
    if found is None:
        return None
    on_card, in_picture = found[0] * ((ruler_mm or printed.RULER_MM) / printed.RULER_MM), found[1]
    fitted, _ = cv2.findHomography(found[0], in_picture, 0)
    if fitted is None or _off_plane_px(fitted, found[0], in_picture) > _FLAT_PX:
        return None
    homography = np.asarray(fitted, dtype=np.float64)
    codes = codes_in_picture(grey)
    size_px = (rgb.shape[1], rgb.shape[0])
    tilt = _tilt_deg(on_card, in_picture, focal_px, size_px) if focal_px else None
    shrink = (ruler_mm or printed.RULER_MM) / printed.RULER_MM
    return CardSeen(
        code=codes[0] if len(codes) == 1 else None,
        scale=_scale_quantity(_scale(homography) / shrink, ruler_mm),
        tilt=None if tilt is None else _tilt_quantity(tilt, _scale(homography)),
        twelve=_twelve_quantity(_twelve_deg(homography), _scale(homography)),
        white=_white(rgb, homography),
        markers=len(in_picture) // 4,
    )


def _off_plane_px(homography: Any, on_card: NDArray[np.float64], in_picture: NDArray[np.float64]) -> float:
    """Largest distance between a corner and where a flat card would have it."""
    matrix = np.asarray(homography, dtype=np.float64)
    placed = np.array([_at(matrix, (float(x), float(y))) for x, y in on_card])
    return float(np.max(np.hypot(*(placed - in_picture).T)))


def _scale_quantity(px_per_mm: float, ruler_mm: float | None) -> Quantity:
    printer = _UNCHECKED_REL_U if ruler_mm is None else _CHECKED_REL_U
    corners = _CORNER_U_PX * math.sqrt(2) / (printed.CARD_MM[0] * px_per_mm)
    return Quantity.from_parts(
        px_per_mm, "px/mm", {"printed size": px_per_mm * printer, "corners": px_per_mm * corners}
    )  # fmt: skip


def _tilt_quantity(tilt_deg: float, px_per_mm: float) -> Quantity:
    """Near square-on a small error across the card is a large one of the angle: 1 - cos(tilt) is what shows."""
    seen = 2 * _CORNER_U_PX / (printed.CARD_MM[1] * px_per_mm)
    slope = max(math.sin(math.radians(tilt_deg)), math.sqrt(2 * seen))
    parts = {"corners": math.degrees(seen / slope), "focal length": tilt_deg * _FOCAL_REL_U}
    return Quantity.from_parts(tilt_deg, "deg", {name: max(part, 1e-3) for name, part in parts.items()})


def _twelve_quantity(direction_deg: float, px_per_mm: float) -> Quantity:
    corners = math.degrees(_CORNER_U_PX * math.sqrt(2) / (printed.CARD_MM[1] * px_per_mm))
    # The card is laid by hand beside the vessel; how straight is the maker's business, two degrees are judged.
    return Quantity.from_parts(direction_deg, "deg", {"corners": corners, "laid by hand": 2.0})


def card_in_photo(path: str, ruler_mm: float | None = None) -> CardSeen | None:
    """The bench card in a photo file, scale in px of the full-size picture; None without one.

    Raises Declined when the file cannot be read.
    """
    from pooleye.photo import load_photo

    photo = load_photo(path, long_side_px=2048)
    height, width = photo.rgb.shape[:2]
    # The 35 mm focal length belongs to the diagonal of 43.267 mm (CIPA DC-008, FocalLengthIn35mmFilm).
    focal_px = photo.focal_35mm * math.hypot(width, height) / 43.267 if photo.focal_35mm else None
    seen = read_card(photo.rgb, focal_px=focal_px, ruler_mm=ruler_mm)
    if seen is None:
        return None
    scale = seen.scale
    parts = tuple((name, part * photo.scale_px) for name, part in scale.parts)
    return replace(seen, scale=Quantity(scale.value * photo.scale_px, scale.u * photo.scale_px, "px/mm", parts))
