"""Where on a candle's life a moment falls: which burn, before, alight or after, and at which checkpoint."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from pooleye.burnlog.records import Burn, Candle, Checkpoint
from pooleye.burnlog.states import minutes_between

# A look counts for a planned checkpoint when it comes within this of it; judged: a quarter of the shortest usual gap.
PLANNED_WITHIN_MIN = 15.0
# Looks closer together than this, away from planned checkpoints, are one checkpoint (top and side photo, then a note).
SAME_LOOK_MIN = 5.0
# A photo of the glowing or cooling candle still belongs to the burn that ended so long ago.
AFTER_BURN = timedelta(hours=12)


@dataclass(frozen=True)
class Place:
    """A moment in a candle's life. ``phase``: new (before the first burn), alight, after (of ``burn_number``)."""

    candle: str
    phase: str
    burn_number: int | None = None
    minutes_alight: float | None = None
    checkpoint_minutes: float | None = None

    def said(self) -> str:
        """For instance ``K7CX burn 2 at 2 h 00``."""
        from pooleye.burnlog.times import say_minutes

        if self.phase == "new":
            return f"{self.candle}, new"
        if self.phase == "after":
            return f"{self.candle} after burn {self.burn_number}"
        return f"{self.candle} burn {self.burn_number} at {say_minutes(self.minutes_alight or 0.0)}"


def burn_at(candle: Candle, moment: datetime) -> Burn | None:
    """The latest burn lit at or before ``moment``."""
    return next((burn for burn in reversed(candle.burns) if burn.lit_at <= moment), None)


def checkpoint_minutes(burn: Burn, minutes: float) -> float:
    """The planned checkpoint near ``minutes`` alight, else one already there, else a new one at the whole minute."""
    planned = [c.minutes for c in burn.checkpoints if c.planned and abs(c.minutes - minutes) <= PLANNED_WITHIN_MIN]
    others = [c.minutes for c in burn.checkpoints if abs(c.minutes - minutes) <= SAME_LOOK_MIN]
    near = planned or others
    return min(near, key=lambda known: abs(known - minutes)) if near else float(round(minutes))


def place_at(candle: Candle, moment: datetime) -> Place:
    """Where ``moment`` falls."""
    burn = burn_at(candle, moment)
    if burn is None:
        return Place(candle.code, "new")
    if burn.out_at is not None and moment > burn.out_at:
        return Place(candle.code, "after", burn.number)
    minutes = minutes_between(burn.lit_at, moment)
    return Place(candle.code, "alight", burn.number, minutes, checkpoint_minutes(burn, minutes))


def numbered_burn(candle: Candle, number: int | None) -> Burn | None:
    """The burn with this number."""
    return next((burn for burn in candle.burns if burn.number == number), None)


def checkpoint_record(session: Session, burn: Burn, minutes: float) -> Checkpoint:
    """The checkpoint of ``burn`` at exactly these minutes, made if it is not there yet."""
    found = next((one for one in burn.checkpoints if one.minutes == minutes), None)
    if found is None:
        found = Checkpoint(burn=burn, minutes=minutes, planned=False)
        session.add(found)
        session.flush()
    return found


def ids_of(session: Session, candle: Candle, place: Place) -> dict[str, int | None]:
    """Keys of burn and checkpoint for a record at ``place``."""
    burn = numbered_burn(candle, place.burn_number)
    point = None
    if burn is not None and place.checkpoint_minutes is not None:
        point = checkpoint_record(session, burn, place.checkpoint_minutes).id
    return {"candle_id": candle.id, "burn_id": burn.id if burn else None, "checkpoint_id": point}
