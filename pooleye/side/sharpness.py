"""Whether a side picture is sharp enough, judged on the vessel's own outline.

A picture taken from the side is full of background out of focus, and a plain jar has few edges; so only the outline
that was fitted is looked at. As in `pooleye.legibility`: a step blurred by s has, through Gaussians of the widths
t1 and t2, a steepness ratio R with s² = (t2² - R² t1²) / (R² - 1) (Zhuo and Sim, Pattern Recognition 44(9),
1852-1858, 2011). Walls and arcs are judged apart, since a shake blurs only one of them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.photo import RgbImage
from pooleye.side.locate import Located
from pooleye.side.outline import normals_px, outline_lines, sampled

Array = NDArray[np.float64]

FINE_SHARE, COARSE_SHARE = 0.0025, 0.0075  # of the vessel's larger side: 1 px and 3 px at 400 px
SOFT_SHARE, BLURRED_SHARE = 0.0065, 0.0095
SHARPEST_SHARE = 30  # percentile, as in legibility: some of the outline is always soft
NO_EDGE_SHARE = 0.05
MIN_STEEPNESS = 0.8  # codes per pixel


def check_outline_sharpness(rgb: RgbImage, located: Located) -> tuple[str, ...]:
    """Raises Declined (blurred); else the flags a soft outline earns: ("slightly-blurred",) or none."""
    blur = require_sharp_outline(rgb, located)
    return ("slightly-blurred",) if blur > SOFT_SHARE else ()


def require_sharp_outline(rgb: RgbImage, located: Located) -> float:
    """The outline's blur as `outline_blur_share` gives it; raises Declined (blurred) where that is too much."""
    blur = outline_blur_share(rgb, located)
    if blur > BLURRED_SHARE:
        raise Declined("blurred", hint="Rest the phone on something, tap on the vessel to focus, and add light.")
    return blur


def outline_blur_share(rgb: RgbImage, located: Located) -> float:
    """Standard deviation of the blur across the outline, over the vessel's larger side in the picture; the worse of
    walls and arcs."""
    lines = {name: line[0] for name, line in outline_lines(located.pose.poses).items()}
    size_px = float(np.ptp(np.concatenate(list(lines.values())), axis=0).max())
    points = np.concatenate(list(lines.values()))
    corner = np.maximum(points.min(axis=0) - 0.1 * size_px, 0).astype(int)
    right, bottom = (points.max(axis=0) + 0.1 * size_px).astype(int)
    grey = cv2.cvtColor(rgb[corner[1] : bottom, corner[0] : right], cv2.COLOR_RGB2GRAY).astype(np.float32)
    lines = {name: line - corner for name, line in lines.items()}
    groups = (("left", "right"), ("base", "rim-top"))
    return max(_blur_px(grey, [lines[name] for name in group], size_px) / size_px for group in groups)


def _blur_px(grey: NDArray[np.float32], lines: list[Array], size_px: float) -> float:
    fine_px, coarse_px = max(FINE_SHARE * size_px, 0.7), max(COARSE_SHARE * size_px, 2.1)
    ratios = np.concatenate([_ratios(grey, line, fine_px, coarse_px) for line in lines])
    if len(ratios) < 6:
        return 0.0  # too little to judge: low contrast is no blur
    squared = ratios**2
    variance = (coarse_px**2 - squared * fine_px**2) / np.maximum(squared - 1, 1e-3)
    no_edge = (NO_EDGE_SHARE * size_px) ** 2
    widths = np.sqrt(np.where(squared > 1.02, np.clip(variance, 0, no_edge), no_edge))
    return float(np.percentile(widths, SHARPEST_SHARE))


def _ratios(grey: NDArray[np.float32], line: Array, fine_px: float, coarse_px: float) -> Array:
    """Steepest fine over steepest coarse slope along the normals of the line, where there is an edge."""
    reach = int(np.ceil(2.5 * coarse_px))
    steps = np.arange(-2 * reach, 2 * reach + 1, dtype=float)
    normal = normals_px(line[None])[0]
    profile = sampled(grey, line[:, None, :] + steps[None, :, None] * normal[:, None, :]).astype(np.float32)
    slopes = []
    for width in (fine_px, coarse_px):
        smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=width, sigmaY=1e-3)
        slopes.append(np.abs(np.gradient(smooth, axis=1))[:, reach:-reach])
    coarse = slopes[1].max(axis=1)
    at = slopes[1].argmax(axis=1)
    near = np.abs(np.arange(slopes[0].shape[1])[None] - at[:, None]) <= max(1, round(fine_px))
    fine = np.where(near, slopes[0], 0).max(axis=1)
    usable = coarse > MIN_STEEPNESS
    return np.asarray(fine[usable] / coarse[usable], dtype=np.float64)
