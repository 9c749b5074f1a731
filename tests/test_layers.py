"""Each layer knows only those to its left: photo, optics, top and side, measuring; then log, judge, report, cli."""

from __future__ import annotations

import importlib.util
import pkgutil
import subprocess
import sys
from pathlib import Path

import pooleye

MEASURING = (
    "errors", "units", "flags", "measurement", "photo", "clip", "burst", "nets", "legibility", "viewpoint", "measuring",
    "optics", "top", "side",
)  # fmt: skip
NOT_FOR_MEASURING = ("typer", "click", "sqlalchemy", "alembic", "fastapi", "starlette", "flask", "jinja2", "rich")
OUTER_LAYERS = ("burnlog", "judge", "audit", "report", "phone", "cli")


def measuring_modules() -> list[str]:
    """Every module of the measuring layers that is there, packages with all that is in them."""
    names = []
    for layer in MEASURING:
        spec = importlib.util.find_spec(f"pooleye.{layer}")
        if spec is None:
            continue
        names.append(spec.name)
        inside = spec.submodule_search_locations or []
        names += [module.name for module in pkgutil.walk_packages(list(inside), f"{spec.name}.")]
    return names


def test_measuring_loads_no_command_line_no_database_and_no_web_library():
    names = measuring_modules()
    assert "pooleye.optics.ellipse" in names
    code = (
        f"import importlib, sys\nfor name in {names!r}: importlib.import_module(name)\n"
        f"bad = [m for m in sys.modules if m.partition('.')[0] in {NOT_FOR_MEASURING!r}"
        f" or (m + '.').startswith(tuple('pooleye.' + layer + '.' for layer in {OUTER_LAYERS!r}))]\n"
        "assert not bad, bad"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_only_the_loader_opens_pictures():
    """No other module decodes a picture or reads a photo's bytes."""
    openers = ("imread", "imdecode", "Image.open", "ImageOps.exif_transpose", "pillow_heif")
    folder = Path(pooleye.__file__).parent
    found = {
        f"{path.relative_to(folder)}: {opener}"
        for path in folder.rglob("*.py")
        if path != folder / "photo.py"
        for opener in openers
        if opener in path.read_text(encoding="utf-8")
    }
    assert found == set()
