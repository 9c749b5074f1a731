import json
import math

import numpy as np
import pytest

from pooleye.flags import Declined
from pooleye.measurement import Outlines, PhotoResult, Quantity, format_value, shown

RIM = {"cx": 800.123, "cy": 600.0, "semi_major": 300.0, "semi_minor": 290.0, "angle_deg": 12.0}


def a_result(**changes):
    kept = {
        "method": "top/1",
        "quantities": {"pool_diameter": Quantity(58.3123, 0.71234, "mm"), "pool_coverage": Quantity(0.0, 0.02, "1")},
        "flags": ["focal-assumed", "focal-assumed"],
        "by_clock": {"hangup_width": [None, *[1.2345] * 11]},
        "outlines_px": Outlines(rim=RIM, pool=np.array([[1, 2], [3, 4.5678]]).tolist(), wick=(5, 6), wall=[(0, 0)]),
        "seconds": 0.21234,
    }
    return PhotoResult.measured("a.jpg", "top", **{**kept, **changes})


# --- writing value ± u ---


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        # the examples that the Particle Data Group prints with its rule (Review of Particle Physics, Introduction 5.3)
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        # the rule's edges: 354 keeps two digits, 355 one; 949 one, 950 rounds up to 1000 and keeps two
        (10.0, 0.354, "10.00 ± 0.35"),
        (10.0, 0.355, "10.0 ± 0.4"),
        (10.0, 0.949, "10.0 ± 0.9"),
        (10.0, 0.950, "10.0 ± 1.0"),
        (10.0, 0.0999, "10.00 ± 0.10"),
        # u larger than the value; value zero; no minus before zero; half goes to even
        (1.23, 15.0, "1 ± 15"),
        (0.0, 0.7, "0.0 ± 0.7"),
        (-0.04, 0.7, "0.0 ± 0.7"),
        (-3.14, 0.7, "-3.1 ± 0.7"),
        (0.25, 0.7, "0.2 ± 0.7"),
        # large and tiny
        (1234.5, 120.0, "1230 ± 120"),
        (12345678.0, 90000.0, "(1.235 ± 0.009)e7"),
        (0.001234, 0.00002, "0.001234 ± 0.000020"),
        (0.0, 1e-9, "(0.0 ± 1.0)e-9"),
        (5e-8, 1e-3, "0.0000 ± 0.0010"),
    ],
)
def test_the_digits_follow_the_uncertainty(value, u, text):
    assert format_value(value, u) == text


@pytest.mark.parametrize(("value", "u"), [(1.0, 0.0), (1.0, -1.0), (math.nan, 1.0), (1.0, math.inf), (math.inf, 1.0)])
def test_a_value_without_a_real_uncertainty_cannot_be_written(value, u):
    with pytest.raises(ValueError, match="cannot write"):
        format_value(value, u)


def test_a_quantity_is_written_with_its_unit():
    assert str(Quantity(58.3, 0.7, "mm")) == "58.3 ± 0.7 mm"
    assert str(Quantity(0.71, 0.02, "1")) == "0.710 ± 0.020"
    assert str(Quantity(12.0, 3.0, "deg")) == "12.0 ± 3.0°"
    assert str(Quantity(2642.0, 61.0, "mm2")) == "2640 ± 60 mm²"


def test_shares_are_shown_in_percent_and_counts_as_counts():
    assert shown("pool_coverage", Quantity(0.712, 0.02, "1")) == "71.2 ± 2.0 %"
    assert shown("wick_count", Quantity(3.0, 0.1, "1")) == "3"
    assert shown("debris_count", Quantity(3.0, 1.2, "1")) == "about 3"
    assert shown("wick_offset", Quantity(2.1, 0.6, "mm")) == "2.1 ± 0.6 mm"


# --- quantities ---


@pytest.mark.parametrize("u", [0.0, -0.1, math.nan, math.inf])
def test_a_value_demands_an_uncertainty_above_zero(u):
    with pytest.raises(ValueError, match="uncertainty"):
        Quantity(1.0, u, "mm")


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_there_is_no_nan_for_unknown(value):
    with pytest.raises(ValueError, match="finite"):
        Quantity(value, 1.0, "mm")


def test_independent_parts_add_up_in_quadrature():
    """JCGM 100:2008, H.1: the four terms 25, 9.7, 2.9 and 16.7 nm combine to 31.7 nm."""
    length = Quantity.from_parts(50.000838, "mm", {"ls": 25e-6, "d": 9.7e-6, "alpha": 2.9e-6, "theta": 16.7e-6})
    assert length.u == pytest.approx(31.7e-6, rel=2e-3)


def test_a_part_cannot_be_negative_or_nan():
    for part in (-1.0, math.nan):
        with pytest.raises(ValueError, match="edge"):
            Quantity(1.0, 1.0, "mm", (("edge", part),))


# --- results ---


def test_a_measured_photo_is_the_contract_word_for_word():
    assert json.loads(a_result().to_json()) == {
        "photo": "a.jpg",
        "view": "top",
        "status": "measured",
        "reason": None,
        "hint": None,
        "flags": ["focal-assumed"],
        "quantities": {
            "pool_diameter": {"value": 58.312, "u": 0.712, "unit": "mm"},
            "pool_coverage": {"value": 0.0, "u": 0.02, "unit": "1"},
        },
        "by_clock": {"hangup_width": {"unit": "mm", "values": [None, *[1.23] * 11]}},
        "outlines_px": {"rim": {**RIM, "cx": 800.12}, "pool": [[1.0, 2.0], [3.0, 4.57]], "wick": [5.0, 6.0]},
        "method": "top/1",
        "seconds": 0.212,
    }


def test_a_declined_photo_has_a_reason_a_hint_and_no_numbers():
    declined = PhotoResult.from_declined("a.jpg", "top", Declined("blurred"), method="top/1").as_json()
    assert (declined["status"], declined["reason"]) == ("declined", "blurred")
    assert declined["hint"].endswith(".")
    assert declined["quantities"] == declined["by_clock"] == declined["outlines_px"] == {}


def test_json_is_one_line_even_for_names_with_newlines():
    assert "\n" not in PhotoResult.declined("a\nb.jpg", "top", "blurred", method="top/1").to_json()


@pytest.mark.parametrize("exponent", range(-9, 7))
def test_rounding_in_json_never_loses_the_uncertainty(exponent):
    quantity = Quantity(7.7777777 * 10**exponent, 1.2345 * 10**exponent, "mm")
    written = a_result(quantities={"pool_diameter": quantity}).as_json()["quantities"]["pool_diameter"]
    assert written["u"] == pytest.approx(quantity.u, rel=0.005)
    assert abs(written["value"] - quantity.value) <= 0.005 * quantity.u


def test_names_and_units_outside_the_contract_are_refused():
    with pytest.raises(ValueError, match="pool_size"):
        a_result(quantities={"pool_size": Quantity(1, 1, "mm")})
    with pytest.raises(ValueError, match="mm2"):
        a_result(quantities={"pool_area": Quantity(1, 1, "mm")})
    with pytest.raises(ValueError, match="not registered"):
        a_result(flags=["pool-lovely"])
    with pytest.raises(ValueError, match="not registered"):
        PhotoResult.declined("a.jpg", "top", "bored", method="top/1")
    with pytest.raises(ValueError, match="CLOCK"):
        a_result(by_clock={"flame": [None] * 12})
    with pytest.raises(ValueError, match="12 finite"):
        a_result(by_clock={"hangup_width": [1.0] * 11})
    with pytest.raises(ValueError, match="12 finite"):
        a_result(by_clock={"hangup_width": [math.nan] * 12})


def test_a_rim_has_its_longer_axis_first():
    with pytest.raises(ValueError, match="semi_major >="):
        Outlines(rim={**RIM, "semi_minor": 301.0})
    with pytest.raises(ValueError, match="cx, cy"):
        Outlines(rim={"cx": 1.0})
    with pytest.raises(ValueError, match="not finite"):
        Outlines(pool=[(math.nan, 1.0)])


def test_a_result_is_either_measured_or_declined():
    with pytest.raises(ValueError, match="reason"):
        PhotoResult("a.jpg", "top", "measured", reason="blurred", hint="Hold still.")
    with pytest.raises(ValueError, match="reason"):
        PhotoResult("a.jpg", "top", "declined")


def test_seconds_and_flags_can_be_added_later():
    later = a_result().with_seconds(1.5).with_flags("clock-unknown", "focal-assumed")
    assert later.seconds == 1.5
    assert later.flags == ("focal-assumed", "clock-unknown")
