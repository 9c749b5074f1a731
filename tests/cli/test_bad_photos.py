"""Photos that open but cannot be measured, or not simply, through the whole command with nothing stood in.

Test photos are rendered (tests/photos/README.md). The cup of coffee (courtesy of Pikolo Espresso Bar) and the gravel
(CC0) are real pictures that come with scikit-image: skimage.data.coffee and skimage.data.gravel.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
import skimage.data
from PIL import Image

from pooleye.photo import load_photo


@pytest.fixture
def measured(command, outside):
    """Measures one photo from above with a rim of 75 mm: (exit status, the JSON object)."""

    def run(path, rim_mm=75.0):
        status, out, _ = command("measure", str(path), "--view", "top", "--rim-inner", f"{rim_mm}mm", "--json")
        return status, json.loads(out)

    return run


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("d3_01_top_b.jpg", "blurred"),
        ("d7_02_top_b.jpg", "blurred"),
        ("d4_01_top_b.jpg", "too-dark"),
        ("d1_01_top_b.jpg", "rim-cut-off"),
    ],
)
def test_a_spoilt_photo_is_declined_for_what_is_wrong_with_it(photos, truth, measured, name, reason):
    status, result = measured(photos / name, truth[name]["vessel"]["rim_inner_diameter_mm"])
    assert (status, result["status"], result["reason"]) == (0, "declined", reason)
    assert result["hint"]
    assert result["quantities"] == {}


def test_gravel_has_no_vessel(measured, outside):
    Image.fromarray(skimage.data.gravel()).save("gravel.png")
    status, result = measured("gravel.png")
    assert (status, result["reason"], result["quantities"]) == (0, "no-vessel", {})


@pytest.mark.parametrize("rim_mm", [60.0, 80.0, 150.0])
@pytest.mark.parametrize("enlarged", [1, 3])
def test_a_cup_of_coffee_is_no_candle(measured, outside, rim_mm, enlarged):
    """Seen at a slant, so being too oblique is as good a reason; being measured is not."""
    picture = Image.fromarray(skimage.data.coffee())
    picture.resize((picture.width * enlarged, picture.height * enlarged), Image.Resampling.BICUBIC).save("coffee.png")
    status, result = measured("coffee.png", rim_mm)
    assert (status, result["status"]) == (0, "declined")
    assert result["reason"] in ("no-candle", "no-vessel", "too-oblique")


def test_of_several_candles_the_lit_one_is_measured_and_the_others_are_told(photos, truth, measured, outside):
    """Two rendered photos side by side: the unlit one in the middle of its half, as is the lit one."""
    halves = [load_photo(photos / name).rgb for name in ("d9_00_top.jpg", "d6_02_top.jpg")]
    rims = [truth[name]["rim_ellipse_px"] for name in ("d9_00_top.jpg", "d6_02_top.jpg")]
    crops = []
    for picture, rim in zip(halves, rims, strict=True):
        left, top = (int(max(0, rim[axis] - 560)) for axis in ("cx", "cy"))
        crops.append(Image.fromarray(picture[top : top + 1120, left : left + 1120]).resize((1120, 1120)))
    Image.fromarray(np.hstack([np.asarray(crop) for crop in crops])).save("two.jpg", quality=95)
    status, result = measured("two.jpg")
    assert status == 0
    assert result["status"] == "measured"
    assert "several-candles" in result["flags"]
    assert result["outlines_px"]["rim"]["cx"] > 1120
