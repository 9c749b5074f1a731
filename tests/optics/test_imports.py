"""Optics starts light: the heavy libraries are loaded only by the functions that need them."""

from __future__ import annotations

import subprocess
import sys

PROBE = """
import sys
from pooleye.optics import camera, circle_pose, colour, ellipse, planes, polygon
print(sorted({name.split(".")[0] for name in sys.modules} & {"scipy", "skimage", "cv2", "PIL", "typer", "sqlalchemy"}))
"""


def test_importing_optics_loads_neither_heavy_nor_later_layers() -> None:
    run = subprocess.run([sys.executable, "-c", PROBE], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
