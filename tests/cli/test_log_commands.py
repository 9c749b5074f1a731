"""The burn log on the command line: thin, fast to start, the same in words and in JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pooleye.cli.lazy import FAMILIES, family_commands

Command = Callable[..., tuple[int, str, str]]
POUR = ("pour", "--wax", "soy", "--vessel", "straight jar", "--rim-inner", "3in", "--wick", "wick 3")


@pytest.fixture
def log(outside: Path, command: Command, monkeypatch: pytest.MonkeyPatch) -> Command:
    """A burn log in the folder that the test runs in."""
    monkeypatch.delenv("POOLEYE_WORKSPACE", raising=False)
    assert command("new", "--name", "Lantern Lane", "--zone", "Europe/Berlin")[0] == 0
    return command


def said(log: Command, *arguments: str) -> dict:
    """The JSON of a command that went well."""
    status, out, err = log(*arguments, "--json")
    assert status == 0, err
    (line,) = out.splitlines()
    return json.loads(line)


def codes(log: Command, count: int = 1, *more: str) -> list[str]:
    return said(log, *POUR, "--candles", str(count), *more)["codes"]


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_the_list_of_commands_says_what_the_commands_say(family: str) -> None:
    listed = FAMILIES[family]
    real = family_commands(family)
    assert list(listed) == list(real)
    for name, line in listed.items():
        assert (real[name].help or "").split("\n")[0] == line
        assert len(line) <= 100


OF_THE_LOG = sorted(name for family, names in FAMILIES.items() if family.startswith("log_") for name in names)


@pytest.mark.parametrize("name", OF_THE_LOG)
def test_every_command_has_help_a_workspace_option_and_json(name: str, command: Command) -> None:
    if name == "trial":
        for part in ("new", "add", "show"):
            assert "--json" in command("trial", part, "--help")[1]
        return
    status, out, _ = command(name, "--help")
    assert status == 0
    assert "--json" in out
    assert name == "new" or "--workspace" in out


def test_the_list_of_commands_loads_nothing_heavy() -> None:
    code = (
        "import sys\nsys.argv = ['pooleye', '--help']\nfrom pooleye.cli.app import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'sqlalchemy', 'alembic', 'numpy', 'cv2', 'PIL', 'scipy', 'reportlab', 'pint', 'zxingcpp'}\n"
        "found = heavy & {name.partition('.')[0] for name in sys.modules}\n"
        "assert not found, found\n"
        "assert 'pooleye.cli.log_bench' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "snap" in done.stdout


def test_a_first_burn_takes_five_short_commands(
    outside: Path, command: Command, photos: Path, stand_in_measuring: None
) -> None:
    for arguments in (("new",), (*POUR,), ("light",)):
        assert command(*arguments)[0] == 0
    status, out, _ = command("snap", str(photos / "d1_01_top.jpg"), "--at", "now")
    assert status == 0
    assert out.startswith("STOP: ")
    assert "burn 1 at 0 min" in out
    assert "58.3 ± 0.7 mm" in out
    status, out, _ = command("snuff")
    assert status == 0
    assert "burn 1 ended" in out


def test_every_error_names_what_to_do_and_ends_with_status_2(log: Command) -> None:
    (code,) = codes(log)
    cases = [
        ("light", "OOPS"),
        ("snuff",),
        ("weigh", code, "heavy"),
        ("light", code, "--at", "tomorrow"),
        ("light", code, "--kind", "slow"),
        ("note", code, ""),
        ("throw", code, "nice"),
        ("incident", code, "boredom"),
        ("vessel", "jar"),
        ("pour", "--wax", "lard"),
        ("lot", "string", "L1", "--of", "wick 3"),
        ("trace", "L1"),
        ("cost", "P99"),
        ("batch", "nowhere"),
        ("snap", "nowhere.jpg"),
        ("snap", "one.jpg", "two.jpg"),
        ("snap", "--burst", "one.jpg"),
        ("snap", "--burst", "one.jpg", "two.jpg", "three.jpg"),
        ("correct", "burn", f"{code}/4", "lit", "now"),
        ("labels", "--paper", "A5"),
        ("new",),
        ("status", "-w", "nowhere"),
    ]
    for arguments in cases:
        status, out, err = log(*arguments)
        assert (status, out) == (2, ""), arguments
        assert err.startswith("error["), arguments
        assert "\n  try: " in err, arguments


def test_lengths_masses_and_temperatures_take_the_makers_units(log: Command) -> None:
    (code,) = codes(log, 1, "--fill", "6.35oz", "--headspace", "5/8 in", "--heated-to", "165F", "--cure-days", "0")
    shown = said(log, "vessel")["rows"][0]["details"]
    assert shown["rim_inner_mm"] == pytest.approx(76.2)
    assert said(log, "weigh", code, "1 lb")["mass_g"] == pytest.approx(453.59237)
    said(log, "light", code)
    assert said(log, "heat", code, "140F")["value"]["value"] == pytest.approx(60.0)
    assert said(log, "depth", code, "1/2 in")["value"]["value"] == pytest.approx(12.7)


def test_words_and_json_tell_the_same(log: Command) -> None:
    (code,) = codes(log)
    words = log("status")[1]
    shown = said(log, "status")
    assert code in words
    assert [one["candle"] for one in shown["candles"]] == [code]
    assert "curing (1)" in words


def test_a_stop_is_said_first(log: Command) -> None:
    (code,) = codes(log)
    log("light", code)
    for arguments in (("incident", code, "cracked"), ("status",), ("due",), ("show", code)):
        assert log(*arguments)[1].startswith("STOP: "), arguments


def test_a_held_lot_is_traced_and_its_candles_are_not_lit(log: Command) -> None:
    said(log, "lot", "sticker", "S7", "--of", "round sticker", "--amount", "100", "--price", "5")
    first, second = codes(log, 2, "--lot", "S7")
    traced = said(log, "trace", "S7", "--hold", "wicks float")
    assert [row[0] for row in traced["candles"]] == [first, second]
    assert log("light", first)[0] == 2
    assert log("light", first, "--anyway", "to film it")[0] == 0
    said(log, "snuff")
    said(log, "release", "--lot", "S7", "--why", "the others held")
    assert log("light", second)[0] == 0


def test_labels_and_cards_are_written(log: Command, outside: Path) -> None:
    made = codes(log, 3)
    assert said(log, "labels")["codes"] == made
    assert said(log, "card", made[0], "--paper", "Letter", "--out", "one.pdf")["codes"] == made[:1]
    assert (outside / "labels.pdf").read_bytes().startswith(b"%PDF")
    assert (outside / "one.pdf").read_bytes().startswith(b"%PDF")


def test_check_finds_a_photo_that_was_changed_behind_the_logs_back(
    log: Command, outside: Path, photos: Path, stand_in_measuring: None
) -> None:
    codes(log)
    log("light")
    log("snap", str(photos / "d9_00_top.jpg"), "--at", "now")
    assert log("check")[0] == 0
    (kept,) = (outside / "photos").glob("*/*.jpg")
    kept.chmod(0o644)
    kept.write_bytes(b"something else")
    status, out, _ = log("check")
    assert status == 1
    assert "d9_00_top.jpg is changed" in out


def test_the_log_is_found_from_below_and_by_name(
    log: Command, outside: Path, monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> None:
    codes(log)
    here = outside.resolve()
    (here / "deep").mkdir()
    monkeypatch.chdir(here / "deep")
    assert len(said(log, "status")["candles"]) == 1
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    assert log("status")[0] == 2
    assert len(said(log, "status", "-w", str(here))["candles"]) == 1
    monkeypatch.setenv("POOLEYE_WORKSPACE", str(here))
    assert len(said(log, "status")["candles"]) == 1


DOCS = Path(__file__).parents[2] / "docs"


def test_the_data_model_page_is_made_from_the_records() -> None:
    from pooleye.burnlog.model_page import as_markdown

    assert (DOCS / "data-model.md").read_text("utf-8") == as_markdown()


def test_every_command_and_setting_of_the_log_is_in_its_page() -> None:
    from pooleye.burnlog.looks import INCIDENTS
    from pooleye.burnlog.records import BURN_KINDS
    from pooleye.burnlog.settings import SETTING_NAMES

    page = (DOCS / "burn-log.md").read_text("utf-8")
    for name in OF_THE_LOG:
        assert f"`pooleye {name}`" in page, name
    for name in (*SETTING_NAMES, *INCIDENTS, *BURN_KINDS):
        assert f"`{name}`" in page, name


def test_the_commands_of_the_page_run_as_they_stand(
    outside: Path, command: Command, photos: Path, stand_in_measuring: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every indented line of the page, in its order; codes, folders and times put in where the page has examples."""
    import re
    import shlex
    import shutil
    from concurrent.futures import ThreadPoolExecutor

    monkeypatch.delenv("POOLEYE_WORKSPACE", raising=False)
    monkeypatch.setattr("pooleye.burnlog.batch.own_cores", lambda _workers: ThreadPoolExecutor(2))
    page = (DOCS / "burn-log.md").read_text("utf-8")
    lines = [line.strip() for line in re.findall(r"^ {4,}(.+)$", page, re.MULTILINE)]
    shutil.copy(photos / "d1_01_top.jpg", outside / "photo.jpg")
    (outside / "camera").mkdir()
    shutil.copy(photos / "d2_02_top.jpg", outside / "camera" / "IMG_1.jpg")
    ran = 0
    moment = [datetime(2026, 3, 1, 8, 0, tzinfo=UTC)]
    monkeypatch.setattr("pooleye.burnlog.store.Workspace.now", lambda _self: moment[0])
    # After the evening of the page its candles are cold again, and the burn that is put right is the first.
    words = {"~/phone/camera": str((outside / "camera").resolve()), "MAKX/2 out": "MAKX/1 out", '"22:10"': "now"}
    words |= {"weighing 14": "weighing 1"}
    for line in lines:
        for there, here in words.items():
            line = line.replace(there, here)
        if line.startswith("cd "):
            monkeypatch.chdir(line[3:])
        if not line.startswith("pooleye ") or "postgresql" in line:
            continue
        # An hour and ten minutes pass from one command to the next.
        moment[0] += timedelta(minutes=70)
        status, _, err = command(*shlex.split(line.removeprefix("pooleye ")))
        assert status == 0 or ("batch" in line and status == 1), f"{line}\n{err}"
        ran += 1
    assert ran >= 25


def test_a_file_name_in_another_encoding_is_filed_and_a_note_in_one_is_refused(
    log: Command, outside: Path, photos: Path, stand_in_measuring: None
) -> None:
    """Names from old cameras and archives: bytes that are no UTF-8, which Python hands on as lone surrogates."""
    (code,) = codes(log)
    name = os.fsdecode(b"M\xfcnchen.jpg")
    Path(name).write_bytes((photos / "d1_01_top.jpg").read_bytes())
    assert log("snap", name, "--candle", code)[0] == 0
    assert "M?nchen.jpg" in log("history", code)[1]
    status, _, err = log("note", code, os.fsdecode(b"br\xfcchig"))
    assert (status, err.startswith("error[not-text]")) == (2, True)


def test_what_the_disk_refuses_is_told_in_words(command: Command, outside: Path, photos: Path) -> None:
    Path("overlays/d1_00_top_measured.jpg").mkdir(parents=True)
    photo = str(photos / "d1_00_top.jpg")
    status, _, err = command("measure", photo, "--view", "top", "--rim-inner", "80mm", "--overlay", "overlays")
    assert status == 2
    assert err.startswith("error[file-trouble]: overlays/d1_00_top_measured.jpg")
