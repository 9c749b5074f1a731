"""Candle codes read from the QR of a label or bench card in a photo."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from pooleye.burnlog.codes import is_code

PREFIX = "POOLEYE:"
# How large a picture is searched, px on its longer side. A label's QR has 21 modules of 0.8 mm; a phone's 12 megapixels
# at half their size, 350 mm away, give each module 3.5 px, which is enough. A label far off needs the whole picture,
# which takes three times as long: it is looked for there only where nothing else tells the candle.
_SIZE_PX, _CLOSELY_PX = (1400, 2048), (3000, 4608)


def text_for(code: str) -> str:
    """What a candle's QR says: capitals and a colon only, so that QR's compact alphanumeric mode applies."""
    return PREFIX + code


def code_from_text(text: str) -> str | None:
    """The candle code in a QR's text; None for any other QR (a parcel, a wax bag)."""
    code = text.strip().upper().removeprefix(PREFIX)
    return code if text.strip().upper().startswith(PREFIX) and is_code(code) else None


def codes_in_picture(grey: NDArray[np.uint8]) -> tuple[str, ...]:
    """Codes in a grey picture (height x width), each once, sorted."""
    import zxingcpp

    found = zxingcpp.read_barcodes(grey, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode))
    codes = {code for one in found if (code := code_from_text(one.text))}
    return tuple(sorted(codes))


def codes_in_photo(path: str, *, closely: bool = False) -> tuple[datetime | None, tuple[str, ...]]:
    """(time taken, codes) of a photo; ``closely``: in the whole picture. Raises Declined when it cannot be read."""
    import cv2

    from pooleye.photo import load_photo

    at_least_px, at_most_px = _CLOSELY_PX if closely else _SIZE_PX
    photo = load_photo(path, long_side_px=at_most_px, at_least_px=at_least_px)
    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    return photo.taken_at, codes_in_picture(grey)
