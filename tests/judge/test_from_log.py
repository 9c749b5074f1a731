"""From the burn log to a decision: an invented workshop's trials, filed as at a bench, judged by the commands."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
import pytest
from bench_clock import Clock
from sqlalchemy import select

from pooleye.burnlog.bench import Place
from pooleye.burnlog.burns import Lighting, light, snuff
from pooleye.burnlog.filing import correct_by_hand, file_photo, job_for, record_reading
from pooleye.burnlog.find import candle as find_candle
from pooleye.burnlog.looks import incident, keep_claims, measure_by_hand, note
from pooleye.burnlog.materials import add_lot, add_wick
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.records import Finding, Photo
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace, open_workspace
from pooleye.burnlog.trials import add_to_trial, new_trial
from pooleye.burnlog.weighing import weigh
from pooleye.judge import from_log, service
from pooleye.measurement import QUANTITIES, Quantity

T0 = datetime(2026, 1, 5, 17, 0, tzinfo=UTC)


class Bench:
    """An invented workshop: candles are lit, looked at after four hours, snuffed and weighed cold."""

    def __init__(self, root: Path, moment: datetime = T0) -> None:
        self.clock = Clock(moment)
        self.workspace: Workspace = replace(open_workspace(root), clock=self.clock)
        self.photos = root.parent / "camera"
        self.photos.mkdir()
        self.shots = 0

    def pour(self, wick: str, count: int, *, trial: str | None = None, **recipe: Any) -> tuple[str, ...]:
        alike = {"vessel": "straight jar", "rim_inner_mm": 75.0, "fill_mass_g": 180.0, "empty_mass_g": 250.0}
        made = pour(
            self.workspace,
            Recipe("soy", **recipe),
            [CandleSet(count, wick=wick, trial=trial, **alike)],
            at=self.clock() - timedelta(days=15),
        )
        for code in made.codes:
            weigh(self.workspace, code, 430.0, step_g=0.1)
        return made.codes

    def photo(
        self,
        code: str,
        burn: int | None,
        minutes: float,
        values: dict[str, tuple[float, float]],
        flags=(),
        phase="alight",
    ) -> str:
        """File a photo that was measured with these values."""
        self.shots += 1
        path = self.photos / f"{self.shots}.jpg"
        path.write_bytes(f"photo {self.shots}".encode())
        lit = phase == "alight"
        place = Place(code, phase, burn, minutes if lit else None, minutes if lit else None)
        filed = file_photo(self.workspace, path, place, found_how="given", view="top")
        with self.workspace.read() as session:
            job = job_for(session, self.workspace, session.get_one(Photo, filed.photo_id))
        quantities = {
            name: {"value": value, "u": u, "unit": QUANTITIES[name][0]} for name, (value, u) in values.items()
        }
        result = {
            "photo": path.name, "view": "top", "status": "measured", "reason": None, "hint": None,
            "flags": list(flags), "quantities": quantities, "by_clock": {}, "outlines_px": {}, "method": "top/1",
        }  # fmt: skip
        record_reading(self.workspace, job, {"result": result})
        return filed.sha256

    def burn(self, codes: tuple[str, ...], ring_mm: float, flame_mm: float, *, burnt_g: float = 22.0) -> None:
        """Four hours, one look at the end, a cold weighing the next morning."""
        light(self.workspace, codes, how=Lighting(trimmed_mm=6.0, room_c=21.0, spacing_mm=120.0))
        lit = self.clock()
        for index, code in enumerate(codes):
            with self.workspace.read() as session:
                number = len(find_candle(session, code).burns)
            ring = ring_mm + 0.15 * index
            values = {
                "pool_diameter": (75 - 2 * ring, 0.5), "hangup_mean": (ring, 0.3), "flame_height": (flame_mm, 0.6),
                "flame_count": (1.0, 0.05), "wick_offset": (1.0 + 0.1 * index, 0.4), "soot_delta_L": (-0.3, 0.8),
                "carbon_ball_diameter": (1.0, 0.4), "smoke_strength": (0.02, 0.04), "debris_count": (0.0, 0.05),
            }  # fmt: skip
            self.photo(code, number, 240.0, values)
        self.clock.moment = lit + timedelta(minutes=240)
        snuff(self.workspace, codes)
        self.clock.moment = lit + timedelta(hours=16)
        for index, code in enumerate(codes):
            with self.workspace.read() as session:
                last = find_candle(session, code).weighings[-1].mass_g
            weigh(self.workspace, code, round(last - burnt_g - 0.2 * index, 1), step_g=0.1)
        self.clock.moment = lit + timedelta(hours=24)


@pytest.fixture(scope="module")
def empty_log(tmp_path_factory):
    """A log with three wicks in their order, made once and copied."""
    root = tmp_path_factory.mktemp("empty") / "log"
    made = create_workspace(root, Settings(name="Lantern Lane", zone="Europe/Berlin"))
    for order, name in enumerate(("thin", "middle", "thick"), 1):
        add_wick(made, name, series="plain", size_order=order, diameter_mm=1.5 + 0.3 * order)
    made.close()
    return root


@pytest.fixture
def bench(empty_log, tmp_path):
    shutil.copytree(empty_log, tmp_path / "log")
    made = Bench(tmp_path / "log")
    yield made
    made.workspace.close()


@pytest.fixture(scope="module")
def burnt_log(empty_log, tmp_path_factory):
    """Thin wicks leave a ring, thick ones burn too tall, the middle is right; six burns each."""
    root = tmp_path_factory.mktemp("burnt") / "log"
    shutil.copytree(empty_log, root)
    made = Bench(root)
    new_trial(made.workspace, "which wick", question="which wick for the straight jar?")
    arms = {"thin": made.pour("thin", 3, trial="which wick")}
    arms |= {wick: _more(made, wick) for wick in ("middle", "thick")}
    seen = {"thin": (7.5, 14.0, 17.0), "middle": (1.2, 20.0, 21.0), "thick": (0.3, 81.0, 26.0)}
    for _ in range(6):
        start = made.clock()
        for wick, (ring, flame, burnt) in seen.items():
            made.clock.moment = start
            made.burn(arms[wick], ring, flame, burnt_g=burnt)
    made.workspace.close()
    return root, arms, made.clock()


@pytest.fixture
def three_arms(burnt_log, tmp_path):
    root, arms, moment = burnt_log
    shutil.copytree(root, tmp_path / "log")
    made = Bench(tmp_path / "log", moment)
    yield made, arms
    made.workspace.close()


def _more(bench, wick):
    """More candles from the same pot."""
    from pooleye.burnlog.pours import more_candles

    alike = {"vessel": "straight jar", "fill_mass_g": 180.0, "empty_mass_g": 250.0}
    made = more_candles(bench.workspace, "P1", CandleSet(3, wick=wick, trial="which wick", **alike))
    for code in made.codes:
        weigh(bench.workspace, code, 430.0, step_g=0.1)
    return made.codes


def run(command, bench, *arguments):
    return command(*arguments, "--workspace", str(bench.workspace.root))


def test_the_demo_trial_is_judged_as_a_tester_would(three_arms, command):
    bench, _ = three_arms
    verdict = service.judge_trial(bench.workspace, "which wick")
    assert verdict.fair.fair
    assert verdict.fair.cautions == ()
    assert {arm.name: arm.word for arm in verdict.arms} == {
        "thin": "runs cool",
        "middle": "stays within",
        "thick": "unsafe, too hot",
    }
    assert verdict.word == "keep middle"
    status, out, err = run(command, bench, "trial", "judge", "which wick")
    assert status == 0
    assert out.startswith("STOP: ")
    assert out.index("STOP") < out.index("keep middle")
    assert "certifies nothing" in out
    assert "Never leave a burning candle alone" in err


def test_a_wrong_variable_trial_from_the_log_is_refused(bench, command):
    new_trial(bench.workspace, "two things")
    codes = bench.pour("thin", 3) + bench.pour("middle", 3, fragrance="winter tea", load_percent=8.0)
    add_to_trial(bench.workspace, "two things", codes)
    for _ in range(3):
        bench.burn(codes, 1.0, 20.0)
    verdict = service.judge_trial(bench.workspace, "two things")
    assert verdict.word == "not a fair comparison"
    assert {one.rule for one in verdict.fair.refusals} == {"varies_too"}
    assert verdict.best is None
    _, out, _ = run(command, bench, "trial", "judge", "two things")
    assert "the fragrance does too" in out


def test_a_two_candle_arm_from_the_log_is_refused(bench):
    new_trial(bench.workspace, "too few")
    add_to_trial(bench.workspace, "too few", bench.pour("thin", 3) + bench.pour("middle", 2))
    verdict = service.judge_trial(bench.workspace, "too few")
    assert verdict.word == "not enough candles"
    assert [one.rule for one in verdict.fair.refusals] == ["arm_too_small"]


def test_what_the_log_holds_is_what_is_judged(bench):
    (code,) = bench.pour("middle", 1)
    light(bench.workspace, [code], how=Lighting(trimmed_mm=6.0, room_c=22.0))
    lit = bench.clock()
    sha = bench.photo(code, 1, 120.0, {"pool_diameter": (50.0, 0.5), "wick_offset": (2.0, 0.4)}, ["focal-assumed"])
    bench.clock.moment = lit + timedelta(minutes=122)
    measure_by_hand(bench.workspace, code, "heat", 51.0)
    measure_by_hand(bench.workspace, code, "width", 40.0)  # less sure than the photo: the photo's stays
    noted = note(bench.workspace, code, "a steady flame")
    claim = {
        "quantity": "flame-motion",
        "state": "steady",
        "value": None,
        "unit": None,
        "where": None,
        "words": "steady",
    }
    keep_claims(bench.workspace, noted.note_id, "reader/1", [{**claim, "superseded": False, "hedged": False}])
    correct_by_hand(bench.workspace, sha, {"wick_offset": Quantity(4.0, 0.5, "mm")})
    with bench.workspace.read() as session:
        found = from_log.candle_of(session, find_candle(session, code))
    (burn,) = found.burns
    (look,) = burn.looks
    assert look.minutes == 120.0
    assert look.flags == ("focal-assumed",)
    assert [(one.quantity, one.state) for one in look.said] == [("flame-motion", "steady")]
    assert look.values["pool_diameter"] == Quantity(50.0, 0.5, "mm")
    assert look.values["wick_offset"] == Quantity(4.0, 0.5, "mm")  # a person's correction stands beside, and counts
    assert look.values["vessel_temperature"].value == 51.0
    assert found.setup.wick == from_log.evidence.Size("middle", "plain", 2, 2.1)
    assert found.setup.cured_days == pytest.approx(15.0)
    assert not burn.ended
    assert burn.wax_before_g is not None
    assert burn.wax_before_g.value == pytest.approx(180.0)


def test_photos_of_the_new_candle_and_after_snuffing_are_used(bench):
    (code,) = bench.pour("middle", 1)
    bench.photo(code, None, 0.0, {"wick_offset": (1.0, 0.4), "pool_coverage": (0.0, 0.01)}, phase="new")
    bench.burn((code,), 1.0, 20.0)
    bench.photo(code, 1, 0.0, {"wick_offset": (9.0, 0.4), "pool_diameter": (60.0, 0.5)}, phase="after")
    with bench.workspace.read() as session:
        found = from_log.candle_of(session, find_candle(session, code))
    assert found.new_values["wick_offset"].value == 1.0
    lit, after = found.burns[0].looks
    assert (lit.lit, after.lit) == (True, False)
    assert set(after.values) == {"wick_offset"}
    assert service.judge(bench.workspace, [code]).candles[0].word == "unsafe as tested"


@pytest.mark.parametrize("phase", ["alight", "after"])
def test_of_two_photos_of_one_look_the_sootier_side_counts(bench, phase):
    """Each shows a side of the rim; a clean one seen more surely does not clean the other."""
    (code,) = bench.pour("middle", 1)
    light(bench.workspace, [code], how=Lighting(trimmed_mm=6.0))
    sides = [{"soot_delta_L": (-7.0, 1.6), "soot_arc": (90.0, 20.0), "wick_offset": (2.0, 1.0)},
             {"soot_delta_L": (-0.2, 0.8), "soot_arc": (0.0, 15.0), "wick_offset": (2.4, 0.6)}]  # fmt: skip
    for values in sides:
        bench.photo(code, 1, 120.0, values, phase=phase)
    bench.clock.moment += timedelta(minutes=130)
    snuff(bench.workspace, [code])
    with bench.workspace.read() as session:
        (look,) = from_log.candle_of(session, find_candle(session, code)).burns[0].looks
    assert look.values["soot_delta_L"].value == -7.0
    assert look.values["wick_offset"].value == 2.4  # all else: the surer, or the later


def test_weighings_give_rate_level_and_what_is_left(bench):
    (code,) = bench.pour("middle", 1)
    bench.burn((code,), 1.0, 20.0, burnt_g=22.0)
    bench.burn((code,), 1.0, 20.0, burnt_g=22.0)
    with bench.workspace.read() as session:
        found = from_log.candle_of(session, find_candle(session, code))
    assert [burn.burn_rate.value for burn in found.burns] == pytest.approx([5.5, 5.5])
    assert found.wax_left_g.value == pytest.approx(136.0)
    # 180 g in a bore of 75 mm at 0.90 g/cm³ stand 45.3 mm high; at the end of the second burn 136 g, 34.2 mm.
    assert found.burns[0].level_before_mm.value == pytest.approx(45.27, abs=0.02)
    assert found.burns[1].looks[0].values["wax_left_level"].value == pytest.approx(34.2, abs=0.1)
    assert found.burns[1].rest_min == pytest.approx(20 * 60)


def test_an_incident_stops_before_anything_else_is_said(bench, command):
    (code,) = bench.pour("middle", 1)
    light(bench.workspace, [code])
    bench.clock.moment += timedelta(minutes=50)
    incident(bench.workspace, code, "cracked")
    status, out, _ = run(command, bench, "judge", code)
    assert status == 0
    assert out.startswith(f"STOP: {code}, burn 1, 50 min: The vessel cracked")
    assert "unsafe as tested" in out


def test_judging_all_is_brief_and_names_each_candle(three_arms, command):
    bench, arms = three_arms
    _, out, _ = run(command, bench, "judge")
    lines = [line for line in out.splitlines() if not line.startswith("STOP")]
    for codes in arms.values():
        assert all(any(line.startswith(f"{code}: ") for line in lines) for code in codes)


def test_json_is_strict_and_holds_the_verdict(three_arms, command):
    bench, arms = three_arms
    _, out, _ = run(command, bench, "judge", arms["middle"][0], "--json")
    said = json.loads(out)
    assert said["candles"][0]["word"] == "in range"
    _, out, _ = run(command, bench, "trial", "judge", "which wick", "--json")
    assert json.loads(out)["best"] == "middle"


def test_findings_are_kept_once(three_arms, command):
    bench, arms = three_arms
    thick = arms["thick"][0]
    for _ in range(2):
        run(command, bench, "judge", thick, "--keep")
    with bench.workspace.read() as session:
        rows = [(one.rule, one.burn_id, one.text, one.severity, one.source) for one in session.scalars(select(Finding))]
    assert len(rows) == len(set(rows)) > 0
    assert {row[3] for row in rows} <= {"stop", "watch"}
    assert any("ASTM F2417" in row[4] for row in rows)


def test_own_criteria_in_the_workspace_hold(three_arms):
    bench, arms = three_arms
    code = arms["middle"][0]
    assert service.judge(bench.workspace, [code]).candles[0].word == "in range"
    (bench.workspace.root / "criteria.toml").write_text("[hang_up]\nmost = 0.5\n")
    verdict = service.judge(bench.workspace, [code]).candles[0]
    assert verdict.word == "runs cool"
    assert "own figure" in " ".join(verdict.said())


def test_the_forecast_of_a_candle(three_arms, command):
    bench, arms = three_arms
    _, out, _ = run(command, bench, "forecast", arms["middle"][0])
    # Six burns of 21 g leave 54 g; 50.5 g stand below half an inch: less than one burn of four hours.
    assert "alight left" in out
    found = service.forecast_of(bench.workspace, arms["middle"][0])
    assert found.left is not None
    assert found.left.usable.value == pytest.approx(3.5, abs=0.3)


def test_an_early_forecast_from_two_looks(bench, command):
    (code,) = bench.pour("thin", 1)
    light(bench.workspace, [code])
    bench.photo(code, 1, 60.0, {"pool_diameter": (30.0, 0.7)})
    bench.photo(code, 1, 120.0, {"pool_diameter": (45.0, 0.7)})
    _, out, _ = run(command, bench, "forecast", code)
    assert "will not reach the wall within 4 h" in out


def test_what_a_new_fragrance_reopens(three_arms, command):
    bench, _ = three_arms
    _, out, _ = run(command, bench, "trial", "reopens", "--fragrance", "summer hay")
    assert "trial which wick (keep middle): test anew" in out
    _, out, _ = run(command, bench, "trial", "reopens")
    assert "stands" in out


def test_a_newer_wax_lot_reopens_by_itself(bench):
    new_trial(bench.workspace, "lots")
    first = bench.pour("thin", 3)
    for label in ("B-1", "B-2"):
        add_lot(bench.workspace, "wax", label, "soy")
    more = pour(
        bench.workspace,
        Recipe("soy"),
        [CandleSet(3, vessel="straight jar", wick="middle", fill_mass_g=180.0)],
        at=bench.clock() - timedelta(days=15),
        lots=["B-1"],
    )
    add_to_trial(bench.workspace, "lots", more.codes)
    bench.burn(first[:1], 1.0, 20.0)
    for code in more.codes:
        weigh(bench.workspace, code, 430.0)
    bench.burn(more.codes, 1.0, 20.0)
    assert [one.word for one in service.reopened_by(bench.workspace, service.Recipe()).rows] == ["stands"]
    pour(bench.workspace, Recipe("soy"), at=bench.clock(), lots=["B-2"])
    (row,) = service.reopened_by(bench.workspace, service.Recipe()).rows
    assert row.word == "confirm with one arm"
    assert "wax lot B-1 becomes B-2" in row.said()


def test_a_new_trial_is_planned_and_written_for_a_calendar(bench, command, tmp_path):
    bench.pour("thin", 1)
    add_lot(bench.workspace, "wax", "B-1", "soy", amount=10_000.0, price=100.0, currency="EUR")
    add_lot(bench.workspace, "wick", "W-1", "thin", amount=100.0, price=50.0, currency="EUR")
    file = tmp_path / "plan.ics"
    status, out, _ = run(
        command, bench, "plan", "winter jar", "--vessel", "straight jar", "--wax", "soy", "--wick", "thin",
        "--wick", "thick",
        "--pour-on", "2026-02-01", "--free", "sat=10h@09:00", "--table", "3", "--ics", str(file),
    )  # fmt: skip
    assert status == 0
    assert "cured on 2026-02-15" in out
    # Six candles with 180 g of wax at 10 EUR/kg and a wick at 0.50 EUR; vessels have no price in the log.
    assert "materials 13.80 EUR without vessels" in out
    entries = icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    # 144 g at 5 g/h are eight burns of four hours; three of six candles fit on the table: sixteen sittings.
    assert len(entries) == 2 + 16


def test_a_plan_is_json_too(bench, command):
    bench.pour("thin", 1)
    _, out, _ = run(
        command, bench, "plan", "x", "--vessel", "jar", "--wax", "soy", "--wick", "a", "--wick", "b",
        "--pour-on", "2026-02-01", "--json",
    )  # fmt: skip
    said = json.loads(out)
    assert said["pour_on"] == "2026-02-01"
    assert said["sittings"][0]["starts"] == "2026-02-15T18:00:00+01:00"


def test_a_forecast_is_json_too(three_arms, command):
    bench, arms = three_arms
    _, out, _ = run(command, bench, "forecast", arms["middle"][0], "--json")
    assert json.loads(out)["left"]["rate"]["unit"] == "g/h"


def test_the_rest_of_a_trial_is_planned_without_what_was_stopped(bench, command):
    new_trial(bench.workspace, "going on")
    codes = bench.pour("thin", 2, trial="going on")
    bench.burn(codes, 1.0, 20.0)
    incident(bench.workspace, codes[0], "cracked")
    status, out, _ = run(command, bench, "plan", "going on")
    assert status == 0
    assert f"{codes[1]} burn 2" in out
    assert f"{codes[0]} burn" not in out


@pytest.mark.parametrize(
    ("arguments", "reference"),
    [
        (("judge", "ZZZZ"), "not-a-candle-code"),
        (("trial", "judge", "nothing"), "unknown-trial"),
        (("plan", "nothing"), "unknown-trial"),
        (("plan", "x", "--wick", "a"), "plan-incomplete"),
        (("plan", "x", "--vessel", "jar", "--wax", "soy", "--wick", "a"), "one-arm"),
        (("plan", "x", "--free", "someday=4h"), "bad-free-hours"),
        (("plan", "x", "--begins", "late"), "not-a-time"),
        (("trial", "reopens", "--lot", "B-2"), "lot-without-component"),
    ],
)
def test_what_is_asked_wrongly_is_answered_in_words(bench, command, arguments, reference):
    status, _, err = run(command, bench, *arguments)
    assert status == 2
    assert f"error[{reference}]" in err
    assert "try:" in err


def test_criteria_are_printed_with_their_sources(command, outside):
    status, out, _ = command("criteria")
    assert status == 0
    assert "flame_height_limit" in out
    assert "ASTM F2417-23 4.1" in out
    (outside / "own.toml").write_text("[hang_up]\nmost = 2.5\n")
    _, out, _ = command("criteria", "--criteria", str(outside / "own.toml"))
    assert "at most 2.5 mm" in out
    assert "(own)" in out
    _, out, _ = command("criteria", "--toml")
    assert out.startswith("# Limits and target windows.")
