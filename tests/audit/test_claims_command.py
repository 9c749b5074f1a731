"""`pooleye claims`: the fixed JSON, standard error, standard input."""

import json

from typer.testing import CliRunner

from pooleye.cli.app import app

KEYS = ["quantity", "state", "value", "unit", "where", "superseded", "hedged", "words"]


def run(*arguments, note=None):
    return CliRunner().invoke(app, ["claims", *arguments], input=note)


def test_json_is_one_list_with_the_fixed_keys():
    result = run("full at 3h10, slight soot on the rim", "--json")
    assert result.exit_code == 0
    claims = json.loads(result.stdout)
    assert [list(claim) for claim in claims] == [KEYS, KEYS]
    assert (claims[0]["state"], claims[0]["value"], claims[0]["unit"]) == ("full", 190, "min")


def test_dash_reads_standard_input():
    assert json.loads(run("-", "--json", note="no soot\n").stdout)[0]["state"] == "none"


def test_note_that_claims_nothing_is_an_empty_list():
    assert json.loads(run("lovely evening", "--json").stdout) == []


def test_leftovers_and_dangers_go_to_standard_error_one_line_each():
    result = run("full pool\nblorp zizzle\njar cracked\nless soot than last burn", "--json")
    json.loads(result.stdout)
    lines = result.stderr.splitlines()
    assert sum("blorp zizzle" in line for line in lines) == 1
    assert sum("vessel-cracked" in line for line in lines) == 1
    assert sum("comparison" in line for line in lines) == 1


def test_one_candle_of_several():
    note = "Candle 1: full. Candle 2: tunnelling."
    assert [c["quantity"] for c in json.loads(run(note, "--json", "--candle", "2").stdout)] == ["tunnelling"]
    assert "several candles (1, 2)" in run(note, "--json").stderr


def test_text_for_people_names_number_place_and_doubt():
    out = run("maybe two thirds of the way, soot slight on the left rim").stdout
    assert "0.6667 of the way (hedged)" in out
    assert "soot: slight, rim, left" in out
