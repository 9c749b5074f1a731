"""The audit of a log: claims beside measurements, what has no partner, settling, and the tester's eye."""

from __future__ import annotations

import json

import pytest

from pooleye.audit import service
from pooleye.burnlog import looks
from pooleye.burnlog.corrections import strike
from pooleye.burnlog.results import as_json
from pooleye.errors import PooleyeError

CLEAN = [-0.4] * 12
SMUDGED = [-0.4] * 9 + [-14.0, -18.0, -12.0]


def verdicts(audit):
    return [(row.quantity, row.state, row.verdict) for row in audit.rows]


def test_a_claim_is_held_against_the_photo_of_its_own_checkpoint(bench):
    a, b, _ = bench.codes
    bench.photo(a, 60, pool_coverage=(0.40, 0.02))
    shot = bench.photo(a, 120, pool_coverage=(0.99, 0.01))
    bench.photo(b, 60, pool_coverage=(0.99, 0.01))
    bench.note(a, 60, "full melt pool")
    bench.note(a, 121, "full melt pool")
    found = service.audit_of(bench.workspace)
    assert verdicts(found) == [("melt-pool", "full", "contradicts"), ("melt-pool", "full", "agrees")]
    early, late = found.rows
    assert (early.candle, early.burn, early.minutes, early.tester) == (a, 1, 60, "Ida")
    assert (early.value, early.u, early.source) == (0.40, 0.02, "shot_1.jpg")
    # Outside "full" (from 0.95) by 0.55; vagueness 0.03 rectangular: 0.55 / hypot(0.02, 0.03/sqrt 3) = 20.8.
    assert early.gap_u == pytest.approx(-20.8, abs=0.1)
    assert late.source == shot
    assert late.minutes == 120


def test_soot_at_one_place_contradicts_a_clean_rim_but_no_word_between_mean_and_worst(bench):
    a, b, _ = bench.codes
    for code, sectors, arc in ((a, SMUDGED, 90.0), (b, CLEAN, 0.0)):
        bench.photo(code, 120, sectors, soot_delta_L=(sum(sectors) / 12, 0.6), soot_arc=(arc, 20.0))
    for words in ("no soot at all", "slight soot", "heavy soot on the left"):
        bench.note(a, 120, words)
        bench.note(b, 120, words)
    told = {(row.candle, row.state): row.verdict for row in service.audit_of(bench.workspace).rows}
    assert told == {
        (a, "none"): "contradicts", (a, "slight"): "agrees", (a, "heavy"): "cannot-tell",
        (b, "none"): "agrees", (b, "slight"): "cannot-tell", (b, "heavy"): "contradicts",
    }  # fmt: skip


def test_a_faint_film_over_half_the_wall_contradicts_a_clean_rim(bench):
    a, *_ = bench.codes
    film = [-5.0] * 6 + [-0.2] * 6
    bench.photo(a, 120, film, soot_delta_L=(-2.6, 0.6), soot_arc=(180.0, 20.0))
    bench.note(a, 120, "no soot")
    (row,) = service.audit_of(bench.workspace).rows
    assert (row.verdict, row.measured) == ("contradicts", "soot_arc")
    # Half a clock sector, 15 degrees, is allowed for, rectangular: 165 / hypot(20, 15/sqrt 3) = 7.6.
    assert row.gap_u == pytest.approx(7.57, abs=0.01)


def test_full_at_a_time_is_held_against_the_first_photo_from_then_on(bench):
    a, *_ = bench.codes
    bench.photo(a, 120, pool_coverage=(0.60, 0.02))
    bench.photo(a, 200, pool_coverage=(0.99, 0.01))
    bench.note(a, 240, "full at 3h10")
    bench.note(a, 240, "FMP after 1h30")
    late, early = service.audit_of(bench.workspace).rows
    assert (late.verdict, late.source) == ("agrees", "shot_2.jpg")
    assert (early.verdict, early.source) == ("contradicts", "shot_1.jpg")


def test_claims_without_photo_photos_without_note_and_what_was_not_read_are_listed(bench):
    a, b, _ = bench.codes
    bench.note(a, 60, "slight soot, flame steady, strong hot throw, the dog ate purple string")
    shot = bench.photo(b, 60, pool_coverage=(0.5, 0.02))
    bench.photo(b, None, phase="new", pool_coverage=(0.0, 0.02))
    found = service.audit_of(bench.workspace)
    (alone,) = found.without_photo
    assert (alone.candle, alone.minutes, alone.words) == (a, 60, ("slight soot", "flame steady"))
    (unseen,) = found.without_note
    assert (unseen.candle, unseen.photos) == (b, (shot,))
    assert any("purple" in one.words for one in found.not_understood)
    assert {row.verdict for row in found.rows} == {"cannot-tell"}
    assert any(line.startswith("not read: ") and "purple" in line for line in found.said())


def test_a_declined_photo_says_why_a_claim_cannot_be_told(bench):
    a, *_ = bench.codes
    bench.photo(a, 60, declined="too-dark")
    bench.note(a, 60, "full melt pool")
    (row,) = service.audit_of(bench.workspace).rows
    assert row.verdict == "cannot-tell"
    assert "shot_1.jpg could not be measured" in row.why
    assert service.audit_of(bench.workspace).without_photo == ()


def test_a_photo_from_above_taken_for_one_from_the_side_is_not_believed(bench):
    a, *_ = bench.codes
    bench.photo(a, 60, view="side", flags=("view-uncertain", "flame-none"), pool_depth=(25.0, 1.0))
    bench.note(a, 60, "pool 8 mm deep")
    (row,) = service.audit_of(bench.workspace).rows
    assert row.verdict == "cannot-tell"
    assert "may be from above" in row.why


def test_soot_seen_from_above_goes_before_soot_seen_from_the_side(bench):
    a, *_ = bench.codes
    bench.photo(a, 120, view="side", soot_delta_L=(0.0, 0.2))
    bench.photo(a, 120, SMUDGED, soot_delta_L=(-4.0, 0.8), soot_arc=(90.0, 20.0))
    bench.note(a, 120, "no soot")
    (row,) = service.audit_of(bench.workspace).rows
    assert (row.verdict, row.source) == ("contradicts", "shot_2.jpg")


def test_a_value_by_hand_counts_where_no_photo_shows_it(bench):
    a, *_ = bench.codes
    bench.photo(a, 240, pool_diameter=(50.0, 0.5))
    looks.measure_by_hand(bench.workspace, a, "heat", 30.0, who="Ida")
    looks.measure_by_hand(bench.workspace, a, "width", 70.0, who="Ida")
    bench.note(a, 240, "jar is hot, pool 70 mm wide")
    heat, pool = service.audit_of(bench.workspace).rows
    assert (heat.verdict, heat.source, heat.measured) == ("contradicts", "by hand", "vessel_temperature")
    assert (pool.verdict, pool.source, pool.value) == ("contradicts", "shot_1.jpg", 50.0)


def test_a_pool_is_not_read_from_a_photo_taken_after_snuffing(bench):
    a, *_ = bench.codes
    bench.out(a)
    bench.photo(a, None, SMUDGED, phase="after", pool_coverage=(0.3, 0.02), soot_delta_L=(-4.0, 0.6))
    bench.forward(minutes=10)
    bench.note(a, None, "full melt pool. No soot.")
    pool, soot = service.audit_of(bench.workspace).rows
    assert (pool.verdict, soot.verdict) == ("cannot-tell", "contradicts")
    assert pool.place == f"{a} after burn 1"


def test_words_of_danger_come_first_until_an_incident_or_a_person_answers_them(bench):
    a, b, _ = bench.codes
    bench.photo(a, 60, pool_coverage=(0.4, 0.02))
    bench.note(a, 60, "full melt pool")
    bench.note(b, 60, "the glass cracked!")
    bench.note(b, 120, "second flame in the pool")
    found = service.audit_of(bench.workspace)
    assert [one.kind for one in found.to_confirm] == ["vessel-cracked", "second-flame"]
    lines = found.said()
    assert lines[0].startswith("STOP: ")
    assert lines[1].startswith("STOP: ")
    assert lines[2].startswith("contradicts: ")
    looks.incident(bench.workspace, b, "cracked")
    service.settle(bench.workspace, found.to_confirm[1].id, "no-danger", by="Tom", why="a reflection")
    assert service.audit_of(bench.workspace).to_confirm == ()


def test_what_was_withdrawn_or_struck_out_is_not_audited(bench):
    a, *_ = bench.codes
    bench.photo(a, 60, pool_coverage=(0.4, 0.02))
    bench.note(a, 60, "full melt pool. scratch that, partial melt pool")
    struck = bench.note(a, 60, "full melt pool")
    strike(bench.workspace, "note", str(struck.note.note_id), "wrong jar")
    assert verdicts(service.audit_of(bench.workspace)) == [("melt-pool", "partial", "agrees")]


def test_scope_is_candles_a_trial_or_a_burn(bench):
    a, b, _ = bench.codes
    for code in (a, b):
        bench.note(code, 60, "slight soot")
    bench.out(a)
    bench.forward(hours=20)
    bench.light(a)
    bench.forward(hours=1)
    bench.note(a, 60, "no soot")
    log = bench.workspace
    assert [row.candle for row in service.audit_of(log).rows] == [a, a, b]
    assert [row.candle for row in service.audit_of(log, [b]).rows] == [b]
    assert [row.burn for row in service.audit_of(log, trial="which wick").rows] == [1, 2]
    assert [row.candle for row in service.audit_of(log, burn=2).rows] == [a]
    with pytest.raises(PooleyeError):
        service.audit_of(log, trial="which jar")


def test_what_a_note_says_of_another_candle_is_not_held_against_this_one(bench):
    a, b, _ = bench.codes
    bench.photo(a, 60, pool_coverage=(0.99, 0.01))
    bench.note(a, 60, f"{a}: full melt pool. {b}: partial melt pool")
    bench.note(a, 60, f"{a} full melt pool, same as {b}")
    found = service.audit_of(bench.workspace)
    assert verdicts(found) == [("melt-pool", "full", "agrees")] * 2
    assert any(f"about {b}, note it there" in one.why for one in found.not_understood)


# --- settling --------------------------------------------------------------------------------------------------------


@pytest.fixture
def contradicted(bench):
    a, *_ = bench.codes
    bench.photo(a, 60, pool_coverage=(0.4, 0.02), wick_offset=(1.0, 0.3))
    bench.note(a, 60, "full melt pool, wick centred")
    return bench


def test_a_settlement_is_kept_and_a_later_one_counts_instead(contradicted):
    log = contradicted.workspace
    line = service.audit_of(log).contradictions[0].id
    service.settle(log, line, "note-right", by="Ida", why="glare")
    done = service.settle(log, line, "photo-right", by="Tom", why="looked again")
    assert done.settlement.earlier == 1
    row = service.audit_of(log).contradictions[0]
    assert (row.settlement.verdict, row.settlement.who, row.settlement.why) == ("photo-right", "Tom", "looked again")
    assert not row.open
    with log.read() as session:
        from pooleye.burnlog.records import Settlement

        first, second = session.query(Settlement).order_by(Settlement.id)
        assert (first.verdict, first.value, first.measured) == ("note-right", 0.4, "pool_coverage")
        assert second.claimed["words"] == row.words
    everything, pool = service.audit_of(log).record.rows
    assert (everything.quantity, everything.record.photo_right, everything.record.note_right) == ("all", 1, 0)
    assert pool.quantity == "melt-pool"


def test_where_the_photo_was_wrong_the_maker_is_told_how_to_put_it_right(contradicted):
    log = contradicted.workspace
    line = service.audit_of(log).contradictions[0].id
    said = service.settle(log, line, "note-right").said()
    assert "pooleye adjust shot_1.jpg pool_coverage" in said[1]
    assert all(eye.quantity != "melt-pool" for eye in service.audit_of(log).eyes)


@pytest.mark.parametrize(
    ("line", "verdict", "reference"),
    [
        ("1.1", "no-danger", "unknown-verdict"),
        ("1.2", "photo-right", "no-contradiction"),
        ("9.1", "photo-right", "unknown-claim"),
    ],
)
def test_what_cannot_be_settled_is_refused(contradicted, line, verdict, reference):
    with pytest.raises(PooleyeError) as refused:
        service.settle(contradicted.workspace, line, verdict)
    assert refused.value.reference == reference
    assert service.audit_of(contradicted.workspace).record.rows == ()


def test_an_audit_is_plain_json(contradicted):
    plain = json.loads(json.dumps(as_json(service.audit_of(contradicted.workspace)), allow_nan=False))
    row = plain["rows"][0]
    assert (row["quantity"], row["verdict"], row["settlement"]) == ("melt-pool", "contradicts", None)
    assert set(plain) >= {"rows", "without_photo", "without_note", "not_understood", "to_confirm", "eyes", "between"}
