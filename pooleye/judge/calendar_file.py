"""A plan as an iCalendar file (RFC 5545), by the icalendar library: pour, cure, sittings with an alarm a look."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from pooleye import cautions
from pooleye.judge.plan import Plan, Sitting

if TYPE_CHECKING:
    from icalendar import Alarm, Event


def as_calendar(plan: Plan, made: datetime, *, before: Plan | None = None) -> bytes:
    """The file's bytes. `made`: moment of writing (DTSTAMP). Entries keep their UID, so that a new file replaces them.

    `before` is the plan that this one replaces: sittings that are no longer needed are cancelled.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//pooleye//burn plan//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", plan.question.name)
    if not plan.begun:
        calendar.add_component(_day(plan, plan.pour_on, f"Pour: {plan.question.name}", "pour", made))
        calendar.add_component(_day(plan, plan.cured_on, f"Cured: {plan.question.name}", "cured", made))
    for number, sitting in enumerate(plan.sittings, 1):
        calendar.add_component(_sitting(plan, sitting, number, made))
    dropped = before.sittings[len(plan.sittings) :] if before else ()
    for number, sitting in enumerate(dropped, len(plan.sittings) + 1):
        event = _sitting(plan, sitting, number, made)
        event.add("status", "CANCELLED")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _uid(plan: Plan, what: str) -> str:
    digest = hashlib.sha256(f"{plan.question.name}|{plan.pour_on}|{what}".encode()).hexdigest()
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


def _sitting(plan: Plan, sitting: Sitting, number: int, made: datetime) -> Event:
    event = _event(plan, f"Burn {len(sitting.burns)} candles: {plan.question.name}", f"sitting {number}", made)
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
