"""The page and the command line are one: the same entry made both ways gives the same answer and the same log."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import select

from pooleye.burnlog import store
from pooleye.burnlog.records import Measurement, Photo, Reading
from pooleye.burnlog.store import Workspace
from pooleye.phone.words import told

Command = Callable[..., tuple[int, str, str]]
Do = Callable[..., httpx.Response]


@pytest.fixture
def twin(bench: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: Command, begin: Any) -> Any:
    """A second workspace like the served one; gives a function that runs a command in it at the bench's moment."""
    workspace, _, codes = begin(tmp_path / "twin")
    assert codes == bench.codes
    real = store.open_workspace
    monkeypatch.setattr(store, "open_workspace", lambda *a, **more: replace(real(*a, **more), clock=bench.clock))

    def run(*arguments: str) -> list[str]:
        status, out, err = command(*arguments, "-w", str(workspace.root))
        assert status == 0, err
        return out.splitlines()

    run.workspace = replace(workspace, clock=bench.clock)  # type: ignore[attr-defined]
    yield run
    workspace.close()


def shown_lines(page: httpx.Response) -> list[str]:
    """What the page answered: stops, then the other lines."""
    stops = re.search(r'<section class="box stop".*?</section>', page.text, re.DOTALL)
    lines = re.search(r'<div class="box told".*?</div>', page.text, re.DOTALL)
    found = [re.findall(r"<p>(.*?)</p>", part[0]) if part else [] for part in (stops, lines)]
    return [html.unescape(one) for one in found[0] + found[1]]


def same(page: httpx.Response, lines: list[str]) -> None:
    """Every line of the command is on the page, stops among the stops."""
    expected, shown = told(lines), shown_lines(page)
    assert expected.lines
    for one in (*expected.stops, *expected.lines):
        assert one in shown, (one, shown)


STEPS: tuple[tuple[str, dict[str, str], tuple[str, ...], float], ...] = (
    ("weigh", {"mass": "402.5", "mass_unit": "g"}, ("weigh", "CODE", "402.5g"), 5),
    ("headspace", {"headspace": "22", "headspace_unit": "mm"}, ("headspace", "CODE", "22mm"), 5),
    ("light", {"trim": "1/4", "trim_unit": "in", "spacing": "10cm"}, ("light", "CODE", "--trim", "1/4in", "--spacing", "10cm"), 62),  # noqa: E501
    ("note", {"text": "soot on the left, the wick came loose"}, ("note", "CODE", "soot on the left, the wick came loose", "--by", "Ada"), 3),  # noqa: E501
    ("heat", {"heat": "142", "heat_unit": "F"}, ("heat", "CODE", "142F", "--by", "Ada"), 3),
    ("throw", {"throw": "medium"}, ("throw", "CODE", "medium", "--by", "Ada"), 3),
    ("trim", {"trim": "5", "trim_unit": "mm"}, ("trim", "CODE", "5mm"), 3),
    ("incident", {"what": "flared", "words": "a draught"}, ("incident", "CODE", "flared", "--words", "a draught"), 9),
    ("snuff", {"how": "stopped", "at": "5min ago"}, ("snuff", "CODE", "--how", "stopped", "--at", "5min ago"), 300),
    ("correct", {"which": "CODE/1", "field": "lit_at", "time": "9:25", "why": "clock"}, ("correct", "burn", "CODE/1", "lit_at", "9:25", "--who", "Ada", "--why", "clock"), 5),  # noqa: E501
    ("weigh", {"mass": "14.1", "mass_unit": "oz"}, ("weigh", "CODE", "14.1oz"), 5),
)  # fmt: skip


def test_every_form_answers_as_its_command_and_leaves_the_same_log(
    bench: Any, phone: httpx.Client, do: Do, twin: Any
) -> None:
    from pooleye.burnlog import overview
    from pooleye.burnlog.results import as_json

    code = bench.codes[0]
    for action, fields, arguments, minutes in STEPS:
        filled = {name: value.replace("CODE", code) for name, value in fields.items()}
        sent = do(action, code, **filled)
        assert sent.status_code == 303, (action, shown_lines(sent), sent.text[:2000])
        same(phone.get(sent.headers["location"]), twin(*(one.replace("CODE", code) for one in arguments)))
        bench.clock.forward(minutes=minutes)
    logs = [as_json(overview.show(workspace, code)) for workspace in (bench.workspace, twin.workspace)]
    assert logs[0] == logs[1]


def test_what_the_command_refuses_the_page_refuses_in_the_same_words(
    bench: Any, phone: httpx.Client, do: Do, twin: Any, command: Command
) -> None:
    code = bench.codes[0]
    for action, fields, arguments in (
        ("weigh", {"mass": "0", "mass_unit": "g"}, ("weigh", code, "0g")),
        ("heat", {"heat": "1e9", "heat_unit": "C"}, ("heat", code, "1e9C")),
        ("light", {"trim": "90", "trim_unit": "mm"}, ("light", code, "--trim", "90mm")),
    ):
        page = do(action, code, **fields)
        _, _, err = command(*arguments, "-w", str(twin.workspace.root))
        message = err.splitlines()[0].partition(": ")[2]
        assert page.status_code == 422
        assert message in html.unescape(page.text), (message, shown_lines(page))


def _readings(workspace: Workspace) -> list[dict[str, Any]]:
    with workspace.read() as session:
        found = [dict(one.result) for one in session.scalars(select(Reading).order_by(Reading.id))]
    return [{k: v for k, v in one.items() if k not in ("photo", "seconds")} for one in found]


def _numbers(workspace: Workspace) -> list[tuple[Any, ...]]:
    with workspace.read() as session:
        rows = session.scalars(select(Measurement).order_by(Measurement.id))
        return [(m.quantity, m.value, m.u, m.unit, m.by, m.who, m.method, dict(m.parts)) for m in rows]


def test_the_same_photo_and_the_same_drawing_give_the_same_numbers_both_ways(
    bench: Any, phone: httpx.Client, do: Do, twin: Any, photos: Path
) -> None:
    code = bench.codes[0]
    do("light", code)
    twin("light", code)
    bench.clock.forward(minutes=60)
    photo = photos / "d1_01_top.jpg"
    sent = phone.post("/photo", data={"code": code}, files={"file": ("x.jpg", photo.read_bytes(), "image/jpeg")})
    sha256 = sent.headers["location"].rpartition("/")[2]
    twin("snap", str(photo), "--candle", code)
    assert _readings(bench.workspace) == _readings(twin.workspace)
    rim = _readings(bench.workspace)[0]["outlines_px"]["rim"]
    drawn = ",".join(str(rim[name]) for name in ("cx", "cy", "semi_major", "semi_minor", "angle_deg"))
    pool = " ".join(f"{x},{y}" for x, y in _readings(bench.workspace)[0]["outlines_px"]["pool"][::3])
    form = {"rim": drawn, "pool": pool, "u_px": "3", "key": "0123456789abcdef" * 2}
    assert phone.post(f"/photo/{sha256}/draw", data=form).status_code == 303
    twin("redraw", sha256[:12], "--rim", drawn, "--pool", pool, "--give-or-take", "3", "--by", "Ada")
    numbers = _numbers(bench.workspace)
    assert numbers == _numbers(twin.workspace)
    assert any(by == "hand" for _, _, _, _, by, *_ in numbers)
    for action, fields, arguments in (
        ("refile", {"code": bench.codes[1]}, ("refile", sha256[:12], bench.codes[1])),
        ("strike", {"why": "shaken"}, ("strike", "photo", sha256[:12], "--why", "shaken")),
    ):
        key = re.search(
            rf'action="/do/{action}".*?value="([0-9a-f]{{32}})"', phone.get(f"/photo/{sha256}").text, re.DOTALL
        )
        assert key
        sent = phone.post(f"/do/{action}", data={"key": key[1], "photo": sha256, **fields})
        answer, said = phone.get(sent.headers["location"]), told(twin(*arguments)).lines
        name = re.compile(r"^\S+: (?=was)")  # a photo from a phone is called otherwise
        assert {name.sub("", one) for one in said} <= {name.sub("", one) for one in shown_lines(answer)}
    with bench.workspace.read() as session:
        (photo_kept,) = session.scalars(select(Photo))
        assert (photo_kept.candle.code, photo_kept.void_reason) == (bench.codes[1], "shaken")
