import numpy as np
import pytest
from PIL import Image

from pooleye.measurement import Outlines, PhotoResult, Quantity
from pooleye.photo import load_photo, photo_from_bytes
from pooleye.report import overlay
from pooleye.report.overlay import draw_overlay, overlay_names, rim_points_px


def result_for(shot, **changes):
    outlines = Outlines(
        rim=shot["rim_ellipse_px"], pool=shot["pool"].get("outline_px") or [], wick=shot["wick"]["base_px"]
    )
    given = {
        "quantities": {"pool_diameter": Quantity(58.3, 0.7, "mm"), "wick_offset": Quantity(2.1, 0.6, "mm")},
        "outlines_px": outlines,
        **changes,
    }
    return PhotoResult.measured(shot["file"], "top", method="x/1", **given)


def drawn(photo, result, tmp_path, **options):
    draw_overlay(photo, result, tmp_path / "overlay.png", **options)
    return np.asarray(Image.open(tmp_path / "overlay.png").convert("RGB")).astype(int)


def near(picture, colour, tolerance=40):
    return np.all(np.abs(picture - colour) <= tolerance, axis=2)


@pytest.mark.parametrize("name", ["d1_01_top.jpg", "d4_01_top.jpg", "d2_02_top.jpg"])
def test_rim_pool_and_wick_are_drawn_on_pale_and_dark_vessels(photos, truth, tmp_path, name):
    photo = load_photo(photos / name)
    picture = drawn(photo, result_for(truth[name]), tmp_path, rim_inner_mm=75.0)
    for colour in (overlay.SKY_BLUE, overlay.YELLOW, overlay.PINK):
        assert near(picture, colour, 12).sum() > 100


def test_the_rim_is_drawn_where_it_is(tmp_path):
    """A grey photo twice the working size, turned on its side: the drawn ellipse's extent is the given one."""
    import io

    buffer = io.BytesIO()
    Image.new("RGB", (4000, 3000), (90, 90, 90)).save(buffer, "JPEG")
    photo = photo_from_bytes(buffer.getvalue(), "a.jpg")
    rim = {"cx": 2000.0, "cy": 1500.0, "semi_major": 800.0, "semi_minor": 400.0, "angle_deg": 90.0}
    result = PhotoResult.measured("a.jpg", "top", method="x/1", quantities={}, outlines_px=Outlines(rim=rim))
    picture = drawn(photo, result, tmp_path)
    blue = near(picture, overlay.SKY_BLUE, 30)
    blue[:, : picture.shape[1] // 4] = False  # nothing is drawn there
    columns = np.flatnonzero(blue.any(axis=0))
    per_px = 2 * overlay.SURROUNDINGS * 800 / 1360  # full-size pixels per canvas pixel: no zoom is needed here
    assert photo.scale_px == 2.0
    assert (columns[-1] - columns[0]) * per_px == pytest.approx(800, rel=0.03)


def test_the_scale_bar_has_the_length_it_says(tmp_path, monkeypatch):
    lengths = []
    monkeypatch.setattr(overlay._Canvas, "label", lambda self, text, at, colour: lengths.append((text, self)))
    strokes = []
    monkeypatch.setattr(
        overlay._Canvas, "stroke", lambda self, points, colour, closed: strokes.append((points, colour))
    )
    photo = photo_from_bytes(_png(1000, 800), "a.png")
    rim = {"cx": 500.0, "cy": 400.0, "semi_major": 250.0, "semi_minor": 250.0, "angle_deg": 0.0}
    result = PhotoResult.measured("a.png", "top", method="x/1", quantities={}, outlines_px=Outlines(rim=rim))
    drawn(photo, result, tmp_path, rim_inner_mm=100.0)  # 5 full-size pixels per mm
    text, canvas = lengths[-1]
    bar = next(points for points, colour in strokes if colour == overlay.WHITE)
    assert text == "50 mm"
    assert np.ptp(bar[:, 0]) / canvas.zoom == pytest.approx(250)


def test_a_declined_photo_is_shown_whole_with_the_reason(photos, tmp_path):
    photo = load_photo(photos / "d3_01_top_b.jpg")
    picture = drawn(photo, PhotoResult.declined("a.jpg", "top", "blurred", method="x/1"), tmp_path)
    height, width = photo.rgb.shape[:2]
    assert picture.shape[1] == width
    assert np.abs(picture[:height] - photo.rgb).mean() < 1
    assert near(picture[height:], overlay.YELLOW).sum() > 100


def test_a_stop_is_written_in_its_colour(photos, truth, tmp_path):
    photo = load_photo(photos / "d1_01_top.jpg")
    calm = drawn(photo, result_for(truth["d1_01_top.jpg"]), tmp_path)
    stop = drawn(photo, result_for(truth["d1_01_top.jpg"], flags=["wick-adrift"]), tmp_path)
    assert near(stop, overlay.VERMILION, 12).sum() > near(calm, overlay.VERMILION, 12).sum() + 500


def test_the_photo_itself_is_not_drawn_on(photos, truth, tmp_path):
    photo = load_photo(photos / "d1_01_top.jpg")
    before = photo.rgb.copy()
    drawn(photo, result_for(truth["d1_01_top.jpg"]), tmp_path)
    assert np.array_equal(photo.rgb, before)


@pytest.mark.parametrize("centre", [(-5000.0, 100.0), (0.0, 0.0), (640.0, 480.0)])
def test_a_rim_at_or_beyond_the_edge_still_gives_a_picture(tmp_path, centre):
    photo = photo_from_bytes(_png(640, 480), "a.png")
    rim = {"cx": centre[0], "cy": centre[1], "semi_major": 200.0, "semi_minor": 190.0, "angle_deg": 0.0}
    result = PhotoResult.measured("a.png", "top", method="x/1", quantities={}, outlines_px=Outlines(rim=rim))
    assert drawn(photo, result, tmp_path, rim_inner_mm=70.0).shape[0] > 200


def test_overlays_of_photos_with_one_name_do_not_overwrite_each_other():
    names = overlay_names(["a/IMG 1.jpg", "b/IMG 1.heic", "c.d.png", "..."])
    assert names[:3] == ["IMG_1_measured.jpg", "IMG_1_measured-2.jpg", "c.d_measured.jpg"]
    assert len(set(names)) == 4
    assert not any("/" in name for name in names)


def test_rim_points_lie_on_the_ellipse():
    """Reference: the ellipse equation, in the frame of its axes."""
    rim = {"cx": 10.0, "cy": 20.0, "semi_major": 5.0, "semi_minor": 3.0, "angle_deg": 30.0}
    x, y = (rim_points_px(rim) - [10.0, 20.0]).T
    turn = np.radians(30.0)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    assert np.allclose((along / 5) ** 2 + (across / 3) ** 2, 1)
    assert rim_points_px(rim)[0] == pytest.approx([10 + 5 * np.cos(turn), 20 + 5 * np.sin(turn)])  # clockwise from +x


def _png(width, height):
    import io

    buffer = io.BytesIO()
    Image.new("RGB", (width, height), (90, 90, 90)).save(buffer, "PNG")
    return buffer.getvalue()
