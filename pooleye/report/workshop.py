"""The demo's workshop: a burn log made of an invented scenario by the functions that a maker's own work uses.

The scenario, `sample_images/workshop/scenario.json`, holds what the workshop has and did: materials, lots, a trial,
pours, and events in order of time (weigh, light, note, heat, throw, depth, incident, snuff), each entered with its own
time. Its photos lie in `photos` beside it and are filed and measured as any folder is.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pooleye.errors import UsageError

if TYPE_CHECKING:
    from pooleye.burnlog.batch import BatchSummary, Progress
    from pooleye.burnlog.store import Workspace

SCENARIO = "workshop/scenario.json"
LOG_FOLDER = "workshop"
#: A candle whose page has most to show, and the day that a session's page is made of.
SHOWN_DAY = date(2025, 3, 19)


@dataclass(frozen=True)
class Scenario:
    """What the workshop has and did; `photos` is the folder of its photos."""

    photos: Path
    data: Mapping[str, Any]

    @property
    def trial(self) -> str:
        return str(self.data["trial"]["name"])


def read_scenario(samples: Path) -> Scenario:
    """The scenario in the folder of samples. Raises UsageError where it is missing or no JSON."""
    path = samples / SCENARIO
    try:
        return Scenario(path.parent / "photos", json.loads(path.read_text("utf-8")))
    except (OSError, ValueError) as error:
        raise UsageError(
            "samples-missing",
            f"the demo's workshop cannot be read ({error})",
            looked_for=str(path),
            hint="run the demo from a complete checkout of pooleye",
        ) from None


def begun_log(target: Path, scenario: Scenario) -> Workspace:
    """The demo's log in `target`: as it is there, else entered anew.

    It is entered beside its place and moved there when whole, so that a demo cut off begins again and enters nothing
    twice.
    """
    from pooleye.burnlog.settings import Settings
    from pooleye.burnlog.store import create_workspace, open_workspace

    place, unfinished = target / LOG_FOLDER, target / f".{LOG_FOLDER}-unfinished"
    if not place.exists():
        if unfinished.exists():
            shutil.rmtree(unfinished)
        workspace = create_workspace(unfinished, Settings(**scenario.data["settings"]))
        try:
            enter(workspace, scenario)
        finally:
            workspace.close()
        unfinished.rename(place)
    return open_workspace(place)


def enter(workspace: Workspace, scenario: Scenario) -> None:
    """Everything but the photos into an empty log. Raises PooleyeError for what the log refuses."""
    from pooleye.burnlog import materials, trials

    data = scenario.data
    adders: tuple[tuple[str, Callable[..., Any]], ...] = (
        ("vessels", materials.add_vessel),
        ("waxes", materials.add_wax),
        ("fragrances", materials.add_fragrance),
        ("wicks", materials.add_wick),
        ("lots", materials.add_lot),
    )
    for key, add in adders:
        for one in data[key]:
            add(workspace, **one)
    trials.new_trial(workspace, **data["trial"])
    codes = [code for one in data["pours"] for code in _pour(workspace, one)]
    if codes != data["codes"]:
        raise UsageError(
            "scenario-codes",
            f"the log gave the codes {', '.join(codes)}, the photos show {', '.join(data['codes'])}",
            hint="the scenario does not fit this version of pooleye",
        )
    for event in data["events"]:
        _do(workspace, event)


def _pour(workspace: Workspace, told: Mapping[str, Any]) -> tuple[str, ...]:
    from pooleye.burnlog.pours import CandleSet, Recipe, pour

    sets = [CandleSet(**one) for one in told["sets"]]
    at = datetime.fromisoformat(told["at"])
    return pour(workspace, Recipe(**told["recipe"]), sets, at=at, lots=told["lots"]).codes


def _do(workspace: Workspace, event: Mapping[str, Any]) -> None:
    """One thing done at the bench, as its command does it."""
    from pooleye.audit.note_filing import file_note
    from pooleye.burnlog import burns, looks, weighing

    more = {key: value for key, value in event.items() if key not in ("at", "do", "candle")}
    do, code, at = event["do"], event["candle"], datetime.fromisoformat(event["at"])
    if do == "weigh":
        weighing.weigh(workspace, code, at=at, **more)
    elif do == "light":
        burns.light(workspace, [code], at=at, how=burns.Lighting(**more))
    elif do == "snuff":
        burns.snuff(workspace, [code], at=at, **more)
    elif do == "note":
        file_note(workspace, code, at=at, **more)
    elif do == "incident":
        looks.incident(workspace, code, at=at, **more)
    else:
        looks.measure_by_hand(workspace, code, do, at=at, **more)


def measured_log(
    workspace: Workspace, scenario: Scenario, progress: Progress | None = None, workers: int | None = None
) -> BatchSummary:
    """All photos filed and measured, as `pooleye batch` does it; what was done before is not done again."""
    from pooleye.burnlog.batch import run_batch

    return run_batch(workspace, scenario.photos, workers=workers, progress=progress)


def looked_again(workspace: Workspace, scenario: Scenario) -> None:
    """What a person put right after the photos were measured: own values, contradictions settled. Done once only."""
    from pooleye.audit import service
    from pooleye.burnlog.corrections import adjust, photo_named
    from pooleye.burnlog.filing import newest_reading

    for told in scenario.data["second_looks"]:
        more = {key: value for key, value in told.items() if key != "do"}
        if told["do"] == "adjust":
            with workspace.read() as session:
                done = newest_reading(photo_named(session, told["photo"]), by_hand=True) is not None
            if not done:
                adjust(workspace, more.pop("photo"), more.pop("quantity"), more.pop("value"), **more)
            continue
        about = tuple(more.pop(key) for key in ("candle", "burn", "checkpoint_minutes", "quantity"))
        for row in service.audit_of(workspace).rows:
            open_ = row.verdict == "contradicts" and row.settlement is None
            if open_ and (row.candle, row.burn, row.minutes, row.quantity) == about:
                service.settle(workspace, row.id, more.pop("verdict"), **more)
                break


def judged_log(workspace: Workspace, scenario: Scenario) -> Iterator[str]:
    """Every candle judged, findings kept in the log; yields stops, the trial's decision and what the audit found."""
    from pooleye.audit.service import audit_of
    from pooleye.judge import service

    for verdict in service.judge(workspace, scenario.data["codes"]).candles:
        service.keep(workspace, verdict)
    decided = service.judge_trial(workspace, scenario.trial)
    yield f"The trial “{decided.trial}”: {decided.word}."
    yield from (f"  {line}" for line in decided.why)
    yield from (f"  arm {arm.name}: {arm.word}" for arm in decided.arms)
    rows = audit_of(workspace).rows
    against = sum(row.verdict == "contradicts" for row in rows)
    agreed = sum(row.verdict == "agrees" for row in rows)
    yield f"Notes against photos: {agreed} claims agree, {against} are contradicted."


def written_reports(workspace: Workspace, scenario: Scenario, target: Path) -> Iterator[tuple[Path, str]]:
    """Reports and exports beside the log; yields each file with what it is, as it is written."""
    from pooleye.burnlog.export.service import export_xlsx
    from pooleye.report import pages
    from pooleye.report.written import write_report

    stopped = next(one["candle"] for one in scenario.data["events"] if one["do"] == "incident")
    made: tuple[tuple[str, str, Callable[[], str]], ...] = (
        ("trial.html", "the trial: which wick, and why", lambda: pages.trial_page(workspace, scenario.trial)),
        (f"candle-{stopped}.html", "a candle that was stopped", lambda: pages.candle_page(workspace, stopped)),
        (f"session-{SHOWN_DAY}.html", "one day at the bench", lambda: pages.session_page(workspace, SHOWN_DAY)),
    )
    for name, what, page in made:
        yield write_report(page(), target / name).path, what
    table = target / "burnlog.xlsx"
    table.unlink(missing_ok=True)
    export_xlsx(workspace, table)
    yield table, "every measurement as a table"
