"""The parts of a report as a template needs them: stops, reasons, photos with numbers, limits, what it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from pathlib import Path

from pooleye.burnlog.looks import THROW_GRADES
from pooleye.burnlog.times import say_minutes
from pooleye.flags import FLAGS, REASONS, Severity, stops_first
from pooleye.judge.at_burn import BurnVerdict
from pooleye.judge.at_life import CandleVerdict
from pooleye.judge.criteria import Criteria, Criterion
from pooleye.judge.findings import Finding, burns_said, by_weight, grouped, of
from pooleye.measurement import QUANTITIES, Quantity, shown
from pooleye.report import pictures
from pooleye.report.gather import CandleFile, Shot

#: Short words for the numbers below a photo, in this order: two photos stand beside each other on a phone.
CAPTIONS = {
    "pool_diameter": "pool",
    "pool_coverage": "liquid",
    "hangup_mean": "hang-up",
    "hangup_max": "widest",
    "wick_offset": "wick off",
    "carbon_ball_diameter": "ball",
    "soot_delta_L": "soot L*",
    "debris_count": "debris",
    "flame_height": "flame",
    "flame_height_max": "tallest",
    "flicker_frequency": "flickers",
    "smoke_strength": "smoke",
    "wax_level": "wax",
    "pool_depth": "depth",
}
#: What a trial sets side by side of each photo.
COMPARED = ("pool_diameter", "hangup_mean", "soot_delta_L", "flame_height", "flame_height_max")
MARKS = {"stop": "STOP", "watch": "watch", "close": "too close to call", "missing": "not seen", "fine": "fine"}
HAND_WORDS = {"vessel_temperature": "vessel outside", "hot_throw": "hot throw", "headspace": "headspace"}


# ---- stops and reasons --------------------------------------------------------------------------------------------


def candle_stops(verdict: CandleVerdict) -> list[tuple[str, Finding]]:
    """Every stop of a candle, its ordinary end last."""
    found = [*verdict.unsafe, *(one for one in of(verdict.findings, "stop") if one.rule == "wax_left_limit")]
    return [(verdict.code, one) for one in dict.fromkeys(found)]


@dataclass(frozen=True)
class Reason:
    """One judgement with its evidence and its source."""

    mark: str
    severity: str
    where: str
    words: str
    evidence: str
    source: str


def reasons(findings: Iterable[Finding]) -> list[Reason]:
    """The same judgement in several burns as one, the gravest first; a close call is told by its value alone."""
    found = []
    for one in by_weight(grouped(findings)):
        evidence = "; ".join(one.evidence)
        words, proof = (evidence, "") if one.severity == "close" and evidence else (one.words, evidence)
        found.append(Reason(MARKS[one.severity], one.severity, one.place, words, proof, one.source))
    return found


def refusals(findings: Iterable[Finding]) -> list[Reason]:
    """What forbids comparing the arms of a trial: no danger, so not marked as one."""
    return [replace(one, mark="refused", severity="watch") for one in reasons(findings)]


def all_findings(verdict: CandleVerdict) -> list[Finding]:
    """Of the life and of every burn, doubts about records included."""
    return [*verdict.findings, *(one for burn in verdict.burns for one in (*burn.findings, *burn.doubts))]


def outside(findings: Iterable[Finding]) -> list[Reason]:
    """What stands against a candle: stops, watches, close calls."""
    return reasons(of(findings, "stop", "watch", "close"))


def unseen(verdicts: Sequence[BurnVerdict], life: Iterable[Finding] = ()) -> list[str]:
    """What was not measured, by the burns in which it was missing; what another rule judged there was seen."""
    missing: dict[str, list[Finding]] = {}
    found = [*(f for burn in verdicts for f in burn.findings), *life]
    for one in of(found, "missing"):
        if not any(other.number == one.number and one.words in "; ".join(other.evidence) for other in found):
            missing.setdefault(one.words.rstrip("."), []).append(one)
    places: dict[str, list[str]] = {}
    for words, times in missing.items():
        always = len({one.number for one in times}) >= len(verdicts)
        places.setdefault("" if always else burns_said(times), []).append(words)
    return [", ".join(words) + (f" ({where})" if where else "") for where, words in places.items()]


# ---- photos ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Photo:
    """A photo in the page: where it belongs, the picture, its numbers, a person's beside them, and what to mind."""

    title: str
    alt: str
    picture: pictures.Embedded
    rows: tuple[tuple[str, str], ...]
    by_hand: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]


def photo(root: Path, code: str, shot: Shot, *, rim_inner_mm: float, long_side_px: int, compared: bool) -> Photo:
    """A filed photo with its stored outlines; `compared`: among other candles' photos, so named and told in short."""
    title = f"{code}, {say_minutes(shot.minutes or 0.0)}" if compared else _title(shot)
    rows = _rows(shot.result.quantities) if shot.result else {}
    told = ", ".join(f"{QUANTITIES[name][1]} {value}" for name, value in rows.items())
    return Photo(
        title=title[0].upper() + title[1:],
        alt=f"Candle {code}, {place_said(shot)}, {_view(shot)}: {_told(shot, told)}",
        picture=pictures.embedded(root, shot, rim_inner_mm=rim_inner_mm, long_side_px=long_side_px),
        rows=tuple((CAPTIONS[name], value) for name, value in rows.items() if not compared or name in COMPARED),
        by_hand=tuple((CAPTIONS[name], value) for name, value in _rows(shot.by_hand).items()),
        remarks=tuple(one for one in _remarks(shot) if not compared or one.startswith("STOP")),
    )


def place_said(shot: Shot) -> str:
    """Where in the candle's life: "burn 2, 2 h 00"."""
    if shot.burn is None:
        return "new"
    if shot.phase == "after":
        return f"burn {shot.burn}, after snuffing"
    return f"burn {shot.burn}" + ("" if shot.minutes is None else f", {say_minutes(shot.minutes)}")


def _title(shot: Shot) -> str:
    if shot.burn is None:
        place = "new"
    else:
        place = "after snuffing" if shot.phase == "after" else say_minutes(shot.minutes or 0.0)
    return f"{place}, {_view(shot)}"


def _view(shot: Shot) -> str:
    return {"top": "from above", "side": "from the side"}.get(shot.view, "view not known")


def _rows(quantities: Mapping[str, Quantity]) -> dict[str, str]:
    return {name: shown(name, quantities[name]) for name in CAPTIONS if name in quantities}


def _told(shot: Shot, numbers: str) -> str:
    if shot.status is None:
        return "not measured yet"
    if shot.status == "declined":
        return f"not measured: {_meaning(shot)}"
    return numbers or "measured, without any of the usual quantities"


def _meaning(shot: Shot) -> str:
    found = REASONS.get(shot.reason or "")
    return found.meaning if found else (shot.reason or "without a reason said")


def _remarks(shot: Shot) -> tuple[str, ...]:
    """What to mind about a photo: why it was not measured, then its flags, stops first."""
    found = []
    if shot.status is None:
        found.append("Not measured yet: pooleye batch or pooleye remeasure does it.")
    if shot.status == "declined":
        found.append(f"Not measured: {_meaning(shot)} {shot.hint or ''}".strip())
    for flag in stops_first([name for name in shot.flags if name in FLAGS]):
        mark = "STOP: " if flag.severity is Severity.STOP else ""
        if flag.severity is not Severity.INFO:
            found.append(f"{mark}{flag.meaning}")
    return tuple(found)


def fitting(shots: Sequence[Shot]) -> tuple[tuple[Shot, ...], int]:
    """(photos that fit into one page, how large each may stand, px); when they are too many, some burns go unshown.

    The first and the last burn stay; of those between as many as fit, evenly.
    """
    side = pictures.long_side_px(len(shots))
    numbers = sorted({one.burn or 0 for one in shots})
    step = 2
    chosen = tuple(shots)
    while side == 0 and len(numbers) > 2 and step <= len(numbers):
        kept = {*numbers[::step], numbers[-1]}
        chosen = tuple(one for one in shots if (one.burn or 0) in kept)
        side, step = pictures.long_side_px(len(chosen)), step + 1
    return chosen, side or pictures.SHORTEST_PX


# ---- limits ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Limit:
    """A criterion that was applied: what, its window, when it holds, where from."""

    what: str
    window: str
    holds: str
    source: str


def limits(criteria: Criteria, findings: Iterable[Finding], more: Iterable[str] = ()) -> list[Limit]:
    """Every criterion that judged here, and every rule beside the criteria, each with its source."""
    found = list(findings)
    used = {one.rule for one in found} | set(more)
    listed = [_limit(one) for one in criteria if one.key in used]
    known = {one.source for one in listed}
    others: dict[str, str] = {}
    for one in found:
        if one.rule not in criteria.by_key and one.source not in known:
            others.setdefault(one.source, one.rule.replace("_", " ").replace("-", " "))
    return listed + [Limit(rule, "", "", source) for source, rule in others.items()]


def _limit(one: Criterion) -> Limit:
    holds = [] if one.burns == "all" else [f"burns {one.burns}"]
    holds += [f"from {one.from_min:g} min on"] if one.from_min else []
    holds += [f"{one.vessels}s"] if one.vessels != "any" else []
    return Limit(one.what, one.window, ", ".join(holds), one.cited)


# ---- what it rests on -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kept:
    """A photo for whoever checks: its name, place, hash, how it was filed, what measured it with which inputs."""

    name: str
    place: str
    sha256: str
    filed: str
    measured: str


def kept(code: str, shot: Shot, zone: tzinfo) -> Kept:
    """What must be known of a photo to measure it again."""
    taken = "time unknown" if shot.taken_at is None else f"taken {local(shot.taken_at, zone)}"
    measured = "not measured"
    if shot.method and shot.measured_at:
        word = "measured" if shot.status == "measured" else f"declined ({shot.reason})"
        measured = f"{word} by {shot.method} on {local(shot.measured_at, zone)}{_inputs(shot)}"
    return Kept(shot.name, f"{code}, {place_said(shot)}", shot.sha256, f"{taken}; filed by {shot.found_how}", measured)


def _inputs(shot: Shot) -> str:
    headspace, how = shot.inputs.get("headspace_mm"), shot.inputs.get("headspace_how")
    given = [] if headspace is None else [f"headspace {headspace:g} mm ({how or 'given'})"]
    baseline = shot.inputs.get("baseline_sha256")
    given += [f"baseline {baseline[:12]}…"] if baseline else []
    return f"; {', '.join(given)}" if given else ""


def local(moment: datetime, zone: tzinfo) -> str:
    """A moment by the workshop's clock, with its offset."""
    there = moment.astimezone(zone)
    return f"{there:%Y-%m-%d %H:%M} ({there:%z})"


def methods(files: Iterable[CandleFile]) -> list[str]:
    """Methods and versions that gave the numbers, hand corrections included."""
    found = {one.method for file in files for one in file.shots if one.method}
    corrected = any(one.by_hand for file in files for one in file.shots)
    return [*sorted(found), *(["by hand"] if corrected else [])]


def hand_values(file: CandleFile, number: int) -> list[tuple[str, str, str]]:
    """(when, what, value) taken by hand in a burn, not from a photo."""
    burn = next(one for one in file.life.burns if one.number == number)
    return [
        ("" if minutes is None else say_minutes(minutes), _hand_words(name), _hand_shown(name, value))
        for minutes, name, value in burn.by_hand
    ]


def _hand_words(name: str) -> str:
    return HAND_WORDS.get(name) or (QUANTITIES[name][1] if name in QUANTITIES else name.replace("_", " "))


def _hand_shown(name: str, value: Quantity) -> str:
    if name == "hot_throw":
        return THROW_GRADES[round(value.value)]
    return shown(name, value)
