"""Round edges: concentric rings drawn at known places are each found to a fraction of a pixel.

The real photograph is scikit-image's cup of coffee (skimage.data.coffee: Rachel Michetti, courtesy of Pikolo Espresso
Bar, CC0), its rims marked by eye in tests/photos/real_annotations.json.
"""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
import skimage.data

from pooleye.optics.ellipse import Ellipse
from pooleye.top.closeup import look_close
from pooleye.top.locate import find_mouths
from pooleye.top.rings import apart, find_rings

FINE = 8


def drawn(ellipses, levels, size=(700, 600), blur_px=0.8, noise=1.0):
    """Filled ellipses, the largest first, on grey; eight samples to a pixel's side, then a lens's blur and noise."""
    fine = np.full((size[1] * FINE, size[0] * FINE), 100, np.uint8)
    for ellipse, level in zip(ellipses, levels, strict=True):
        at = (ellipse.points(1440) + 0.5) * FINE - 0.5
        cv2.fillPoly(fine, [np.round(at * 16).astype(np.int32)], level, cv2.LINE_8, 4)
    picture = cv2.GaussianBlur(cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(float), (0, 0), blur_px)
    rng = np.random.default_rng(7)
    return np.clip(picture[..., None] + rng.normal(0, noise, (size[1], size[0], 3)), 0, 255).astype(np.uint8)


def concentric(scales, a=210.0, b=188.0, angle=0.6, centre=(352.3, 297.8)):
    return [Ellipse(*centre, a * s, b * s, angle) for s in scales]


def nearest(rings, true):
    """Largest distance in px between `true` and the ring that lies nearest to it."""
    return min(np.abs(true.orthogonal_residuals(ring.ellipse.points(180))).max() for ring in rings)


@pytest.mark.parametrize("angle", [0.0, 0.7, 2.3])
def test_a_single_edge_is_found_to_a_tenth_of_a_pixel(angle):
    (true,) = concentric([1.0], angle=angle)
    picture = drawn([true], [220])
    rings = find_rings(picture, [Ellipse(true.cx + 4, true.cy - 3, true.a * 1.03, true.b * 1.02, angle + 0.1)])
    assert np.abs(true.orthogonal_residuals(rings[0].ellipse.points(180))).max() < 0.15
    assert rings[0].strength > 0.8


def test_several_rings_are_each_found_and_not_mixed_up():
    """Outer lip, inner lip, a glint's ring and a wax line, 5 to 14 px apart."""
    truths = concentric([1.05, 1.0, 0.97, 0.90])
    picture = drawn(truths, [215, 120, 160, 235])
    guess = truths[1]
    rings = find_rings(picture, [Ellipse(guess.cx + 2, guess.cy + 2, guess.a * 1.01, guess.b, guess.angle_rad)])
    for true in truths:
        assert nearest(rings, true) < 0.35


def test_a_weak_ring_beside_a_strong_one_is_found_too():
    truths = concentric([1.06, 1.0])
    rings = find_rings(drawn(truths, [230, 218]), [truths[1]])
    assert nearest(rings, truths[1]) < 0.5


def test_rings_that_are_not_concentric_keep_their_own_centres():
    outer, inner = Ellipse(350, 300, 222, 200, 0.6), Ellipse(353.5, 296.0, 204, 190, 0.5)
    rings = find_rings(drawn([outer, inner], [215, 120]), [inner])
    assert nearest(rings, outer) < 0.35
    assert nearest(rings, inner) < 0.35


def test_an_edge_half_round_is_weaker_than_one_all_round():
    (true,) = concentric([1.0])
    whole = drawn([true], [220])
    half = whole.copy()
    half[:, 352:] = 220
    assert find_rings(half, [true])[0].strength < 0.75 * find_rings(whole, [true])[0].strength


def test_an_empty_picture_has_no_strong_ring():
    (true,) = concentric([1.0])
    rings = find_rings(drawn([], [], noise=4.0), [true])
    assert max((ring.strength for ring in rings), default=0.0) < 0.5


def test_apart_bounds_the_distance_of_two_ellipses():
    """Against the distances themselves, for 200 random pairs."""
    rng = np.random.default_rng(11)
    for _ in range(200):
        (a,) = concentric([1.0], angle=rng.uniform(0, 3))
        dx, dy, da, db, dt = rng.normal(0, [2, 2, 3, 3, 0.02])
        b = Ellipse(a.cx + dx, a.cy + dy, a.a + abs(da), a.b - abs(db), a.angle_rad + dt)
        distance = np.abs(b.orthogonal_residuals(a.points(180))).max()
        assert distance <= 1.02 * apart(a, b) * b.mean_radius


# --- a real photograph -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def coffee():
    return np.asarray(skimage.data.coffee())


@pytest.fixture(scope="module")
def marked(photos):
    told = json.loads((photos / "real_annotations.json").read_text())["photos"][0]
    return {
        name: (
            Ellipse(e["cx"], e["cy"], e["semi_major"], e["semi_minor"], np.radians(e["angle_deg"])),
            e["u_px"],
        )
        for name, e in told.items()
        if name.startswith("cup")
    }


@pytest.mark.parametrize("scale", [0.97, 1.0, 1.05])
def test_the_rim_of_a_real_cup_is_the_strongest_ring_near_a_rough_guess(coffee, marked, scale):
    true, u_px = marked["cup_outer_rim"]
    rings = find_rings(coffee, [Ellipse(true.cx + 3, true.cy - 2, true.a * scale, true.b * scale, true.angle_rad)])
    assert np.abs(true.orthogonal_residuals(rings[0].ellipse.points(180))).max() < 2.5 * u_px


@pytest.mark.parametrize("scale", [0.97, 1.0, 1.03])
def test_the_inner_rim_of_a_real_cup_is_among_the_rings(coffee, marked, scale):
    """White glaze on white glaze, a rounded lip: the weakest edge that a rim can have."""
    true, u_px = marked["cup_inner_rim"]
    rings = find_rings(coffee, [Ellipse(true.cx, true.cy, true.a * scale, true.b * scale, true.angle_rad)])
    assert nearest(rings, true) < 2 * u_px


def test_the_mouth_of_a_real_cup_is_told_from_its_saucer(coffee, marked):
    """What is surest to be a mouth ends on the cup's thick lip all round, between its inner and its outer rim."""
    found = max(find_mouths(coffee), key=lambda mouth: mouth.sure).ellipse.points(180)
    assert marked["cup_inner_rim"][0].radial_residuals(found).min() > 0
    assert marked["cup_outer_rim"][0].radial_residuals(found).max() < 0


def test_coffee_is_not_wax(coffee, marked):
    """Looking close at the cup itself, the network sees no wax in it, so that it cannot be taken for a candle."""
    close = look_close(coffee, marked["cup_inner_rim"][0])
    mouth = close.mouth > 0.5
    assert mouth.sum() > 20_000
    assert (mouth & (np.maximum(close.wax, close.pool) > 0.5)).sum() < 0.12 * mouth.sum()
