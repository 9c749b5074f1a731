"""The inner rim to a fraction of a pixel.

The near net's mouth gives a first ellipse, good to a few per cent; glass alone has half a dozen round edges within
that. All rings near it are collected (rings.py), and the inner rim is the one that explains most: an edge all round
itself, an edge where the lip ends if the outer diameter is known, the mouth that the net sees, and wax where a wax line
at the known headspace would put it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.optics.camera import Camera
from pooleye.optics.circle_pose import circle_images, circle_poses
from pooleye.optics.ellipse import Ellipse
from pooleye.top.closeup import Closeup, look_amply, look_close
from pooleye.top.curves import RAY_DIRECTIONS, RAYS, as_vectors, fit_curve, radii
from pooleye.top.locate import Mouth
from pooleye.top.pose import Standing, possible_wax_lines_mm, stand, wax_lines
from pooleye.top.rings import Ring, apart, find_rings

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

SEARCH = (0.72, 1.24)  # rim radii between which the mouth's edge is looked for
STEP_PX = 1.0
EDGE = 0.5  # a region's probability ends where it falls through this; of several times the outermost counts
SOFT_PX = 8.0  # width of an edge across which the probability falls less than from three quarters to one
ELSEWHERE = 0.13  # off by more rim radii than in the pictures that the near net has learnt from
LEAST_SEEN = 60  # rays on which an edge must show
LEAST_ROUND = 0.5  # share of the rays on which the mouth ends at the ellipse
LEAST_AXES = 0.85  # b / a; the cosine of 32°
CLEARLY_OVAL = 0.6  # and that of the mouth in the whole photo, which is known less well
"""Candle photos are asked for within 25°; beyond that the mouth is oval or the phone far off."""


MOUTH_WEIGHT = 0.10
MOUTH_U = 0.022  # relative error of the net's mouth, size and place alike, one standard deviation
PAIR_U = (0.006, 0.016, 0.0045)  # how alike lip and rim are: ratio of sizes, centre, stretch; in rim radii
THICK = 1.03  # outer over inner rim from which the wall is wide enough to be seen as a pair of edges
WAX_WEIGHT, FREE_WAX_WEIGHT = 12.0, 6.5
"""An overlap worse by 0.08 outweighs a perfect edge; it says less where the depth of the wax is free to fit."""
WAX_EDGE_WEIGHT, WAX_EDGE_U = 0.6, (0.012, 0.018)
"""And an edge of its own where the wax would end; how near it must be, size and centre, in radii. A ring that is itself
the wax line has none."""
CRISP, IMPLIED = 0.4, 0.12  # an outer edge this strong implies an inner rim, even where that shows no edge of its own
NEAR_ENOUGH = 0.12
LEAST_WAX_PX = 500
DOUBTFUL, FAINT_DOUBTFUL, FAR_AHEAD = 0.95, 0.96, 0.3
"""Overlap of the wax below which a rim, or a faint one, is worth another look, unless it is so far ahead of its rivals:
one in six of rendered pictures, one in eight of the development photos."""
FAINT, UNEXPLAINED, FAINT_U = 0.35, 0.85, 0.025
"""A ring fainter than this that explains the wax less well than this is no rim. Of 145 pictures four had wax explained
so badly: three with rims of strength 0.6 and more, all right, and one with 0.27, which was 10 % off."""
LIP_DOUBT, NEARLY, LEAST_LIP = 0.4, 0.5, 0.015
"""Without the outer diameter: u of the rim's size is this share of the gap to another edge, if that is half as strong
or more, and farther off than what a thin wall would make it."""
SAME, ABOUT_EQUAL = 0.03, 0.06
"""Rings nearer to each other, in rim radii, are one edge met differently: their mean errs less than any one of them; a
claim lower by so much weighs e times less in it."""
TRIED, THIN, FINALISTS = 20, 5, 5
"""The most likely rings by their edges have their wax line looked at, by every fifth sample; the best of them fully."""


class Calliper(Protocol):
    """What callipers say of the vessel, mm."""

    @property
    def rim_inner_mm(self) -> float: ...
    @property
    def rim_outer_mm(self) -> float | None: ...
    @property
    def base_inner_mm(self) -> float | None: ...
    @property
    def height_mm(self) -> float | None: ...


@dataclass(frozen=True, eq=False)
class MouthEdge:
    """The net's mouth as an ellipse in working pixels, and the share of the rays on which it ends there."""

    ellipse: Ellipse
    first: Ellipse  # the mouth as the whole photo showed it
    round_share: float
    close: Closeup


def mouth_edge(rgb: NDArray[np.uint8], mouth: Mouth) -> MouthEdge:
    """Looks close at `mouth`, and again if it turns out to be elsewhere or oval. Raises Declined if it is not round."""
    first = mouth.ellipse
    if first.b < CLEARLY_OVAL * first.a:
        raise Declined("too-oblique")
    close = look_amply(rgb, first)
    ellipse, round_share = _mouth_in(close)
    if apart(ellipse, first) > ELSEWHERE or ellipse.b < LEAST_AXES * ellipse.a:
        close = look_close(rgb, ellipse)
        ellipse, round_share = _mouth_in(close)
    if ellipse.b < LEAST_AXES * ellipse.a:
        raise Declined("too-oblique")
    if round_share < LEAST_ROUND:
        raise Declined("not-round")
    return MouthEdge(ellipse, first, round_share, close)


@dataclass(frozen=True, eq=False)
class Rim:
    """The inner rim in working pixels, where it stands, and how it was found.

    `u_relative` is the standard uncertainty of its size over its size. `lead` is how far it was ahead of the next
    different ring; `strength` that of its own edge, 0 to 1.
    """

    ellipse: Ellipse
    standing: Standing
    strength: float
    lead: float
    u_relative: float


def find_rim(
    rgb: NDArray[np.uint8], edge: MouthEdge, camera: Camera, vessel: Calliper, headspace_mm: float | None
) -> tuple[Rim, MouthEdge]:
    """The rim near `edge`, and the look that it was found by. Where it is doubtful it is itself looked at closely, and
    the rim that is farther ahead of its rivals is taken. Raises Declined where what is found is no rim."""
    rim = choose_rim(rgb, edge, camera, vessel, headspace_mm)
    if _is_doubtful(rim):
        again = _looked_at(rgb, rim.ellipse)
        other = None if again is None else choose_rim(rgb, again, camera, vessel, headspace_mm)
        if again is not None and other is not None and other.lead > rim.lead:
            rim, edge = other, again
    if rim.strength < FAINT and rim.standing.wax_line.overlap < UNEXPLAINED:
        raise Declined("no-vessel")
    return rim, edge


def _is_doubtful(rim: Rim) -> bool:
    enough = FAINT_DOUBTFUL if rim.strength < FAINT else DOUBTFUL
    return rim.standing.wax_line.overlap < enough and rim.lead < FAR_AHEAD


def _looked_at(rgb: NDArray[np.uint8], rim: Ellipse) -> MouthEdge | None:
    """A close look at a rim; None where the net sees no round mouth there."""
    close = look_close(rgb, rim)
    try:
        ellipse, round_share = _mouth_in(close)
    except Declined:
        return None
    return MouthEdge(ellipse, rim, round_share, close)


def choose_rim(
    rgb: NDArray[np.uint8], edge: MouthEdge, camera: Camera, vessel: Calliper, headspace_mm: float | None
) -> Rim:
    """The ring that best explains edge, lip, mouth and wax."""
    ratio = vessel.rim_outer_mm / vessel.rim_inner_mm if vessel.rim_outer_mm else None
    rings = find_rings(rgb, [edge.ellipse, edge.first, *_rims_above_wax(edge, camera, vessel, headspace_mm)])
    if ratio is not None and ratio > THICK:
        smaller = np.array([1.0, 1.0, 1 / ratio, 1 / ratio, 1 / ratio])
        rings += [Ring(ring.vector * smaller, IMPLIED) for ring in rings if ring.strength > CRISP]
    rings = rings or [Ring(edge.ellipse.vector(), IMPLIED)]
    by_edges = _by_edges(rings, edge.ellipse, ratio)
    sizes = (vessel.rim_inner_mm, vessel.base_inner_mm, vessel.height_mm)
    wax_weight = FREE_WAX_WEIGHT if headspace_mm is None else WAX_WEIGHT

    def claims(among: NDArray[np.intp], thin: int) -> Array:
        vectors = np.array([rings[k].vector for k in among])
        lines = wax_lines(vectors, edge.close, [camera] * len(among), *sizes, headspace_mm, thin)
        wax_edge = _strength_at(lines.ellipses(camera), vectors, rings)
        return np.asarray(by_edges[among] + wax_weight * (lines.overlap.max(1) - 1) + WAX_EDGE_WEIGHT * wax_edge)

    likely = np.argsort(-by_edges)[:TRIED]
    likely = likely[np.argsort(-claims(likely, THIN))[:FINALISTS]]
    scores = claims(likely, 1)
    best = int(np.argmax(scores))
    ring = rings[likely[best]]
    ellipse = _mean_ellipse([rings[k].ellipse for k in likely], scores, best)
    standing = stand(ellipse, edge.close, camera, *sizes, headspace_mm)
    others = [s for k, s in zip(likely, scores, strict=True) if apart(rings[k].ellipse, ring.ellipse) > 0.01]
    lead = float(scores[best] - max(others, default=scores[best] - 1))
    u_relative = _u_relative(ring.strength, lead)
    if ratio is None:
        u_relative = float(np.hypot(u_relative, LIP_DOUBT * _other_edge(ring, rings)))
    return Rim(ellipse, standing, ring.strength, lead, u_relative)


def _mean_ellipse(ellipses: list[Ellipse], scores: Array, best: int) -> Ellipse:
    """Of the best ring and those that are the same edge met a little differently."""
    same = np.array([apart(ellipse, ellipses[best]) < SAME for ellipse in ellipses])
    weight = np.exp((scores - scores[best]) / ABOUT_EQUAL) * same
    return Ellipse.from_vector(weight @ np.array([ellipse.vector() for ellipse in ellipses]) / weight.sum())


def _rims_above_wax(edge: MouthEdge, camera: Camera, vessel: Calliper, headspace_mm: float | None) -> list[Ellipse]:
    """Where the rim would be if the edge of the wax seen is a circle of the bore at the wax line: one for each pose.

    A second opinion on the first guess: a mouth seen too small, at the wax line, is found out by it.
    """
    if headspace_mm is None:
        return []
    close = edge.close
    line = wax_line_px(close)
    if line is None:
        return []
    depth = float(possible_wax_lines_mm(close, vessel.rim_inner_mm, vessel.height_mm, headspace_mm)[-1])
    radius = vessel.rim_inner_mm / 2
    poses = circle_poses(line, radius, camera)
    normals = np.array([pose.normal for pose in poses])
    above = np.array([pose.centre_mm for pose in poses]) + depth * normals
    try:
        rims = [Ellipse.from_vector(rim) for rim in circle_images(above, normals, np.full(2, radius), camera)]
    except ValueError:  # so deep that its rim would be at the lens: the edge of the wax is not what it seems
        return []
    return [rim for rim in rims if apart(rim, edge.ellipse) < NEAR_ENOUGH]


def wax_edge_px(close: Closeup) -> Array:
    """Where the wax, solid or liquid, ends along rays from its middle: working pixels (N, 2), none without wax."""
    edge = _wax_edge(close)
    if edge is None:
        return np.zeros((0, 2))
    circle, reach = edge
    seen = np.isfinite(reach)
    return circle.centre + (reach[seen, None] * RAY_DIRECTIONS[seen]) @ circle.shape_matrix().T


def wax_line_px(close: Closeup) -> Ellipse | None:
    """The ellipse nearest to where the wax ends; None without wax."""
    edge = _wax_edge(close)
    if edge is None or np.isfinite(edge[1]).sum() < LEAST_SEEN:
        return None
    return _as_ellipse(edge[0], fit_curve(edge[1], np.ones(RAYS)))


def _wax_edge(close: Closeup) -> tuple[Ellipse, Array] | None:
    """What is a circle in the square and about as large as the wax, and where the wax ends along rays from its middle,
    as shares of its radius (RAYS,); None without wax."""
    wax = np.maximum(close.wax, close.pool)
    moments = cv2.moments((wax > 0.5).astype(np.uint8), binaryImage=True)
    if moments["m00"] < LEAST_WAX_PX:
        return None
    radius_px = float(np.sqrt(moments["m00"] / np.pi))
    centre = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    reach = last_fall(*along_rays(wax, centre, (0.5 * radius_px, 1.5 * radius_px)), EDGE)
    return _circle_of_square(close, centre, radius_px), reach / radius_px


def _circle_of_square(close: Closeup, centre_px: Array, radius_px: float) -> Ellipse:
    """The ellipse in the photo of a circle in the square."""
    cx, cy = close.to_photo(centre_px)[0]
    shape = close.matrix * radius_px
    p, q = (shape[0, 0] - shape[1, 1]) / 2, shape[0, 1]
    return Ellipse.from_vector([cx, cy, np.trace(shape) / 2, p, q])


def _by_edges(rings: list[Ring], mouth: Ellipse, ratio: float | None) -> Array:
    """Each ring's claim (N,) to be the inner rim: its own edge, the lip's outer edge where one must be, the mouth."""
    vectors = np.array([ring.vector for ring in rings])
    strength = np.array([ring.strength for ring in rings])
    off = (vectors - mouth.vector())[:, :3] / mouth.mean_radius
    prior = 0.5 * (off**2).sum(1) / MOUTH_U**2
    if ratio is None or ratio <= THICK:
        return np.asarray(strength - MOUTH_WEIGHT * prior)
    lip = (strength[None, :] * _as_lips(vectors, ratio)).max(1)
    return np.asarray(strength + lip - MOUTH_WEIGHT * prior)


def _as_lips(vectors: Array, ratio: float) -> Array:
    """(N, N), 0..1: how well ring j is the outer edge of a lip whose inner edge is ring i."""
    radius = vectors[:, 2]
    size = radius[None, :] / radius[:, None] / ratio - 1
    return np.asarray(np.exp(-0.5 * ((size / PAIR_U[0]) ** 2 + _unlike(vectors, vectors))))


def _strength_at(lines: Array, rims: Array, rings: list[Ring]) -> Array:
    """(M,), 0..1: the strongest ring at each wax line (M, 5) that is not the rim (M, 5) itself."""
    vectors = np.array([ring.vector for ring in rings])
    strength = np.array([ring.strength if ring.strength > IMPLIED else 0.0 for ring in rings])
    u_size, u_centre = WAX_EDGE_U
    at_line = _same_place(lines, vectors, u_size, u_centre)
    return np.asarray((strength * at_line * (1 - _same_place(rims, vectors, u_size, u_size))).max(1))


def _same_place(some: Array, others: Array, u_size: float, u_centre: float) -> Array:
    """(M, N), 0..1: how near rings (N, 5) are to rings (M, 5) in size and centre, given what either may be off by."""
    radius = some[:, 2, None]
    size = others[:, 2] / radius - 1
    x, y = (others[:, k] / radius - some[:, k, None] / radius for k in (0, 1))
    return np.asarray(np.exp(-0.5 * ((size / u_size) ** 2 + (x * x + y * y) / u_centre**2)))


def _unlike(some: Array, others: Array) -> Array:
    """(M, N): how unlike rings (M, 5) and (N, 5) are in place and shape, whatever their size: squares of deviations
    over their u."""
    x, y = (others[:, k] - some[:, k, None] for k in (0, 1))
    p, q = (others[:, k] / others[:, 2] - (some[:, k] / some[:, 2])[:, None] for k in (3, 4))
    place = (x * x + y * y) / (PAIR_U[1] * some[:, 2, None]) ** 2
    return np.asarray(place + (np.maximum(np.abs(p), np.abs(q)) / PAIR_U[2]) ** 2)


def _other_edge(ring: Ring, rings: list[Ring]) -> float:
    """How far off, relative to the radius, the strongest ring of the same shape lies: a lip has two edges, and without
    the outer diameter nothing tells which of them is which. 0 where no other is nearly as strong."""
    vectors = np.array([r.vector for r in (ring, *rings)])
    gap = np.abs(vectors[:, 2] / vectors[0, 2] - 1)
    alike = np.exp(-0.5 * _unlike(vectors[:1], vectors)[0])
    claim = np.array([r.strength for r in (ring, *rings)]) * alike * (gap > LEAST_LIP)
    best = int(np.argmax(claim))
    return float(gap[best]) if claim[best] > NEARLY * ring.strength else 0.0


def _u_relative(strength: float, lead: float) -> float:
    """Standard uncertainty of the rim's size over its size: a crisp edge well ahead of the others is good to 0.3 %;
    one that another ring nearly beats may be the wrong ring altogether, and of faint ones every other one was."""
    crisp = 0.003 + 0.004 * (1 - strength)
    beaten = 0.012 * np.exp(-max(lead, 0.0) / 0.25)
    wrong = FAINT_U / (1 + np.exp((strength - FAINT) / 0.03))
    return float(np.sqrt(crisp**2 + beaten**2 + wrong**2))


def along_rays(probability: NDArray[np.float32], centre: Array, reach_px: tuple[float, float]) -> tuple[Floats, Array]:
    """A map along rays from `centre` (2,): values (RAYS, n) at radii (n,) px."""
    radii = np.arange(*reach_px, STEP_PX)
    x, y = ((at + np.outer(way, radii)).astype(np.float32) for at, way in zip(centre, RAY_DIRECTIONS.T, strict=True))
    seen = cv2.remap(probability, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.float32), radii


def fall_width(profile: Floats, radii: Array) -> Array:
    """Distance over which each row falls from three quarters to one quarter; nan where it does not."""
    return np.asarray(np.abs(np.subtract(last_fall(profile, radii, 0.25), last_fall(profile, radii, 0.75))))


def last_fall(profile: Floats, radii: Array, level: float) -> Array:
    """Radius of each row's outermost fall through `level`, by linear interpolation; nan without one."""
    falls = (profile[:, :-1] >= level) & (profile[:, 1:] < level)
    last = falls.shape[1] - 1 - np.argmax(falls[:, ::-1], axis=1)
    rows = np.arange(len(profile))
    high, low = profile[rows, last], profile[rows, last + 1]
    at = radii[last] + (radii[1] - radii[0]) * (high - level) / np.maximum(high - low, 1e-6)
    return np.asarray(np.where(falls.any(axis=1), at, np.nan))


def _mouth_in(look: Closeup) -> tuple[Ellipse, float]:
    """The mouth as an ellipse in working pixels, and the share of the rays on which it ends there."""
    radius = look.px_per_radius
    centre = np.full(2, (len(look.mouth) - 1) / 2)
    profile, radii_px = along_rays(look.mouth, centre, (SEARCH[0] * radius, SEARCH[1] * radius))
    reach, width = last_fall(profile, radii_px, EDGE), fall_width(profile, radii_px)
    seen = np.isfinite(reach)
    if seen.sum() < LEAST_SEEN:
        raise Declined("no-vessel")
    curve = fit_curve(reach / radius, 1 / (1.0 + np.nan_to_num(width, nan=SOFT_PX)) ** 2)
    ellipse = _as_ellipse(_circle_of_square(look, centre, radius), curve)
    if ellipse is None:
        raise Declined("not-round")
    off = np.abs(reach[seen] / radius - radii(curve[None])[0, seen]) / curve[0]
    return ellipse, float((off < 0.04).sum()) / RAYS


def _as_ellipse(guess: Ellipse, curve: Array) -> Ellipse | None:
    """None for a curve that is none."""
    if not np.hypot(curve[3], curve[4]) < 0.9 * curve[0]:
        return None
    return Ellipse.from_vector(as_vectors(guess, curve[None])[0])
