"""Reports: one HTML file each for a trial, a candle and a session, with everything in it; the answer first, then why.

The pages hold no script and fetch nothing. What comes from the log is text to the templates, which escape it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pooleye
from pooleye import cautions
from pooleye.audit.results import Audit, Row
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import say_minutes
from pooleye.judge import service
from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import Burn, Candle
from pooleye.judge.findings import Finding, Stop, stops_together
from pooleye.measurement import Quantity
from pooleye.report import charts, gather, plots, sections
from pooleye.report.gather import CandleFile, SessionFile, Shot, TrialFile
from pooleye.report.text import SPREAD

if TYPE_CHECKING:
    from jinja2 import Environment

ENDS = {"snuffed": "snuffed", "by-itself": "went out by itself", "stopped": "stopped", None: "still alight"}
#: Criteria that a trial's decision rests on besides those its candles were judged by.
_OF_TRIALS = ("candles_per_arm", "prediction_confidence", "cure_apart", "fill_apart", "burn_length_apart", "trim_apart",
              "room_apart")  # fmt: skip


def candle_page(workspace: Workspace, code: str) -> str:
    """The report of one candle. Raises PooleyeError for an unknown code."""
    criteria = service.criteria_of(workspace)
    file = gather.candle_file(workspace, code, criteria)
    audit = _audit(workspace, [file], {file.code: None})
    shots, side_px = sections.fitting(file.shots)
    page = _page(workspace, f"Candle {file.code}", [file], criteria, audit)
    return _rendered(
        "candle.html",
        **page,
        stops=[*stops_together(sections.candle_stops(file.verdict)), *_dangers(audit)],
        file=file,
        reasons=sections.outside(sections.all_findings(file.verdict)),
        unseen=sections.unseen(file.verdict.burns, file.verdict.findings),
        forecast=_forecast(file),
        charts=charts.candle_charts(criteria, file) if file.evidence.burns else [],
        left_out=len(file.shots) - len(shots),
        new=[_photo(workspace, file, one, side_px) for one in shots if one.burn is None],
        burns=[_burn(workspace, criteria, file, number, shots, side_px) for number in _numbers(file)],
    )


def trial_page(workspace: Workspace, name: str) -> str:
    """The report of a trial. Raises PooleyeError for an unknown name."""
    criteria = service.criteria_of(workspace)
    trial = gather.trial_file(workspace, name, criteria)
    audit = _audit(workspace, trial.candles, {one.code: None for one in trial.candles})
    chosen = [(file, shot) for file in trial.candles for shot in _telling(file)]
    fitted, side_px = sections.fitting([shot for _, shot in chosen])
    kept = {shot.sha256 for shot in fitted}
    verdict = trial.verdict
    fairness = [*verdict.fair.refusals, *verdict.fair.cautions] if verdict else []
    page = _page(workspace, f"Trial {trial.shown.trial}", trial.candles, criteria, audit, fairness, _of_trial(trial))
    return _rendered(
        "trial.html",
        **page,
        stops=[*stops_together(verdict.stops if verdict else ()), *_dangers(audit)],
        trial=trial,
        verdict=verdict,
        refusals=sections.refusals(verdict.fair.refusals) if verdict else [],
        fair_cautions=sections.reasons(verdict.fair.cautions) if verdict else [],
        arm_charts=list(charts.arm_charts(verdict.arms)) if verdict else [],
        charts=list(charts.trial_charts([one.evidence for one in trial.candles])),
        pools=[
            (one, charts.pool_chart(one.evidence), charts.soot_chart(criteria, one.code, one.shots))
            for one in trial.candles
        ],
        reasons={one.code: sections.outside(sections.all_findings(one.verdict)) for one in trial.candles},
        left_out=len(chosen) - len(kept),
        photos=_by_burn(workspace, [(file, shot) for file, shot in chosen if shot.sha256 in kept], side_px),
    )


def session_page(workspace: Workspace, day: date | None = None) -> str:
    """The report of one day's burns, without a day of the latest. Raises PooleyeError when none was lit then."""
    criteria = service.criteria_of(workspace)
    session = gather.session_file(workspace, day, criteria)
    numbers = {file.code: n for file, n in session.burns}
    candles = [file for file, _ in session.burns]
    audit = _audit(workspace, candles, numbers)
    mine = [shot for file, n in session.burns for shot in file.shots if shot.burn in n]
    shots, side_px = sections.fitting(mine)
    found = [(file.code, one) for file, n in session.burns for one in _of_burns(file, n)]
    page = _page(workspace, f"Session of {session.day:%A} {session.day}", candles, criteria, audit, numbers=numbers)
    return _rendered(
        "session.html",
        **page,
        stops=[*stops_together((code, one) for code, one in found if one.severity == "stop"), *_dangers(audit)],
        session=session,
        left_out=len(mine) - len(shots),
        candles=[
            (file, [_burn(workspace, criteria, file, number, shots, side_px) for number in n])
            for file, n in session.burns
        ],
        charts=list(charts.session_charts(_evidence(session))),
        rates=_rates(session),
    )


# ---- parts that pages share -----------------------------------------------------------------------------------------


def _page(
    workspace: Workspace,
    title: str,
    candles: Sequence[CandleFile],
    criteria: Criteria,
    audit: Audit | None,
    more: Iterable[Finding] = (),
    keys: Iterable[str] = (),
    numbers: dict[str, tuple[int, ...]] | None = None,
) -> dict[str, Any]:
    """What every report holds: title, limits with sources, cautions, and what it rests on."""
    findings = [*more]
    shots: list[tuple[CandleFile, Shot]] = []
    for file in candles:
        only = numbers[file.code] if numbers else None
        findings += _of_burns(file, only) if only else sections.all_findings(file.verdict)
        shots += [(file, shot) for shot in file.shots if only is None or shot.burn in only or shot.burn is None]
    zone = workspace.zone
    return {
        "title": title,
        "workshop": workspace.settings.name,
        "made": sections.local(workspace.now(), zone),
        "version": pooleye.__version__,
        "spread": SPREAD,
        "limits": sections.limits(criteria, findings, keys),
        "while_burning": cautions.WHILE_BURNING,
        "emergency": cautions.IN_AN_EMERGENCY,
        "disclaimer": cautions.DISCLAIMER,
        "audit": audit,
        "audit_rows": _audit_rows(audit),
        "recipes": _recipes(candles),
        "methods": sections.methods(candles),
        "kept": [sections.kept(file.code, shot, zone) for file, shot in shots],
        "weighings": [
            (f"{file.code}, {sections.local(at, zone)}, {moment}", str(mass))
            for file in candles
            for at, moment, mass in file.weighings
        ],
        "changes": [(file.code, one) for file in candles for one in file.history.entries if _is_edit(one.what)],
        "zone": zone,
        "local": sections.local,
    }


def _is_edit(what: str) -> bool:
    return " → " in what or "STRUCK OUT" in what


def _recipes(candles: Sequence[CandleFile]) -> list[tuple[str, list[tuple[str, str]]]]:
    """What the candles are made of; those made alike together."""
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for file in candles:
        alike.setdefault(tuple(_recipe(file)), []).append(file.code)
    return [(", ".join(codes), list(rows)) for rows, codes in alike.items()]


def _recipe(file: CandleFile) -> list[tuple[str, str]]:
    """What the candle is made of, as the log has it."""
    life, setup = file.life, file.evidence.setup
    scent = f"{life.fragrance}, {life.load_percent:g} % of the wax" if life.fragrance else "none"
    rows = [
        ("vessel", f"{life.vessel}, {setup.bore_mm:g} mm inside the rim"),
        ("wick", f"{life.wick}" + (f", {setup.wick_count} of them" if setup.wick_count > 1 else "")),
        ("wax", life.wax),
        ("fragrance", scent),
        ("dye", setup.dye or "none"),
        ("pour", life.pour),
        ("fill", "not said" if setup.fill_mass_g is None else f"{setup.fill_mass_g:g} g"),
        ("cure", "not burnt yet" if setup.cured_days is None else f"{setup.cured_days:.0f} days before the first burn"),
        ("lots", ", ".join(life.lots) or "not said"),
    ]
    return rows + ([("trial", f"{life.trial}, arm {life.arm or 'not said'}")] if life.trial else [])


def _forecast(file: CandleFile) -> list[str]:
    """What is likely to come; nothing of a candle that burns no more."""
    if file.evidence.over or not file.evidence.burns:
        return []
    growth, left = file.forecast.growth, file.forecast.left
    lines = growth.said() if growth and file.forecast.alight else []
    return [*lines, *(left.said() if left else ["no forecast of its life: weigh it new and after each burn"])]


def _numbers(file: CandleFile) -> list[int]:
    return [one.number for one in file.life.burns]


def _of_burns(file: CandleFile, numbers: Sequence[int]) -> list[Finding]:
    """Findings and doubts of these burns."""
    return [f for burn in file.verdict.burns if burn.number in numbers for f in (*burn.findings, *burn.doubts)]


def _photo(workspace: Workspace, file: CandleFile, shot: Shot, side_px: int, *, compared: bool = False) -> Any:
    bore = file.evidence.setup.bore_mm
    return sections.photo(workspace.photos, file.code, shot, rim_inner_mm=bore, long_side_px=side_px, compared=compared)


def _burn(
    workspace: Workspace, criteria: Criteria, file: CandleFile, number: int, shots: Sequence[Shot], side_px: int
) -> dict[str, Any]:
    """One burn with its verdict, photos, pool, soot, notes and values by hand."""
    index = _numbers(file).index(number)
    shown, verdict, evidence = file.life.burns[index], file.verdict.burns[index], file.evidence.burns[index]
    return {
        "number": number,
        "shown": shown,
        "lit": sections.local(shown.lit_at, workspace.zone),
        "lasted": _lasted(shown.minutes, shown.minutes_u),
        "end": ENDS.get(shown.out_how, shown.out_how) if shown.out_at else ENDS[None],
        "room_c": evidence.room_c,
        "verdict": verdict,
        "reasons": sections.outside([*verdict.findings, *verdict.doubts]),
        "unseen": sections.unseen([verdict]),
        "missed": [say_minutes(minutes) for minutes in file.missed.get(number, ())],
        "photos": [_photo(workspace, file, one, side_px) for one in shots if one in file.shots_of(number)],
        "pool": charts.pool_chart(file.evidence, [number]) if len(charts.pool_points(evidence)) > 1 else None,
        "soot": charts.soot_chart(criteria, file.code, file.shots_of(number)),
        "notes": shown.notes,
        "by_hand": sections.hand_values(file, number),
    }


def _lasted(minutes: float | None, u: float | None) -> str:
    if minutes is None:
        return "still alight"
    return f"{say_minutes(minutes)} ± {max(u or 0.0, 0.5):.0f} min"


def _telling(file: CandleFile) -> list[Shot]:
    """Of each burn the last photo from above and from the side that measured what a trial compares."""
    found = []
    for number in _numbers(file):
        lit = [one for one in file.shots_of(number) if one.result is not None and one.phase == "alight"]
        mine = [one for one in lit if one.result and one.result.quantities.keys() & set(sections.COMPARED)]
        for view in ("top", "side"):
            found += [one for one in mine if one.view == view][-1:]
    return found


def _by_burn(
    workspace: Workspace, chosen: Sequence[tuple[CandleFile, Shot]], side_px: int
) -> list[tuple[int, str, list[tuple[str, Any]]]]:
    """(burn, view, [(arm, photo)]): photos of one burn and view beside each other, arm after arm."""
    groups: dict[tuple[int, str], list[tuple[str, Any]]] = {}
    for file, shot in chosen:
        row = (file.evidence.arm or "not said", _photo(workspace, file, shot, side_px, compared=True))
        groups.setdefault((shot.burn or 0, shot.view), []).append(row)
    words = {"top": "from above", "side": "from the side"}
    ordered = sorted(groups.items(), key=lambda one: (one[0][0], one[0][1] == "side"))
    return [(number, words.get(view, view), rows) for (number, view), rows in ordered]


def _of_trial(trial: TrialFile) -> list[str]:
    """Keys of criteria that decide between arms."""
    arms = trial.verdict.arms if trial.verdict else ()
    return [*_OF_TRIALS, *(answer.response.key for arm in arms for answer in arm.answers)]


def _evidence(session: SessionFile) -> list[tuple[Candle, Burn]]:
    return [(file.evidence, one) for file, n in session.burns for one in file.evidence.burns if one.number in n]


def _rates(session: SessionFile) -> list[tuple[str, int, str, Quantity | None, Quantity | None]]:
    """(candle, burn, how long, burnt, burn rate) of each burn of a session."""
    return [
        (file.code, one.number, _lasted(one.minutes, one.minutes_u), one.burnt, one.burn_rate)
        for file, numbers in session.burns
        for one in file.life.burns
        if one.number in numbers
    ]


# ---- notes against photos -------------------------------------------------------------------------------------------


def _audit(workspace: Workspace, candles: Sequence[CandleFile], numbers: dict[str, Any]) -> Audit | None:
    """The audit of these candles' notes, of these burns alone where numbers say so; None without candles."""
    from pooleye.audit.service import audit_of

    if not candles:
        return None
    found = audit_of(workspace, [one.code for one in candles])

    def mine(one: Any) -> bool:
        only = numbers[one.candle]
        return only is None or one.burn in only

    return replace(
        found,
        rows=tuple(filter(mine, found.rows)),
        without_photo=tuple(filter(mine, found.without_photo)),
        without_note=tuple(filter(mine, found.without_note)),
        not_understood=tuple(filter(mine, found.not_understood)),
        to_confirm=tuple(filter(mine, found.to_confirm)),
    )


def _dangers(audit: Audit | None) -> list[Stop]:
    """Words of danger in notes that nobody has confirmed or denied yet."""
    found = [one for one in audit.to_confirm if one.advice.severity == "stop"] if audit else []
    return [Stop(one.candle, one.advice.text, one.place, one.advice.source) for one in found]


def _audit_rows(audit: Audit | None) -> list[Row]:
    """Contradictions first, those open before those settled; then what agrees and what cannot be told."""
    if audit is None:
        return []
    rest = [one for verdict in ("agrees", "cannot-tell") for one in audit.rows if one.verdict == verdict]
    return [*audit.contradictions, *rest]


# ---- templates ------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("pooleye.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["sentence"] = lambda words: words[:1].upper() + words[1:]
    made.filters["clock"] = say_minutes
    made.globals["style"] = files("pooleye.report").joinpath("templates/report.css").read_text("utf-8")
    return made


def _rendered(template: str, **context: Any) -> str:
    return plots.numbered(_environment().get_template(template).render(**context))
