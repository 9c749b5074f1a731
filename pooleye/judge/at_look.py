"""One look at a burning candle: fine, watch, or stop now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pooleye.flags import FLAGS, Severity
from pooleye.judge import by_eye, derived
from pooleye.judge.criteria import Criteria, Criterion
from pooleye.judge.evidence import AFTER_SNUFFING, Burn, Candle, Incident, Look
from pooleye.judge.findings import Finding, Standing, by_weight, judged, of, stand, told
from pooleye.measurement import Quantity

#: What the flame's stop is judged by, the most telling first: the tallest flame of a clip, the flame, what shows of it.
_FLAMES = ("flame_height_max", "flame_height")
#: What may be judged of a candle that was just snuffed.
_UNLIT = AFTER_SNUFFING | {"wick_to_wall", "wick_moved", "wick_offset_share", "wax_left_level"}
#: A look without the flame's height says nothing of the commonest danger.
_NEEDED = ("flame_height", "flames_too_many", "wick_to_wall")


@dataclass(frozen=True)
class LookVerdict:
    """`word`: stop now, watch, too close to call, fine, fine as far as was seen, or cannot tell; the gravest first."""

    minutes: float
    word: str
    findings: tuple[Finding, ...]

    def said(self, *, everything: bool = False) -> list[str]:
        """The verdict after its stops, then the reasons."""
        lines = told(self.findings, everything=everything)
        stops = len(of(self.findings, "stop"))
        return [*lines[:stops], f"at {self.minutes:.0f} min: {self.word}", *lines[stops:]]


def place_of(burn: Burn, minutes: float | None = None) -> str:
    """Where in the candle's life: "burn 3, 120 min"."""
    return f"burn {burn.number}" if minutes is None else f"burn {burn.number}, {minutes:.0f} min"


def applicable(criteria: Criteria, at: str, candle: Candle, burn: Burn, minutes: float) -> list[Criterion]:
    """Criteria of a place that are meant for this vessel, burn and minute."""
    setup = candle.setup
    return [
        one
        for one in criteria.at(at)
        if one.applies_to_vessel(setup.vessel_kind, setup.bore_mm)
        and one.applies_to_burn(burn.number)
        and minutes >= one.from_min
        and not (setup.wick_count > 1 and one.quantity in ("wick_to_wall", "wick_moved", "wick_offset_share"))
    ]


def judge_look(criteria: Criteria, candle: Candle, burn: Burn, look: Look) -> LookVerdict:
    """Everything a look says, safety first. A stop limit within ±2u of the value is a watch: it is no pass."""
    values = derived.of_look(candle, look)
    place = place_of(burn, look.minutes)
    findings = [
        _judged(one, values, place, burn.number)
        for one in applicable(criteria, "look", candle, burn, look.minutes)
        if (look.lit or one.quantity in _UNLIT)
        and (one.quantity != "wick_moved" or one.quantity in values or not _is_first(candle, look))
    ]
    findings += _of_flags(look, place, burn.number) + by_eye.findings(burn, look, values, place)
    findings += [incident_finding(one, burn) for one in burn.incidents if _happened_by(one, look)]
    findings = _without_lesser(findings)
    return LookVerdict(look.minutes, _word(criteria, findings), by_weight(findings))


def _is_first(candle: Candle, look: Look) -> bool:
    """Whether nothing was measured of the wick before this look: there is nothing it could have moved from."""
    offset = look.values.get("wick_offset")
    return offset is not None and candle.first_value("wick_offset") is offset


def _judged(criterion: Criterion, values: Mapping[str, Quantity], place: str, number: int) -> Finding:
    if criterion.quantity != "flame_height":
        return judged(criterion, values.get(criterion.quantity), place, number)
    names = _FLAMES if criterion.severity == "stop" else ("flame_height",)
    flame = next((values[name] for name in names if name in values), None)
    seen = values.get("flame_height_visible")
    if flame is None and seen is not None and stand(seen, criterion) is Standing.ABOVE:
        return judged(criterion, seen, place, number)  # what shows is already too tall; hidden parts only add to it
    return judged(criterion, flame, place, number)


def _of_flags(look: Look, place: str, number: int) -> list[Finding]:
    known = [FLAGS[name] for name in look.flags if name in FLAGS]
    return [
        Finding(f.name, "stop", f"{f.meaning} {f.remedy}", "the photo", means="danger", place=place, number=number)
        for f in known
        if f.severity is Severity.STOP
    ]


def incident_finding(incident: Incident, burn: Burn) -> Finding:
    """An incident as a finding: a stop at once."""
    place = place_of(burn, incident.minutes)
    return Finding(
        incident.kind, "stop", incident.words, incident.source, means="danger", place=place, number=burn.number
    )


def _happened_by(incident: Incident, look: Look) -> bool:
    return incident.minutes is not None and incident.minutes <= look.minutes


def _without_lesser(findings: list[Finding]) -> list[Finding]:
    """A flame that must be put out need not also be called taller than wanted; the same for a vessel's heat."""
    outside = {one.rule for one in of(findings, "stop", "watch")}
    lesser = set()
    if outside & {"flame_height_limit", "flame_height_limit_tea_light"}:
        lesser |= {"flame_soot_risk", "flame_window"}
    if "flame_soot_risk" in outside:
        lesser.add("flame_window")
    if "vessel_temperature_limit" in outside:
        lesser.add("vessel_temperature")
    return [one for one in findings if one.rule not in lesser]


def _word(criteria: Criteria, findings: list[Finding]) -> str:
    if of(findings, "stop"):
        return "stop now"
    stops = {one.key for one in criteria if one.severity == "stop"}
    if of(findings, "watch") or any(one.rule in stops for one in of(findings, "close")):
        return "watch"
    if of(findings, "close"):
        return "too close to call"
    if not of(findings, "fine"):
        return "cannot tell"
    missing = {criteria[one.rule].quantity for one in of(findings, "missing")}
    return "fine as far as was seen" if missing & set(_NEEDED) else "fine"
