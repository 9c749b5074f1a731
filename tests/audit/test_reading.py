"""The settled readings of notes, one test each, and a floor under the scores of every corpus."""

import importlib.util
import sys
import tomllib
from pathlib import Path

import pytest

from pooleye.audit.claims import STATES, Claim
from pooleye.audit.reading import claims_for, explain, read_note

HERE = Path(__file__).parent
_spec = importlib.util.spec_from_file_location("score_notes", HERE / "score_notes.py")
score_notes = importlib.util.module_from_spec(_spec)
sys.modules["score_notes"] = score_notes
_spec.loader.exec_module(score_notes)


def said(note):
    """The note's claims as short tuples: quantity, state, value, unit."""
    return [(c.quantity, c.state, c.value, c.unit) for c in read_note(note).claims]


def states(note):
    return [(c.quantity, c.state) for c in read_note(note).claims]


@pytest.mark.parametrize(
    ("corpus", "notes", "precision", "recall"),
    [
        # A little under what is reached, so that no change may lose what was understood; the first, honest scores of
        # the held-out sets are in docs/audit.md.
        ("development.toml", 147, 0.99, 0.99),
        ("held_out_1.toml", 60, 0.97, 0.95),
        ("held_out_2.toml", 30, 0.94, 0.95),
        ("held_out_3.toml", 30, 0.97, 0.97),
        ("held_out_4.toml", 30, 0.96, 0.96),
        ("held_out_5.toml", 60, 0.96, 0.95),
        ("held_out_6.toml", 40, 0.93, 0.95),
        ("held_out_7.toml", 30, 0.91, 0.94),
    ],
)
def test_corpus_keeps_its_score(corpus, notes, precision, recall):
    score = score_notes.score_file(HERE / "notes" / corpus)
    assert score.notes == notes
    assert score.precision >= precision
    assert score.recall >= recall
    assert score.incidents_found == score.incidents_expected


def test_contract_example():
    (claim,) = read_note("left side has a faint smudge").claims
    assert claim.to_json() == {
        "quantity": "soot", "state": "slight", "value": None, "unit": None, "where": "left", "superseded": False,
        "hedged": True, "words": "left side has a faint smudge",
    }  # fmt: skip


def test_bare_presence_has_no_state():
    assert states("sooting") == [("soot", None)]


def test_time_of_becoming_full_is_a_value_and_the_hour_of_a_checkpoint_is_none():
    assert said("full at 3h10") == [("melt-pool", "full", 190, "min")]
    assert said("2h check: full") == [("melt-pool", "full", None, None)]
    assert said("not full until 4h") == [("melt-pool", "full", 240, "min")]


def test_change_over_time_is_no_withdrawal():
    claims = read_note("steady at first, dancing by hour three").claims
    assert [(c.state, c.superseded) for c in claims] == [("steady", False), ("dancing", False)]


@pytest.mark.parametrize(
    ("note", "expected"),
    [
        ("gone from steady to quite flickery", [("flame-motion", "steady"), ("flame-motion", "flickering")]),
        ("soot went from slight to heavy", [("soot", "slight"), ("soot", "heavy")]),
        ("soot light to moderate", [("soot", "moderate")]),
    ],
)
def test_a_state_that_changed_is_two_claims_and_a_range_of_words_is_the_graver(note, expected):
    assert states(note) == expected


def test_settling_to_a_number_says_nothing_of_steadiness():
    assert said("flame settled to 20 mm") == [("flame-height", None, 20.0, "mm")]


@pytest.mark.parametrize(
    "note",
    [
        "full, but a sliver of hard wax at the back",
        "hang-up at 10 o'clock, otherwise full melt pool",
        "full melt pool except 4 mm at the back",
    ],
)
def test_full_except_at_one_place_is_nearly_full(note):
    assert ("melt-pool", "nearly-full") in states(note)


def test_full_with_hang_up_all_round_is_left_as_said():
    assert ("melt-pool", "full") in states("full melt pool, but hang-up all round")


def test_degrees_of_a_lean_are_no_temperature():
    assert said("wick leaning left, maybe 15 degrees") == [("wick", "leaning", 15.0, "deg")]


def test_withdrawn_claim_is_kept_and_marked():
    claims = read_note("Full pool. Scratch that, nearly full.").claims
    assert [(c.state, c.superseded) for c in claims] == [("full", True), ("nearly-full", False)]


def test_corrected_number_takes_quantity_and_unit_from_what_it_corrects():
    claims = read_note("pool 52 mm, sorry, 58").claims
    assert [(c.quantity, c.value, c.unit, c.superseded) for c in claims] == [
        ("melt-pool", 52, "mm", True),
        ("melt-pool", 58, "mm", False),
    ]


@pytest.mark.parametrize("note", ["less soot than last burn", "taller flame than yesterday", "soot same as last time"])
def test_bare_comparison_is_no_claim_but_is_listed(note):
    reading = read_note(note)
    assert reading.claims == ()
    assert [u.why for u in reading.unread] == ["comparison"]


def test_range_gives_its_midpoint():
    assert said("pool 45-50 mm") == [("melt-pool", None, 47.5, "mm")]
    assert said("flame grew from 15 to 25 mm") == [
        ("flame-height", None, 15, "mm"),
        ("flame-height", None, 25, "mm"),
    ]


def test_unit_said_once_serves_the_numbers_beside_it():
    assert said("pool 52, depth 8 and flame 20 mm") == [
        ("melt-pool", None, 52, "mm"),
        ("pool-depth", None, 8, "mm"),
        ("flame-height", None, 20, "mm"),
    ]


def test_number_without_any_unit_is_listed_not_guessed():
    reading = read_note("pool 52")
    assert reading.claims == ()
    assert reading.unread[0].why == "number-without-unit"


def test_mark_out_of_five_has_no_value():
    assert said("hot throw 4/5, soot 0/5") == [("hot-throw", "strong", None, None), ("soot", "none", None, None)]


@pytest.mark.parametrize("note", ["smoked a bit when I blew it out", "Snuffed it. Clouds of smoke.", "no afterglow"])
def test_smoke_after_snuffing_is_no_claim(note):
    assert states(note) == []


def test_candle_that_went_out_is_drowned_only_if_wax_is_blamed():
    assert states("went out by itself at 2h") == []
    assert states("went out by itself, flooded with wax") == [("wick", "drowned")]


def test_state_and_number_said_together_are_one_claim():
    assert said("deep pool, 15 mm") == [("pool-depth", "deep", 15, "mm")]


def test_same_thing_said_twice_is_one_claim():
    assert states("no soot at all. Rim clean. Not a mark on the glass.") == [("soot", "none")]


def test_another_candles_faults_are_not_this_ones():
    reading = read_note("no soot here but candle B next to it is smoking like a chimney")
    assert [(c.quantity, c.state) for c in reading.claims] == [("soot", "none")]
    assert "other-candle" in [u.why for u in reading.unread]


def test_several_candles_in_one_note_are_told_apart():
    reading = read_note("candle A full pool no soot candle B tunnelling bad candle C steady flame")
    assert [(c.candle, c.quantity) for c in reading.claims] == [
        ("A", "melt-pool"), ("A", "soot"), ("B", "tunnelling"), ("C", "flame-motion"),
    ]  # fmt: skip
    assert [c.quantity for c in claims_for(reading, "B")] == ["tunnelling"]


@pytest.mark.parametrize(
    ("note", "kind"),
    [
        ("heard a ping from the glass", "vessel-cracked"),
        ("the mushroom dropped and there was a second flame", "second-flame"),
        ("it flared up when I trimmed it", "flare-up"),
        ("the jar fell over", "fell-over"),
        ("wick came loose and floated off", "wick-adrift"),
        ("flame touching the side of the jar", "wick-adrift"),
        ("it went out on its own", "self-extinguished"),
        ("jar crakced at the base", "vessel-cracked"),
        ("jar craked", "vessel-cracked"),
        ("two separate flames", "second-flame"),
        ("the whole surface was burning", "flare-up"),
        ("container blew apart", "vessel-cracked"),
        ("the bottom fell out", "vessel-cracked"),
        ("huge flame shot up", "flare-up"),
        ("paper nearby started to smoulder", "flare-up"),
        ("match head in the pool started burning", "second-flame"),
        ("left it alone for an hour, forgot about it", "unattended"),
        ("crack in the glass, wax everywhere", "vessel-cracked"),
    ],
)
def test_words_of_danger_become_incidents_to_confirm(note, kind):
    assert kind in [incident.kind for incident in read_note(note).incidents]


@pytest.mark.parametrize(
    "note",
    [
        "no cracks",
        "no sign of cracking",
        "no cracks or leaks",
        "put the candle out",
        "glass uncracked",
        "didn't crack",
        "no second flame, no flare ups",
        "it never tipped",
        "frosting and a small crack in the wax surface",
        "two wicks, two flames, both steady",
    ],
)
def test_plainly_denied_danger_is_no_incident(note):
    assert read_note(note).incidents == ()


def test_a_known_code_is_a_candles_label_and_this_one_leads_back():
    codes = {"MAKX", "4AYJ"}
    turns = read_note("MAKX: full melt pool. 4AYJ: slight soot", codes=codes)
    assert [(c.candle, c.quantity) for c in turns.claims] == [("MAKX", "melt-pool"), ("4AYJ", "soot")]
    back = read_note("4AYJ is sooting, this one is clean", codes=codes)
    assert [(c.candle, c.quantity, c.state) for c in back.claims] == [(None, "soot", "none")]
    assert "other-candle" in [one.why for one in back.unread]


@pytest.mark.parametrize("number", range(4))
def test_every_way_of_saying_a_danger_is_raised_and_harmless_words_are_not(number):
    """The first scores, before the reader was improved on them, are in docs/audit.md."""
    found = tomllib.loads((HERE / "dangers.toml").read_text("utf-8"))["round"][number]
    assert [text for text in found["dangers"] if not read_note(text).incidents] == []
    assert [text for text in found["harmless"] if read_note(text).incidents] == []


def test_a_flame_as_high_as_no_candles_may_be_is_a_danger_whatever_else_is_said():
    assert [incident.kind for incident in read_note("lovely flame, 80 mm").incidents] == ["flare-up"]
    assert read_note("lovely flame, 30 mm").incidents == ()


def test_what_is_not_understood_is_listed_with_its_reason():
    reading = read_note("full pool. blorping along the zizzle. wick down next time")
    lines = [explain(u) for u in reading.unread]
    assert any("blorping" in line and line.startswith("not understood") for line in lines)
    assert any("plan" in line for line in lines)


def test_nothing_is_made_of_plans_and_other_burns():
    assert states("if it soots again, wick down") == []
    assert states("last burn it tunnelled") == []
    assert states("watch for hang-up next time") == []


@pytest.mark.parametrize(
    ("note", "expected"),
    [
        ("soot", ("soot", None, False)),
        ("maybe soot", ("soot", None, True)),
        ("hardly any soot", ("soot", "slight", True)),
        ("a bit of soot", ("soot", "slight", True)),
        ("slight soot", ("soot", "slight", False)),
        ("soot?", ("soot", None, True)),
    ],
)
def test_hedges(note, expected):
    (claim,) = read_note(note).claims
    assert (claim.quantity, claim.state, claim.hedged) == expected


@pytest.mark.parametrize(
    ("note", "where"),
    [
        ("soot on the rim, left side", "rim, left"),
        ("black on the lip from 9 to 12 o'clock", "rim, 9 to 12 o'clock"),
        ("wax left on the wall", "wall"),
        ("hang-up left and right", "left and right"),
        ("hu 3mm L", "left"),
    ],
)
def test_places(note, where):
    assert read_note(note).claims[0].where == where


@pytest.mark.parametrize(
    ("british", "american"),
    [
        ("wick off centre, grey film on the glass", "wick off center, gray film on the glass"),
        ("tunnelling", "tunneling"),
    ],
)
def test_british_and_american_spelling_read_alike(british, american):
    assert states(british) == states(american)


@pytest.mark.parametrize(
    ("note", "expected"),
    [
        ("tunelling moderatly", ("tunnelling", "moderate")),
        ("mushrom smal", ("carbon-ball", "small")),
        ("flaem flikering", ("flame-motion", "flickering")),
        ("glas hott", ("vessel-heat", "hot")),
        ("hevy sooot", ("soot", "heavy")),
    ],
)
def test_misspellings(note, expected):
    assert states(note) == [expected]


@pytest.mark.parametrize("note", ["the week before was mild", "poll the members", "a thick stick"])
def test_english_words_near_trade_words_are_left_alone(note):
    assert states(note) == []


def test_claims_quote_the_testers_own_words():
    note = "Flame’s tall — 45 mm. Soot on the left."
    for claim in read_note(note).claims:
        assert claim.words == note[slice(*claim.span)].strip()


@pytest.mark.parametrize(
    "note", ["", "   ", "\n\n", "?!", "½", "3/5", "-", "a" * 5000, "no " * 400, "#", "T+", "soot," * 200, "🔥 full 🔥"]
)
def test_odd_notes_do_no_harm(note):
    for claim in read_note(note).claims:
        assert claim.state is None or claim.state in STATES[claim.quantity]


def test_claim_refuses_states_and_half_numbers_that_do_not_exist():
    with pytest.raises(ValueError, match="no state"):
        Claim("soot", "enormous", "x", (0, 1))
    with pytest.raises(ValueError, match="uncertainty"):
        Claim("soot", None, "x", (0, 1), value=3.0, unit="mm")
