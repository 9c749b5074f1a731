import shutil

import pytest

from pooleye.errors import UsageError
from pooleye.flags import Declined
from pooleye.measuring import Vessel, measure_photo, measure_with_picture
from pooleye.photo import load_photo

JAR = Vessel(76.0, rim_outer_mm=82.0, height_mm=90.0)


def test_what_is_known_of_vessel_headspace_and_baseline_reaches_the_measuring(photos, stand_in_top):
    result = measure_photo(
        photos / "d1_01_top.jpg",
        JAR,
        view="top",
        headspace_mm=14.0,
        baseline=photos / "d2_02_top.jpg",
        baseline_headspace_mm=12.0,
    )
    (asked,) = stand_in_top["asked"]
    assert asked["vessel"] is JAR
    assert asked["headspace_mm"] == 14.0
    assert asked["baseline_headspace_mm"] == 12.0
    assert asked["baseline"].path.endswith("d2_02_top.jpg")
    assert asked["photo"].full_size_px == (1200, 1600)
    assert result.status == "measured"
    assert result.seconds > 0


def test_a_baseline_that_is_already_open_is_not_opened_again(photos, stand_in_top):
    clean = load_photo(photos / "d2_02_top.jpg")
    measure_photo(photos / "d1_01_top.jpg", JAR, baseline=clean)
    assert stand_in_top["asked"][0]["baseline"] is clean


def test_a_bad_baseline_costs_a_flag_and_not_the_photo(photos, stand_in_top):
    result = measure_photo(photos / "d1_01_top.jpg", JAR, baseline=photos / "missing.jpg")
    assert stand_in_top["asked"][0]["baseline"] is None
    assert "baseline-unusable" in result.flags
    assert result.status == "measured"


def test_the_name_is_kept_as_it_was_given(photos, stand_in_top, outside):
    shutil.copy(photos / "d5_00_top.jpg", "here.jpg")
    assert measure_photo("here.jpg", JAR).photo == "here.jpg"
    assert measure_photo("./gone.jpg", JAR).photo == "./gone.jpg"


def test_what_the_measuring_declines_becomes_a_declined_result(photos, stand_in_top):
    stand_in_top["answer"] = Declined("rim-cut-off")
    result = measure_photo(photos / "d1_01_top.jpg", JAR, view="auto")
    assert (result.status, result.reason, result.view) == ("declined", "rim-cut-off", "top")


def test_a_fault_of_the_program_is_not_hidden_as_a_declined_photo(photos, stand_in_top):
    stand_in_top["answer"] = ZeroDivisionError("a fault")
    with pytest.raises(ZeroDivisionError):
        measure_photo(photos / "d1_01_top.jpg", JAR)


def test_the_picture_is_kept_for_overlays_also_when_declined(photos, stand_in_top):
    stand_in_top["answer"] = Declined("no-vessel")
    outcome = measure_with_picture(photos / "d1_01_top.jpg", JAR)
    assert outcome.photo is not None
    assert not outcome.unread


def test_a_file_that_cannot_be_read_has_no_picture(photos):
    outcome = measure_with_picture(photos / "truth.json", JAR)
    assert outcome.photo is None
    assert outcome.unread
    assert outcome.result.reason == "unreadable"


def test_a_black_photo_is_too_dark_before_anything_is_looked_for(photos, stand_in_top):
    assert measure_photo(photos / "d4_01_top_b.jpg", JAR).reason == "too-dark"
    assert stand_in_top["asked"] == []


@pytest.mark.parametrize(
    "sizes",
    [
        {"rim_inner_mm": 3.0},
        {"rim_inner_mm": 7.6},
        {"rim_inner_mm": 5000.0},
        {"rim_inner_mm": 76.0, "rim_outer_mm": 70.0},
        {"rim_inner_mm": 76.0, "base_inner_mm": 1.0},
        {"rim_inner_mm": 76.0, "height_mm": 1000.0},
    ],
)
def test_a_vessel_that_cannot_be_is_refused_in_a_makers_words(sizes, approved):
    with pytest.raises(UsageError) as refused:
        Vessel(**sizes)
    name = "_".join(f"{key}_{value:g}" for key, value in sizes.items() if value != 76.0)
    approved(f"vessel/{name}", refused.value.rendered() + "\n")


@pytest.mark.parametrize("headspace_mm", [-1.0, 90.0, 2000.0, float("nan")])
def test_a_headspace_that_does_not_fit_the_vessel_is_refused(photos, headspace_mm):
    with pytest.raises(UsageError, match="headspace"):
        measure_photo(photos / "d1_01_top.jpg", JAR, headspace_mm=headspace_mm)


def test_wax_up_to_the_rim_is_a_headspace(photos, stand_in_top):
    measure_photo(photos / "d1_01_top.jpg", JAR, headspace_mm=0.0)
    assert stand_in_top["asked"][0]["headspace_mm"] == 0.0
