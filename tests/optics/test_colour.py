"""Colour conversions against published values and scikit-image."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.optics import colour

GREYS = np.array([0, 10, 64, 119, 128, 200, 255], dtype=np.uint8)

# Sharma, Wu & Dalal, Color Res. Appl. 30(1) 21-30, 2005, table 1: ten of its 34 pairs, with CIEDE2000.
SHARMA = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
    ((50, -0.001, 2.49), (50, 0.0011, -2.49), 4.7461),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


def grey(level: np.ndarray) -> np.ndarray:
    return np.repeat(level[:, None], 3, axis=1)


def test_grey_luminance_follows_the_srgb_transfer_function() -> None:
    """IEC 61966-2-1:1999, values from its formula to six decimals."""
    luminance = colour.relative_luminance(colour.srgb_to_linear(grey(GREYS)))
    assert luminance == pytest.approx([0, 0.003035, 0.051269, 0.184475, 0.215861, 0.577580, 1], abs=6e-7)


def test_grey_lightness_follows_cie_15() -> None:
    lightness = colour.linear_to_lightness(colour.srgb_to_linear(grey(GREYS)))
    assert lightness == pytest.approx([0, 2.7417, 27.0934, 50.0344, 53.5850, 80.6041, 100], abs=6e-5)


@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((255, 0, 0), (53.24, 80.09, 67.20)),
        ((245, 240, 225), (94.81, -0.86, 7.84)),
        ((60, 45, 30), (19.77, 4.48, 12.34)),
    ],
)
def test_lab_of_known_colours(rgb: tuple[int, ...], lab: tuple[float, ...]) -> None:
    """sRGB red is widely published as 53.24, 80.09, 67.20; the other two are worked examples, to 0.01."""
    linear = colour.srgb_to_linear(np.array(rgb, dtype=np.uint8))
    assert colour.linear_to_lab(linear) == pytest.approx(lab, abs=0.012)


def test_lab_agrees_with_scikit_image_over_the_cube() -> None:
    from skimage.color import rgb2lab

    rgb = np.random.default_rng(0).integers(0, 256, (40, 50, 3), dtype=np.uint8)
    assert np.abs(colour.linear_to_lab(colour.srgb_to_linear(rgb)) - rgb2lab(rgb)).max() < 0.01


def test_lightness_of_a_colour_is_the_l_of_its_lab() -> None:
    rgb = np.random.default_rng(1).integers(0, 256, (500, 3), dtype=np.uint8)
    linear = colour.srgb_to_linear(rgb)
    assert np.abs(colour.linear_to_lightness(linear) - colour.linear_to_lab(linear)[:, 0]).max() < 0.02


def test_lightness_is_continuous_where_its_formula_changes() -> None:
    """CIE 15: both branches meet at Y = 216/24389, L* = 8."""
    edge = 216 / 24389
    assert colour.lightness([edge * (1 - 1e-9), edge * (1 + 1e-9)]) == pytest.approx([8, 8], abs=1e-6)


@pytest.mark.parametrize(("first", "second", "difference"), SHARMA)
def test_ciede2000_published_pairs(first: tuple, second: tuple, difference: float) -> None:
    assert float(colour.delta_e_2000(first, second)) == pytest.approx(difference, abs=6e-5)
    assert float(colour.delta_e_2000(second, first)) == pytest.approx(difference, abs=6e-5)


def test_cream_wax_against_brown() -> None:
    """Worked example: dE76 75.37, dE00 69.04."""
    cream, brown = colour.linear_to_lab(
        colour.srgb_to_linear(np.array([[245, 240, 225], [60, 45, 30]], dtype=np.uint8))
    )
    assert float(colour.delta_e_76(cream, brown)) == pytest.approx(75.37, abs=0.02)
    assert float(colour.delta_e_2000(cream, brown)) == pytest.approx(69.04, abs=0.02)


def test_every_depth_of_pixel_decodes_alike() -> None:
    bytes_ = np.arange(256, dtype=np.uint8)
    words = bytes_.astype(np.uint16) * 257
    floats = bytes_ / 255.0
    as_bytes = colour.srgb_to_linear(bytes_)
    assert as_bytes.dtype == np.float32
    assert colour.srgb_to_linear(words) == pytest.approx(as_bytes, abs=1e-7)
    assert colour.srgb_to_linear(floats) == pytest.approx(as_bytes, abs=1e-7)


def test_linear_light_encodes_back_to_the_same_byte() -> None:
    bytes_ = np.arange(256, dtype=np.uint8)
    assert np.round(colour.linear_to_srgb(colour.srgb_to_linear(bytes_)) * 255).astype(int).tolist() == list(range(256))


def test_other_pixel_types_are_refused() -> None:
    with pytest.raises(ValueError, match="uint8"):
        colour.srgb_to_linear(np.zeros(3, dtype=np.int64))
