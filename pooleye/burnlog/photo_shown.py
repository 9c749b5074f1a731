"""One filed photo as a page shows it: where it is filed, what was found in it, by the tool and by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pooleye.burnlog.bench import Place
from pooleye.burnlog.corrections import photo_named
from pooleye.burnlog.filing import newest_reading, place_of_photo
from pooleye.burnlog.overview import quantities_of
from pooleye.burnlog.photo_files import place_of
from pooleye.burnlog.results import Advice
from pooleye.burnlog.stops import advice_on
from pooleye.burnlog.store import Workspace
from pooleye.measurement import Quantity


@dataclass(frozen=True)
class PhotoShown:
    """A filed photo. ``outlines_px``: the tool's; ``drawn_px``: those of the newest correction by hand, if any."""

    sha256: str
    name: str
    path: Path
    place: Place
    view: str
    status: str | None
    hint: str | None
    quantities: Mapping[str, Quantity]
    by_hand: Mapping[str, Quantity]
    outlines_px: Mapping[str, Any]
    drawn_px: Mapping[str, Any]
    advice: tuple[Advice, ...]
    struck: str | None

    @property
    def found_px(self) -> dict[str, Any]:
        """Outlines to show, absent ones None: the tool's, with rim and pool as drawn by hand where they were."""
        names = ("rim", "pool", "wick", "flame_tip", "flame_base")
        drawn = {"pool": None, **self.drawn_px} if self.drawn_px else {}  # drawn without a pool: there is none
        return {**dict.fromkeys(names), **self.outlines_px, **drawn}


def show_photo(workspace: Workspace, sha256: str) -> PhotoShown:
    """A photo by its SHA-256. Raises PooleyeError when the log has none such."""
    with workspace.read() as session:
        photo = photo_named(session, sha256)
        reading, hand = newest_reading(photo), newest_reading(photo, by_hand=True)
        result: Mapping[str, Any] = reading.result if reading else {}
        return PhotoShown(
            sha256=photo.sha256,
            name=photo.original_name,
            path=place_of(workspace.photos, photo.sha256, photo.suffix),
            place=place_of_photo(photo),
            view=result.get("view", photo.view),
            status=reading.status if reading else None,
            hint=result.get("hint"),
            quantities=quantities_of(reading),
            by_hand=quantities_of(hand),
            outlines_px=result.get("outlines_px", {}),
            drawn_px=hand.result.get("outlines_px", {}) if hand else {},
            advice=advice_on(photo.candle, result, photo.phase) if reading else (),
            struck=photo.void_reason if photo.voided_at else None,
        )
