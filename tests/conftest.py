"""What tests share: the photos with their truth, and approved texts."""

from __future__ import annotations

import json
import os
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

TESTS = Path(__file__).parent
PHOTOS = TESTS / "photos"
APPROVED = TESTS / "approved"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--approve", action="store_true", help="write the texts that the tests give as the approved ones")


@pytest.fixture(autouse=True)
def _plain_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Help texts wrap at the same width on every machine."""
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("NO_COLOR", "1")


@pytest.fixture(scope="session")
def photos() -> Path:
    """The folder of rendered test photos."""
    return PHOTOS


@pytest.fixture(scope="session")
def truth() -> dict[str, dict[str, Any]]:
    """What is true of each test photo, by file name."""
    shots = json.loads((PHOTOS / "truth.json").read_text())["shots"]
    return {shot["file"]: shot for shot in shots}


@pytest.fixture
def approved(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compares a text with `approved/<name>.txt`; `pytest --approve` writes it there for review instead."""

    def check(name: str, text: str) -> None:
        path = APPROVED / f"{name}.txt"
        if request.config.getoption("--approve"):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert path.is_file(), f"no approved text {path.name}; look at it, then run pytest --approve"
        assert text == path.read_text(encoding="utf-8")

    return check


@pytest.fixture
def outside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """An empty folder that the test runs in, so that texts can show short file names."""
    monkeypatch.chdir(tmp_path)
    return Path(os.curdir)


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str, str]]:
    """Runs the `pooleye` command in this process: (exit status, standard output, standard error)."""
    from pooleye.cli.app import main

    def run(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["pooleye", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        output = capsys.readouterr()
        return int(ended.value.code or 0), output.out, output.err

    return run


@pytest.fixture
def stand_in_top(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Puts a stand-in in place of the measuring of top views, where a test is about what surrounds it.

    What it was asked lies under "asked"; it answers with what lies under "answer", raising it if it is an exception.
    """
    from pooleye.measurement import Outlines, PhotoResult, Quantity

    told: dict[str, Any] = {"asked": [], "answer": None}

    def measure_top(photo: Any, vessel: Any, **asked: Any) -> PhotoResult:
        told["asked"].append({"photo": photo, "vessel": vessel, **asked})
        if isinstance(told["answer"], Exception):
            raise told["answer"]
        width, height = photo.full_size_px
        rim = {"cx": width / 2, "cy": height / 2, "semi_major": width / 4, "semi_minor": width / 5, "angle_deg": 10.0}
        return PhotoResult.measured(
            photo.path,
            "top",
            method="stand-in/1",
            quantities={"pool_diameter": Quantity(58.31, 0.7, "mm"), "pool_coverage": Quantity(0.71, 0.02, "1")},
            flags=["focal-assumed", "pool-edge-hidden", "wick-adrift"],
            by_clock={"hangup_width": [3.04, None, *[2.0] * 10]},
            outlines_px=Outlines(
                rim=rim, pool=[(width / 2, height / 3), (width / 3, height / 2), (width / 2, height / 2)]
            ),
        )

    module = types.ModuleType("pooleye.top.measure")
    module.measure_top = measure_top  # type: ignore[attr-defined]
    package = types.ModuleType("pooleye.top")
    package.measure = module  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "pooleye.top", package)
    monkeypatch.setitem(sys.modules, "pooleye.top.measure", module)
    # pictures of these tests show nothing by which a view could be told
    monkeypatch.setattr("pooleye.viewpoint.viewpoint_of", lambda photo: ("top", ()))
    return told
