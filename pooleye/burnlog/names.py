"""What folder and file names say about a photo: candle, burn, minutes alight, view."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import PurePath

_BURN = re.compile(r"^(?:b|burn)(\d{1,2})$")
_MINUTES = re.compile(r"^(\d{1,4})(?:m|min|mins|minutes)$")
_HOURS = re.compile(r"^(\d{1,2})h(\d{2})?(?:m|min)?$")
_NEW = frozenset({"new", "baseline", "unlit"})
_WORDS = re.compile(r"[^0-9A-Za-z]+")


@dataclass(frozen=True)
class NameSays:
    """What was found in a name; None where it is silent, ``codes`` several where it names several."""

    codes: tuple[str, ...] = ()
    burn: int | None = None
    minutes: float | None = None
    new: bool = False
    view: str | None = None


def _minutes(word: str) -> float | None:
    if match := _MINUTES.match(word):
        return float(match[1])
    if match := _HOURS.match(word):
        return 60.0 * int(match[1]) + int(match[2] or 0)
    return None


def read_name(path: PurePath, known: Collection[str]) -> NameSays:
    """Read folder names and the file name, words split at anything but letters and digits; later words win.

    Only codes in ``known`` count, so that no other word of four letters is taken for one.
    """
    words = [word for part in path.with_suffix("").parts for word in _WORDS.split(part) if word]
    codes = tuple(dict.fromkeys(word.upper() for word in words if word.upper() in known))
    low = [word.lower() for word in words]
    for first, second in zip(list(low), low[1:], strict=False):
        if first == "burn" and second.isdigit() and len(second) <= 2:
            low.append(f"b{second}")
    burns = [int(match[1]) for word in low if (match := _BURN.match(word))]
    minutes = [found for word in low if (found := _minutes(word)) is not None]
    views = [word for word in low if word in ("top", "side")]
    return NameSays(
        codes=codes,
        burn=burns[-1] if burns else None,
        minutes=minutes[-1] if minutes else None,
        new=bool(_NEW & set(low)),
        view=views[-1] if views else None,
    )
