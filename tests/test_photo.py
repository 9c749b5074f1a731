"""Pictures in, of every kind a phone, a scanner or a stranger may send."""

from __future__ import annotations

import contextlib
import io
import os
import struct
import zlib
from datetime import UTC, datetime, timedelta, timezone

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from pooleye import photo as photo_module
from pooleye.flags import Declined
from pooleye.photo import SRGB_TO_LINEAR, linear_rgb, load_photo, photo_from_bytes

EXIF_IFD, ORIENTATION = 0x8769, 0x0112


def scene(width=640, height=480):
    """A picture without symmetry, smooth enough to survive JPEG: ramps and a bright disc off centre."""
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    rgb = np.stack([40 + 150 * x, 60 + 120 * y, 200 - 100 * x * y], axis=2)
    rgb[np.hypot((x - 0.3) * width, (y - 0.25) * height) < height / 8] = (250, 240, 200)
    return rgb.astype(np.uint8)


def encoded(picture, kind="JPEG", *, tags=None, orientation=None, **options):
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    exif = Image.Exif()
    if orientation is not None:
        exif[ORIENTATION] = orientation
    exif.get_ifd(EXIF_IFD).update(tags or {})
    buffer = io.BytesIO()
    if kind == "JPEG":
        options = {"quality": 95, "subsampling": 0, **options}
    image.save(buffer, kind, exif=exif, **options)
    return buffer.getvalue()


def loaded(data, **options):
    return photo_from_bytes(data, "photo.jpg", **options)


def difference(picture, reference):
    assert picture.shape == reference.shape
    return np.abs(picture.astype(int) - reference.astype(int)).mean()


# --- kinds of picture ---


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 2}])
def test_jpeg_baseline_and_progressive(options):
    assert difference(loaded(encoded(scene(), **options)).rgb, scene()) < 2


def test_the_decoder_agrees_with_another_one():
    """Reference: Pillow's decoder on the same file."""
    data = encoded(scene())
    assert difference(loaded(data).rgb, np.asarray(Image.open(io.BytesIO(data)))) < 0.5


def test_grey_jpeg_comes_out_in_three_equal_channels():
    photo = loaded(encoded(Image.fromarray(scene()).convert("L")))
    assert photo.rgb.shape == (480, 640, 3)
    assert np.ptp(photo.rgb, axis=2).max() == 0


def test_cmyk_jpeg_keeps_its_colours():
    """Reference: the picture before it was turned into CMYK and back (Pillow stores it inverted, as Adobe does)."""
    assert difference(loaded(encoded(Image.fromarray(scene()).convert("CMYK"))).rgb, scene()) < 3


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_png_and_webp(kind):
    assert difference(loaded(encoded(scene(), kind, lossless=True)).rgb, scene()) == 0


def test_heic():
    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene())).save(buffer, quality=90)
    assert difference(loaded(buffer.getvalue()).rgb, scene()) < 3


def test_heic_is_upright_and_knows_its_lens():
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    exif.get_ifd(EXIF_IFD)[photo_module.FOCAL_LENGTH_IN_35MM_FILM] = 26
    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene())).save(buffer, quality=90, exif=exif.tobytes())
    photo = loaded(buffer.getvalue())
    assert photo.focal_35mm == 26
    assert photo.full_size_px == (480, 640)
    as_jpeg = loaded(encoded(scene(), orientation=6))
    assert disc_centre(photo.rgb) == pytest.approx(disc_centre(as_jpeg.rgb), abs=0.5)


@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_bit_png_keeps_its_tones(channels):
    eight = scene() if channels == 3 else scene()[:, :, 0]
    ok, data = cv2.imencode(
        ".png", eight.astype(np.uint16)[..., ::-1] * 257 if channels == 3 else eight.astype(np.uint16) * 257
    )
    assert ok
    photo = loaded(data.tobytes())
    reference = eight if channels == 3 else np.repeat(eight[:, :, None], 3, axis=2)
    assert difference(photo.rgb, reference) <= 1


def test_transparent_parts_become_white():
    rgba = np.dstack([scene(), np.full((480, 640), 255, np.uint8)])
    rgba[:100, :, 3] = 0
    photo = loaded(encoded(Image.fromarray(rgba), "PNG"))
    assert np.all(photo.rgb[:100] == 255)
    assert difference(photo.rgb[100:], scene()[100:]) == 0


def test_a_palette_png_and_a_black_and_white_one():
    palette = loaded(encoded(Image.fromarray(scene()).quantize(64), "PNG"))
    assert difference(palette.rgb, scene()) < 8
    assert set(np.unique(loaded(encoded(Image.fromarray(scene()).convert("1"), "PNG")).rgb)) == {0, 255}


def test_a_jpeg_with_a_second_picture_behind_it_is_the_first():
    """Multi-picture files of phones (CIPA DC-007) carry a depth map or a preview after the photo."""
    buffer = io.BytesIO()
    Image.fromarray(scene()).save(
        buffer, "MPO", save_all=True, append_images=[Image.fromarray(scene(320, 240))], quality=95
    )
    assert difference(loaded(buffer.getvalue()).rgb, scene()) < 3


def test_bytes_behind_the_end_of_a_jpeg_do_no_harm():
    assert difference(loaded(encoded(scene()) + b"ftypmp42" + bytes(5000)).rgb, scene()) < 2


# --- upright ---


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("size", [(640, 480), (2900, 400), (2901, 403)])
def test_every_orientation_comes_out_upright_and_on_the_same_grid(orientation, size):
    """Reference: Pillow's exif_transpose; the disc's centre is compared in full-size pixels."""
    data = encoded(scene(*size), orientation=orientation)
    photo = loaded(data)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert photo.full_size_px == (upright.shape[1], upright.shape[0])
    found = photo.to_full_px(disc_centre(photo.rgb))
    assert found == pytest.approx(disc_centre(upright), abs=0.1 * photo.scale_px)


def disc_centre(rgb):
    """(x, y) of the bright disc's centre of gravity, weighted by how far each pixel is above its surroundings."""
    weight = np.clip(rgb[:, :, 0].astype(float) - 200, 0, None)
    rows, columns = np.mgrid[: rgb.shape[0], : rgb.shape[1]]
    return [(columns * weight).sum() / weight.sum(), (rows * weight).sum() / weight.sum()]


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_a_nonsense_orientation_counts_as_upright(orientation):
    assert difference(loaded(encoded(scene(), orientation=orientation)).rgb, scene()) < 2


# --- size ---


@pytest.mark.parametrize(
    ("size", "working", "scale_px"),
    [
        ((640, 480), (640, 480), 1.0),  # small: kept
        ((4032, 3024), (2016, 1512), 2.0),  # 12 megapixels: half, the least that leaves 1400 px
        ((6048, 4032), (1512, 1008), 4.0),  # 24 megapixels: a quarter
        ((2600, 2000), (2048, 1575), 2600 / 2048),  # half would be too small: whole, then shrunk
    ],
)
def test_a_jpeg_is_decoded_at_the_smallest_size_that_is_enough(size, working, scale_px):
    photo = loaded(encoded(scene(*size), quality=60))
    assert photo.rgb.shape[1::-1] == working
    assert photo.scale_px == pytest.approx(scale_px)
    assert photo.full_size_px == size


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "CMYK"])
@pytest.mark.parametrize("size", [(2900, 400), (2901, 403)])
def test_other_kinds_are_reduced_on_the_same_grid(kind, size):
    image = Image.fromarray(scene(*size))
    data = encoded(image.convert("CMYK")) if kind == "CMYK" else encoded(image, kind, lossless=True)
    photo = loaded(data)
    assert photo.scale_px == 2.0
    assert photo.rgb.shape == (size[1] // 2, size[0] // 2, 3)
    assert photo.to_full_px(disc_centre(photo.rgb)) == pytest.approx(disc_centre(scene(*size)), abs=0.2)


def test_a_smaller_working_size_can_be_asked_for():
    photo = loaded(encoded(scene(1600, 1200)), long_side_px=800)
    assert max(photo.rgb.shape) == 800
    assert photo.to_full_px(disc_centre(photo.rgb)) == pytest.approx(disc_centre(scene(1600, 1200)), abs=0.2)


def test_points_go_to_full_size_and_back():
    photo = loaded(encoded(scene(4032, 3024), quality=60))
    assert photo.to_full_px([0.0, 0.0]).tolist() == [
        0.5,
        0.5,
    ]  # a working pixel covers four: its centre is their corner
    points = np.random.default_rng(1).uniform(0, 1500, (20, 2))
    assert np.allclose(photo.to_working_px(photo.to_full_px(points)), points)


# --- what the camera wrote ---


def test_lens_and_time_with_its_zone():
    tags = {0xA405: 26, 0x9003: "2031:02:14 10:00:17", 0x9011: "+01:00"}
    photo = loaded(encoded(scene(), tags=tags))
    assert photo.focal_35mm == 26.0
    assert photo.taken_at == datetime(2031, 2, 14, 9, 0, 17, tzinfo=UTC)
    assert photo.notes == ()


def test_time_without_a_zone_is_the_cameras_own_clock():
    photo = loaded(encoded(scene(), tags={0xA405: 26, 0x9003: "2031:02:14 10:00:17"}))
    assert photo.taken_at == datetime(2031, 2, 14, 10, 0, 17)
    assert photo.notes == ("the photo does not name its time zone",)


@pytest.mark.parametrize(("offset", "minutes"), [("-03:30", -210), ("+14:00", 840)])
def test_time_zones_west_and_far_east(offset, minutes):
    photo = loaded(encoded(scene(), tags={0x9003: "2031:02:14 10:00:17", 0x9010: offset}))
    assert photo.taken_at is not None
    assert photo.taken_at.tzinfo == timezone(timedelta(minutes=minutes))


@pytest.mark.parametrize("focal", [0, 1, 5000, 65535])
def test_an_absurd_focal_length_is_noted_not_used(focal):
    photo = loaded(encoded(scene(), tags={0xA405: focal}))
    assert photo.focal_35mm is None
    assert "focal length" in photo.notes[0]


@pytest.mark.parametrize("time", ["0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday", "2031-02-14T10:00:17"])
def test_an_unreadable_time_is_noted_not_used(time):
    photo = loaded(encoded(scene(), tags={0x9003: time}))
    assert photo.taken_at is None
    assert any("time in the photo" in note for note in photo.notes)


@pytest.mark.parametrize("zone", ["Z", "+99:00", "+01", "later"])
def test_an_unreadable_zone_is_no_zone(zone):
    photo = loaded(encoded(scene(), tags={0x9003: "2031:02:14 10:00:17", 0x9011: zone}))
    assert photo.taken_at is not None
    assert photo.taken_at.tzinfo is None


def test_a_photo_without_any_of_it_says_so():
    assert loaded(encoded(scene())).notes == ("no focal length in the photo", "no time in the photo")


def test_damaged_exif_costs_only_the_exif():
    tags = struct.pack("<2sHIHHHII", b"II", 42, 8, 1, 0x8769, 4, 1, 0xFFFFFF)
    damaged = b"\xff\xe1" + struct.pack(">H", len(tags) + 8) + b"Exif\0\0" + tags
    data = encoded(scene())
    photo = loaded(data[:2] + damaged + data[2:])
    assert photo.focal_35mm is None
    assert photo.taken_at is None


def made_small_both_ways(picture):
    """By the loader's own shrinking, and by OpenCV's exact means."""
    means = cv2.resize(picture, (384, 288), interpolation=cv2.INTER_AREA)
    return photo_module.shrunk_to(picture, (384, 288)).astype(float), means.astype(float)


@pytest.mark.parametrize("size_px", [(1600, 1200), (1601, 1199), (2016, 1512), (900, 700)])
def test_a_picture_made_small_is_in_place_and_without_noise_as_if_its_pixels_were_means(size_px):
    small, means = made_small_both_ways(scene(*size_px))
    assert np.abs(small - means).mean() < 0.6
    noise = np.random.default_rng(1).normal(128, 20, (size_px[1], size_px[0], 3))
    small, means = made_small_both_ways(np.clip(noise, 0, 255).astype(np.uint8))
    assert small.std() < 1.2 * means.std()


# --- linear light ---


@pytest.mark.parametrize(
    ("code", "linear"),
    # IEC 61966-2-1:1999, transfer function; values to six digits
    [(0, 0.0), (10, 0.003035), (64, 0.051269), (119, 0.184475), (128, 0.215861), (200, 0.577580), (255, 1.0)],
)
def test_linear_light_follows_the_srgb_standard(code, linear):
    assert SRGB_TO_LINEAR[code] == pytest.approx(linear, abs=6e-7)


def test_linear_light_of_a_photo_is_that_of_its_pixels():
    photo = loaded(encoded(scene()))
    light = linear_rgb(photo)
    assert light.dtype == np.float32
    assert np.array_equal(light, SRGB_TO_LINEAR[photo.rgb])


# --- what is refused ---


def reason_for(data):
    with pytest.raises(Declined) as why:
        loaded(data)
    return why.value.reference


@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("options", [{}, {"progressive": True}])
def test_a_jpeg_that_breaks_off_is_never_measured(share, options):
    data = encoded(scene(), tags={0xA405: 26}, **options)
    assert reason_for(data[: int(len(data) * share)]) == "unreadable"


def test_a_jpeg_that_breaks_off_behind_a_whole_thumbnail_is_still_broken():
    thumbnail = encoded(scene(160, 120))
    segment = b"\xff\xe2" + struct.pack(">H", len(thumbnail) + 2) + thumbnail
    data = encoded(scene())
    whole = data[:2] + segment + data[2:]
    assert loaded(whole).rgb.shape == (480, 640, 3)
    assert reason_for(whole[: int(len(whole) * 0.8)]) == "unreadable"


def test_a_jpeg_whose_missing_half_is_closed_with_an_end_marker_is_found_out():
    data = encoded(scene())
    assert reason_for(data[: len(data) // 2] + b"\xff\xd9") == "unreadable"


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_other_kinds_that_break_off_are_refused(kind):
    data = encoded(scene(), kind)
    assert reason_for(data[: len(data) // 2]) == "unreadable"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff",
        b"just some words\n" * 50,
        b"\xff\xd8\xff" + bytes(1000),
        b"%PDF-1.4\n" + bytes(100),
        b"\x89PNG\r\n\x1a\n" + bytes(100),
        b"\0\0\0\x18ftypheic" + bytes(200),
        b"RIFF\x10\0\0\0WEBPVP8 " + bytes(20),
        b"<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>",
    ],
)
def test_what_is_no_photo_is_unreadable_whatever_it_is_called(data):
    assert reason_for(data) == "unreadable"


def test_random_damage_never_gets_past_the_loader_as_anything_but_a_photo_or_a_decline():
    data = bytearray(encoded(scene(320, 240), tags={0xA405: 26}))
    chance = np.random.default_rng(11)
    for _ in range(150):
        damaged = bytearray(data)
        for at in chance.integers(0, min(len(data), 1500), 4):
            damaged[at] = chance.integers(0, 256)
        with contextlib.suppress(Declined):
            assert loaded(bytes(damaged)).rgb.dtype == np.uint8


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WEBP"])
def test_animated_pictures_are_declined(kind):
    frames = [Image.fromarray(scene()), Image.fromarray(scene()[::-1])]
    buffer = io.BytesIO()
    frames[0].save(buffer, kind, save_all=True, append_images=frames[1:], duration=100)
    assert reason_for(buffer.getvalue()) == "animated"


def test_a_still_gif_is_no_photo():
    assert reason_for(encoded(Image.fromarray(scene()).quantize(64), "GIF")) == "unreadable"


def test_sixteen_by_sixteen_is_too_small():
    assert reason_for(encoded(scene(16, 16), "PNG")) == "too-small"


@pytest.mark.parametrize("size", [(8000, 7000), (11000, 11000), (20000, 10000), (65000, 65000)])
def test_a_bomb_is_refused_before_it_is_decoded(size, monkeypatch):
    """Only the header says how large it is; nothing may decode it."""
    monkeypatch.setattr(photo_module, "_decode", lambda *_: pytest.fail("decoded"))
    header = struct.pack(">IIBBBBB", *size, 1, 0, 0, 0, 0)  # 1 bit, grey
    chunk = b"IHDR" + header
    png = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", len(header)) + chunk + struct.pack(">I", zlib.crc32(chunk))
    assert reason_for(png + struct.pack(">I", 0) + b"IDAT" + struct.pack(">I", zlib.crc32(b"IDAT"))) == "too-large"


def test_a_file_of_many_bytes_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "huge.jpg"
    with path.open("wb") as file:
        file.truncate(photo_module.MAX_BYTES + 1)
    with pytest.raises(Declined) as why:
        load_photo(path)
    assert why.value.reference == "too-large"


def test_files_that_are_none(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")  # opening it would wait for ever
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "clip.mp4").write_bytes(bytes(64))
    for name in ("missing.jpg", ".", "pipe.jpg", "empty.jpg", "clip.mp4", "nul\0.jpg"):
        with pytest.raises(Declined) as why:
            load_photo(tmp_path / name)
        assert why.value.reference == "unreadable", name
