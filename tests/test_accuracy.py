"""The comparison with known truth is right itself: results with errors set by hand give exactly these errors back."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pooleye import accuracy
from pooleye.accuracy import (
    BARS,
    Annotated,
    Trial,
    Tried,
    _sectors_shown,
    read_annotated,
    try_photos,
    vessel_of,
    worst,
)
from pooleye.errors import UsageError
from pooleye.measurement import Outlines, PhotoResult, Quantity
from pooleye.report.accuracy_page import page_text, write_page
from pooleye.report.overlay import rim_points_px

ROOT = Path(__file__).parents[1]


def result_of(shot, quantities, by_clock=None, rim=None):
    return PhotoResult.measured(
        shot["file"],
        shot["view"],
        method="by-hand/1",
        quantities=quantities,
        by_clock=by_clock or {},
        outlines_px=Outlines(rim=rim or shot.get("rim_ellipse_px")),
    )


def scored(name, shots_and_results, headspace="given"):
    trial = Trial(headspace, tuple(Tried(shot, result) for shot, result in shots_and_results), frozenset({"d3"}))
    return next(score for score in trial.scores() if score.bar.name == name)


def test_statistics_are_those_of_the_errors(truth):
    """Against numpy's own median, quantile and standard deviation."""
    shots = [
        shot for shot in truth.values() if shot["view"] == "top" and shot["measurable"] and shot["pool"]["present"]
    ]
    errors = np.linspace(-0.7, 2.3, len(shots))
    pairs = [
        (shot, result_of(shot, {"pool_diameter": Quantity(shot["pool"]["equivalent_diameter_mm"] + e, 0.5, "mm")}))
        for shot, e in zip(shots, errors, strict=True)
    ]
    score = scored("pool_diameter", pairs)
    assert len(shots) > 20
    assert score.errors == pytest.approx(errors)
    assert score.median == pytest.approx(np.median(abs(errors)))
    assert score.p95 == pytest.approx(np.quantile(abs(errors), 0.95))
    assert score.bias == pytest.approx(np.median(errors))
    assert score.within_2u == pytest.approx(np.mean(abs(errors) <= 1.0))
    assert score.z_spread == pytest.approx(errors.std() / 0.5)
    assert score.missing == 0
    assert score.p95_holds
    assert score.median_holds == (score.median <= 1.0)


def test_what_few_values_leave_possible_is_the_exact_binomial_interval(truth):
    """9 of 10 right: 0.555 to 0.9975, as tables of Clopper and Pearson's limits have it (from memory)."""
    shots = [s for s in truth.values() if s["view"] == "top" and s["measurable"] and s["pool"]["present"]][:10]
    errors = [2.0] + [0.0] * 9
    pairs = [
        (shot, result_of(shot, {"pool_diameter": Quantity(shot["pool"]["equivalent_diameter_mm"] + e, 0.5, "mm")}))
        for shot, e in zip(shots, errors, strict=True)
    ]
    trial = Trial("given", tuple(Tried(shot, result) for shot, result in pairs), frozenset())
    assert trial.within_2u() == pytest.approx(0.9)
    assert trial.within_2u_interval() == pytest.approx((0.5550, 0.9975), abs=5e-4)


def test_a_missing_quantity_is_counted_and_not_hidden(truth):
    shot = truth["d1_01_top.jpg"]
    score = scored("pool_diameter", [(shot, result_of(shot, {}))])
    assert (score.missing, len(score.errors)) == (1, 0)
    assert not score.is_there
    assert not score.median_holds


def test_bars_of_lengths_are_twice_as_wide_without_headspace_and_no_others(truth):
    shot = truth["d1_01_top.jpg"]
    off = {
        "pool_diameter": Quantity(shot["pool"]["equivalent_diameter_mm"] + 1.5, 1.0, "mm"),
        "tilt": Quantity(shot["camera"]["tilt_deg"] + 1.5, 1.0, "deg"),
    }
    pair = [(shot, result_of(shot, off))]
    assert not scored("pool_diameter", pair, "given").median_holds
    assert scored("pool_diameter", pair, "unknown").median_holds
    assert not scored("tilt", pair, "unknown").median_holds


def test_rim_distance_is_the_largest_between_the_contours(truth):
    """Against brute force with scipy.spatial.cKDTree over 20 000 points of the true contour."""
    shot = truth["d6_02_top.jpg"]
    true = shot["rim_ellipse_px"]
    found = true | {"cx": true["cx"] + 2.0, "semi_minor": true["semi_minor"] - 1.5, "angle_deg": true["angle_deg"] + 9}
    score = scored("rim", [(shot, result_of(shot, {}, rim=found))])
    distances, _ = cKDTree(rim_points_px(true, 20000)).query(rim_points_px(found, 2000))
    assert score.errors[0] == pytest.approx(100 * distances.max() / (true["semi_major"] + true["semi_minor"]), rel=2e-3)


def test_clock_values_are_compared_sector_by_sector(truth):
    shot = truth["d1_01_top.jpg"]
    sectors = list(shot["hangup_width_mm"]["by_sector"])
    found = [value + 0.1 * k for k, value in enumerate(sectors)]
    found[5] = None
    score = scored("hangup_width by clock", [(shot, result_of(shot, {}, {"hangup_width": found}))])
    assert score.errors == pytest.approx([0.1 * k for k in range(12) if k != 5])
    assert score.missing == 1


def test_a_wick_under_a_flame_may_be_missing_and_a_free_one_may_not(truth):
    burning = next(s for s in truth.values() if s["view"] == "top" and s["measurable"] and s["wick"]["hidden_by_flame"])
    snuffed = next(s for s in truth.values() if s["view"] == "top" and s["measurable"] and not s["lit"])
    assert not list(BARS[9].compare(burning, result_of(burning, {})))
    assert list(BARS[9].compare(snuffed, result_of(snuffed, {}))) == [(None, None)]
    assert BARS[9].name == "wick_offset"


def test_soot_is_not_asked_of_the_new_candle(truth):
    shot = truth["d1_00_top.jpg"]
    dirty = result_of(shot, {"soot_delta_L": Quantity(-20.0, 1.0, "1")}, {"soot_delta_L": [-20.0] * 12})
    names = {score.bar.name for score in Trial("given", (Tried(shot, dirty),), frozenset()).scores()}
    assert not any(name.startswith("soot") for name in names)


def test_a_wall_that_the_photo_does_not_show_is_not_missing(truth):
    """Tilted by 18 degrees, the near rim hides the wall beneath it; where the truth leaves sectors out because they do
    not show, geometry says the same."""
    clean, nothing = truth["d2_03_top.jpg"], [None] * 12
    score = scored("soot_delta_L by clock, clean", [(clean, result_of(clean, {}, {"soot_delta_L": nothing}))])
    assert 6 <= score.missing <= 9
    for shot in truth.values():
        if shot["view"] == "top" and shot["measurable"] and None in shot["soot"]["delta_L_by_sector"]:
            told = {k for k, true in enumerate(shot["soot"]["delta_L_by_sector"]) if true is not None}
            assert _sectors_shown(shot) == told


@pytest.mark.parametrize("found", [0.0, 2.0])
def test_debris_seen_or_not_is_told_by_name(truth, found):
    littered, clear = truth["d3_02_top.jpg"], truth["d1_01_top.jpg"]
    tried = tuple(Tried(s, result_of(s, {"debris_count": Quantity(found, 0.2, "1")})) for s in (littered, clear))
    wrong = littered if found < 1 else clear
    assert Trial("given", tried, frozenset()).debris_mistakes() == (2, [wrong["file"]])


def test_soot_missed_and_soot_that_is_not_there_are_told_by_name(truth):
    sooty = next(
        s
        for s in truth.values()
        if s["view"] == "top"
        and s["measurable"]
        and min(v for v in s["soot"]["delta_L_by_sector"] or [0] if v is not None) < -10
    )
    clean = truth["d1_01_top.jpg"]
    blind = result_of(sooty, {"soot_delta_L": Quantity(0.0, 1.0, "1")})
    black = result_of(clean, {"soot_delta_L": Quantity(-9.0, 1.0, "1")})
    trial = Trial("given", (Tried(sooty, blind), Tried(clean, black)), frozenset())
    assert trial.soot_mistakes() == (2, [sooty["file"]], [clean["file"]])


def test_a_flame_is_right_between_its_bright_part_and_the_whole_if_the_interval_reaches_the_whole(truth):
    """Rendered flame of 33 mm, of which the picture shows 27.94 mm brightly."""
    shot = truth["d6_03_side.jpg"]
    assert (shot["flame"]["height_mm"], shot["flame"]["bright_part"]["height_mm"]) == (33, 27.94)
    bar = next(bar for bar in BARS if bar.name == "flame_height")

    def error(value, u):
        ((found, _),) = bar.compare(shot, result_of(shot, {"flame_height": Quantity(value, u, "mm")}))
        return found

    assert error(30.0, 1.5) == 0.0
    assert error(30.0, 1.4) == pytest.approx(100 * -3 / 33)
    assert error(33.0, 0.1) == 0.0
    assert error(34.65, 0.1) == pytest.approx(5.0)
    assert error(26.0, 4.0) == pytest.approx(100 * (26.0 - 27.94) / 33)


def test_declined_good_photos_and_measured_bad_ones_are_counted(truth):
    good, bad = truth["d1_01_top.jpg"], truth["d3_01_top_b.jpg"]
    declined = PhotoResult.declined(good["file"], "top", "blurred", method="by-hand/1")
    trial = Trial("given", (Tried(good, declined), Tried(bad, result_of(bad, {}))), frozenset())
    assert [t.file for t in trial.declined_good] == ["d1_01_top.jpg"]
    assert [t.file for t in trial.measured_bad] == ["d3_01_top_b.jpg"]
    assert trial.scores() == []


def test_worst_photos_come_first_and_say_what_is_off(truth):
    shots = [truth[name] for name in ("d1_01_top.jpg", "d3_01_top.jpg", "d6_02_top.jpg")]
    pairs = [
        (shot, result_of(shot, {"pool_diameter": Quantity(shot["pool"]["equivalent_diameter_mm"] + e, 0.5, "mm")}))
        for shot, e in zip(shots, (0.1, 3.5, -20.0), strict=True)
    ]
    trial = Trial("given", tuple(Tried(*pair) for pair in pairs), frozenset())
    found = worst(trial, 5)
    assert [file for file, _ in found] == ["d6_02_top.jpg", "d3_01_top.jpg"]
    assert found[0][1] == ["`pool_diameter` off by -20.00 mm"]


def test_the_log_knows_vessel_and_baseline(photos, truth):
    annotated = read_annotated(photos)
    assert annotated.baseline_of(truth["d6_02_top.jpg"])["file"] == "d6_00_top.jpg"
    assert annotated.baseline_of(truth["d6_00_top.jpg"]) is None
    assert annotated.baseline_of(truth["d3_02_side.jpg"]) is None
    assert vessel_of(truth["d1_01_top.jpg"]).rim_inner_mm == 80.1
    assert annotated.kept_out == {"d3", "d6", "d8"}


@pytest.mark.parametrize("text", ["", "[]", '{"shots": [{"file": "gone.jpg"}]}', '{"shots": 3}', "[3]"])
def test_a_folder_without_truth_is_refused_in_words(tmp_path, text):
    (tmp_path / "truth.json").write_text(text)
    with pytest.raises(UsageError) as refused:
        read_annotated(tmp_path)
    assert "truth.json" in refused.value.rendered()


def test_a_missing_folder_is_refused_in_words():
    with pytest.raises(UsageError, match=r"truth\.json"):
        read_annotated("no/such/folder")


@pytest.fixture
def two_photos(photos, truth, tmp_path):
    """A folder of two photos with their truth."""
    names = ("d6_02_top.jpg", "d4_01_top_b.jpg")
    for name in names:
        (tmp_path / name).symlink_to(photos / name)
    told = {"kept_out_of_training": ["d6"], "tuning": "Nothing.", "shots": [truth[name] for name in names]}
    (tmp_path / "truth.json").write_text(json.dumps(told))
    return tmp_path


def test_an_interrupted_trial_keeps_what_was_measured(two_photos, monkeypatch):
    real = accuracy.measure_photo

    def once(path, *args, **more):
        if "b.jpg" in str(path):
            raise KeyboardInterrupt
        return real(path, *args, **more)

    monkeypatch.setattr(accuracy, "measure_photo", once)
    trial = try_photos(read_annotated(two_photos), "given")
    assert [t.file for t in trial.tried] == ["d6_02_top.jpg"]
    assert not trial.complete


def test_the_command_measures_a_folder_and_writes_the_page(two_photos, command, outside):
    status, out, _ = command("accuracy", str(two_photos), "--write", "accuracy.md")
    assert status == 0
    assert "1 good photos, 0 declined; 1 bad ones, 0 not declined" in out
    assert out.count("pool_diameter ") == 2
    page = Path("accuracy.md").read_text(encoding="utf-8")
    assert "## Headspace given" in page
    assert "## Headspace unknown" in page
    assert "d4_01_top_b.jpg (nearly black): too-dark" in page
    assert "Kept out of the network's training: d6" in page


def test_the_page_shows_the_pictures_of_its_failures(two_photos, outside):
    annotated = read_annotated(two_photos)
    shot = annotated.shots[0]
    far_off = result_of(shot, {"pool_diameter": Quantity(99.0, 0.5, "mm")})
    trial = Trial("given", (Tried(shot, far_off),), annotated.kept_out)
    Path("page").mkdir()
    Path("page/old.jpg").write_bytes(b"")
    page, picture = write_page("page.md", annotated, [trial], "accuracy")
    assert f"]({picture.as_posix()})" in page.read_text(encoding="utf-8")
    assert picture.stat().st_size < 150_000
    assert sorted(Path("page").iterdir()) == [picture]


def test_what_does_not_hold_is_marked_on_the_page(truth):
    shot = truth["d1_01_top.jpg"]
    far_off = result_of(shot, {"pool_diameter": Quantity(99.0, 0.5, "mm"), "tilt": Quantity(12.1, 0.5, "deg")})
    text = page_text(
        Annotated(Path(), (shot,), frozenset(), ""),
        [Trial("given", (Tried(shot, far_off),), frozenset())],
        "accuracy",
    )
    off = 99.0 - shot["pool"]["equivalent_diameter_mm"]
    assert f"| **{off:.2f}** (1) |" in text
    assert "| 0.10 (1) |" in text


@pytest.mark.parametrize("arguments", [["--headspace", "guessed"], ["--headspace", "given", "--write", "page.md"]])
def test_wrong_use_is_told_in_words(command, arguments, photos):
    status, _, err = command("accuracy", str(photos), *arguments)
    assert status == 2
    assert "headspace" in err


def test_the_page_in_the_docs_names_every_quantity_and_both_ways():
    """Not its numbers: they move with every improvement, and the command writes them anew."""
    page = (ROOT / "docs" / "accuracy.md").read_text(encoding="utf-8")
    for bar in BARS:
        name, _, rest = bar.name.partition(" ")
        assert f"`{name}`{' ' + rest if rest else ''} |" in page, bar.name
    for words in (
        "Headspace given",
        "Headspace unknown",
        "Kept out of the network's training: d3, d6, d8",
        "not taken of real",
    ):
        assert words in page
