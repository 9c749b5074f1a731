"""Any photo in: the only code of pooleye that opens a picture.

A photo is read once and decoded once, at the smallest size that the measuring needs; JPEG can be decoded at 1/2, 1/4 or
1/8 of its size for a fraction of the time (the DCT is inverted at fewer points). What comes out is upright (EXIF
orientation applied), 8-bit sRGB, with the factor that leads back to full-size pixels.

Pixel convention everywhere: x to the right, y down, the centre of the top-left pixel is (0, 0).
EXIF tags: CIPA DC-008 (Exif 2.32), sections 4.6.4 to 4.6.6.
"""

from __future__ import annotations

import io
import re
import stat
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined

if TYPE_CHECKING:
    from PIL import Image

RgbImage = NDArray[np.uint8]
FloatImage = NDArray[np.float32]

MAX_BYTES = 100_000_000
MAX_PIXELS = 120_000_000
MAX_PIXELS_WHOLE = 50_000_000  # of kinds that can only be decoded whole: 400 MB of memory in all
MIN_SHORT_SIDE_PX = 200
# A rim that fills 60 % of a 1400 px picture is 840 px across: its contour is found to a few tenths of a pixel, far
# below the 0.4 % of the diameter (3 px) that is asked of it.
ENOUGH_LONG_SIDE_PX = 1400
# Phone lenses lie between about 13 mm (ultra-wide) and 240 mm (folded tele); other numbers are mistakes.
FOCAL_35MM_RANGE = (8, 400)

ORIENTATION, EXIF_IFD = 0x0112, 0x8769
DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL, OFFSET_TIME = 0x9003, 0x9011, 0x9010
FRACTION_ORIGINAL = 0x9291  # SubSecTimeOriginal
FOCAL_LENGTH_IN_35MM_FILM = 0xA405

# How a picture with EXIF orientation n is turned upright: (mirror left-right first, then quarter turns clockwise).
UPRIGHT_TURN: Mapping[int, tuple[bool, int]] = {
    1: (False, 0), 2: (True, 0), 3: (False, 2), 4: (True, 2), 5: (True, 3), 6: (False, 1), 7: (True, 1), 8: (False, 3),
}  # fmt: skip
QUARTER_TURNS = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}
JPEG_READ_FLAGS = {
    1: cv2.IMREAD_COLOR_RGB,
    2: (cv2.IMREAD_REDUCED_COLOR_2 & ~cv2.IMREAD_COLOR) | cv2.IMREAD_COLOR_RGB,
    4: (cv2.IMREAD_REDUCED_COLOR_4 & ~cv2.IMREAD_COLOR) | cv2.IMREAD_COLOR_RGB,
    8: (cv2.IMREAD_REDUCED_COLOR_8 & ~cv2.IMREAD_COLOR) | cv2.IMREAD_COLOR_RGB,
}
PILLOW_FORMATS = ("JPEG", "PNG", "WEBP", "GIF")
CLIP_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".3gp"})

# IEC 61966-2-1:1999 (sRGB): stored value to linear light, 0 to 1.
_STORED = np.arange(256) / 255.0
SRGB_TO_LINEAR: FloatImage = np.where(
    _STORED <= 0.04045, _STORED / 12.92, ((_STORED + 0.055) / 1.055) ** 2.4
).astype(np.float32)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Photo:
    """A photo ready for measuring.

    `rgb`: height x width x 3, uint8, sRGB, upright, at working size. `scale_px`: full-size pixels per working pixel.
    `full_size_px`: (width, height) of the upright photo at full size. `taken_at` carries a time zone only where the
    photo names one; without, it is the camera's own clock. `taken_fraction_s`: the fraction of that second, where the
    photo tells it. `focal_35mm`: EXIF FocalLengthIn35mmFilm in mm.
    `notes`: oddities of the file, for people.
    """

    path: str
    rgb: RgbImage
    scale_px: float
    full_size_px: tuple[int, int]
    focal_35mm: float | None
    taken_at: datetime | None
    notes: tuple[str, ...] = ()
    taken_fraction_s: float | None = None

    def to_full_px(self, points: Any) -> NDArray[np.float64]:
        """Points (..., 2) of the working picture in full-size pixels: a pixel's centre stays its centre."""
        return (np.asarray(points, dtype=np.float64) + 0.5) * self.scale_px - 0.5

    def to_working_px(self, points: Any) -> NDArray[np.float64]:
        """The inverse of `to_full_px`."""
        return (np.asarray(points, dtype=np.float64) + 0.5) / self.scale_px - 0.5


def load_photo(path: str | Path, *, long_side_px: int = 2048, at_least_px: int = ENOUGH_LONG_SIDE_PX) -> Photo:
    """Opens a photo at a working size of at most `long_side_px` and, if it has them, `at_least_px` on its longer side.

    Raises Declined (unreadable, too-large, animated, too-small) with a hint that fits the file.
    """
    return photo_from_bytes(_read_bytes(Path(path)), str(path), long_side_px=long_side_px, at_least_px=at_least_px)


def photo_from_bytes(
    data: bytes, path: str, *, long_side_px: int = 2048, at_least_px: int = ENOUGH_LONG_SIDE_PX
) -> Photo:
    """As `load_photo`, for a file's content that is already in memory; `path` is only a name here."""
    header = _open_header(data, path)
    _check_size(header, path)
    _check_still(header, data, path)
    orientation, camera_tags = _exif(header)
    turn = UPRIGHT_TURN.get(orientation, UPRIGHT_TURN[1])
    pixels, scale_px = _decode(header, data, turn, (at_least_px, long_side_px), path)
    focal_35mm, focal_note = _focal_35mm(camera_tags)
    taken_at, time_note = _taken_at(camera_tags)
    return Photo(
        path=path,
        rgb=pixels,
        scale_px=scale_px,
        full_size_px=_turned_size(header.size, turn),
        focal_35mm=focal_35mm,
        taken_at=taken_at,
        taken_fraction_s=_fraction_s(camera_tags),
        notes=tuple(note for note in (focal_note, time_note, _colour_note(header)) if note),
    )


def linear_rgb(photo: Photo) -> FloatImage:
    """The working picture in linear light, float32, 0 to 1 (IEC 61966-2-1:1999 transfer function)."""
    return np.asarray(cv2.LUT(photo.rgb, SRGB_TO_LINEAR), dtype=np.float32)


# --- reading bytes ---------------------------------------------------------------------------------------------------


def _read_bytes(path: Path) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise _unreadable(path, "is a folder", "Name the photos in the folder one by one, or as FOLDER/*.jpg.")
        if not stat.S_ISREG(status.st_mode):
            raise _unreadable(path, "is not an ordinary file", "Give the photo's own file.")
        _check_bytes(status.st_size, path)
        return path.read_bytes()
    except FileNotFoundError:
        raise _unreadable(path, "does not exist", "Check the file's name and folder; there is no file there.") from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, f"cannot be opened ({error})", "Check that you may read this file.") from error


def _check_bytes(size: int, path: Path) -> None:
    if size == 0:
        raise _unreadable(path, "is empty", "The file holds nothing; copy the photo from the phone again.")
    if size > MAX_BYTES:
        raise Declined("too-large", f"{path} has {size / 1e6:.0f} MB")
    if path.suffix.lower() in CLIP_SUFFIXES:
        raise _unreadable(path, "is a clip", "Clips are not measured by this version; send a still photo.")


def _open_header(data: bytes, path: str) -> Image.Image:
    """The picture's header, nothing decoded yet."""
    from PIL import GifImagePlugin, Image, JpegImagePlugin, PngImagePlugin, UnidentifiedImageError, WebPImagePlugin

    del GifImagePlugin, JpegImagePlugin, PngImagePlugin, WebPImagePlugin  # importing them is what makes them known
    if not data:
        raise _unreadable(path, "is empty", "The file holds nothing; copy the photo from the phone again.")
    formats = (*PILLOW_FORMATS, *_heif_formats(data))
    try:
        with warnings.catch_warnings():  # pooleye has a pixel limit of its own, checked next
            warnings.simplefilter("ignore")
            return Image.open(io.BytesIO(data), formats=formats)
    except Image.DecompressionBombError:
        raise Declined("too-large", f"{path} has more pixels than any phone photo") from None
    except UnidentifiedImageError:
        hint = "This is no JPEG, HEIC, PNG or WebP photo, whatever its name says; send the photo as the phone took it."
        raise _unreadable(path, "is not a photo", hint) from None
    except Exception as error:  # a hostile header can raise anything in a decoder
        raise _damaged(path, error) from error


def _heif_formats(data: bytes) -> tuple[str, ...]:
    """HEIC needs a plug-in, loaded only when the file's first box names one of its brands (ISO/IEC 23008-12)."""
    if data[4:8] != b"ftyp" or not re.search(rb"hei[cxms]|hev[cxms]|mif1|msf1", data[8:64]):
        return ()
    import pillow_heif

    pillow_heif.register_heif_opener()
    return ("HEIF",)


def _check_size(header: Image.Image, path: str) -> None:
    width, height = header.size
    detail = f"{path} has {width * height / 1e6:.0f} megapixels"
    if width * height > MAX_PIXELS:
        raise Declined("too-large", detail)
    if width * height > MAX_PIXELS_WHOLE and header.format not in ("JPEG", "MPO"):
        raise Declined("too-large", detail, "Send it as JPEG; other kinds of file are taken up to 50 megapixels.")
    if min(width, height) < MIN_SHORT_SIDE_PX:
        raise Declined("too-small", f"{path} has {width} x {height} pixels")


def _check_still(header: Image.Image, data: bytes, path: str) -> None:
    """One still photo of a kind that phones make, and all of it. MPO and HEIC may carry previews: the first counts."""
    if header.format in ("GIF", "PNG", "WEBP") and getattr(header, "n_frames", 1) > 1:
        raise Declined("animated", f"{path} has {getattr(header, 'n_frames', 0)} frames")
    if header.format == "GIF":
        raise _unreadable(path, "is a GIF", "Send the photo as JPEG, HEIC, PNG or WebP.")
    if header.format in ("JPEG", "MPO") and not _jpeg_is_whole(data):
        raise _damaged(path)


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether the picture's own end marker is there; decoders fill what is missing with grey and say nothing.

    Segments before the first scan are skipped by their length, since a thumbnail in them has an end marker of its own;
    inside a scan the marker cannot occur (ITU-T T.81, B.1.1.5).
    """
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        if data[at + 1] == 0xFF:  # fill byte
            at += 1
            continue
        start_of_scan = data[at + 1] == 0xDA
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if start_of_scan:
            return data.rfind(b"\xff\xd9", at) >= 0
    return False


def _unreadable(path: str | Path, what: str, hint: str) -> Declined:
    return Declined("unreadable", f"{path} {what}", hint)


def _damaged(path: str, error: Exception | None = None) -> Declined:
    detail = f"{path} is damaged or cut short" + (f" ({error})" if error else "")
    return Declined(
        "unreadable", detail, "The file is damaged or only half there; copy the photo from the phone again."
    )


# --- pixels ----------------------------------------------------------------------------------------------------------


def _turned_size(size: tuple[int, int], turn: tuple[bool, int]) -> tuple[int, int]:
    return (size[1], size[0]) if turn[1] % 2 else size


def _decode(
    header: Image.Image, data: bytes, turn: tuple[bool, int], long_side_range_px: tuple[int, int], path: str
) -> tuple[RgbImage, float]:
    """The upright working picture and its scale."""
    at_least_px, long_side_px = long_side_range_px
    width, height = header.size
    plain_jpeg = header.format in ("JPEG", "MPO") and header.mode in ("RGB", "L")
    reduction = _reduction(header.size, turn, min(at_least_px, long_side_px))
    try:
        pixels = _decode_jpeg(data, reduction) if plain_jpeg else _decode_by_pillow(header, reduction)
    except Exception as error:  # decoders raise their own, undocumented errors on damaged data
        raise _damaged(path, error) from error
    if plain_jpeg and _ends_in_filler(pixels):
        raise _damaged(path)
    whole = pixels[: height // reduction, : width // reduction]
    return _shrunk(_turned(whole, turn), float(reduction), long_side_px)


def _reduction(size: tuple[int, int], turn: tuple[bool, int], enough: int) -> int:
    """The strongest reduction (1, 2, 4, 8) that still leaves enough pixels and keeps the pixel grid exact.

    A decoder rounds odd sizes up; the last, partly empty column is dropped, which shifts the grid if the picture is
    then mirrored or turned. So a turned picture is reduced only by what divides its sides.
    """
    return next(
        factor
        for factor in (8, 4, 2, 1)
        if factor == 1
        or (max(size) // factor >= enough and (turn == (False, 0) or not (size[0] % factor or size[1] % factor)))
    )


def _decode_jpeg(data: bytes, reduction: int) -> RgbImage:
    flags = JPEG_READ_FLAGS[reduction] | cv2.IMREAD_IGNORE_ORIENTATION
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None:
        raise ValueError("the decoder gave up")
    return np.asarray(pixels, dtype=np.uint8)


def _ends_in_filler(pixels: RgbImage) -> bool:
    """Whether the last rows are exactly the mid-grey that a JPEG decoder paints where data are missing."""
    last = pixels[-max(2, pixels.shape[0] // 100) :]
    return bool(last.min() >= 127 and last.max() <= 129)


def _decode_by_pillow(header: Image.Image, reduction: int) -> RgbImage:
    """Everything but plain JPEG. Reduced before it becomes an array, which keeps memory low for large pictures."""
    width, height = header.size
    header.draft(header.mode, (width // reduction, height // reduction))  # JPEG in CMYK; does nothing for other kinds
    drafted = header.size != (width, height)
    image = _as_rgb(header)
    return np.asarray(image if drafted or reduction == 1 else image.reduce(reduction))


def _as_rgb(header: Image.Image) -> Image.Image:
    """8-bit RGB of CMYK, 16 bits, palettes, transparency (laid on white), HEIC, WebP."""
    from PIL import Image

    if header.mode == "RGB" and not header.has_transparency_data:
        return header
    if header.mode.startswith("I"):  # 16-bit grey
        sixteen = np.asarray(header, dtype=np.uint32)
        return Image.fromarray(np.asarray((sixteen + 128) // 257, dtype=np.uint8)).convert("RGB")
    if header.has_transparency_data:
        rgba = header.convert("RGBA")
        return Image.alpha_composite(Image.new("RGBA", rgba.size, "white"), rgba).convert("RGB")
    return header.convert("RGB")


def _turned(pixels: RgbImage, turn: tuple[bool, int]) -> RgbImage:
    mirrored, quarter_turns = turn
    if mirrored:
        pixels = np.asarray(cv2.flip(pixels, 1), dtype=np.uint8)
    if quarter_turns:
        pixels = np.asarray(cv2.rotate(pixels, QUARTER_TURNS[quarter_turns]), dtype=np.uint8)
    return np.ascontiguousarray(pixels)


def _shrunk(pixels: RgbImage, scale_px: float, long_side_px: int) -> tuple[RgbImage, float]:
    """The picture at most `long_side_px` long; the factor is the same and exact in x and y."""
    factor = long_side_px / max(pixels.shape[:2])
    if factor >= 1:
        return pixels, scale_px
    smaller = cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return np.asarray(smaller, dtype=np.uint8), scale_px / factor


def shrunk_to(pixels: RgbImage, size_px: tuple[int, int]) -> RgbImage:
    """The picture at a smaller size (width, height), each new pixel about the mean of what it covers.

    By halves, and the rest between pixels of a blurred one: the exact means take OpenCV three times as long.
    """
    height, width = pixels.shape[:2]
    while width >= 4 * size_px[0] and height >= 4 * size_px[1]:
        width, height = width // 2, height // 2
        pixels = np.asarray(cv2.resize(pixels, (width, height)), dtype=np.uint8)
    if width >= 2 * size_px[0] and height >= 2 * size_px[1]:
        pixels = np.asarray(cv2.blur(pixels, (3, 3)), np.uint8)
    return np.asarray(cv2.resize(pixels, size_px), dtype=np.uint8)


# --- what the camera wrote down --------------------------------------------------------------------------------------


def _exif(header: Image.Image) -> tuple[int, Mapping[int, Any]]:
    """The orientation (1 where there is none) and the tags about the shot; damaged EXIF is as good as none."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            exif = header.getexif()
            return int(exif.get(ORIENTATION, 1)), dict(exif.get_ifd(EXIF_IFD))
        except Exception:  # a hostile or broken block can raise anything; the picture itself is judged elsewhere
            return 1, {}


def _focal_35mm(tags: Mapping[int, Any]) -> tuple[float | None, str | None]:
    """EXIF FocalLengthIn35mmFilm in mm and a note where it cannot be used (0 means unknown: Exif 2.32, 4.6.5)."""
    stored = tags.get(FOCAL_LENGTH_IN_35MM_FILM)
    if stored is None or stored == 0:
        return None, "no focal length in the photo"
    try:
        focal = float(stored)
    except (TypeError, ValueError, ZeroDivisionError):
        focal = float("nan")
    low, high = FOCAL_35MM_RANGE
    if low <= focal <= high:
        return focal, None
    return None, f"the focal length in the photo ({stored} mm) cannot be right"


def _taken_at(tags: Mapping[int, Any]) -> tuple[datetime | None, str | None]:
    """EXIF DateTimeOriginal, with OffsetTimeOriginal or OffsetTime where there is one."""
    stored = tags.get(DATE_TIME_ORIGINAL)
    if not stored:
        return None, "no time in the photo"
    try:
        naive = datetime.strptime(str(stored).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None, f"the time in the photo ({str(stored)[:30]!r}) cannot be read"
    zone = _time_zone(str(tags.get(OFFSET_TIME_ORIGINAL) or tags.get(OFFSET_TIME) or ""))
    return naive.replace(tzinfo=zone), None if zone else "the photo does not name its time zone"


def _fraction_s(tags: Mapping[int, Any]) -> float | None:
    """The digits of SubSecTimeOriginal behind a decimal point."""
    digits = str(tags.get(FRACTION_ORIGINAL) or "").strip("\0 ")
    return float(f"0.{digits}") if re.fullmatch(r"[0-9]{1,9}", digits) else None


def _time_zone(offset: str) -> timezone | None:
    match = re.fullmatch(r"([+-])(\d\d):(\d\d)", offset.strip("\0 "))
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        return None
    minutes = int(match[2]) * 60 + int(match[3])
    return timezone(timedelta(minutes=minutes if match[1] == "+" else -minutes))


def _colour_note(header: Image.Image) -> str | None:
    profile = header.info.get("icc_profile") or b""
    if b"P3" in profile or b"P\x003" in profile:
        return "wide-gamut colours are read as sRGB"
    return None
