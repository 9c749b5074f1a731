"""A table of cases: each rule just inside, just outside, too close to call, and missing; with its source."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pooleye.audit.claims import STATES
from pooleye.judge import derived
from pooleye.judge.at_burn import judge_burn
from pooleye.judge.at_life import judge_candle
from pooleye.judge.at_look import judge_look
from pooleye.judge.by_eye import SIGNS
from pooleye.judge.criteria import shipped
from pooleye.judge.evidence import Incident, Look, Said, Size
from pooleye.judge.findings import Standing, stand
from pooleye.measurement import Quantity

# rule, burn, vessel, quantity, u, just inside, just outside, too close, words of its source
LOOKS = [
    # ASTM F2417-23 4.1 and EN 15493 (second-hand): pass 74.9, stop 75.1 when u is small; unsure when 75 is within ± U.
    ("flame_height_limit", 3, "container", "flame_height", 0.04, 74.9, 75.1, 75.0, "ASTM F2417-23 4.1"),
    ("flame_height_limit_tea_light", 1, "tea-light", "flame_height", 0.04, 29.9, 30.1, 30.0, "EN 15493"),
    ("second_flame", 3, "container", "flame_count", 0.1, 1.0, 2.0, 1.4, "no secondary ignition"),
    ("wick_to_wall", 3, "container", "wick_offset", 0.5, 26.0, 29.0, 27.5, "judged"),
    ("wick_moved", 3, "container", "wick_offset", 0.3, 4.5, 7.3, 6.0, "judged"),
    ("vessel_temperature_limit", 3, "container", "vessel_temperature", 1.7, 75.0, 83.0, 79.0, "practice"),
    ("vessel_temperature", 3, "container", "vessel_temperature", 1.7, 56.0, 64.0, 60.0, "practice"),
    ("wax_left_limit", 3, "container", "wax_left_level", 0.5, 14.0, 11.5, 12.7, "1/2 in"),
    ("flame_soot_risk", 3, "container", "flame_height", 0.5, 34.5, 37.5, 36.0, "Allan"),
    ("flame_window", 3, "container", "flame_height", 0.5, 23.5, 26.5, 25.0, "practice"),
    ("flame_window", 3, "container", "flame_height", 0.5, 13.5, 10.5, 12.0, "practice"),
    ("flame_least_tea_light", 1, "tea-light", "flame_height", 0.5, 15.5, 12.5, 14.0, "RAL-GZ 041/3"),
    ("smoke", 3, "container", "smoke_strength", 0.02, 0.10, 0.20, 0.15, "European safety rules"),
    ("soot", 3, "container", "soot_delta_L", 0.8, -1.0, -5.0, -3.0, "Mahy"),
    ("carbon_ball", 3, "container", "carbon_ball_diameter", 0.4, 2.1, 3.9, 3.0, "practice"),
    ("debris", 3, "container", "debris_count", 0.1, 0.0, 1.0, 0.5, "matches and trimmings"),
    ("wick_off_centre", 3, "container", "wick_offset", 0.3, 4.5, 7.0, 5.6, "judged"),
    ("pool_deep", 3, "container", "pool_depth", 0.5, 11.5, 14.5, 13.0, "practice"),
]
ENDS = [
    ("hang_up_early", 1, "container", "hangup_mean", 0.3, 5.0, 7.0, 6.0, "judged"),
    ("hang_up", 3, "container", "hangup_mean", 0.3, 2.0, 4.0, 3.0, "1/8 in"),
    ("pool_shallow", 3, "container", "pool_depth", 0.5, 7.5, 4.5, 6.0, "practice"),
    ("pool_behind", 3, "container", "pool_diameter", 0.5, 66.0, 61.0, 63.75, "one hour per inch"),
    ("pool_behind_early", 1, "container", "pool_diameter", 0.5, 55.0, 50.0, 52.5, "one hour per inch"),
]
TEA_LIGHT = {"vessel_kind": "tea-light", "bore_mm": 75.0}


def finding(made, row, value):
    """The finding of the row's rule when its quantity has this value (None: not measured)."""
    rule, number, vessel, quantity, u, *_ = row
    setup = replace(made.setup, vessel_kind=vessel)
    values = {quantity: None if value is None else (value, u)}
    if value is None and quantity == "hangup_mean":
        values["pool_diameter"] = None  # the ring would follow from it
    seen = made.look(**values)
    first = made.burn(1, made.look()) if number > 1 else None
    burn = made.burn(number, seen)
    candle = made.candle(*(one for one in (first, burn) if one), setup=setup)
    found = judge_burn(shipped(), candle, burn).findings
    return next((one for one in found if one.rule == rule), None)


@pytest.mark.parametrize("row", LOOKS + ENDS, ids=lambda row: f"{row[0]}-{row[6]}")
def test_just_inside_just_outside_too_close_and_missing(made, row):
    rule, *_, inside, outside, close, source = row
    severity = shipped()[rule].severity
    assert finding(made, row, inside).severity == "fine"
    assert finding(made, row, outside).severity == severity
    assert finding(made, row, close).severity == "close"
    assert finding(made, row, None).severity == "missing"
    assert source in finding(made, row, outside).source


def test_every_rule_that_looks_at_a_candle_has_its_row():
    tested = {row[0] for row in LOOKS + ENDS} | {"flame_flicker", "full_too_early"}
    whole = {"burn_rate_small", "burn_rate_middle", "burn_rate_large", "room_window", "rest_before", "trim_window"}
    rules = {one.key for one in shipped() if one.at in ("look", "end", "burn")}
    assert rules == tested | whole


@pytest.mark.parametrize(
    ("rule", "bore", "field", "inside", "outside", "close"),
    [
        ("burn_rate_small", 55.0, "burn_rate", (3.5, 0.05), (4.8, 0.05), (4.5, 0.05)),
        ("burn_rate_middle", 75.0, "burn_rate", (5.5, 0.05), (3.5, 0.05), (4.0, 0.05)),
        ("burn_rate_large", 85.0, "burn_rate", (6.0, 0.05), (9.0, 0.05), (8.0, 0.05)),
    ],
)
def test_burn_rate_by_bore(made, rule, bore, field, inside, outside, close):
    for value, severity in ((inside, "fine"), (outside, "watch"), (close, "close")):
        burn = made.burn(3, burn_rate=Quantity(*value, "g/h"))
        candle = made.candle(burn, setup=replace(made.setup, bore_mm=bore))
        found = next(one for one in judge_burn(shipped(), candle, burn).findings if one.rule == rule)
        assert found.severity == severity
        assert "memory" in found.source


@pytest.mark.parametrize(
    ("rule", "field", "inside", "outside", "close"),
    [
        ("room_window", "room_c", 21.0, 30.0, 27.0),
        ("rest_before", "rest_min", 240.0, 40.0, 60.0),
        ("trim_window", "trimmed_mm", 6.0, 13.0, 10.0),
    ],
)
def test_how_the_burn_was_set_up(made, rule, field, inside, outside, close):
    for value, severity in ((inside, "fine"), (outside, "watch"), (close, "close"), (None, "missing")):
        burn = made.burn(3, **{field: value})
        found = next(one for one in judge_burn(shipped(), made.candle(burn), burn).findings if one.rule == rule)
        assert found.severity == severity


def test_flicker_is_judged_by_its_share_of_the_flame(made):
    for amplitude, severity in ((2.0, "fine"), (9.0, "watch"), (5.0, "close")):
        look = made.look(flame_height=(20.0, 0.3), flicker_amplitude=(amplitude, 0.2))
        burn = made.burn(3, look)
        found = judge_look(shipped(), made.candle(burn), burn, look).findings
        assert next(one for one in found if one.rule == "flame_flicker").severity == severity


@pytest.mark.parametrize(("first_full", "severity"), [(70.0, "watch"), (230.0, "fine")])
def test_full_long_before_an_hour_per_inch_is_hot(made, first_full, severity):
    # 75 mm: 2.95 h by the rule (177 min); the moment lies between two looks, so its u is that of the gap.
    gap = (made.look(first_full - 10, hangup_max=(6.0, 0.3)), made.look(first_full, hangup_max=(0.3, 0.3)))
    burn = made.burn(3, *gap)
    found = judge_burn(shipped(), made.candle(burn), burn).findings
    assert next(one for one in found if one.rule == "full_too_early").severity == severity


def test_first_seen_full_after_a_long_gap_is_too_close_to_call(made):
    burn = made.burn(3, made.look(200, hangup_max=(0.3, 0.3)))
    share = derived.full_melt_share(made.candle(burn), burn)
    assert share is not None
    assert stand(share, shipped()["full_too_early"]) is Standing.CLOSE


# ---- the words of a look, a burn, a life ---------------------------------------------------------------------------


def test_a_stop_is_said_first_and_before_any_number(made):
    look = made.look(flame_height=(90.0, 1.0), soot_delta_L=(-9.0, 0.8))
    burn = made.burn(3, look)
    verdict = judge_look(shipped(), made.candle(burn), burn, look)
    assert verdict.word == "stop now"
    assert verdict.said()[0].startswith("STOP: ")
    assert "put it out" in verdict.said()[0]
    assert verdict.said()[0].index("put it out") < verdict.said()[0].index("90")


def test_a_limit_within_two_u_is_no_pass(made):
    look = made.look(flame_height=(74.0, 1.0))
    burn = made.burn(3, look)
    verdict = judge_look(shipped(), made.candle(burn), burn, look)
    assert verdict.word == "watch"
    assert any(line.startswith("too close to call") for line in verdict.said())


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"wax_left_level": (12.7, 0.5)}, "watch"),  # near a stop
        ({"carbon_ball_diameter": (3.0, 0.4)}, "too close to call"),
        ({}, "fine"),
    ],
)
def test_close_to_a_limit_is_never_fine(made, values, word):
    look = made.look(**values)
    burn = made.burn(3, look)
    assert judge_look(shipped(), made.candle(burn), burn, look).word == word


def test_what_shows_of_a_flame_can_stop_but_never_pass(made):
    for visible, severity in ((80.0, "stop"), (40.0, "missing")):
        look = made.look(flame_height=None, flame_height_visible=(visible, 0.5))
        burn = made.burn(3, look)
        found = judge_look(shipped(), made.candle(burn), burn, look).findings
        assert next(one for one in found if one.rule == "flame_height_limit").severity == severity


def test_the_tallest_flame_of_a_clip_counts(made):
    look = made.look(flame_height=(60.0, 0.5), flame_height_max=(82.0, 0.5))
    burn = made.burn(3, look)
    assert judge_look(shipped(), made.candle(burn), burn, look).word == "stop now"


def test_without_the_flame_a_look_is_fine_only_as_far_as_seen(made):
    look = made.look(flame_height=None)
    burn = made.burn(3, look)
    verdict = judge_look(shipped(), made.candle(burn), burn, look)
    assert verdict.word == "fine as far as was seen"
    assert any("not seen" in line and "flame" in line for line in verdict.said())


def test_a_look_without_any_value_tells_nothing(made):
    look = made.look(**dict.fromkeys(made.good))
    burn = made.burn(3, look)
    assert judge_look(shipped(), made.candle(burn), burn, look).word == "cannot tell"


def test_flags_and_incidents_stop(made):
    look = replace(made.look(), flags=("wick-adrift", "focal-assumed"))
    burn = made.burn(3, look)
    assert judge_look(shipped(), made.candle(burn), burn, look).word == "stop now"
    cracked = made.burn(3, incidents=(Incident("cracked", "The vessel cracked.", "ASTM F2417-23 4.2", 100.0),))
    verdict = judge_burn(shipped(), made.candle(cracked), cracked)
    assert verdict.word == "stop"
    assert "cracked" in verdict.said()[0]


def test_several_wicks_are_not_judged_by_their_distance_from_the_axis(made):
    setup = replace(made.setup, wick_count=2)
    look = made.look(wick_offset=(30.0, 0.5), flame_count=(2.0, 0.05))
    burn = made.burn(3, look)
    assert judge_look(shipped(), made.candle(burn, setup=setup), burn, look).word == "fine"


@pytest.mark.parametrize(
    ("values", "number", "word"),
    [
        ({}, 3, "in range"),
        ({"hangup_mean": (5.0, 0.3)}, 3, "runs cool"),
        ({"hangup_mean": (5.0, 0.3)}, 1, "in range"),  # early burns are judged mildly
        ({"soot_delta_L": (-9.0, 0.8)}, 3, "runs hot"),
        ({"flame_height": (28.0, 0.5)}, 3, "in range, with one sign of running hot"),
        ({"flame_height": (28.0, 0.5), "carbon_ball_diameter": (5.0, 0.4)}, 3, "runs hot"),
        ({"soot_delta_L": (-9.0, 0.8), "hangup_mean": (5.0, 0.3)}, 3, "mixed signs"),
        ({"hangup_mean": (3.0, 0.3)}, 3, "too close to call"),
        ({"hangup_mean": None, "pool_diameter": None}, 3, "cannot tell"),
        ({"flame_height": (80.0, 0.5)}, 3, "stop"),
        ({"wax_left_level": (8.0, 0.3)}, 3, "in range"),  # used up: a stop to be said, but no fault of the wick
    ],
)
def test_the_word_of_a_burn(made, values, number, word):
    burn = made.burn(number, made.look(**values))
    assert judge_burn(shipped(), made.candle(burn), burn).word == word


def test_wax_nearly_gone_is_still_a_stop_at_the_look(made):
    burn = made.burn(9, made.look(wax_left_level=(8.0, 0.3)))
    verdict = judge_burn(shipped(), made.candle(burn), burn)
    assert verdict.said()[0].startswith("STOP")
    assert verdict.looks[0].word == "stop now"


def test_a_burn_that_still_runs_is_not_judged_by_its_end(made):
    burn = made.burn(3, made.look(60.0, hangup_mean=(15.0, 0.3), pool_diameter=(25.0, 0.5)), minutes=None)
    verdict = judge_burn(shipped(), made.candle(burn), burn)
    assert verdict.word == "in range"
    assert "still burns" in " ".join(verdict.said())


def life(made, **by_burn):
    """Six burns; each name gives six values, u as in a good look."""
    burns = []
    for number in range(1, 7):
        values = {
            name: None if seen[number - 1] is None else (seen[number - 1], made.good[name][1])
            for name, seen in by_burn.items()
        }
        burns.append(made.burn(number, made.look(**values)))
    return made.candle(*burns, over=True)


def test_a_good_life_is_in_range_and_its_thirds_are_told(made):
    verdict = judge_candle(shipped(), life(made))
    assert verdict.word == "in range"
    assert [third for third, _ in verdict.thirds] == ["top", "middle", "last"]
    assert not verdict.provisional


def test_a_ring_that_grows_is_tunnelling(made):
    verdict = judge_candle(shipped(), life(made, hangup_mean=(3.0, 4.2, 5.5, 6.8, 8.1, 9.5)))
    assert verdict.word == "runs cool"
    assert any(one.rule == "hang_up_growth" and one.severity == "watch" for one in verdict.findings)


def test_a_ring_that_melts_later_is_no_tunnelling(made):
    verdict = judge_candle(shipped(), life(made, hangup_mean=(7.5, 5.0, 2.0, 1.0, 0.5, 0.5)))
    assert verdict.word == "in range"


def test_growth_of_a_ring_just_inside_outside_and_too_close(made):
    for step, severity in ((0.1, "fine"), (1.0, "watch"), (0.5, "close")):
        rings = tuple(3 + step * index for index in range(6))
        found = judge_candle(shipped(), life(made, hangup_mean=rings)).findings
        assert next(one for one in found if one.rule == "hang_up_growth").severity == severity


def test_soot_that_begins_late_is_said(made):
    found = judge_candle(shipped(), life(made, soot_delta_L=(0.0, 0.0, 0.0, 0.0, -8.0, -10.0))).findings
    assert any(one.rule == "soot_late" for one in found)
    early = judge_candle(shipped(), life(made, soot_delta_L=(-8.0, -9.0, -9.0, -10.0, -10.0, -12.0))).findings
    assert not any(one.rule == "soot_late" for one in early)
    unseen = judge_candle(shipped(), life(made, soot_delta_L=(None, None, None, None, -8.0, -10.0))).findings
    assert not any(one.rule == "soot_late" for one in unseen)  # nobody looked before: not known to be late


def test_going_out_with_wax_left_is_drowning_but_at_the_end_it_is_not(made):
    burn = made.burn(2, out_how="by-itself")
    for level, drowned in ((40.0, True), (9.0, False)):
        verdict = judge_candle(shipped(), made.candle(burn, level_left_mm=Quantity(level, 0.5, "mm"), over=True))
        assert any(one.rule == "drowned" and one.severity == "watch" for one in verdict.findings) is drowned
    assert any(
        one.rule == "drowned" and one.severity == "missing"
        for one in judge_candle(shipped(), made.candle(burn)).findings
    )


def test_a_wick_once_adrift_stays_a_stop(made):
    verdict = judge_candle(shipped(), life(made, wick_offset=(1.0, 1.0, 9.0, 1.0, 1.0, 1.0)))
    assert verdict.word == "unsafe as tested"
    assert verdict.said()[0].startswith("STOP")
    stops = [line for line in verdict.said() if line.startswith("STOP")]
    assert len(stops) == 1  # the burn's own stop says less
    assert "Not to be lit again" in stops[0]


@pytest.mark.parametrize(("hours", "severity"), [(4.3, "fine"), (3.5, "watch"), (4.0, "close")])
def test_a_tea_lights_burning_time(made, hours, severity):
    # RAL-GZ 041/3: at least four hours.
    setup = replace(made.setup, vessel="tin", vessel_kind="tea-light", bore_mm=37.0, wick=Size("small"))
    burn = made.burn(1, minutes=Quantity(60 * hours, 1.0, "min"), out_how="by-itself", kind="burn-out")
    verdict = judge_candle(shipped(), made.candle(burn, setup=setup, over=True))
    assert next(one for one in verdict.findings if one.rule == "tea_light_burn_time").severity == severity


def test_an_hour_per_inch():
    # Facts T23: bores of 75 and 50 mm.
    assert derived.hour_per_inch_h(75) == pytest.approx(2.95, abs=0.005)
    assert derived.hour_per_inch_h(50) == pytest.approx(1.97, abs=0.005)


def test_uncertainty_of_ratios_and_differences_adds_in_quadrature():
    # JCGM 100:2008, 5.1.2: (50 ± 1) / (25 ± 1) is 2 ± √(0.04² + 0.08²); (50 ± 3) − (20 ± 4) is 30 ± 5.
    share = derived.ratio(Quantity(50, 1, "mm"), Quantity(25, 1, "mm"), "1")
    assert (share.value, share.u) == pytest.approx((2.0, 0.0894), abs=5e-5)
    gap = derived.difference(Quantity(50, 3, "mm"), Quantity(20, 4, "mm"))
    assert (gap.value, gap.u) == (30.0, 5.0)
    with pytest.raises(ValueError, match="above zero"):
        derived.ratio(Quantity(50, 1, "mm"), Quantity(0, 1, "mm"), "1")


def test_a_value_in_another_unit_is_refused():
    with pytest.raises(ValueError, match="is in mm, not in"):
        stand(Quantity(3.0, 0.1, "in"), shipped()["flame_height_limit"])


# ---- what notes say, and photos taken after snuffing -----------------------------------------------------------------


def said(made, *claims, number=3, minutes=240.0, **values):
    """The verdict on a burn whose one look holds these (quantity, state) claims of a note."""
    look = replace(made.look(minutes, **values), said=tuple(Said(q, s, f"{s} {q}") for q, s in claims))
    burn = made.burn(number, look)
    return judge_burn(shipped(), made.candle(burn), burn)


def test_the_eye_counts_where_nothing_was_measured_and_only_there(made):
    for values, counts in (({"soot_delta_L": None}, True), ({"soot_delta_L": (-0.2, 0.8)}, False)):
        found = said(made, ("soot", "heavy"), **values).findings
        assert any(one.rule == "eye_soot" for one in found) is counts


def test_the_eye_never_decides_alone_but_two_signs_do(made):
    blind = {"soot_delta_L": None, "carbon_ball_diameter": None}
    assert said(made, ("soot", "heavy"), **blind).word == "in range, with one sign of running hot"
    assert said(made, ("soot", "heavy"), ("carbon-ball", "large"), **blind).word == "runs hot"


def test_a_ring_by_eye_is_judged_late_and_not_in_the_first_burns(made):
    blind = {"hangup_mean": None, "pool_diameter": None, "pool_depth": (9.0, 0.6)}
    for number, minutes, told in ((3, 240.0, True), (1, 240.0, False), (3, 60.0, False)):
        found = said(made, ("hang-up", "heavy"), number=number, minutes=minutes, **blind).findings
        assert any(one.rule == "eye_hang-up" for one in found) is told


def test_a_wick_that_a_note_calls_adrift_is_a_stop_whatever_the_photo_shows(made):
    verdict = said(made, ("wick", "adrift"))
    assert verdict.word == "stop"
    assert "by eye" in verdict.said()[0]


def test_every_state_judged_by_eye_is_one_the_reader_of_notes_knows():
    assert all(state in STATES[quantity] for quantity, state in SIGNS)


def test_a_photo_after_snuffing_tells_of_wick_and_soot_but_not_of_the_pool(made):
    snuffed = Look(241.0, made.quantities(wick_offset=(30.0, 0.5), soot_delta_L=(-9.0, 0.8)), lit=False)
    burn = made.burn(3, made.look(), snuffed)
    verdict = judge_burn(shipped(), made.candle(burn), burn)
    rules = {one.rule: one.severity for one in verdict.findings}
    assert rules["wick_to_wall"] == "stop"
    assert rules["soot"] == "watch"
    assert rules["hang_up"] == "fine"  # still judged by the look at the burning candle
    assert rules["flame_height_limit"] == "fine"


def test_only_a_photo_after_snuffing_is_no_look_at_the_burn(made):
    burn = made.burn(3, Look(240.0, made.quantities(wick_offset=(1.0, 0.5)), lit=False))
    verdict = judge_burn(shipped(), made.candle(burn), burn)
    assert verdict.word == "cannot tell"
    assert any("any look at it alight" in line for line in verdict.said())


def test_a_wick_is_held_to_where_it_stood_in_the_new_candle(made):
    burn = made.burn(1, made.look(wick_offset=(9.0, 0.4)))
    for new, word in (({"wick_offset": (1.0, 0.4)}, "stop"), ({}, "in range")):
        candle = made.candle(burn, new_values=made.quantities(**new))
        assert judge_burn(shipped(), candle, burn).word == word
