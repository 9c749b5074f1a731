"""`pooleye measure` from the outside: exit status, what stands on which stream, texts for people."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest
from PIL import Image

from pooleye.flags import Declined

RIM = ("--rim-inner", "76mm")


def settled(text: str) -> str:
    """A text without what differs from run to run."""
    return re.sub(r"\d+\.\d s\)", "0.0 s)", text)


@pytest.fixture(scope="session")
def bomb(tmp_path_factory):
    """A small file that would be 200 megapixels."""
    path = tmp_path_factory.mktemp("bomb") / "bomb.png"
    Image.new("1", (20000, 10000)).save(path, compress_level=1)
    return path


@pytest.fixture
def files(photos, outside, bomb):
    """Photos and things that are none, in the current folder."""
    whole = (photos / "d5_00_top.jpg").read_bytes()
    shutil.copy(photos / "d5_00_top.jpg", "good.jpg")
    (outside / "half.jpg").write_bytes(whole[: len(whole) // 2])
    (outside / "empty.jpg").touch()
    (outside / "words.jpg").write_text("Dear diary, the candle burnt well.\n")
    (outside / "folder").mkdir()
    shutil.copy(bomb, "bomb.png")
    frames = [Image.new("RGB", (300, 300), colour) for colour in ("red", "blue")]
    frames[0].save("moving.gif", save_all=True, append_images=frames[1:])
    frames[0].save("moving.webp", save_all=True, append_images=frames[1:])
    Image.new("RGB", (16, 16), "white").save("tiny.png")
    Image.new("RGB", (800, 600), "black").save("black.jpg")
    Image.new("RGB", (800, 600), "white").save("white.jpg")
    return outside


# --- for people ---


def test_a_measured_photo_is_a_table_with_stops_first(files, command, stand_in_top, approved):
    status, out, err = command("measure", "good.jpg", *RIM)
    assert (status, err) == (0, "")
    approved("measure_table", settled(out))


def test_bad_files_each_have_their_own_words(files, command, stand_in_top, approved):
    names = ["missing.jpg", "folder", "empty.jpg", "half.jpg", "words.jpg", "bomb.png", "moving.gif", "moving.webp"]
    for name in names:
        assert command("measure", name, *RIM)[0] == 1, name
    pictures = ["tiny.png", "black.jpg", "white.jpg"]
    for name in pictures:
        assert command("measure", name, *RIM)[0] == 0, name
    approved("measure_bad_files", settled(command("measure", *names, *pictures, *RIM)[1]))


def test_a_side_view_is_declined_in_clear_words_or_measured(files, command):
    status, out, _ = command("measure", "good.jpg", "--view", "side", *RIM)
    assert status == 0
    assert "from the side" in out


# --- for programs ---


def test_json_is_one_object_per_photo_in_order_and_nothing_else(files, command, stand_in_top):
    status, out, err = command("measure", "good.jpg", "words.jpg", "good.jpg", *RIM, "--json", "--view", "top")
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["photo"] for line in lines] == ["good.jpg", "words.jpg", "good.jpg"]
    assert [line["status"] for line in lines] == ["measured", "declined", "measured"]
    assert (status, err) == (1, "")
    keys = "photo view status reason hint flags quantities by_clock outlines_px method seconds"
    assert all(list(line) == keys.split() for line in lines)


def test_a_line_is_out_before_the_next_photo_is_measured(files, command, stand_in_top, monkeypatch):
    """Someone who reads along must not wait for the whole list."""
    import pooleye.measuring

    out_before = []
    measure = pooleye.measuring.measure_with_picture
    echo = []
    monkeypatch.setattr("typer.echo", lambda text, **_: echo.append(text))
    monkeypatch.setattr(
        pooleye.measuring, "measure_with_picture", lambda *a, **k: (out_before.append(len(echo)), measure(*a, **k))[1]
    )
    command("measure", "good.jpg", "good.jpg", "good.jpg", *RIM, "--json")
    assert out_before == [0, 1, 2]


def test_a_declined_photo_is_no_error(files, command, stand_in_top):
    stand_in_top["answer"] = Declined("rim-cut-off")
    status, out, _ = command("measure", "good.jpg", *RIM, "--json")
    assert status == 0
    assert json.loads(out)["reason"] == "rim-cut-off"


def test_lengths_may_be_inches(files, command, stand_in_top):
    command("measure", "good.jpg", "--rim-inner", "3in", "--headspace", "1/2 in", "--vessel-height", "4in", "--json")
    (asked,) = stand_in_top["asked"]
    assert asked["vessel"].rim_inner_mm == pytest.approx(76.2)
    assert asked["headspace_mm"] == pytest.approx(12.7)
    assert asked["vessel"].height_mm == pytest.approx(101.6)


def test_a_headspace_of_zero_is_wax_up_to_the_rim(files, command, stand_in_top):
    assert command("measure", "good.jpg", *RIM, "--headspace", "0", "--json")[0] == 0
    assert stand_in_top["asked"][0]["headspace_mm"] == 0.0


def test_the_baseline_is_opened_once_for_all_photos(files, command, stand_in_top):
    command("measure", "good.jpg", "good.jpg", *RIM, "--baseline", "good.jpg", "--baseline-headspace", "12mm")
    first, second = stand_in_top["asked"]
    assert first["baseline"] is second["baseline"] is not None
    assert first["baseline_headspace_mm"] == 12.0


def test_an_unreadable_baseline_is_told_and_the_photos_measured_without(files, command, stand_in_top):
    status, out, err = command("measure", "good.jpg", *RIM, "--baseline", "words.jpg", "--json")
    assert status == 1
    assert "baseline photo words.jpg is not a photo" in err
    assert "baseline-unusable" in json.loads(out)["flags"]


# --- used wrongly ---

WRONG = (
    ("measure", "good.jpg"),
    ("measure", *RIM),
    ("measure", "good.jpg", "--rim-inner", "0"),
    ("measure", "good.jpg", "--rim-inner", "-76mm"),
    ("measure", "good.jpg", "--rim-inner", "3"),
    ("measure", "good.jpg", "--rim-inner", "76in"),
    ("measure", "good.jpg", "--rim-inner", "wide"),
    ("measure", "good.jpg", *RIM, "--rim-outer", "70mm"),
    ("measure", "good.jpg", *RIM, "--vessel-height", "90mm", "--headspace", "95mm"),
    ("measure", "good.jpg", *RIM, "--view", "front"),
    ("measure", "good.jpg", *RIM, "--overlay", "good.jpg"),
    ("measure", "good.jpg", *RIM, "--json", "--headspace", "deep"),
)


def test_wrong_use_ends_with_status_2_and_says_what_to_do(files, command, stand_in_top, approved):
    texts = []
    for arguments in WRONG:
        status, out, err = command(*arguments)
        assert (status, out) == (2, ""), arguments
        texts.append(f"$ pooleye {' '.join(arguments)}\n{err}")
    assert stand_in_top["asked"] == []
    approved("measure_wrong_use", "\n".join(texts))


def test_an_option_that_is_none_ends_with_status_2(files, command):
    status, out, err = command("measure", "good.jpg", *RIM, "--sideways")
    assert (status, out) == (2, "")
    assert "pooleye measure --help" in err
    assert "--sideways" in err


# --- overlays ---


def test_overlays_are_left_in_the_folder_and_named_in_the_table(files, command, stand_in_top):
    (files / "a").mkdir()
    shutil.copy("good.jpg", "a/good.jpg")
    _, out, _ = command("measure", "good.jpg", "a/good.jpg", "words.jpg", *RIM, "--overlay", "out/deep")
    assert sorted(p.name for p in (files / "out/deep").iterdir()) == ["good_measured-2.jpg", "good_measured.jpg"]
    assert "out/deep/good_measured-2.jpg" in out
    assert np.asarray(Image.open("out/deep/good_measured.jpg")).std() > 10
