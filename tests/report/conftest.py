"""An invented workshop's log to report on: rendered photos of one candle stand for all; the numbers are made up."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from bench_clock import Clock

from pooleye.audit.note_filing import file_note
from pooleye.burnlog.bench import Place
from pooleye.burnlog.burns import Lighting, light, snuff
from pooleye.burnlog.filing import file_photo, job_for, record_reading
from pooleye.burnlog.find import candle as find_candle
from pooleye.burnlog.looks import incident, measure_by_hand
from pooleye.burnlog.materials import add_wick
from pooleye.burnlog.pours import CandleSet, Recipe, more_candles, pour
from pooleye.burnlog.records import Photo
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace, open_workspace
from pooleye.burnlog.trials import new_trial
from pooleye.burnlog.weighing import weigh
from pooleye.measurement import CLOCK_QUANTITIES, QUANTITIES
from pooleye.report import pages

PHOTOS = Path(__file__).parents[1] / "photos"
TRUTH = {shot["file"]: shot for shot in json.loads((PHOTOS / "truth.json").read_text())["shots"]}
NEW, LOOKS, SIDE = "d6_00_top.jpg", ("d6_01_top.jpg", "d6_02_top.jpg", "d6_03_top.jpg"), "d6_03_side.jpg"
MINUTES = (60.0, 120.0, 240.0)
BORE_MM = 75.0
T0 = datetime(2026, 1, 5, 17, 0, tzinfo=UTC)
#: Arm -> final pool width, flame height, mean soot, burn rate.
ARMS = {"thin": (62.0, 14.0, -0.4, 4.2), "middle": (74.0, 21.0, -1.2, 5.3), "thick": (90.0, 81.0, -6.5, 6.4)}


class Workshop:
    """Candles that are lit, looked at, snuffed and weighed; every photo is one of the rendered ones, made different."""

    def __init__(self, root: Path, moment: datetime = T0) -> None:
        self.clock = Clock(moment)
        self.workspace: Workspace = replace(open_workspace(root), clock=self.clock)
        self.camera = root.parent / "camera"
        self.camera.mkdir(exist_ok=True)
        self.poured = False

    def pour(self, wick: str, count: int, *, trial: str | None = None, **recipe: Any) -> tuple[str, ...]:
        alike = {"vessel": "straight jar", "rim_inner_mm": BORE_MM, "fill_mass_g": 180.0, "empty_mass_g": 250.0}
        candles = CandleSet(count, wick=wick, trial=trial, **alike)
        at = self.clock() - timedelta(days=15)
        if self.poured and not recipe:
            codes = more_candles(self.workspace, "P1", candles).codes
        else:
            codes = pour(self.workspace, Recipe("soy", **recipe), [candles], at=at).codes
        self.poured = True
        for code in codes:
            weigh(self.workspace, code, 430.0, step_g=0.1)
        return codes

    def photo(self, place: Place, file: str, values: dict[str, tuple[float, float]], flags: Any = ()) -> str:
        """Files a rendered photo as measured with these values; its outlines are the true ones."""
        truth, view = TRUTH[file], "side" if "side" in file else "top"
        path = self.camera / f"{place.candle}_{place.burn_number}_{place.minutes_alight}_{file}"
        path.write_bytes((PHOTOS / file).read_bytes() + str(path).encode())  # bytes behind the end: another hash
        filed = file_photo(self.workspace, path, place, found_how="given", view=view, taken_at=self.clock())
        with self.workspace.read() as session:
            job = job_for(session, self.workspace, session.get_one(Photo, filed.photo_id))
        quantities = {n: {"value": v, "u": u, "unit": QUANTITIES[n][0]} for n, (v, u) in values.items()}
        result = {
            "photo": path.name, "view": view, "status": "measured", "reason": None, "hint": None,
            "flags": list(flags), "quantities": quantities, "by_clock": _by_clock(truth),
            "outlines_px": _outlines(truth), "method": f"{view}/1", "seconds": 0.1,
        }  # fmt: skip
        record_reading(self.workspace, job, {"result": result})
        return filed.sha256

    def declined(self, place: Place, file: str) -> str:
        path = self.camera / f"{place.candle}_declined_{file}"
        path.write_bytes((PHOTOS / file).read_bytes() + b"declined")
        filed = file_photo(self.workspace, path, place, found_how="given", view="top")
        with self.workspace.read() as session:
            job = job_for(session, self.workspace, session.get_one(Photo, filed.photo_id))
        result = {
            "photo": path.name, "view": "top", "status": "declined", "reason": "blurred",
            "hint": "Hold the phone still.", "flags": [], "quantities": {}, "by_clock": {}, "outlines_px": {},
            "method": "top/1", "seconds": 0.1,
        }  # fmt: skip
        record_reading(self.workspace, job, {"result": result})
        return filed.sha256

    def new_photo(self, code: str) -> str:
        return self.photo(Place(code, "new", None, None, None), NEW, {"wick_offset": (0.9, 0.4)})

    def burn(self, arms: dict[str, tuple[str, ...]], minutes: tuple[float, ...] = MINUTES) -> None:
        """Four hours with looks from above and one from the side; a cold weighing the next morning."""
        lit = self.clock()
        codes = [code for arm in arms.values() for code in arm]
        light(self.workspace, codes, how=Lighting(trimmed_mm=6.0, room_c=21.0, spacing_mm=120.0))
        for at in minutes:
            self.clock.moment = lit + timedelta(minutes=at)
            for arm, members in arms.items():
                for index, code in enumerate(members):
                    self.look(code, arm, index, at)
        self.clock.moment = lit + timedelta(minutes=240)
        snuff(self.workspace, codes)
        self.clock.moment = lit + timedelta(hours=16)
        for arm, members in arms.items():
            for index, code in enumerate(members):
                with self.workspace.read() as session:
                    last = find_candle(session, code).weighings[-1].mass_g
                weigh(self.workspace, code, round(last - 4 * ARMS[arm][3] - 0.3 * index, 1), step_g=0.1)
        self.clock.moment = lit + timedelta(hours=24)

    def look(self, code: str, arm: str, index: int, at: float) -> None:
        with self.workspace.read() as session:
            number = len(find_candle(session, code).burns)
        widest, flame, soot, _ = ARMS[arm]
        pool = min(BORE_MM - 0.4, (widest - 0.4 * index) * (1 - math.exp(-at / 55)) + 0.3 * number)
        ring = (BORE_MM - pool) / 2
        values = {
            "pool_diameter": (pool, 0.5), "pool_coverage": ((pool / BORE_MM) ** 2, 0.01), "hangup_mean": (ring, 0.3),
            "hangup_max": (ring + 0.8, 0.4), "wick_offset": (1.0 + 0.1 * index, 0.4),
            "soot_delta_L": (soot - 0.2 * number, 0.8), "carbon_ball_diameter": (1.0, 0.4),
            "flame_count": (1.0, 0.05), "debris_count": (0.0, 0.05),
        }  # fmt: skip
        place = Place(code, "alight", number, at, at)
        self.photo(place, LOOKS[MINUTES.index(at)], values)
        if at == MINUTES[-1]:
            seen = {
                "flame_height": (flame + 0.4 * index, 0.6),
                "smoke_strength": (0.02, 0.04),
                "flame_lean": (1.0, 0.6),
            }
            self.photo(place, SIDE, seen)


def _outlines(truth: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if truth["view"] == "top":
        found["rim"] = truth["rim_ellipse_px"]
        if truth["pool"]["present"]:
            found["pool"] = truth["pool"]["outline_px"]
        found["wick"] = truth["wick"]["base_px"]
    elif truth["flame"]["present"]:
        found |= {"flame_tip": truth["flame"]["tip_px"], "flame_base": truth["flame"]["base_px"]}
        found["rim"] = truth["rim_ellipse_outer_px"]
    return found


def _by_clock(truth: dict[str, Any]) -> dict[str, Any]:
    if truth["view"] != "top":
        return {}
    found = {"soot_delta_L": {"unit": CLOCK_QUANTITIES["soot_delta_L"], "values": truth["soot"]["delta_L_by_sector"]}}
    if truth["hangup_width_mm"]:
        found["hangup_width"] = {"unit": "mm", "values": truth["hangup_width_mm"]["by_sector"]}
    return found


HOSTILE = "</style><script>alert(1)</script><img src=x onerror=alert(2)>{{ 7*7 }}"


def fill(root: Path, wicks: tuple[str, ...], *, burns: int) -> tuple[dict[str, tuple[str, ...]], datetime]:
    """A trial of these wicks, three candles each, in the log under `root`: codes by arm, and the moment it ends."""
    made = Workshop(root)
    for order, name in enumerate(ARMS, 1):
        add_wick(made.workspace, name, series="plain", size_order=order, diameter_mm=1.5 + 0.3 * order)
    new_trial(made.workspace, "which wick", question="Which wick for the straight jar?")
    arms = {wick: made.pour(wick, 3, trial="which wick") for wick in wicks}
    for code in (code for arm in arms.values() for code in arm):
        made.new_photo(code)
    for number in range(1, burns + 1):
        lit = made.clock()
        made.burn(arms)
        first = arms["middle"][0]
        if number == 1:
            measure_by_hand(made.workspace, first, "heat", 52.0, at=lit + timedelta(minutes=239))
            note = "Pool nearly full, slight soot on the left. Flame steady."
            file_note(made.workspace, first, note, at=lit + timedelta(minutes=235), tester="Ada")
            made.declined(Place(first, "alight", 1, 120.0, 120.0), "d1_01_top_b.jpg")
    incident(made.workspace, arms["thick"][0], "pinged", at=made.clock() - timedelta(hours=21), words=HOSTILE)
    made.workspace.close()
    return arms, made.clock()


@pytest.fixture(scope="session")
def empty_root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with nothing in it, made once."""
    root = tmp_path_factory.mktemp("empty") / "log"
    create_workspace(root, Settings(name="Lantern Lane", zone="Europe/Berlin")).close()
    return root


@pytest.fixture(scope="session")
def filled(empty_root: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], datetime]:
    root = tmp_path_factory.mktemp("filled") / "log"
    shutil.copytree(empty_root, root)
    return (root, *fill(root, ("middle", "thick"), burns=2))


@pytest.fixture(scope="session")
def shop(filled: Any) -> Iterator[Workshop]:
    """The filled log, for tests that only read."""
    root, _, moment = filled
    made = Workshop(root, moment)
    yield made
    made.workspace.close()


@pytest.fixture(scope="session")
def arms(filled: Any) -> dict[str, tuple[str, ...]]:
    return dict(filled[1])


@pytest.fixture(scope="session")
def trial_html(shop: Workshop) -> str:
    return pages.trial_page(shop.workspace, "which wick")


@pytest.fixture(scope="session")
def candle_html(shop: Workshop, arms: dict[str, tuple[str, ...]]) -> str:
    return pages.candle_page(shop.workspace, arms["middle"][0])


@pytest.fixture(scope="session")
def hot_html(shop: Workshop, arms: dict[str, tuple[str, ...]]) -> str:
    return pages.candle_page(shop.workspace, arms["thick"][0])


@pytest.fixture(scope="session")
def session_html(shop: Workshop) -> str:
    return pages.session_page(shop.workspace)


@pytest.fixture
def fresh(empty_root: Path, tmp_path: Path) -> Iterator[Workshop]:
    """A new log with nothing in it."""
    shutil.copytree(empty_root, tmp_path / "log")
    made = Workshop(tmp_path / "log")
    yield made
    made.workspace.close()
