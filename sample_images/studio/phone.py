"""A phone camera: what becomes of the light of a scene between the lens and the stored file.

Linear radiance in, sRGB picture and file out. Every step can be switched off; the same seed gives the same picture.
Strengths were judged by eye against what phones deliver; they are not a model of any one phone.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Linear = NDArray[np.float32]
Rgb = NDArray[np.uint8]
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # Rec. ITU-R BT.709, as sRGB uses it
HEADROOM = 3.0  # how far above white a sensor still tells apart: phones merge exposures
# How a picture is stored so that EXIF orientation n turns it upright: quarter turns anticlockwise of the upright one.
STORED_TURNS = {1: 0, 6: 1, 3: 2, 8: 3}


@dataclass(frozen=True)
class Phone:
    """How a photo is taken. Blurs in px of the finished picture; `exposure` 1 is what the metering chooses."""

    exposure: float = 1.0
    key: float = 0.33  # brightness that metering gives the picture's middle, linear
    warmth: float = 0.6  # share of the light's own colour that white balance leaves
    lens_blur_px: float = 0.7
    defocus_px: float = 0.0  # radius of the disc that a point becomes
    motion_px: float = 0.0
    motion_deg: float = 20.0
    bloom: float = 1.0
    electrons: float = 6000.0  # that a white pixel collects: fewer is noisier
    read_noise: float = 3.0  # electrons
    smoothing: float = 0.6  # noise reduction, 0 none to 1 watercolour
    sharpening: float = 0.55
    saturation: float = 1.14
    jpeg_quality: int = 88


@dataclass(frozen=True)
class Tags:
    """EXIF of a file; `taken` as "YYYY:MM:DD HH:MM:SS" and its offset from UTC."""

    taken: str
    offset: str = "+02:00"
    focal_35mm: int = 26
    orientation: int = 1
    exposure_s: tuple[int, int] = (1, 60)
    iso: int = 200


def spread(picture: Linear, sigma_px: float) -> Linear:
    """Gaussian blur; wide ones at a fraction of the size."""
    step = max(int(sigma_px / 4), 1)
    if step == 1:
        return cv2.GaussianBlur(picture, (0, 0), max(sigma_px, 0.05), borderType=cv2.BORDER_REPLICATE)
    h, w = picture.shape[:2]
    small = cv2.resize(picture, (max(w // step, 8), max(h // step, 8)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / step, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)


def metered(picture: Linear, key: float) -> float:
    """The factor that brings the middle of the picture to `key`; highlights count only up to a limit, as meters do."""
    luma = picture @ LUMA
    limited = np.minimum(luma, 6 * np.median(luma))
    h, w = luma.shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    weight = np.exp(-(((x / w - 0.5) / 0.35) ** 2 + ((y / h - 0.5) / 0.35) ** 2))
    return float(key / max((limited * weight).sum() / weight.sum(), 1e-9))


def white_balance(picture: Linear, warmth: float) -> Linear:
    """Gains (3,) from the grey-world rule over well-exposed pixels, taken back by `warmth`."""
    luma = picture @ LUMA
    usable = (luma > np.percentile(luma, 20)) & (luma < np.percentile(luma, 97))
    mean = picture[usable].mean(0)
    gains = (mean @ LUMA / np.maximum(mean, 1e-6)) ** (0.3 * (1 - warmth))
    return (gains / (gains @ LUMA)).astype(np.float32)


def kernel(phone: Phone) -> Linear | None:
    """Disc of defocus swept along a line of motion; None if both are off."""
    reach = int(np.ceil(phone.defocus_px + phone.motion_px / 2)) + 1
    if phone.defocus_px <= 0 and phone.motion_px <= 0:
        return None
    out = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    direction = np.array([np.cos(np.radians(phone.motion_deg)), np.sin(np.radians(phone.motion_deg))])
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    for s in np.linspace(-0.5, 0.5, max(int(2 * phone.motion_px), 1)):
        at = s * phone.motion_px * direction
        out += np.clip(max(phone.defocus_px, 0.6) + 0.5 - np.hypot(x - at[0], y - at[1]), 0, 1)
    return out / out.sum()


def optics(picture: Linear, phone: Phone) -> Linear:
    """Lens: blur, halos of bright things, veiling glare, darker corners. White is 1."""
    out = spread(picture, phone.lens_blur_px)
    blur = kernel(phone)
    if blur is not None:
        out = cv2.filter2D(out, -1, blur, borderType=cv2.BORDER_REPLICATE)
    if phone.bloom:
        scale = picture.shape[1] / 1440
        limited = np.minimum(out, 40.0)
        for share, sigma in ((0.008, 5), (0.004, 22), (0.002, 90), (0.0012, 320)):
            out = out + phone.bloom * share * (spread(limited, sigma * scale) - limited * (limited < 1))
        out = np.maximum(out, 0) + 0.004 * phone.bloom * limited.mean((0, 1))
    h, w = picture.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    radius2 = ((x - (w - 1) / 2) ** 2 + (y - (h - 1) / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    return out * (1 - 0.16 * radius2)[..., None]


def sensed(picture: Linear, phone: Phone, rng: np.random.Generator) -> Linear:
    """Photons counted, electronics' noise, and the smoothing that hides both: colour more than brightness."""
    mean = np.clip(picture, 0, HEADROOM) * phone.electrons
    noisy = mean + np.sqrt(mean + phone.read_noise**2) * rng.standard_normal(mean.shape, np.float32)
    noisy = (noisy / phone.electrons).astype(np.float32)
    if phone.smoothing == 0:
        return noisy
    luma = noisy @ LUMA
    soft = cv2.bilateralFilter(luma, 5, 4.0 * float(np.sqrt(0.2 / phone.electrons)), 1.2)
    chroma = cv2.GaussianBlur(noisy - luma[..., None], (0, 0), 0.4 + 1.6 * phone.smoothing)
    return (luma + phone.smoothing * (soft - luma))[..., None] + chroma


def toned(picture: Linear, phone: Phone) -> Linear:
    """sRGB-encoded 0 to 1: a shoulder for the highlights, a little contrast, colour, sharpening."""
    knee = 0.62
    over = np.clip(picture - knee, 0, None)
    rolled = np.where(picture > knee, knee + (1 - knee) * (1 - np.exp(-over / (1 - knee))) * 1.05, picture)
    linear = np.clip(rolled, 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    coded = coded + 0.28 * coded * (1 - coded) * (2 * coded - 1)
    grey = (coded @ LUMA)[..., None]
    coded = (grey + phone.saturation * (coded - grey)).astype(np.float32)
    detail = coded - cv2.GaussianBlur(coded, (0, 0), 1.3)
    return np.clip(coded + phone.sharpening * np.clip(detail, -0.08, 0.08), 0, 1)


@dataclass(frozen=True, eq=False)
class Settings:
    """What the phone chose from the picture: factor of exposure, and gains of white balance (3,)."""

    factor: float
    gains: Linear


def choose(picture: Linear, phone: Phone) -> Settings:
    return Settings(metered(picture, phone.key) * phone.exposure, white_balance(picture, phone.warmth))


def develop(picture: Linear, phone: Phone, seed: int, settings: Settings | None = None, *, noise: bool = True) -> Rgb:
    """Linear radiance (h, w, 3) to an 8-bit sRGB picture; `settings` of another picture can be forced on it."""
    chosen = settings or choose(picture, phone)
    seen = optics((picture * chosen.factor).astype(np.float32), phone) * chosen.gains
    if noise:
        seen = sensed(seen, phone, np.random.default_rng([seed, 7]))
    return np.round(toned(np.clip(seen, 0, None), phone) * 255).astype(np.uint8)


def save(upright: Rgb, path: Path, tags: Tags | None, phone: Phone) -> None:
    """Writes JPEG or HEIC by the file's ending; the stored picture is turned as `tags.orientation` says."""
    from PIL import Image

    turns = STORED_TURNS[tags.orientation] if tags else 0
    image = Image.fromarray(np.ascontiguousarray(np.rot90(upright, turns)))
    exif = _exif(tags) if tags else Image.Exif()
    if path.suffix.lower() == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
        image.save(path, format="HEIF", quality=70, exif=exif)
    else:
        image.save(path, format="JPEG", quality=phone.jpeg_quality, subsampling="4:2:0", optimize=True, exif=exif)


def _exif(tags: Tags):  # type: ignore[no-untyped-def]
    """CIPA DC-008 (Exif 2.32): tags of sections 4.6.4 to 4.6.6."""
    from PIL import Image
    from PIL.TiffImagePlugin import IFDRational

    exif = Image.Exif()
    exif[0x0112] = tags.orientation
    exif[0x0132] = tags.taken
    inside = exif.get_ifd(0x8769)
    inside[0x829A] = IFDRational(*tags.exposure_s)
    inside[0x8827] = tags.iso
    inside[0x9003] = tags.taken
    inside[0x9011] = tags.offset
    inside[0xA405] = tags.focal_35mm
    return exif
