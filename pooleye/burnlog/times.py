"""Times: always with a zone, kept as UTC; what a maker types is read on the workshop's own clock."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pooleye.errors import PooleyeError

# A clock that is a little ahead of this computer's is no mistake; a lighting two hours ahead is one.
_FUTURE_ALLOWED = timedelta(minutes=10)
# What is longer than this, or lies before, is a slip of the hand, and no calendar need reckon with it.
_LONGEST_TEXT, _LONGEST_H, _EARLIEST = 60, 90_000.0, datetime(2000, 1, 1, tzinfo=UTC)
_HINT = "write 19:30, yesterday 19:30, 20min ago, 2026-03-01 19:30, or add the zone: 2026-03-01T19:30+01:00"
_AGO = re.compile(r"^(?:(\d+)\s*h)?\s*(?:(\d+)\s*m(?:in)?)?\s*ago$")
_CLOCK = re.compile(r"^(?:(today|yesterday)\s+)?(\d{1,2})[:.](\d{2})(?::(\d{2}))?$")
_DURATION = re.compile(r"^(?:(\d+(?:\.\d+)?)\s*h)?\s*(?:(\d+(?:\.\d+)?)\s*(?:min|m)?)?$")


def now_utc() -> datetime:
    """The present moment, to the second: more would pretend a precision that a bench clock has not."""
    return datetime.now(UTC).replace(microsecond=0)


def require_zone(moment: datetime) -> datetime:
    """``moment`` in UTC; a time without zone is refused with ValueError, since it may mean any of 38 hours."""
    if moment.tzinfo is None:
        raise ValueError(f"time without zone: {moment.isoformat()}")
    return moment.astimezone(UTC)


def local_zone_name() -> str:
    """The name of this computer's zone, for instance Europe/Berlin; a fixed offset such as +01:00 where it has none."""
    if name := os.environ.get("TZ", "").lstrip(":"):
        return name
    link = Path("/etc/localtime")
    if link.is_symlink() and "zoneinfo/" in (target := str(link.resolve())):
        return target.split("zoneinfo/", 1)[1]
    return _offset_name(datetime.now().astimezone())


def _offset_name(moment: datetime) -> str:
    seconds = int((moment.utcoffset() or timedelta()).total_seconds())
    sign = "-" if seconds < 0 else "+"
    return f"{sign}{abs(seconds) // 3600:02d}:{abs(seconds) % 3600 // 60:02d}"


def zone_named(name: str) -> tzinfo:
    """A zone by its name or offset. Raises PooleyeError for an unknown one."""
    if match := re.fullmatch(r"([+-])(\d{2}):?(\d{2})", name):
        minutes = int(match[2]) * 60 + int(match[3])
        return timezone(timedelta(minutes=-minutes if match[1] == "-" else minutes))
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise PooleyeError(
            "unknown-zone", f"“{name}” is no time zone", hint="use a name such as Europe/Berlin, or an offset: +01:00"
        ) from None


def from_wall(naive: datetime, zone: tzinfo) -> datetime:
    """A wall-clock time in ``zone`` -> UTC.

    Raises PooleyeError for an hour that the clock skipped, or that it showed twice (the maker must say which).
    """
    first, second = naive.replace(tzinfo=zone, fold=0), naive.replace(tzinfo=zone, fold=1)
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != naive:
        raise PooleyeError(
            "no-such-time", f"{naive:%Y-%m-%d %H:%M} did not exist: the clock was put forward", hint=_HINT
        )
    if first.utcoffset() != second.utcoffset():
        text = f"{naive:%Y-%m-%d %H:%M} happened twice: the clock was put back"
        raise PooleyeError("time-twice", text, hint=f"add the offset, {_offset_name(first)} or {_offset_name(second)}")
    return first.astimezone(UTC)


def parse_when(text: str, now: datetime, zone: tzinfo) -> datetime:
    """What a maker types for a time -> UTC; clock times without a date mean the last such time before now.

    Raises PooleyeError for what is no time, and for a time in the future or long ago.
    """
    typed = text.strip().lower()
    try:
        moment = _read(typed, require_zone(now), zone) if len(typed) <= _LONGEST_TEXT else None
    except OverflowError:
        moment = None
    if moment is None or moment < _EARLIEST:
        raise PooleyeError("not-a-time", f"“{typed[:_LONGEST_TEXT]}” is no time", hint=_HINT)
    if moment > now + _FUTURE_ALLOWED:
        shown = moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")
        raise PooleyeError("time-in-future", f"{shown} has not come yet", hint=_HINT)
    return moment


def _read(text: str, now: datetime, zone: tzinfo) -> datetime:
    if text in ("now", ""):
        return now
    if (match := _AGO.match(text)) and any(match.groups()):
        return now - timedelta(hours=int(match[1] or 0), minutes=int(match[2] or 0))
    if match := _CLOCK.match(text):
        return _clock(match, now, zone)
    try:
        moment = datetime.fromisoformat(text.replace("t", " ").replace("z", "+00:00"))
    except ValueError:
        raise PooleyeError("not-a-time", f"“{text}” is no time", hint=_HINT) from None
    return from_wall(moment, zone) if moment.tzinfo is None else moment.astimezone(UTC)


def _clock(match: re.Match[str], now: datetime, zone: tzinfo) -> datetime:
    day, hour, minute, second = match.groups()
    if int(hour) > 23 or int(minute) > 59 or int(second or 0) > 59:
        raise PooleyeError("not-a-time", f"“{match[0]}” is no time", hint=_HINT)
    naive = now.astimezone(zone).replace(tzinfo=None, hour=int(hour), minute=int(minute), second=int(second or 0))
    if day == "yesterday":
        naive -= timedelta(days=1)
    moment = from_wall(naive, zone)
    just_past_midnight = day is None and moment > now + _FUTURE_ALLOWED
    return from_wall(naive - timedelta(days=1), zone) if just_past_midnight else moment


def parse_duration_minutes(text: str) -> float:
    """``4h``, ``2h30``, ``90min``, ``90`` -> minutes. Raises PooleyeError."""
    typed = text.strip().lower()
    match = _DURATION.match(typed) if len(typed) <= _LONGEST_TEXT else None
    minutes = float(match[1] or 0) * 60 + float(match[2] or 0) if match else 0.0
    if not match or not any(match.groups()) or minutes > 60 * _LONGEST_H:
        raise PooleyeError(
            "not-a-duration", f"“{typed[:_LONGEST_TEXT]}” is no length of time", hint="write 4h, 2h30 or 90min"
        )
    return minutes


def say_minutes(minutes: float) -> str:
    """187 -> ``3 h 07``; 45 -> ``45 min``."""
    whole = round(minutes)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d}"
