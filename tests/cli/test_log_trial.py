"""A whole trial entered the way a newcomer would: nine candles, three burns, then a shuffled folder of photos."""

from __future__ import annotations

import io
import json
import random
import shlex
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

Command = Callable[..., tuple[int, str, str]]

# What is typed, evening by evening. {a0}…{c2} are the codes that pouring gave.
POURING = r"""
new --name "Lantern Lane" --zone Europe/Berlin
vessel "straight jar" --rim-inner 76mm --rim-outer 82mm --height 9cm --inner-depth 85mm --material "clear glass"
wax soy
wick "wick 3" --series wick --size-order 3
lot wax W-22 --of soy --amount 5kg --price 41.50
lot wick K-3 --of "wick 3" --amount 100 --price 9
lot sticker S-1 --of "round sticker" --amount 100 --price 4
trial new "spring jar" --varies wick --question "which wick for the spring jar?"
pour --wax soy --fragrance "fig and cedar" --load 8% --wax-mass 1700g --poured-at 60C --vessel "straight jar" \
 --wick "wick 3" --candles 3 --fill 200g --headspace 20mm --trial "spring jar" --lot W-22 --lot K-3 --lot S-1 \
 --at "2026-01-10 18:00"
candles P1 --vessel "straight jar" --wick "wick 4" --candles 3 --fill 200g --headspace 20mm --trial "spring jar" \
 --lot S-1
candles P1 --vessel "straight jar" --wick "wick 5" --candles 3 --fill 200g --headspace 20mm --trial "spring jar" \
 --lot S-1
"""
EVENING = """
light {all} --trim 6mm --spacing 12cm --room 21C --at "{day} 18:00"
note {a0} "pool about half way, flame steady" --at "{day} 19:01" --by Ida
heat {b1} 52C --at "{day} 20:02" --by Ida
throw {c2} medium --at "{day} 20:05"
depth {b1} 3/8in --at "{day} 22:00"
snuff --at "{day} 22:03"
"""
NIGHTS = ("2026-02-01", "2026-02-03", "2026-02-05")
RATE_G_H = {"a": 4.5, "b": 5.5, "c": 6.5}


def run(command: Command, script: str, **words: str) -> list[str]:
    """Every line of a script through the command line; returns what each said."""
    said = []
    for line in script.replace("\\\n", "").strip().splitlines():
        status, out, err = command(*shlex.split(line.format(**words)))
        assert status == 0, f"{line}\n{err}"
        said.append(out)
    return said


def in_json(command: Command, *arguments: str) -> dict[str, Any]:
    status, out, err = command(*arguments, "--json")
    assert status in (0, 1), err
    found: dict[str, Any] = json.loads(out)
    return found


@pytest.fixture
def trial(outside: Path, command: Command, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """The trial, poured, weighed and burnt three times; returns a0 … c2 -> code."""
    monkeypatch.delenv("POOLEYE_WORKSPACE", raising=False)
    run(command, POURING)
    arms = in_json(command, "trial", "show", "spring jar")["trials"][0]["arms"]
    names = {
        f"{arm}{n}": row[0] for arm, found in zip("abc", arms, strict=True) for n, row in enumerate(found["candles"])
    }
    masses = {}
    for number, (name, code) in enumerate(names.items()):
        masses[name] = 512.0 + number
        assert command("weigh", code, f"{masses[name]}g", "--at", "2026-01-31 12:00")[0] == 0
    for day in NIGHTS:
        run(command, EVENING, day=day, all=" ".join(names.values()), **names)
        for name, code in names.items():
            masses[name] = round(masses[name] - RATE_G_H[name[0]] * 4.05, 1)
            next_day = (datetime.fromisoformat(day) + timedelta(days=1)).date()
            assert command("weigh", code, f"{masses[name]}g", "--at", f"{next_day} 09:00")[0] == 0
    return names


def photo(code: str | None, taken: datetime, seed: int) -> bytes:
    """A picture with the candle's label in it; what it shows else does not matter here."""
    import segno

    from pooleye.burnlog.picture_codes import text_for

    picture = Image.new("RGB", (480, 360), (seed * 11 % 200, 140, seed * 5 % 200))
    if code:
        drawn = io.BytesIO()
        segno.make(text_for(code), error="q", micro=False).save(drawn, kind="png", scale=5, border=4)
        picture.paste(Image.open(drawn).convert("RGB"), (150, 80))
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: taken.strftime("%Y:%m:%d %H:%M:%S")})
    out = io.BytesIO()
    picture.save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_a_trial_entered_by_hand_reads_back_whole(trial: dict[str, str], command: Command) -> None:
    shown = in_json(command, "show", trial["b1"])
    assert [burn["number"] for burn in shown["burns"]] == [1, 2, 3]
    for burn in shown["burns"]:
        assert burn["minutes"] == 243
        assert burn["burn_rate"]["value"] == pytest.approx(5.5, abs=0.03)
        assert burn["burn_rate"]["u"] == pytest.approx(0.0213, abs=0.001)
        assert {(at, name) for at, name, _ in burn["by_hand"]} == {(120, "vessel_temperature"), (240, "pool_depth")}
    assert shown["wax_left"]["value"] == pytest.approx(200 - 3 * 5.5 * 4.05, abs=0.2)
    assert in_json(command, "show", trial["a0"])["burns"][0]["notes"] == [
        [60.0, "Ida", "pool about half way, flame steady"]
    ]
    arms = in_json(command, "trial", "show", "spring jar")["trials"][0]
    assert [(arm["name"], len(arm["candles"])) for arm in arms["arms"]] == [("wick 3", 3), ("wick 4", 3), ("wick 5", 3)]
    assert arms["advice"] == []
    traced = in_json(command, "trace", "S-1")["candles"]
    assert len(traced) == 9
    cost = in_json(command, "cost", trial["a0"])
    # 200 of 1800 g filled, 1700 g of wax at 41.50 for 5 kg; one of 100 wicks for 9; one of 100 stickers for 4.
    assert cost["per_currency"]["EUR"] == pytest.approx(100 * (1700 * 41.5 / 5000 / 9 + 0.09 + 0.04))
    assert sorted(cost["unknown"]) == ["fragrance fig and cedar (no lot said)", "vessel straight jar (no lot said)"]


def test_a_shuffled_folder_of_the_trials_photos_is_filed_without_a_mistake(
    trial: dict[str, str],
    command: Command,
    outside: Path,
    stand_in_measuring: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Threads see the stand-in for measuring, which other processes would not.
    monkeypatch.setattr("pooleye.burnlog.batch.own_cores", lambda _workers: ThreadPoolExecutor(2))
    folder = outside / "phone"
    folder.mkdir()
    looks = [
        (code, number, minutes, datetime.fromisoformat(f"{day} 18:00") + timedelta(minutes=minutes + index % 5))
        for number, day in enumerate(NIGHTS, start=1)
        for minutes in (60, 120, 235)
        for index, code in enumerate(trial.values())
    ]
    looks += [(code, None, None, datetime(2026, 1, 31, 12, 5 + n)) for n, code in enumerate(trial.values())]
    order = list(range(len(looks)))
    random.Random(11).shuffle(order)
    for name, seed in enumerate(order):
        (folder / f"IMG_{name:04d}.jpg").write_bytes(photo(looks[seed][0], looks[seed][3], seed))
    dry = in_json(command, "batch", str(folder), "--dry-run")
    assert (len(dry["placed"]), dry["undecided"], dry["unreadable"]) == (90, [], [])
    done = in_json(command, "batch", str(folder))
    assert (done["filed"], done["measured"], done["already"]) == (90, 90, 0)
    for code in trial.values():
        shown = in_json(command, "show", code)
        assert len(shown["new_photos"]) == 1
        for burn in shown["burns"]:
            assert [one["checkpoint_minutes"] for one in burn["photos"]] == [60, 120, 240]
    expected = {
        f"IMG_{name:04d}.jpg": (looks[seed][0], looks[seed][1], 240 if looks[seed][2] == 235 else looks[seed][2])
        for name, seed in enumerate(order)
    }
    found = {}
    for code in trial.values():
        shown = in_json(command, "show", code)
        found.update({one["name"]: (code, None, None) for one in shown["new_photos"]})
        for burn in shown["burns"]:
            found.update({one["name"]: (code, burn["number"], one["checkpoint_minutes"]) for one in burn["photos"]})
    assert found == expected
    again = in_json(command, "batch", str(folder))
    assert (again["filed"], again["measured"], again["already"]) == (0, 0, 90)
    assert command("check")[0] == 0


def test_history_tells_what_was_entered_and_changed(trial: dict[str, str], command: Command) -> None:
    code = trial["c0"]
    in_json(command, "correct", "candle", code, "fill-mass", "198g", "--who", "Ida", "--why", "weighed the jar")
    lines = command("history", code)[1].splitlines()
    assert any("fill_mass_g 200.0 → 198.0 (weighed the jar)" in line and line.endswith("[hand Ida]") for line in lines)
    assert sum("weighing" in line for line in lines) == 4
