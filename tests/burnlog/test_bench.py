"""At the bench: lighting and its checks, looks, incidents, snuffing, what is due."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from pooleye.burnlog import corrections, looks, overview, trace
from pooleye.burnlog.bench import place_at
from pooleye.burnlog.burns import Lighting, light, snuff
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.records import Candle, Change, Measurement
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

Three = Callable[..., tuple[str, ...]]


def _names(advice: tuple[Any, ...]) -> list[str]:
    return [one.name for one in advice]


def test_lighting_plans_the_looks_and_says_when_to_put_it_out(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    lit = light(workspace, [code]).lit[0]
    assert (lit.burn_number, lit.kind, lit.checkpoints_min, lit.planned_minutes) == (1, "standard", (60, 120, 240), 240)


def test_the_only_ready_candle_needs_no_code(workspace: Workspace, three: Three) -> None:
    (code,) = three(workspace, 1)
    assert light(workspace).lit[0].candle == code


def test_without_a_code_several_ready_candles_are_listed(workspace: Workspace, three: Three) -> None:
    codes = three(workspace)
    with pytest.raises(PooleyeError) as refused:
        light(workspace)
    assert refused.value.reference == "which-candle"
    assert all(code in refused.value.message for code in codes)


def test_a_burning_candle_is_not_lit_again(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    with pytest.raises(PooleyeError) as refused:
        light(workspace, [code])
    assert refused.value.reference == "already-alight"


def test_a_held_candle_is_not_lit_without_a_reason_that_is_kept(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    trace.hold(workspace, [code], "wicks float")
    with pytest.raises(PooleyeError) as refused:
        light(workspace, [code])
    assert refused.value.reference == "candle-held"
    lit = light(workspace, [code], how=Lighting(despite="to film the fault")).lit[0]
    assert _names(lit.advice) == ["candle-held"]
    with workspace.read() as session:
        (burn,) = session.scalars(select(Candle).where(Candle.code == code)).one().burns
        assert burn.lit_despite == "to film the fault"


@pytest.mark.parametrize(("rest", "outcome"), [(59, "refused"), (60, "rest-short"), (239, "rest-short"), (240, "fine")])
def test_rest_between_burns_is_checked(workspace: Workspace, three: Three, clock: Any, rest: int, outcome: str) -> None:
    # At least 60 min: EN 15426:2018 (second-hand summary). 4 h: common practice, no source.
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(hours=4)
    snuff(workspace, [code])
    clock.forward(minutes=rest)
    if outcome == "refused":
        with pytest.raises(PooleyeError) as refused:
            light(workspace, [code])
        assert refused.value.reference == "rest-too-short"
    else:
        found = _names(light(workspace, [code], how=Lighting(trimmed_mm=6)).lit[0].advice)
        assert found == ([] if outcome == "fine" else [outcome])


def test_an_uncured_candle_burns_with_a_caution(workspace: Workspace) -> None:
    code = pour(workspace, Recipe("soy"), [CandleSet(1, "jar", "wick 3", rim_inner_mm=75.0)]).codes[0]
    assert _names(light(workspace, [code]).lit[0].advice) == ["not-cured"]


@pytest.mark.parametrize(("spacing", "said"), [(None, "spacing-not-said"), (70.0, "spacing-too-small"), (80.0, None)])
def test_spacing_is_checked_once_several_burn(
    workspace: Workspace, three: Three, spacing: float | None, said: str | None
) -> None:
    # At least 3 in (76.2 mm) between lit candles: public fire-safety advice.
    codes = three(workspace)
    assert light(workspace, codes[:1]).lit[0].advice == ()
    lit = light(workspace, codes[1:], how=Lighting(spacing_mm=spacing))
    assert {name for one in lit.lit for name in _names(one.advice)} == ({said} if said else set())


def test_an_untrimmed_burn_takes_no_trim_and_a_long_one_runs_past_the_usual_time(
    workspace: Workspace, three: Three
) -> None:
    first, second, third = three(workspace)
    with pytest.raises(PooleyeError):
        light(workspace, [first], how=Lighting(kind="untrimmed", trimmed_mm=6))
    assert light(workspace, [first], how=Lighting(kind="untrimmed")).lit[0].planned_minutes == 240
    assert light(workspace, [second], how=Lighting(kind="long")).lit[0].planned_minutes == 480
    assert light(workspace, [third], how=Lighting(kind="burn-out")).lit[0].planned_minutes is None


def test_a_tea_light_burns_until_it_goes_out_and_that_is_its_result(workspace: Workspace, clock: Any) -> None:
    code = pour(workspace, Recipe("paraffin", cure_days=0), [CandleSet(1, "cup", "tea wick", rim_inner_mm=37.0)]).codes[
        0
    ]
    assert light(workspace, [code]).lit[0].kind == "burn-out"
    clock.forward(minutes=247)
    # Seen out at 247 min, seen alight ten minutes before: out at 242 ± 5, rectangular.
    snuff(workspace, [code], how="by-itself", at=clock() - timedelta(minutes=5), half_width_min=5)
    shown = overview.show(workspace, code)
    assert shown.state == "used-up"
    assert shown.burn_out is not None
    assert shown.burn_out.burn_time.value == 242
    # u² = (1² + 5²) / 3: two rectangular half-widths, JCGM 100:2008, 4.3.7.
    assert shown.burn_out.burn_time.u == pytest.approx((26 / 3) ** 0.5)
    with pytest.raises(PooleyeError) as refused:
        light(workspace, [code])
    assert refused.value.reference == "candle-used-up"


def test_snuffing_without_a_code_ends_everything_alight(workspace: Workspace, three: Three, clock: Any) -> None:
    codes = three(workspace)
    light(workspace, codes)
    clock.forward(minutes=150)
    ended = snuff(workspace).out
    assert {(one.candle, one.minutes) for one in ended} == {(code, 150) for code in codes}
    with pytest.raises(PooleyeError) as refused:
        snuff(workspace)
    assert refused.value.reference == "nothing-alight"


def test_a_burn_cannot_end_before_it_began(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    with pytest.raises(PooleyeError) as refused:
        snuff(workspace, [code], at=clock() - timedelta(minutes=5))
    assert refused.value.reference == "out-before-lit"


@pytest.mark.parametrize("kind", sorted(looks.INCIDENTS))
def test_every_incident_is_a_stop_said_first_with_what_to_do(
    workspace: Workspace, three: Three, clock: Any, kind: str
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=30)
    happened = looks.incident(workspace, code, kind, words="just now")
    assert happened.said()[0].startswith("STOP: ")
    assert happened.still_alight == (kind != "went-out")
    state = overview.show(workspace, code).state
    assert state == ("resting" if kind == "went-out" else "alight")
    if kind != "went-out":
        snuff(workspace, [code], how="stopped")
    ends = looks.INCIDENTS[kind].ends_candle
    clock.forward(hours=6)
    assert overview.show(workspace, code).state == ("stopped" if ends else "ready")
    if ends:
        with pytest.raises(PooleyeError) as refused:
            light(workspace, [code])
        assert refused.value.reference == "candle-stopped"


def test_a_stopped_candle_that_still_burns_is_the_first_thing_said(
    workspace: Workspace, three: Three, clock: Any
) -> None:
    codes = three(workspace)
    light(workspace, codes)
    clock.forward(minutes=70)
    looks.incident(workspace, codes[1], "cracked")
    first = overview.status(workspace).said()[0]
    assert first.startswith("STOP: ")
    assert codes[1] in first
    assert overview.due(workspace).due[0].what == "stopped-but-alight"


def test_what_is_due_is_what_nobody_has_looked_at(workspace: Workspace, three: Three, clock: Any) -> None:
    one, two, _ = three(workspace)
    light(workspace, [one, two])
    clock.forward(minutes=61)
    looks.note(workspace, one, "pool half way")
    late = [(item.candle, item.what) for item in overview.due(workspace).due if item.in_minutes < 0]
    assert late == [(two, "checkpoint")]
    clock.forward(hours=4)
    late = [(item.candle, item.what) for item in overview.due(workspace).due if item.in_minutes < 0]
    assert (one, "end-of-burn") in late
    assert (two, "end-of-burn") in late


def test_looks_are_filed_at_their_checkpoint(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=63)
    assert looks.note(workspace, code, "soot left").place.checkpoint_minutes == 60
    clock.forward(minutes=30)
    assert looks.measure_by_hand(workspace, code, "depth", 7).place.checkpoint_minutes == 93
    clock.forward(minutes=2)
    assert looks.measure_by_hand(workspace, code, "width", 51).place.checkpoint_minutes == 93
    assert looks.note(workspace, code, "at last", minutes=60).place.checkpoint_minutes == 60
    shown = overview.show(workspace, code).burns[0]
    assert {(at, name) for at, name, _ in shown.by_hand} == {(93.0, "pool_depth"), (93.0, "pool_diameter")}


def test_a_note_is_kept_word_for_word(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    words = "  Bit sooty — left, “maybe”\nflame dancing 🕯 "
    looks.note(workspace, code, words, tester="Ida")
    assert words in {
        entry.what.split(": ", 1)[1].strip("“”") for entry in corrections.history(workspace, code).entries[1:]
    }
    with pytest.raises(PooleyeError):
        looks.note(workspace, code, "  ")


def test_a_long_history_can_be_cut_to_its_latest_entries_and_says_so(sqlite_workspace: Workspace, three: Three) -> None:
    code, *_ = three(sqlite_workspace)
    for number in range(5):
        looks.note(sqlite_workspace, code, f"note {number}")
    whole = corrections.history(sqlite_workspace, code)
    assert whole.latest(3).entries == whole.entries[-3:]
    first, *lines = whole.latest(3).said()
    assert "3 earlier" in first
    assert "--all" in first
    assert lines == whole.said()[-3:]
    assert whole.latest(6) == whole


def test_claims_read_from_a_note_are_kept_once_a_reader(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    note = looks.note(workspace, code, "slight soot")
    claim = {"quantity": "soot", "state": "slight", "value": None, "unit": None, "where": None,
             "superseded": False, "hedged": False, "words": "slight soot"}  # fmt: skip
    assert looks.keep_claims(workspace, note.note_id, "claims/1", [claim]) == 1
    assert looks.keep_claims(workspace, note.note_id, "claims/1", [claim]) == 0
    assert looks.keep_claims(workspace, note.note_id, "claims/2", [claim]) == 1


@pytest.mark.parametrize(("what", "value"), [("heat", 900), ("throw", 4), ("depth", -1), ("flame", float("nan"))])
def test_a_value_that_cannot_be_is_refused(workspace: Workspace, three: Three, what: str, value: float) -> None:
    code, *_ = three(workspace)
    with pytest.raises(PooleyeError) as refused:
        looks.measure_by_hand(workspace, code, what, value)
    assert refused.value.reference == "absurd-value"


def test_a_reading_by_hand_carries_its_uncertainty(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    looks.measure_by_hand(workspace, code, "depth", 9.0, who="Ida")
    with workspace.read() as session:
        kept = session.scalars(select(Measurement)).one()
        assert (kept.value, kept.unit, kept.by, kept.who) == (9.0, "mm", "hand", "Ida")
        # A skewer read to ±1 mm, rectangular: u = 1/√3 mm (JCGM 100:2008, 4.3.7).
        assert kept.u == pytest.approx(0.5774, abs=1e-4)


def test_a_hot_vessel_is_a_caution_that_names_no_standard(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    assert looks.measure_by_hand(workspace, code, "heat", 59.9).advice == ()
    (said,) = looks.measure_by_hand(workspace, code, "heat", 60.0).advice
    assert "no standard" in said.source


def test_a_corrected_time_moves_the_checkpoints_of_photos_and_is_kept(
    workspace: Workspace, three: Three, clock: Any
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=120)
    done = corrections.correct(workspace, "burn", f"{code}/1", "lit", "1h ago", who="Ida", why="typed too late")
    assert done.field == "lit_at"
    with workspace.read() as session:
        candle = session.scalars(select(Candle).where(Candle.code == code)).one()
        assert place_at(candle, clock()).minutes_alight == 60
        change = session.scalars(select(Change)).one()
        assert (change.by, change.who, change.why) == ("hand", "Ida", "typed too late")


def test_burns_cannot_be_corrected_into_each_other(workspace: Workspace, three: Three, clock: Any) -> None:
    code, *_ = three(workspace)
    for _ in range(2):
        light(workspace, [code])
        clock.forward(hours=4)
        snuff(workspace, [code])
        clock.forward(hours=20)
    with pytest.raises(PooleyeError) as refused:
        corrections.correct(workspace, "burn", f"{code}/1", "out-at", "20h ago")
    assert refused.value.reference == "burns-overlap"


@pytest.mark.parametrize(
    ("field", "value", "kept"),
    [
        ("rim-inner", "3in", "76.2"),
        ("height", "9cm", "90"),
        ("material", "clear glass", "clear glass"),
        ("note", "none", None),
    ],
)
def test_corrections_take_units_and_empty_what_may_be_empty(
    workspace: Workspace, three: Three, field: str, value: str, kept: str | None
) -> None:
    three(workspace)
    done = corrections.correct(workspace, "vessel", "straight jar", field, value)
    assert done.after == kept


@pytest.mark.parametrize(
    ("field", "value"), [("rim_innr", "76mm"), ("rim-inner", "none"), ("id", "7"), ("rim-inner", "wide")]
)
def test_impossible_corrections_are_refused(workspace: Workspace, three: Three, field: str, value: str) -> None:
    three(workspace)
    with pytest.raises(PooleyeError):
        corrections.correct(workspace, "vessel", "straight jar", field, value)


def test_an_entry_struck_out_stays_readable(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    looks.note(workspace, code, "sooty")
    corrections.strike(workspace, "note", "1", "wrong candle")
    assert any("STRUCK OUT: wrong candle" in one.what for one in corrections.history(workspace, code).entries)
    with pytest.raises(PooleyeError) as refused:
        corrections.strike(workspace, "note", "1", "again")
    assert refused.value.reference == "struck-already"


def test_status_of_an_empty_table_says_how_to_begin(workspace: Workspace) -> None:
    assert "pooleye pour" in overview.status(workspace).said()[-1]


def test_several_candles_burn_at_once_each_with_its_own_minutes(workspace: Workspace, three: Three, clock: Any) -> None:
    codes = three(workspace)
    for code in codes:
        light(workspace, [code])
        clock.forward(minutes=20)
    rows = {row.candle: row.minutes_alight for row in overview.status(workspace).candles}
    assert rows == dict(zip(codes, (60.0, 40.0, 20.0), strict=True))


@pytest.mark.parametrize(
    ("minutes", "due"),
    [
        (30, [("checkpoint", 60), ("checkpoint", 120), ("checkpoint", 240)]),
        (70, [("checkpoint", 60), ("checkpoint", 120), ("checkpoint", 240)]),
        # The first look is lost: only the latest one missed can still be taken.
        (130, [("checkpoint", 120), ("checkpoint", 240)]),
        (250, [("checkpoint", 240)]),
        # Long past its end, only the end matters.
        (600, []),
    ],
)
def test_looks_that_can_no_longer_be_taken_are_not_asked_for(
    workspace: Workspace, three: Three, clock: Any, minutes: float, due: list[tuple[str, float]]
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    lit = clock()
    clock.forward(minutes=minutes)
    found = [(one.what, (one.at - lit).total_seconds() / 60) for one in overview.due(workspace).due]
    assert sorted(one for one in found if one[0] == "checkpoint") == due
    assert ("end-of-burn", 240) in found


def test_the_hot_throw_is_shown_by_its_grade(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    looks.measure_by_hand(workspace, code, "throw", looks.parse_throw("medium"))
    assert any("hot throw medium by hand" in line for line in overview.show(workspace, code).said())
