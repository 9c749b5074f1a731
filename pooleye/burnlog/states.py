"""What state a candle is in, read from its records alone: nothing is stored twice."""

from __future__ import annotations

from datetime import datetime, timedelta

from pooleye.burnlog.records import Burn, Candle

STATES = ("alight", "stopped", "held", "used-up", "curing", "ready", "resting")
# Minimum pause between two burns, EN 15426:2018 (second-hand summary); practice is 4 to 8 h, wax solid.
LEAST_REST = timedelta(minutes=60)
USUAL_REST = timedelta(hours=4)


def running_burn(candle: Candle) -> Burn | None:
    """The burn that has no end yet."""
    return next((burn for burn in candle.burns if burn.out_at is None), None)


def last_burn(candle: Candle) -> Burn | None:
    """The latest burn, running or not."""
    return candle.burns[-1] if candle.burns else None


def cured_until(candle: Candle) -> datetime:
    """The moment at which the cure ends."""
    return candle.cured_from + timedelta(days=candle.pour.cure_days)


def state_of(candle: Candle, now: datetime) -> str:
    """One of ``STATES``. A flame comes before everything, then what forbids lighting."""
    last = last_burn(candle)
    if running_burn(candle) is not None:
        return "alight"
    if candle.stopped_at is not None:
        return "stopped"
    if candle.finished_at is not None:
        return "used-up"
    if candle.held_at is not None:
        return "held"
    if last is None:
        return "curing" if now < cured_until(candle) else "ready"
    return "resting" if last.out_at is not None and now - last.out_at < USUAL_REST else "ready"


def minutes_between(start: datetime, end: datetime) -> float:
    """Minutes from ``start`` to ``end``."""
    return (end - start).total_seconds() / 60
