"""Rim or pool drawn by hand on a filed photo: the quantities follow, and are kept beside the tool's."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pooleye.burnlog.corrections import photo_named
from pooleye.burnlog.filing import correct_by_hand, job_for, newest_reading
from pooleye.burnlog.overview import quantities_of
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.measurement import QUANTITIES, Quantity, shown

if TYPE_CHECKING:
    from pooleye.top.corrected import Drawn

_NUMBER = r"-?\d{1,6}(?:\.\d{1,6})?"
_RIM = re.compile(rf"{_NUMBER}(?:,{_NUMBER}){{4}}")
_POOL = re.compile(rf"{_NUMBER},{_NUMBER}(?: {_NUMBER},{_NUMBER}){{0,719}}")


@dataclass(frozen=True)
class Redrawn:
    """A photo measured from outlines drawn by hand. ``kept``: whether it is in the log."""

    photo: str
    sha256: str
    by_hand: Mapping[str, Quantity]
    by_tool: Mapping[str, Quantity]
    kept: bool

    def said(self) -> list[str]:
        """What changed, both values."""
        lines = []
        for name, hand in self.by_hand.items():
            tool = f"; the tool has {shown(name, self.by_tool[name])}" if name in self.by_tool else ""
            lines.append(f"  {QUANTITIES[name][1]}: by hand {shown(name, hand)}{tool}")
        return [f"{self.photo}: drawn by hand, {'kept beside the tool' if self.kept else 'not kept'}", *lines]


def read_drawn(rim: str, pool: str, u_px: float) -> Drawn:
    """A drawing from text: ``cx,cy,semi_major,semi_minor,angle_deg`` and ``x,y x,y …`` in full-size pixels.

    An empty ``pool``: no wax is liquid. Raises PooleyeError for what is no drawing.
    """
    from pooleye.optics.ellipse import Ellipse
    from pooleye.top.corrected import Drawn

    rim, pool = "".join(rim.split()), " ".join(pool.split())
    if not _RIM.fullmatch(rim) or (pool and not _POOL.fullmatch(pool)):
        raise PooleyeError("bad-drawing", "rim or pool is not drawn so", hint="rim: cx,cy,a,b,angle; pool: x,y x,y x,y")
    cx, cy, a, b, angle = (float(one) for one in rim.split(","))
    if a <= 0 or b <= 0:
        raise PooleyeError("bad-drawing", "the rim drawn has no size", hint="draw it along the inner edge of the mouth")
    points = tuple((float(x), float(y)) for x, y in (one.split(",") for one in pool.split()))
    drawn = Drawn(Ellipse(cx, cy, a, b, math.radians(angle)), points, u_px)
    if drawn.problem:
        raise PooleyeError("bad-drawing", drawn.problem, hint="draw the rim along the inner edge, the pool inside it")
    return drawn


def redraw(workspace: Workspace, photo: str, drawn: Drawn, *, keep: bool = True, who: str | None = None) -> Redrawn:
    """Measure a filed photo with rim and pool as drawn; keep the values beside the tool's, never over them.

    Raises PooleyeError for an unknown photo, or a drawing that fits nothing in it.
    """
    from pooleye.flags import Declined
    from pooleye.measuring import Vessel
    from pooleye.photo import load_photo
    from pooleye.top.corrected import measure_drawn

    with workspace.read() as session:
        record = photo_named(session, photo)
        job, name, sha256 = job_for(session, workspace, record), record.original_name, record.sha256
        tool = quantities_of(newest_reading(record))
    try:
        picture = load_photo(job.path)
        result = measure_drawn(picture, Vessel(*job.vessel), drawn, headspace_mm=job.headspace_mm)
    except Declined as why:
        raise PooleyeError("bad-drawing", why.message, hint=why.hint) from None
    if keep:
        correct_by_hand(workspace, sha256, result.quantities, who=who, outlines_px=result.outlines_px.as_json())
    return Redrawn(name, sha256, result.quantities, tool, keep)
