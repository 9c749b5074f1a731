#!/usr/bin/env python
"""Makes the pictures of README.md and docs/: `python docs/pictures/make.py`.

Each is what `pooleye measure --overlay` leaves for one of the test photos, made smaller. The photos are renders.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

HERE = Path(__file__).resolve().parent
PHOTOS = HERE.parents[1] / "tests" / "photos"
D1 = ("--rim-inner", "80.1mm", "--rim-outer", "87.9mm", "--vessel-height", "100.2mm")
D7 = ("--rim-inner", "76.5mm", "--rim-outer", "85.9mm")
#: Picture -> width in pixels, photo, what is known of the candle.
PICTURES = {
    "from_above.jpg": (600, "d7_02_top.jpg", (*D7, "--headspace", "18.5mm")),
    "from_the_side.jpg": (500, "d1_02_side.jpg", (*D1, "--view", "side", "--headspace", "27.3mm")),
    "after_snuffing.jpg": (600, "d1_03_top.jpg", (*D1, "--headspace", "29.9mm")),
    "cut_off.jpg": (640, "d1_01_top_b.jpg", (*D1, "--headspace", "24.6mm")),
    "shaken.jpg": (640, "d3_01_top_b.jpg", ("--rim-inner", "78mm", "--headspace", "13.8mm")),
    "dark.jpg": (640, "d4_01_top_b.jpg", ("--rim-inner", "64.3mm", "--headspace", "30.5mm")),
    "out_of_focus.jpg": (640, "d7_02_top_b.jpg", (*D7, "--headspace", "18.5mm")),
}
#: The candle, new and unlit: photo and headspace.
BASELINES = {"d7_02_top.jpg": ("d7_00_top.jpg", "15mm"), "d1_03_top.jpg": ("d1_00_top.jpg", "22mm")}


def make(name: str) -> None:
    """Measure the photo, and keep its overlay small."""
    width, photo, known = PICTURES[name]
    if photo in BASELINES:
        new, headspace = BASELINES[photo]
        known = (*known, "--baseline", str(PHOTOS / new), "--baseline-headspace", headspace)
    with tempfile.TemporaryDirectory() as folder:
        call = [sys.executable, "-m", "pooleye", "measure", str(PHOTOS / photo), *known, "--overlay", folder]
        subprocess.run(call, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        (overlay,) = Path(folder).iterdir()
        with Image.open(overlay) as picture:
            picture.resize((width, round(picture.height * width / picture.width)), Image.Resampling.LANCZOS).save(
                HERE / name, quality=85, optimize=True
            )


if __name__ == "__main__":
    for one in PICTURES:
        make(one)
        print(one, f"{(HERE / one).stat().st_size / 1000:.0f} kB")
