"""An invented bench: candles are lit, photographed with measured values given, and written about by testers."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from bench_clock import Clock

from pooleye.audit.note_filing import file_note
from pooleye.burnlog.bench import Place
from pooleye.burnlog.burns import light, snuff
from pooleye.burnlog.filing import file_photo, job_for, record_reading
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.records import Photo
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace, open_workspace
from pooleye.burnlog.trials import add_to_trial, new_trial
from pooleye.measurement import QUANTITIES

T0 = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


@dataclass
class Bench:
    """One log; `codes` are candles of one pour. A burn is lit once and stays lit until `out`."""

    workspace: Workspace
    clock: Clock
    camera: Path
    codes: tuple[str, ...] = ()
    lit: dict[str, tuple[int, datetime]] = field(default_factory=dict)
    shots: int = 0

    def light(self, *codes: str) -> None:
        light(self.workspace, codes)
        for code in codes:
            number = self.lit.get(code, (0, T0))[0] + 1
            self.lit[code] = (number, self.clock())

    def out(self, *codes: str) -> None:
        snuff(self.workspace, codes)

    def forward(self, **step: float) -> None:
        self.clock.moment += timedelta(**step)

    def photo(
        self,
        code: str,
        minutes: float | None,
        soot_by_clock: list[float] | None = None,
        declined: str | None = None,
        phase: str = "alight",
        view: str = "top",
        flags: tuple[str, ...] = (),
        **values: tuple[float, float],
    ) -> str:
        """File a photo that was measured with these values (value, u); or declined. Returns its name."""
        self.shots += 1
        path = self.camera / f"shot_{self.shots}.jpg"
        path.write_bytes(f"photo {self.shots}".encode())
        burn = None if phase == "new" else self.lit[code][0]
        place = Place(code, phase, burn, minutes, minutes)
        filed = file_photo(self.workspace, path, place, found_how="given", view="top")
        with self.workspace.read() as session:
            job = job_for(session, self.workspace, session.get_one(Photo, filed.photo_id))
        quantities = {name: {"value": v, "u": u, "unit": QUANTITIES[name][0]} for name, (v, u) in values.items()}
        by_clock = {"soot_delta_L": {"unit": "1", "values": soot_by_clock}} if soot_by_clock else {}
        result = {
            "photo": path.name, "view": view, "status": "declined" if declined else "measured", "reason": declined,
            "hint": None, "flags": list(flags), "quantities": quantities, "by_clock": by_clock, "outlines_px": {},
            "method": "top/1",
        }  # fmt: skip
        record_reading(self.workspace, job, {"result": result})
        return path.name

    def note(self, code: str, minutes: float | None, text: str, by: str | None = "Ida") -> Any:
        """A note at so many minutes alight; without, at the clock's moment."""
        at = None if minutes is None else self.lit[code][1] + timedelta(minutes=minutes)
        return file_note(self.workspace, code, text, at=at, tester=by)


@pytest.fixture(scope="session")
def begun(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[str, ...]]:
    """A log with three candles of one pour, the first in a trial; made once and copied."""
    root = tmp_path_factory.mktemp("begun") / "log"
    workspace = create_workspace(root, Settings())
    alike = CandleSet(3, "jar", "wick 3", rim_inner_mm=75.0)
    codes = pour(workspace, Recipe("soy"), [alike], at=T0 - timedelta(days=30)).codes
    new_trial(workspace, "which wick")
    add_to_trial(workspace, "which wick", codes[:1])
    workspace.close()
    return root, codes


@pytest.fixture
def bench(begun: tuple[Path, tuple[str, ...]], tmp_path: Path) -> Iterator[Bench]:
    """The first two candles alight for four hours."""
    root, codes = begun
    shutil.copytree(root, tmp_path / "log")
    (tmp_path / "camera").mkdir()
    clock = Clock(T0)
    made = Bench(replace(open_workspace(tmp_path / "log"), clock=clock), clock, tmp_path / "camera", codes)
    made.light(*codes[:2])
    made.forward(hours=4)
    yield made
    made.workspace.close()
