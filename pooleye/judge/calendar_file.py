"""A plan as an iCalendar file (RFC 5545), by the icalendar library: pour, cure, sittings with an alarm a look."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from pooleye import cautions
from pooleye.errors import PooleyeError
from pooleye.judge.plan import Plan, Sitting

if TYPE_CHECKING:
    from icalendar import Alarm, Component, Event


def as_calendar(plan: Plan, made: datetime, *, before: bytes | None = None) -> bytes:
    """The file's bytes. `made`: moment of writing (DTSTAMP). An entry's UID follows from its slot, so that a new file
    replaces what it moves.

    `before` is the file this one replaces: its sittings that are still to come and no longer planned are cancelled.
    Raises PooleyeError when that is no calendar file.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//pooleye//burn plan//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", plan.question.name)
    if not plan.begun:
        calendar.add_component(_day(plan, plan.pour_on, f"Pour: {plan.question.name}", "pour", made))
        calendar.add_component(_day(plan, plan.cured_on, f"Cured: {plan.question.name}", "cured", made))
    for sitting in plan.sittings:
        calendar.add_component(_sitting(plan, sitting, made))
    planned = {str(one["uid"]) for one in calendar.walk("VEVENT")}
    for event in _dropped(before, planned, made) if before else ():
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _dropped(before: bytes, planned: set[str], made: datetime) -> list[Component]:
    """Sittings of an earlier file that are still to come and are planned no more, cancelled (RFC 5545, 3.8.1.11)."""
    from icalendar import Calendar

    try:
        old = [one for one in Calendar.from_ical(before).walk("VEVENT") if str(one.get("uid", "")) not in planned]
    except ValueError:
        text = "the calendar file that would be replaced cannot be read"
        raise PooleyeError("bad-calendar", text, hint="write to another file: --ics plan-2.ics") from None
    coming = [one for one in old if isinstance(one.decoded("dtstart"), datetime) and one.decoded("dtstart") > made]
    for event in coming:
        for name in ("status", "dtstamp"):
            event.pop(name, None)
        event.add("status", "CANCELLED")
        event.add("dtstamp", made.astimezone(UTC))
    return coming


def _uid(plan: Plan, what: str) -> str:
    digest = hashlib.sha256(f"{plan.question.name}|{what}".encode()).hexdigest()
    return f"{digest[:24]}@pooleye"


def _event(plan: Plan, summary: str, what: str, made: datetime) -> Event:
    from icalendar import Event

    event = Event()
    event.add("uid", _uid(plan, what))
    event.add("dtstamp", made.astimezone(UTC))
    event.add("summary", summary)
    return event


def _day(plan: Plan, day: date, summary: str, what: str, made: datetime) -> Event:
    event = _event(plan, summary, what, made)
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("transp", "TRANSPARENT")
    return event


def _sitting(plan: Plan, sitting: Sitting, made: datetime) -> Event:
    event = _event(
        plan,
        f"Burn {len(sitting.burns)} candles: {plan.question.name}",
        sitting.starts.astimezone(UTC).isoformat(),
        made,
    )
    event.add("dtstart", sitting.starts.astimezone(UTC))
    event.add("dtend", sitting.ends.astimezone(UTC))
    burns = "\n".join(f"{label}: burn {burn}" for label, burn in sitting.burns)
    event.add("description", f"{burns}\n{sitting.photos} photos\n\n{cautions.SHORT}")
    for look in sitting.looks:
        event.add_component(_alarm(sitting, look))
    return event


def _alarm(sitting: Sitting, look: datetime) -> Alarm:
    from icalendar import Alarm

    alarm = Alarm()
    minutes = round((look - sitting.starts).total_seconds() / 60)
    alarm.add("action", "DISPLAY")
    alarm.add("description", f"Look at the candles: {minutes} min alight")
    alarm.add("trigger", look - sitting.starts)
    return alarm
