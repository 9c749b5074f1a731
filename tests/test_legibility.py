"""The gates from both sides: what must pass passes with a margin, what must not is stopped, on many pictures.

The photos are rendered (tests/photos/README.md); the spoilt copies are made here from the good ones.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pooleye import legibility
from pooleye.flags import Declined
from pooleye.photo import SRGB_TO_LINEAR, load_photo

GOOD = ["d1_01", "d2_02", "d3_01", "d4_01", "d5_00", "d6_02", "d7_01", "d8_02", "d9_00"]


def region_of(photos, truth, name):
    """The vessel with a quarter of its radius around it."""
    photo, rim = load_photo(photos / f"{name}.jpg"), truth[f"{name}.jpg"]["rim_ellipse_px"]
    x, y = photo.to_working_px([rim["cx"], rim["cy"]])
    reach = 1.25 * rim["semi_major"] / photo.scale_px
    rows, columns = (slice(max(0, int(at - reach)), int(at + reach)) for at in (y, x))
    region = photo.rgb[rows, columns]
    factor = min(1.0, 500 / max(region.shape[:2]))  # as much as is judged, and quicker to spoil
    return cv2.resize(region, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)


def noisy(picture, sigma):
    noise = np.random.default_rng(7).normal(0, sigma, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def exposed(picture, stops):
    """The same scene with 2^stops times the light, sRGB again (IEC 61966-2-1), with a little noise."""
    linear = np.clip(SRGB_TO_LINEAR[picture] * 2.0**stops, 0, 1)
    stored = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    return noisy(255 * stored, 2.0)


def defocused(picture, share):
    """Blurred by a Gaussian of `share` times the vessel's width (the region is 1.25 of it)."""
    return noisy(cv2.GaussianBlur(picture, (0, 0), share * picture.shape[1] / 1.25), 3.0)


def shaken(picture, share, direction_deg):
    """Smeared along a line of `share` times the vessel's width."""
    length = share * picture.shape[1] / 1.25
    size = 2 * int(length) + 1
    step = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))]) * length / 2
    kernel = np.zeros((size, size), np.float32)
    ends = [tuple(round(size // 2 + sign * s) for s in step) for sign in (-1, 1)]
    cv2.line(kernel, *ends, 1.0, 1, cv2.LINE_AA)
    return noisy(cv2.filter2D(picture, -1, kernel / kernel.sum()), 3.0)


@pytest.mark.parametrize("name", GOOD)
def test_a_good_photo_passes_with_a_margin(photos, truth, name):
    region = region_of(photos, truth, f"{name}_top")
    exposure = legibility.exposure_of(region)
    assert exposure.bright_code > 3 * legibility.DARK_CODE
    assert exposure.clipped < 0.2 * legibility.CLIPPED_SHARE
    assert legibility.blur_px(region) < 0.65 * legibility.BLURRED_PX
    legibility.check_exposure(region)
    assert legibility.check_sharpness(region) == ()


@pytest.mark.parametrize("name", GOOD)
def test_noise_and_a_little_blur_still_pass(photos, truth, name):
    region = region_of(photos, truth, f"{name}_top")
    for copy in (
        noisy(region, 6),
        noisy(region, 12),
        defocused(region, 0.002),
        exposed(region, -3),
        exposed(region, 0.5),
    ):
        legibility.check_exposure(copy)
        legibility.check_sharpness(copy)


@pytest.mark.parametrize("name", GOOD)
def test_out_of_focus_is_blurred_in_any_picture(photos, truth, name):
    region = region_of(photos, truth, f"{name}_top")
    for share in (0.016, 0.02, 0.04):
        with pytest.raises(Declined) as why:
            legibility.check_sharpness(defocused(region, share))
        assert why.value.reference == "blurred"


@pytest.mark.parametrize("direction_deg", [20, 65, 110, 155])
def test_a_shake_is_blurred_in_nearly_every_picture_and_direction(photos, truth, direction_deg):
    """A shake leaves edges along it sharp, and a doubled edge can look like two: one miss in nine is allowed."""
    regions = [region_of(photos, truth, f"{name}_top") for name in GOOD]
    blurs = [legibility.blur_px(shaken(region, 0.06, direction_deg)) for region in regions]
    assert sum(blur > legibility.BLURRED_PX for blur in blurs) >= len(GOOD) - 1


@pytest.mark.parametrize("name", ["d3_01_top_b", "d7_02_top_b"])
def test_photos_shaken_or_out_of_focus_as_taken_are_blurred(photos, truth, name):
    with pytest.raises(Declined) as why:
        legibility.check_sharpness(region_of(photos, truth, name))
    assert why.value.reference == "blurred"


@pytest.mark.parametrize("name", GOOD)
def test_blur_grows_with_the_blur_put_in(photos, truth, name):
    region = region_of(photos, truth, f"{name}_top")
    blurs = [legibility.blur_px(defocused(region, share)) for share in (0.002, 0.006, 0.010, 0.016)]
    assert blurs == sorted(blurs)


def test_the_blur_of_a_known_edge_is_recovered():
    """A disc blurred by a Gaussian of known width: the estimate is neither much above nor below it."""
    rows, columns = np.mgrid[:400, :400]
    disc = np.where(np.hypot(rows - 200, columns - 200) < 140, 200, 60).astype(np.uint8)
    for width_px in (1.5, 2.0, 3.0, 4.0):
        region = np.repeat(cv2.GaussianBlur(disc, (0, 0), width_px)[:, :, None], 3, axis=2)
        assert legibility.blur_px(region) == pytest.approx(width_px, rel=0.10)


def test_soft_but_usable_earns_a_flag(photos, truth):
    region = region_of(photos, truth, "d7_01_top")
    assert legibility.check_sharpness(defocused(region, 0.0045)) == ("slightly-blurred",)


def test_a_plain_surface_has_no_edge_and_counts_as_blurred():
    with pytest.raises(Declined):
        legibility.check_sharpness(np.full((300, 300, 3), 128, np.uint8))


def test_nearly_black_as_taken_is_too_dark(photos, truth):
    with pytest.raises(Declined) as why:
        legibility.check_exposure(region_of(photos, truth, "d4_01_top_b"))
    assert why.value.reference == "too-dark"


@pytest.mark.parametrize("name", GOOD)
def test_six_stops_less_are_too_dark_and_five_more_overexposed(photos, truth, name):
    region = region_of(photos, truth, f"{name}_top")
    for stops, reason in ((-6, "too-dark"), (5, "overexposed")):
        with pytest.raises(Declined) as why:
            legibility.check_exposure(exposed(region, stops))
        assert why.value.reference == reason
