"""`pooleye audit` and `pooleye settle`, as a maker runs them."""

from __future__ import annotations

import json

import pytest


@pytest.fixture
def log(bench):
    a, b, _ = bench.codes
    bench.photo(a, 60, pool_coverage=(0.4, 0.02))
    bench.note(a, 60, "full melt pool, strong hot throw")
    bench.note(b, 60, "the glass cracked!", by="Tom")
    return bench


def run(command, bench, *arguments):
    return command(*arguments, "--workspace", str(bench.workspace.root))


def test_the_audit_says_dangers_then_contradictions_and_how_to_settle_them(log, command):
    a, b, _ = log.codes
    status, out, _ = run(command, log, "audit")
    assert status == 0
    first, second, *rest = out.splitlines()
    assert first.startswith(f"STOP: {b}: ")
    assert "pooleye settle 2.vessel-cracked no-danger" in first
    assert second.startswith(
        f"contradicts: {a} burn 1 at 1 h 00, Ida: “full melt pool”; share of the wax that is liquid 0.400 ± 0.020"
    )
    assert second.endswith("[1.1]")
    assert "pooleye settle 1.1" in out
    assert "certifies nothing" in rest[-1]


def test_settling_is_kept_and_told_by_the_next_audit(log, command):
    status, out, _ = run(command, log, "settle", "1.1", "photo-right", "--by", "Tom", "--why", "looked again")
    assert status == 0
    assert "settled by Tom: photo right (looked again)" in out
    _, out, _ = run(command, log, "audit", "--json")
    found = json.loads(out)
    assert found["rows"][0]["settlement"]["verdict"] == "photo-right"
    assert found["record"]["rows"][0]["record"]["photo_right"] == 1
    _, out, _ = run(command, log, "audit")
    assert "all: photo right 1, note right 0, both wrong 0" in out


def test_one_candle_a_trial_or_every_claim(log, command):
    a, b, _ = log.codes
    _, out, _ = run(command, log, "audit", b)
    assert "full melt pool" not in out
    _, out, _ = run(command, log, "audit", "--trial", "which wick", "--all")
    assert f"cannot tell: {a} burn 1 at 1 h 00, Ida: “strong hot throw”" in out
    assert out.index("contradicts: ") < out.index("cannot tell: ")
    status, _, err = run(command, log, "audit", b, "--trial", "which wick")
    assert status == 2
    assert "one of the two" in err


def test_a_line_that_is_not_there_is_refused_in_words(log, command):
    status, _, err = run(command, log, "settle", "7.7", "photo-right")
    assert status == 2
    assert "pooleye audit" in err


def test_a_makers_own_words_and_bands_hold_in_their_workspace(log, command):
    a, *_ = log.codes
    root = log.workspace.root
    (root / "lexicon.toml").write_text('[quantities.melt-pool]\nphrases.full = ["awash"]\n', "utf-8")
    log.note(a, 60, "awash")
    found = json.loads(run(command, log, "audit", "--json")[1])
    assert [row["words"] for row in found["rows"] if row["verdict"] == "contradicts"] == ["full melt pool", "awash"]
    bands = 'measured = "pool_coverage"\nunit = "1"\nvague = 0.03\nsource = "mine"\nstates.full = { low = 0.3 }\n'
    bands += "states.partial = { high = 0.3 }\n"
    (root / "bands.toml").write_text(f"[melt-pool]\n{bands}", "utf-8")
    found = json.loads(run(command, log, "audit", "--json")[1])
    assert {row["verdict"] for row in found["rows"] if row["quantity"] == "melt-pool"} == {"agrees"}
