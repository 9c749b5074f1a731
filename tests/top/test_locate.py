"""From the whole photo to mouths: pictures of every shape map back exactly, and the candle that is meant is chosen.

The network is stood in by one that sees red as mouth and green as flame, so that where things are is known.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pooleye.flags import Declined
from pooleye.optics.ellipse import Ellipse
from pooleye.photo import load_photo
from pooleye.top import networks
from pooleye.top.locate import Mouth, choose_mouth, find_mouths
from pooleye.top.rim import ELSEWHERE, mouth_edge

SHAPES = [(1600, 1200), (1200, 1600), (1400, 1400), (2000, 700), (700, 2000), (901, 1203), (1999, 1125)]


@pytest.fixture
def sees_colours(monkeypatch):
    """Maps at the picture's size, no sharper than the network's own, which are of half of it."""

    def run(name, rgb):
        assert name == "far"
        assert rgb.shape == (networks.FAR_PX[1], networks.FAR_PX[0], 3)
        half = cv2.resize(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)
        maps = cv2.resize(half, rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        return np.moveaxis(maps[..., :2], -1, 0).astype(np.float32) / 255

    monkeypatch.setattr(networks, "run", run)


def painted(size, mouths, flames=()):
    fine = 4
    picture = np.zeros((size[1] * fine, size[0] * fine, 3), np.uint8)
    for ellipses, channel in ((mouths, 0), (flames, 1)):
        for ellipse in ellipses:
            one = np.zeros(picture.shape[:2], np.uint8)
            at = (ellipse.points(720) + 0.5) * fine - 0.5
            cv2.fillPoly(one, [np.round(at * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
            picture[..., channel] |= one
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("size", SHAPES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_a_mouth_maps_back_to_where_it_is(sees_colours, size):
    """Contour within two thirds, centre within a fifth of a pixel of the network's own picture, 384 x 288."""
    short = min(size)
    true = Ellipse(0.41 * size[0], 0.56 * size[1], 0.33 * short, 0.29 * short, 0.5)
    (mouth,) = find_mouths(painted(size, [true]))
    far_px = max(size[0] / 384, size[1] / 288) if size[0] >= size[1] else max(size[1] / 384, size[0] / 288)
    assert np.abs(true.orthogonal_residuals(mouth.ellipse.points(120))).max() < 0.67 * far_px
    assert np.hypot(mouth.ellipse.cx - true.cx, mouth.ellipse.cy - true.cy) < 0.2 * far_px
    assert not mouth.cut_off
    assert not mouth.lit
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    assert mouth.off_centre == pytest.approx(np.hypot(*(true.centre - middle)) / (np.hypot(*size) / 2), abs=0.01)


@pytest.mark.parametrize("size", [(1600, 1200), (1200, 1600)], ids=["landscape", "portrait"])
@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_a_mouth_over_any_edge_of_the_picture_is_cut_off(sees_colours, size, side):
    at = {"left": (250, 600), "right": (size[0] - 250, 600), "top": (600, 250), "bottom": (600, size[1] - 250)}[side]
    (mouth,) = find_mouths(painted(size, [Ellipse(*at, 300, 290, 0.0)]))
    assert mouth.cut_off


def test_a_flame_lights_its_own_mouth_only(sees_colours):
    left, right = Ellipse(450, 600, 230, 220, 0.0), Ellipse(1150, 600, 240, 230, 0.0)
    mouths = find_mouths(painted((1600, 1200), [left, right], [Ellipse(1150, 560, 40, 30, 1.5)]))
    assert [(mouth.ellipse.cx > 800, mouth.lit) for mouth in mouths] == [(True, True), (False, False)]


@pytest.mark.parametrize("gap_px", [-30, 0, 2])
def test_mouths_that_touch_are_told_apart(sees_colours, gap_px):
    """As well as a close look can mend, whether they only touch or a broad neck joins them in the network's picture."""
    first, second = Ellipse(600, 600, 260, 240, 0.3), Ellipse(600 + 260 + 180 + gap_px, 620, 180, 170, 0.0)
    found = find_mouths(painted((1600, 1200), [first, second]))
    assert len(found) == 2
    for mouth, true in zip(found, (first, second), strict=True):
        assert np.abs(true.orthogonal_residuals(mouth.ellipse.points(90))).max() < ELSEWHERE * true.mean_radius


def test_what_has_corners_or_is_tiny_is_no_mouth(sees_colours):
    """A triangle fills three quarters of the ellipse around it; a speck is noise."""
    picture = np.zeros((1200, 1600, 3), np.uint8)
    cv2.circle(picture, (300, 300), 12, (255, 0, 0), -1)
    cv2.fillPoly(picture, [np.array([[500, 300], [1400, 300], [500, 1000]], np.int32)], (255, 0, 0))
    assert find_mouths(picture) == []


def mouth(off_centre, lit=False, cut_off=False, sure=0.95, size=10, outside=0.0):
    return Mouth(Ellipse(0, 0, size, 0.9 * size, 0), lit, cut_off or outside > 0, outside, sure, off_centre)


@pytest.mark.parametrize(
    ("mouths", "index", "flags"),
    [
        ([mouth(0.5)], 0, ()),
        ([mouth(0.5), mouth(0.2)], 1, ("several-candles",)),
        ([mouth(0.2), mouth(0.5, sure=0.85)], 0, ()),  # a dish or a label beside it
        ([mouth(0.2), mouth(0.5, size=3)], 0, ()),  # a coin or a button
        ([mouth(0.2), mouth(0.1, lit=True, sure=0.85)], 0, ()),  # a glint in a spoon
        ([mouth(0.5, lit=True), mouth(0.2)], 0, ("several-candles",)),
        ([mouth(0.5, lit=True), mouth(0.2, lit=True)], 1, ("several-candles",)),
        ([mouth(0.1, cut_off=True), mouth(0.8)], 1, ("several-candles",)),
        ([mouth(0.1, outside=0.02)], 0, ()),  # perhaps no more than its lip
        ([mouth(0.2, outside=0.3), mouth(0.1, lit=True, sure=0.85)], 1, ("several-candles",)),
    ],
)
def test_the_candle_that_is_meant_is_the_lit_one_else_the_most_central_whole_one(mouths, index, flags):
    assert choose_mouth(mouths) == (mouths[index], flags)


@pytest.mark.parametrize(
    ("mouths", "reason"),
    [
        ([], "no-vessel"),
        ([mouth(0.1, outside=0.3)], "rim-cut-off"),
        ([mouth(0.7, lit=True, outside=0.3), mouth(0.1)], "rim-cut-off"),
    ],
)
def test_without_a_whole_candle_that_is_meant_the_photo_is_declined(mouths, reason):
    with pytest.raises(Declined) as declined:
        choose_mouth(mouths)
    assert declined.value.reference == reason


@pytest.mark.parametrize("name", ["d3_02_top.jpg", "d6_03_top.jpg", "d8_01_top.jpg"])
def test_the_real_network_finds_the_mouth_upright_turned_and_padded(photos, truth, name):
    """Of candles that neither network was trained on, within 6 % of the radius once it has been looked at closely."""
    photo = load_photo(photos / name)
    rim = truth[name]["rim_ellipse_px"]
    true = Ellipse(rim["cx"], rim["cy"], rim["semi_major"], rim["semi_minor"], np.radians(rim["angle_deg"])).mapped(
        1 / photo.scale_px
    )
    h = photo.rgb.shape[0]
    turned = Ellipse(h - 1 - true.cy, true.cx, true.a, true.b, true.angle_rad + np.pi / 2)
    shifted = Ellipse(true.cx + 300, true.cy, true.a, true.b, true.angle_rad)
    wide = cv2.copyMakeBorder(photo.rgb, 0, 0, 300, 300, cv2.BORDER_REFLECT_101)
    pictures = ((photo.rgb, true), (np.ascontiguousarray(np.rot90(photo.rgb, -1)), turned), (wide, shifted))
    for picture, expected in pictures:
        found = min(find_mouths(picture), key=lambda m: np.hypot(*(m.ellipse.centre - expected.centre)))
        edge = mouth_edge(picture, found)
        off = np.abs(expected.orthogonal_residuals(edge.ellipse.points(90))).max()
        assert off < 0.06 * expected.mean_radius, picture.shape
