"""What tests share: the photos with their truth, and approved texts."""

from __future__ import annotations

import json
import os
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
