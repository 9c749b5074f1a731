"""The workspace's settings file, `pooleye.toml`: read with the names checked, written once when the log is begun."""

from __future__ import annotations

import difflib
import json
import tomllib
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from pooleye.errors import PooleyeError

FILE_NAME = "pooleye.toml"
UNITS = ("mm", "in")


@dataclass(frozen=True)
class Settings:
    """What holds for the whole workspace.

    name: the workshop. zone: its clock. database: URL of the log; empty = the SQLite file in the workspace.
    photos: folder of the photos; relative to the workspace. currency: ISO 4217 code of prices without one.
    checkpoints_min: minutes after lighting at which to look. burn_min: usual length of a burn.
    scale_step_g: the scale's display step. clock_half_width_min: how sure a noted time is (rectangular, half-width).
    spacing_mm: distance between lit candles that is kept unless said otherwise; 0 = not said.
    card_ruler_mm: how long the bench card's printed 100 mm line is by a ruler; 0 = not checked.
    units: what pages show, "mm" (with g and °C) or "in" (with oz and °F).
    """

    name: str = "workshop"
    zone: str = "+00:00"
    database: str = ""
    photos: str = "photos"
    currency: str = "EUR"
    checkpoints_min: tuple[float, ...] = (60.0, 120.0, 240.0)
    burn_min: float = 240.0
    scale_step_g: float = 0.1
    clock_half_width_min: float = 1.0
    spacing_mm: float = 0.0
    card_ruler_mm: float = 0.0
    units: str = "mm"


def _kind(default: Any) -> type | tuple[type, ...]:
    return list if isinstance(default, tuple) else (int, float) if isinstance(default, float) else str


_KINDS: dict[str, type | tuple[type, ...]] = {one.name: _kind(one.default) for one in fields(Settings)}


def _refuse_unknown(path: Path, read: dict[str, Any]) -> None:
    for key in read:
        if key not in _KINDS:
            near = difflib.get_close_matches(key, _KINDS, n=1)
            hint = f"did you mean {near[0]}?" if near else f"settings are: {', '.join(_KINDS)}"
            raise PooleyeError("unknown-setting", f"{path} has an unknown setting “{key}”", hint=hint)


def checked_settings(path: Path, read: dict[str, Any]) -> Settings:
    """Settings as read from ``path``. Raises PooleyeError for unknown names and impossible values."""
    _refuse_unknown(path, read)
    for key, value in read.items():
        if not isinstance(value, _KINDS[key]) or isinstance(value, bool):
            raise PooleyeError("bad-setting", f"{path}: “{key}” cannot be {value!r}", hint="see docs/burn-log.md")
    if read.get("units", "mm") not in UNITS:
        raise PooleyeError("bad-setting", f"{path}: units cannot be {read['units']!r}", hint="mm or in")
    points = read.get("checkpoints_min", [60, 120, 240])
    if not points or not all(isinstance(m, int | float) and 0 < m <= 24 * 60 for m in points):
        raise PooleyeError("bad-setting", f"{path}: checkpoints_min must be minutes above 0", hint="[60, 120, 240]")
    return Settings(**{**read, "checkpoints_min": tuple(sorted(float(m) for m in points))})


def load_settings(path: Path) -> Settings:
    """Settings from a file. Raises PooleyeError for what cannot be read, unknown names and impossible values."""
    try:
        read = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise PooleyeError(
            "bad-settings-file", f"{path} cannot be read: {error}", hint="repair or restore it"
        ) from None
    return checked_settings(path, read)


def _toml_value(value: Any) -> str:
    # A JSON string, number or array of numbers is also a TOML one.
    return json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False)


def settings_text(settings: Settings) -> str:
    """The file's text for ``settings``."""
    lines = ["# Settings of this burn log; each is explained in docs/burn-log.md."]
    lines += [f"{key} = {_toml_value(value)}" for key, value in asdict(settings).items()]
    return "\n".join(lines) + "\n"


SETTING_NAMES = tuple(field.name for field in fields(Settings))
