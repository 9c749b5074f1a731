"""The sample photos, their truth and the studio that made them.

Checks of the truth come from outside the studio: the files themselves, pooleye's own optics, OpenCV and SciPy.
"""

from __future__ import annotations

import json
import math
import sys
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy.spatial.distance import pdist

from pooleye.optics.camera import camera_for
from pooleye.optics.circle_pose import circle_poses
from pooleye.optics.ellipse import Ellipse
from pooleye.photo import load_photo
from pooleye.report.demo import read_scenario

SAMPLES = Path(__file__).parents[1] / "sample_images"
TRUTH = {shot["file"]: shot for shot in json.loads((SAMPLES / "truth.json").read_text())["shots"]}
NAMES = sorted(TRUTH)
WITH_POOL = [name for name in NAMES if TRUTH[name]["pool"]["present"]]
sys.path.insert(0, str(SAMPLES))

from studio import phone  # noqa: E402


def test_scenario_and_truth_tell_of_the_same_photos():
    assert sorted(entry.file for entry in read_scenario(SAMPLES).entries) == NAMES
    assert all((SAMPLES / name).is_file() for name in NAMES)


def test_samples_stay_small_enough_for_a_repository():
    assert sum((SAMPLES / name).stat().st_size for name in NAMES) < 6_000_000


@pytest.mark.parametrize("entry", read_scenario(SAMPLES).entries, ids=lambda entry: entry.file)
def test_scenario_gives_the_true_sizes(entry):
    shot = TRUTH[entry.file]
    vessel = shot["vessel"]
    assert entry.rim_inner_mm == vessel["rim_inner_diameter_mm"]
    assert entry.headspace_mm == shot["headspace_mm"]
    assert entry.rim_outer_mm in (None, pytest.approx(vessel["outer_diameter_mm"]))
    assert (entry.base_inner_mm or entry.rim_inner_mm) == vessel["inner_base_diameter_mm"]
    if entry.baseline:
        assert entry.baseline_headspace_mm == TRUTH[entry.baseline]["headspace_mm"]
        assert TRUTH[entry.baseline]["candle"] == shot["candle"]


@pytest.mark.parametrize("name", NAMES)
def test_file_is_what_its_truth_says(name):
    photo, camera = load_photo(SAMPLES / name), TRUTH[name]["camera"]
    assert photo.full_size_px == (camera["width_px"], camera["height_px"])
    assert photo.focal_35mm == (camera["focal_35mm"] if camera["has_exif"] else None)
    assert (photo.taken_at is not None) == camera["has_exif"]


def test_candle_burns_forward_in_time():
    """File times of one candle are as far apart as its checkpoints, to a few minutes of handling."""
    shots = [TRUTH[name] for name in ("pear_1h.jpg", "pear_2h.jpg", "pear_4h.jpg")]
    times = [load_photo(SAMPLES / shot["file"]).taken_at for shot in shots]
    for earlier, later, first, last in zip(shots, shots[1:], times, times[1:], strict=False):
        minutes = (last - first).total_seconds() / 60
        assert minutes == pytest.approx(later["checkpoint_minutes"] - earlier["checkpoint_minutes"], abs=5)


@pytest.mark.parametrize("name", NAMES)
def test_rim_ellipse_leads_back_to_the_camera(name):
    """The circle pose of `pooleye.optics`, an algorithm the studio does not use."""
    shot = TRUTH[name]
    e = shot["rim_ellipse_px"]
    ellipse = Ellipse(e["cx"], e["cy"], e["semi_major"], e["semi_minor"], math.radians(e["angle_deg"]))
    size = (shot["camera"]["width_px"], shot["camera"]["height_px"])
    poses = circle_poses(
        ellipse, shot["vessel"]["rim_inner_diameter_mm"] / 2, camera_for(size, shot["camera"]["focal_35mm"])
    )
    errors = [abs(p.tilt_deg - shot["camera"]["tilt_deg"]) for p in poses]
    best = poses[int(np.argmin(errors))]
    assert min(errors) < 0.3
    assert best.height_mm == pytest.approx(shot["camera"]["height_mm"], rel=1e-3)


@pytest.mark.parametrize("name", WITH_POOL)
def test_pool_numbers_agree_with_its_outline(name):
    """Area and centroid by OpenCV's contour moments, largest Feret diameter by SciPy's distances."""
    pool = TRUTH[name]["pool"]
    outline = np.array(pool["outline_mm"])
    moments = cv2.moments(outline.astype(np.float32)[:, None])
    across = TRUTH[name]["inner_diameter_at_surface_mm"]
    assert moments["m00"] == pytest.approx(pool["area_mm2"], rel=2e-3)
    assert math.pi * pool["equivalent_diameter_mm"] ** 2 / 4 == pytest.approx(pool["area_mm2"], rel=1e-3)
    assert pdist(outline).max() == pytest.approx(pool["max_diameter_mm"], abs=0.1)
    assert pool["min_diameter_mm"] <= pool["equivalent_diameter_mm"] + 0.01 <= pool["max_diameter_mm"] + 0.02
    assert pool["area_mm2"] / (math.pi * across**2 / 4) == pytest.approx(pool["coverage"], abs=5e-4)
    assert math.hypot(moments["m10"], moments["m01"]) / moments["m00"] == pytest.approx(pool["offset_mm"], abs=0.05)


@pytest.mark.parametrize("name", WITH_POOL)
def test_pool_outline_in_pixels_is_its_outline_in_mm(name):
    """Both are the same plane figure: one homography (OpenCV) maps one on the other."""
    pool = TRUTH[name]["pool"]
    mm, px = (np.array(pool[key], np.float64) for key in ("outline_mm", "outline_px"))
    homography, _ = cv2.findHomography(mm, px)
    assert np.abs(cv2.perspectiveTransform(mm[:, None], homography)[:, 0] - px).max() < 0.1


@pytest.mark.parametrize("name", WITH_POOL)
def test_hang_up_is_what_the_outline_leaves_to_the_wall(name):
    shot = TRUTH[name]
    width = shot["inner_diameter_at_surface_mm"] / 2 - np.hypot(*np.array(shot["pool"]["outline_mm"]).T)
    hangup = shot["hangup_width_mm"]
    assert width.mean() == pytest.approx(hangup["mean"], abs=0.03)
    assert width.max() == pytest.approx(hangup["max"], abs=0.1)
    assert min(hangup["by_sector"]) - 0.02 <= hangup["mean"] <= max(hangup["by_sector"]) <= hangup["max"] + 0.01


def test_story_grows_from_partial_to_full():
    coverage = [TRUTH[name]["pool"]["coverage"] for name in ("pear_1h.jpg", "pear_2h.jpg", "pear_4h.jpg")]
    assert coverage[0] < 0.5 < coverage[1] < 0.9 < coverage[2] == pytest.approx(1, abs=1e-3)


def test_soot_darkens_the_side_it_is_on():
    sectors = [v for v in TRUTH["amber_soot.jpg"]["soot"]["delta_L_by_sector"] if v is not None]
    assert min(sectors) < -10
    assert max(sectors) > -3
    assert max(sectors) < 1


# --- the phone -------------------------------------------------------------------------------------------------------


@pytest.fixture
def light():
    """Linear radiance: a dim gradient with a grid, and one lamp."""
    y, x = np.mgrid[0:120, 0:160]
    grey = 0.1 + 0.3 * x / 160 + 0.2 * ((x // 8 + y // 8) % 2)
    out = np.repeat(grey[..., None], 3, 2).astype(np.float32)
    out[20:24, 20:24] = 50
    return out


def sharpness(rgb):
    return float(cv2.Laplacian(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), cv2.CV_64F)[60:, 60:].var())


def test_phone_gives_the_same_picture_for_the_same_seed(light):
    a, b, c = (phone.develop(light, phone.Phone(), seed) for seed in (1, 1, 2))
    assert (a == b).all()
    assert (a != c).any()


@pytest.mark.parametrize("blur", [{"defocus_px": 4.0}, {"motion_px": 12.0}, {"lens_blur_px": 3.0}])
def test_phone_blur_takes_sharpness(light, blur):
    sharp, soft = (phone.develop(light, p, 1, noise=False) for p in (phone.Phone(), phone.Phone(**blur)))
    assert sharpness(soft) < 0.5 * sharpness(sharp)


def test_phone_in_the_dark_is_darker_and_noisier(light):
    bright, dark = (phone.develop(light, phone.Phone(exposure=e), 1, noise=False) for e in (1.0, 0.1))
    assert dark.mean() < 0.6 * bright.mean()
    clean, noisy = phone.Phone(electrons=20000, smoothing=0), phone.Phone(electrons=300, smoothing=0)
    spreads = [
        np.std(phone.develop(light, p, 1).astype(float) - phone.develop(light, p, 1, noise=False))
        for p in (clean, noisy)
    ]
    assert spreads[1] > 3 * spreads[0]


def test_phone_lamp_has_a_halo_only_with_bloom(light):
    with_halo, without = (phone.develop(light, phone.Phone(bloom=b), 1, noise=False) for b in (1.0, 0.0))
    assert with_halo[18, 30].mean() > without[18, 30].mean()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_phone_stores_a_turned_picture_that_reads_upright(light, tmp_path, orientation):
    upright = phone.develop(light, phone.Phone(), 1, noise=False)
    upright = np.ascontiguousarray(cv2.resize(upright, (480, 360)))
    path = tmp_path / "turned.jpg"
    phone.save(
        upright,
        path,
        phone.Tags("2026:03:14 13:02:40", orientation=orientation, focal_35mm=52),
        phone.Phone(jpeg_quality=95),
    )
    with Image.open(path) as stored:
        assert stored.size == ((480, 360) if orientation in (1, 3) else (360, 480))
    photo = load_photo(path)
    assert photo.rgb.shape == upright.shape
    assert np.abs(photo.rgb.astype(int) - upright).mean() < 6
    assert photo.focal_35mm == 52
    assert photo.taken_at.replace(tzinfo=None) == datetime(2026, 3, 14, 13, 2, 40)
    assert photo.taken_at.utcoffset().total_seconds() == 7200


# --- the studio ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shots():
    """The list of shots; needs the renderer because sets are described with its types."""
    mitsuba = pytest.importorskip("mitsuba", reason="Mitsuba is not installed (pip install -e '.[render]')")
    mitsuba.set_variant("scalar_rgb")
    from studio import samples

    return {shot.file: shot for shot in samples.SHOTS}


def test_truth_is_that_of_the_listed_shots(shots):
    """Someone who changes a shot must render it again."""
    from studio import top_truth
    from studio.camera import top_camera

    assert sorted(shots) == NAMES
    for name, shot in shots.items():
        camera = top_camera(shot.spec.view, shot.long_side_px)
        facts = top_truth.top_facts(shot.spec, camera, TRUTH[name]["soot"])
        for key in ("rim_ellipse_px", "pool", "hangup_width_mm", "wicks", "headspace_mm", "vessel"):
            assert facts[key] == TRUTH[name][key], (name, key)


def test_thumbnail_shows_the_flame_where_the_truth_puts_the_wick(shots, tmp_path):
    from studio import tracing
    from studio.camera import top_camera

    shot = shots["pear_1h.jpg"]
    light = tracing.radiance(shot.spec, shot.scene, shot.glow, 96, 4, tmp_path)
    assert light.shape == (72, 96, 3)
    assert np.isfinite(light).all()
    assert light.min() >= 0
    foot = np.array(TRUTH["pear_1h.jpg"]["wicks"][0]["base_px"]) * 96 / shot.long_side_px
    y, x = np.unravel_index(cv2.GaussianBlur(light.mean(-1), (0, 0), 1.0).argmax(), light.shape[:2])
    rim = top_camera(shot.spec.view, 96)
    assert math.dist((x, y), foot) < 0.25 * rim.f_px * shot.spec.vessel.rim_inner_mm / shot.spec.view.height_mm


def test_a_scene_in_which_another_vessel_is_as_likely_meant_is_told(shots):
    from studio.camera import top_camera
    from studio.make_photos import another_is_meant

    camera = top_camera(next(iter(shots.values())).spec.view, 1400)
    here = camera.project(np.zeros((1, 3)))[0]
    middle = (np.array([camera.width_px, camera.height_px]) - 1) / 2
    toward = np.zeros(3)
    for axis in (0, 1):  # a step in the rim plane that brings a mouth nearer to the middle
        step = np.zeros(3)
        step[axis] = 1.0
        toward[axis] = float((camera.project(step[None])[0] - here) @ (middle - here))
    toward *= 0.5 * np.hypot(*(middle - here)) / max(float(toward @ toward), 1e-9)
    assert another_is_meant(camera, [(toward, 30.0, 0.0)])
    assert not another_is_meant(camera, [(-toward, 30.0, 0.0)])
    assert not another_is_meant(camera, [])
