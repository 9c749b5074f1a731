"""`pooleye soot`: two photos of one rim, from outside. The photos are of one clean candle, seen from two sides."""

from __future__ import annotations

import json

import pytest

from pooleye.cli.soot import answer
from pooleye.measurement import PhotoResult, Quantity

RIM = ("--rim-inner", "70.9mm")


def test_two_photos_answer_all_round(photos, command):
    first, second = photos / "d6_01_top.jpg", photos / "d6_01_top_b.jpg"
    status, out, err = command("soot", str(first), str(second), *RIM, "--baseline", str(photos / "d6_00_top.jpg"))
    assert (status, err) == (0, "")
    assert "Soot anywhere on this rim? None seen" in out


def test_one_object_in_the_contracts_form(photos, command):
    first, second = photos / "d6_01_top_b.jpg", photos / "d6_01_top.jpg"
    status, out, _ = command("soot", str(first), str(second), *RIM, "--json")
    told = json.loads(out)
    assert status == 0
    assert told["photo"] == f"{first} + {second}"
    assert set(told["quantities"]) == {"soot_delta_L", "soot_arc", "soot_view_arc"}
    assert set(told["by_clock"]) == {"soot_delta_L"}
    _, alone, _ = command("measure", str(first), *RIM, "--json", "--view", "top")
    shown = told["quantities"]["soot_view_arc"]["value"]
    assert shown >= json.loads(alone)["quantities"]["soot_view_arc"]["value"]


def test_a_photo_that_cannot_be_read_ends_with_1_and_is_named(photos, command):
    status, out, _ = command("soot", str(photos / "d6_01_top.jpg"), "missing.jpg", *RIM)
    assert status == 1
    assert out.startswith("missing.jpg: declined")
    assert "Soot anywhere" not in out


@pytest.mark.parametrize(
    ("values", "arc", "view", "words"),
    [
        ([0.0] * 12, 0.0, 360.0, "None seen all round."),
        ([-0.5, None, None, *[0.0] * 9], 0.0, 300.0, "None seen on the 300 of 360 degrees that show."),
        (
            [0.0, 0.0, -7.0, -4.0, *[0.0] * 8],
            60.0,
            360.0,
            "Yes, on 60 degrees, darkest at 2 o'clock (looked all round).",
        ),
        ([None] * 12, None, None, "Cannot tell: too little of the wall shows."),
    ],
)  # fmt: skip
def test_the_answer_says_how_much_was_looked_at(values, arc, view, words):
    found = {"soot_arc": Quantity(arc, 10.0, "deg"), "soot_view_arc": Quantity(view, 10.0, "deg")} if view else {}
    result = PhotoResult.measured("a", "top", method="x/1", quantities=found, by_clock={"soot_delta_L": values})
    assert answer(result) == f"Soot anywhere on this rim? {words}"
