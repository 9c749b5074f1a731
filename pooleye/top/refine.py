"""The pose settled on two circles at once: the rim, and the wax line at its depth below it.

The rim by itself leaves the tilt loose, since its axes tell only the cosine, b / a = cos(tilt): an error of 0.3 % of
an axis is 4 degrees of a vessel seen square-on. But the wax line is a circle of the bore too, at a depth that the log
or the wax seen tells, and tilting moves its image sideways against the rim's by depth * sin(tilt). Both together
are fitted by Gauss-Newton with soft weights on the wax line, whose edge now and then is a reflection.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.circle_pose import CirclePose, circle_images
from pooleye.optics.ellipse import Ellipse, radial_residuals
from pooleye.optics.planes import VesselFrame

Array = NDArray[np.float64]

INSIDE = 0.97  # of the rim: points of the wax line farther out may be the near rim hiding it
LEAST_POINTS = 30
WAX_U = 0.012  # of the rim's radius: standard uncertainty of one point of the wax line
INDEPENDENT = 24.0  # that many of its points err by themselves; neighbours err together
SOFT = 2.5  # standard uncertainties beyond which a point of the wax line loses weight
RIM_SHARE, LEAST_RIM_U = 0.3, 0.001
"""The rim's place and shape err by less than its size (which edge of the lip is it?): this share of it, at least so
much of the radius."""
LEAST_DEPTH_U_MM, MOST_DEPTH_U_MM = 0.5, 2.5  # a line of which the depth is known less well tells no tilt
MOST_COST = 12.0
"""Half of what as many independent points would leave. Where more is left, what is seen is not the circle of a wax line
(a reflection, a tall ring of solid wax), and the rim alone decides."""
ROUNDS = 4
SIZE_U = 0.015  # how far the wax line seen may be too wide or narrow all round, relative
STEPS = np.array([0.05, 0.05, 0.05, 1e-3, 1e-3, 0.05, 1e-3])  # for numerical derivatives: mm, mm, mm, rad, rad, mm, 1


def settle_on_wax(
    frame: VesselFrame, rim: Ellipse, u_rim: float, wax_px: Array, depth_mm: float, u_depth_mm: float
) -> tuple[VesselFrame, float] | None:
    """The settled frame, and the standard uncertainty of its tilt in radians.

    Starts from `frame`; `u_rim` is the relative u of the rim's size, `wax_px` (N, 2) points of the edge of the wax.
    None where too little of the wax line is seen clear of the rim, or it is no circle at that depth.
    """
    u_rim, u_depth_mm = max(RIM_SHARE * u_rim, LEAST_RIM_U), max(u_depth_mm, LEAST_DEPTH_U_MM)
    level = (wax_px - rim.centre) @ np.linalg.inv(rim.shape_matrix()).T
    points = wax_px[np.hypot(*level.T) < INSIDE]
    if len(points) < LEAST_POINTS or u_depth_mm > MOST_DEPTH_U_MM:
        return None
    side, up = _across(frame.pose.normal)
    radius = rim.mean_radius
    loose = np.sqrt(len(points) / INDEPENDENT)
    narrowing = frame.inner_radius_mm(0.0) - frame.inner_radius_mm(1.0)

    def moved(x: Array) -> tuple[Array, Array]:
        """Centres and normals (M, 3) of the rim circle after changes (M, 7)."""
        normals = frame.pose.normal + x[:, 3:4] * side + x[:, 4:5] * up
        return frame.pose.centre_mm + x[:, :3], normals / np.linalg.norm(normals, axis=1, keepdims=True)

    def residuals(x: Array) -> Array:
        """(M, 7 + points) of changes (M, 7)."""
        centres, normals = moved(x)
        depths = depth_mm + x[:, 5]
        radii = np.append(
            np.full(len(x), frame.rim_radius_mm), (frame.rim_radius_mm - narrowing * depths) * (1 + x[:, 6])
        )
        both = np.vstack([centres, centres - depths[:, None] * normals]), np.vstack([normals, normals])
        rims, lines = np.split(circle_images(*both, radii, frame.camera), 2)
        rim_off = (rims - rim.vector()) / (u_rim * radius)
        wax_off = radial_residuals(lines, points) / (WAX_U * radius)
        return np.column_stack([rim_off, x[:, 5] / u_depth_mm, x[:, 6] / SIZE_U, wax_off])

    x = np.zeros(7)
    try:
        for _ in range(ROUNDS):
            r, *stepped = residuals(x + np.vstack([np.zeros(7), np.diag(STEPS)]))
            jacobian = (np.array(stepped) - r).T / STEPS
            weight = np.concatenate([np.ones(7), 1 / (1 + (r[7:] / SOFT) ** 2) / loose**2])
            weighted = jacobian * weight[:, None]
            change = np.linalg.solve(weighted.T @ jacobian, -weighted.T @ r)
            x = x + np.clip(change, -400 * STEPS, 400 * STEPS)
            if np.all(np.abs(change) < STEPS):
                break
        r = residuals(x[None])[0]
    except (ValueError, np.linalg.LinAlgError):  # the plane turned edge-on or behind the lens: nothing to settle
        return None
    cost = float((r[:7] ** 2).sum() + SOFT**2 * np.log1p((r[7:] / SOFT) ** 2).sum() / loose**2)
    if cost >= MOST_COST:
        return None
    centres, normals = moved(x[None])
    turned = np.array([side, up]) @ _steeper(normals[0])
    u_tilt = float(np.sqrt(turned @ np.linalg.inv(weighted.T @ jacobian)[3:5, 3:5] @ turned))
    return replace(frame, pose=CirclePose(centres[0], normals[0])), u_tilt


def _steeper(normal: Array) -> Array:
    """The unit vector across a normal along which it leans away from the camera's axis."""
    away = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    return np.asarray(away / max(float(np.linalg.norm(away)), 1e-9))


def _across(normal: Array) -> tuple[Array, Array]:
    """Two unit vectors across a normal."""
    side = np.cross(normal, [0.0, 1.0, 0.0])
    side = side / np.linalg.norm(side)
    return side, np.cross(side, normal)
