"""Plans: what fits a table and free hours, rests between burns, calendar files that another reader understands."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest

from pooleye.errors import PooleyeError
from pooleye.judge import plan as planning
from pooleye.judge.calendar_file import as_calendar
from pooleye.judge.plan import DAYS, Bench, Prices, Question, make_plan
from pooleye.measurement import Quantity

ZONE = ZoneInfo("Europe/Berlin")
QUESTION = Question("winter jar", "straight jar", "soy", ("wick 2", "wick 3"), "winter tea", 8.0)
MADE = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def plan(bench=None, question=QUESTION, prices=None):
    return make_plan(question, bench or Bench(), prices or Prices(), date(2026, 3, 1), ZONE)


def test_burns_follow_from_wax_and_rate():
    # 150 g at 5 g/h are 30 h: eight burns of four hours.
    assert planning.burns_needed(QUESTION, Bench()) == 8


def test_every_candle_gets_every_burn_once_and_in_order():
    made = plan()
    taken: dict[str, list[int]] = {}
    for sitting in made.sittings:
        for label, number in sitting.burns:
            taken.setdefault(label, []).append(number)
    assert len(taken) == 6
    assert all(numbers == list(range(1, 9)) for numbers in taken.values())


def test_nothing_is_lit_before_its_cure_nor_beyond_the_table_nor_twice_without_rest():
    made = plan(Bench(table=4, hours=dict.fromkeys(DAYS, 10.0)))
    last: dict[str, datetime] = {}
    for sitting in made.sittings:
        assert sitting.starts.date() >= date(2026, 3, 15)
        assert len(sitting.burns) <= 4
        for label, _ in sitting.burns:
            if label in last:
                assert sitting.starts - last[label] >= timedelta(hours=4)
            last[label] = sitting.ends


def test_only_free_days_are_used():
    made = plan(Bench(table=3, hours={"sat": 10.0}, begins_on={"sat": time(9, 0)}))
    assert {(one.starts.weekday(), one.starts.hour) for one in made.sittings} == {(5, 9), (5, 13)}
    assert max(Counter(one.starts.date() for one in made.sittings).values()) == 2


def test_each_sitting_of_half_a_table_holds_both_arms():
    for sitting in plan(Bench(table=4)).sittings[:2]:
        assert {label.partition(" no.")[0] for label, _ in sitting.burns} == {"wick 2", "wick 3"}


def test_photos_hours_and_cost_are_counted():
    prices = Prices(wax_kg=10.0, fragrance_kg=100.0, wick=0.5, vessel=2.0)
    made = plan(prices=prices)
    assert len(made.sittings) == 8
    assert made.bench_hours == pytest.approx(32.0)
    assert made.photos == 8 * 6 * 5
    # 180 g with a load of 8 % of the wax: 166.67 g of wax and 13.33 g of fragrance in each of six candles.
    assert made.cost == pytest.approx(6 * (1.6667 + 1.3333 + 0.5 + 2.0), abs=0.001)
    assert made.cost_unknown == ()


def test_what_has_no_price_is_said():
    made = plan(prices=Prices(wax_kg=10.0))
    assert made.cost_unknown == ("wicks", "vessels", "fragrance")
    assert "without wicks, vessels, fragrance" in " ".join(made.said())
    assert plan().cost is None


@pytest.mark.parametrize(
    ("change", "reference"),
    [
        ({"question": Question("q", "jar", "soy", ("wick 2",))}, "one-arm"),
        ({"question": Question("q", "jar", "soy", ("wick 2", "wick 3"), candles_per_arm=2)}, "arm-too-small"),
        ({"question": Question("q", "jar", "soy", ("wick 2", "wick 3"), burn_rate_g_h=0)}, "absurd-plan"),
        ({"bench": Bench(hours={"sat": 3.0})}, "no-free-hours"),
        ({"bench": Bench(hours={})}, "no-free-hours"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(change, reference):
    with pytest.raises(PooleyeError) as refused:
        plan(**change)
    assert refused.value.reference == reference


def test_a_bench_that_cannot_be_is_refused():
    for broken in ({"table": 0}, {"burn_h": 0.0}, {"hours": {"someday": 4.0}}):
        with pytest.raises(PooleyeError):
            Bench(**broken)


def test_four_hours_are_four_hours_when_the_clock_is_changed():
    # Europe/Berlin, 2026-03-29: 02:00 becomes 03:00.
    before = datetime(2026, 3, 29, 0, 30, tzinfo=ZONE)
    after = planning.later(before, 4.0)
    assert (after.astimezone(UTC) - before.astimezone(UTC)) == timedelta(hours=4)
    assert (after.hour, after.minute) == (5, 30)


def events(data):
    """Events as the icalendar library reads them back."""
    return list(icalendar.Calendar.from_ical(data).walk("VEVENT"))


def test_the_calendar_file_holds_pour_cure_and_sittings_with_an_alarm_a_look():
    made = plan()
    found = events(as_calendar(made, MADE))
    assert len(found) == 2 + len(made.sittings)
    assert found[0].decoded("dtstart") == date(2026, 3, 1)
    first = found[2]
    assert first.decoded("dtstart") == made.sittings[0].starts.astimezone(UTC)
    assert first.decoded("dtend") - first.decoded("dtstart") == timedelta(hours=4)
    alarms = [one.decoded("trigger") for one in first.walk("VALARM")]
    assert alarms == [timedelta(hours=1), timedelta(hours=2), timedelta(hours=4)]
    assert "Never leave a burning candle alone" in str(first["description"])
    assert b"\r\n" in as_calendar(made, MADE)  # RFC 5545, 3.1


def test_a_new_file_replaces_the_entries_it_keeps_and_cancels_those_to_come_that_it_drops():
    made = plan(Bench(table=4))
    now = made.sittings[2].ends
    after = replace(made, sittings=made.sittings[:3] + made.sittings[5:])
    old = as_calendar(made, MADE)
    by_uid = {str(one["uid"]): one for one in events(as_calendar(after, now.astimezone(UTC), before=old))}
    uids = {str(one["uid"]) for one in events(old)}
    assert set(by_uid) == uids
    cancelled = {one.decoded("dtstart") for one in by_uid.values() if one.get("status") == "CANCELLED"}
    kept = {one.starts.astimezone(UTC) for one in after.sittings}
    assert cancelled == {one.starts.astimezone(UTC) for one in made.sittings} - kept
    assert cancelled
    assert min(cancelled) > now.astimezone(UTC)


def test_a_file_that_is_no_calendar_is_not_replaced():
    with pytest.raises(PooleyeError, match="cannot be read"):
        as_calendar(plan(), MADE, before=b"a shopping list")


def test_the_rest_of_a_trial_is_planned_from_what_its_candles_have_left(made):
    # 50.5 g stand below half an inch; 4 h of 5.5 g/h are 22 g a burn.
    two_more = Quantity(50.50 + 44.0, 0.2, "g")
    going = made.arm("a", made.sizes[1], (1.0, 1.1, 1.2))
    candles = [
        made.candle(*going[0].burns, code="A1", arm="a", wax_left_g=two_more),
        made.candle(*going[0].burns, code="A2", arm="a", wax_left_g=two_more, over=True),
    ]
    now = datetime(2026, 4, 1, 9, 0, tzinfo=ZONE)
    found = planning.rest_of_trial(made.trial(*candles), Bench(), 12.7, now, None)
    assert [one.burns for one in found.sittings] == [(("A1", 7),), (("A1", 8),)]
    assert found.sittings[0].starts.date() == date(2026, 4, 2)
    assert found.begun
    assert len(events(as_calendar(found, MADE))) == 2


def test_nothing_left_or_unknown_wax_is_said(made):
    now = datetime(2026, 4, 1, 9, 0, tzinfo=ZONE)
    with pytest.raises(PooleyeError) as refused:
        planning.rest_of_trial(made.trial(made.candle(over=True)), Bench(), 12.7, now, None)
    assert refused.value.reference == "nothing-left"
    unknown = made.candle(made.burn(1, burn_rate=None), setup=replace(made.setup, fill_mass_g=None))
    with pytest.raises(PooleyeError) as refused:
        planning.rest_of_trial(made.trial(unknown), Bench(), 12.7, now, None)
    assert refused.value.reference == "wax-unknown"
