"""Times as typed at a bench."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from pooleye.burnlog.times import from_wall, parse_duration_minutes, parse_when, require_zone, say_minutes, zone_named
from pooleye.errors import PooleyeError

BERLIN = ZoneInfo("Europe/Berlin")
# 20:00 in Berlin, winter time.
NOW = datetime(2026, 3, 1, 19, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("now", NOW),
        ("19:30", datetime(2026, 3, 1, 18, 30, tzinfo=UTC)),
        ("today 19:30", datetime(2026, 3, 1, 18, 30, tzinfo=UTC)),
        ("yesterday 19.30", datetime(2026, 2, 28, 18, 30, tzinfo=UTC)),
        ("20min ago", NOW - timedelta(minutes=20)),
        ("1h 20m ago", NOW - timedelta(minutes=80)),
        ("2h ago", NOW - timedelta(hours=2)),
        ("2026-02-27 08:15", datetime(2026, 2, 27, 7, 15, tzinfo=UTC)),
        ("2026-02-27T08:15Z", datetime(2026, 2, 27, 8, 15, tzinfo=UTC)),
        ("2026-02-27T08:15+03:00", datetime(2026, 2, 27, 5, 15, tzinfo=UTC)),
        # A clock time that has not come yet today was yesterday's.
        ("23:50", datetime(2026, 2, 28, 22, 50, tzinfo=UTC)),
    ],
)
def test_times_are_read_on_the_workshops_clock(typed: str, meant: datetime) -> None:
    assert parse_when(typed, NOW, BERLIN) == meant


SLIPS = [f"{'9' * 50}h ago", f"{'9' * 5000}h ago", "0001-01-01 00:00", "9999-12-31T23:59-14:00", f"1h{' ' * 50_000}x"]


@pytest.mark.parametrize("typed", ["half past", "25:00", "12:61", "2026-13-01 10:00", "ago", *SLIPS])
def test_what_is_no_time_is_refused(typed: str) -> None:
    with pytest.raises(PooleyeError) as refused:
        parse_when(typed, NOW, BERLIN)
    assert refused.value.reference == "not-a-time"


def test_a_time_in_the_future_is_refused() -> None:
    with pytest.raises(PooleyeError) as refused:
        parse_when("2026-03-02 08:00", NOW, BERLIN)
    assert refused.value.reference == "time-in-future"


def test_the_hour_that_the_clock_skips_is_refused() -> None:
    # In the European Union clocks go from 02:00 to 03:00 on the last Sunday of March (Directive 2000/84/EC).
    with pytest.raises(PooleyeError) as refused:
        from_wall(datetime(2026, 3, 29, 2, 30), BERLIN)
    assert refused.value.reference == "no-such-time"


def test_the_hour_that_happens_twice_asks_which() -> None:
    # And from 03:00 back to 02:00 on the last Sunday of October (the same directive).
    with pytest.raises(PooleyeError) as refused:
        from_wall(datetime(2026, 10, 25, 2, 30), BERLIN)
    assert refused.value.reference == "time-twice"
    assert "+02:00" in refused.value.hint
    assert "+01:00" in refused.value.hint


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="without zone"):
        require_zone(datetime(2026, 3, 1, 19, 0))


@pytest.mark.parametrize(("typed", "minutes"), [("4h", 240), ("2h30", 150), ("90min", 90), ("90", 90), ("1.5h", 90)])
def test_lengths_of_time(typed: str, minutes: float) -> None:
    assert parse_duration_minutes(typed) == minutes


@pytest.mark.parametrize("typed", ["", "long", "4 weeks", "h", "9" * 400, "999999999999", f"1h{' ' * 50_000}x"])
def test_what_is_no_length_of_time_is_refused(typed: str) -> None:
    with pytest.raises(PooleyeError):
        parse_duration_minutes(typed)


def test_zones_by_name_and_offset() -> None:
    assert zone_named("+05:30").utcoffset(None) == timedelta(hours=5, minutes=30)
    assert zone_named("Europe/Berlin") == BERLIN
    with pytest.raises(PooleyeError):
        zone_named("Kitchen/Table")


def test_minutes_are_said_as_hours_from_an_hour_on() -> None:
    assert [say_minutes(minutes) for minutes in (7, 59.4, 59.6, 187)] == ["7 min", "59 min", "1 h 00", "3 h 07"]
