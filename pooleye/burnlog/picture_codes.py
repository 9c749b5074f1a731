"""Candle codes read from the QR of a label or bench card in a photo."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from pooleye.burnlog.codes import is_code

PREFIX = "POOLEYE:"
# A label's QR has 21 modules in 12 mm; held 300 mm away by a phone it has 3 px a module at the first size, which is
# enough; a label far off or small in the picture needs the second.
_SIZES_PX = (2048, 4608)


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


def codes_in_photo(path: str) -> tuple[datetime | None, tuple[str, ...]]:
    """(time taken, codes) of a photo. Raises Declined when it cannot be read."""
    import cv2

    from pooleye.photo import load_photo

    taken_at: datetime | None = None
    codes: tuple[str, ...] = ()
    for long_side_px in _SIZES_PX:
        photo = load_photo(path, long_side_px=long_side_px)
        taken_at = photo.taken_at
        grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        codes = codes_in_picture(grey)
        if codes or photo.scale_px <= 1.01:
            break
    return taken_at, codes
