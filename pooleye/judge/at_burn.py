"""One burn: runs hot, in range, runs cool; with the reasons, and what was not seen."""

from __future__ import annotations

from dataclasses import dataclass

from pooleye.judge import derived
from pooleye.judge.at_look import LookVerdict, applicable, incident_finding, judge_look, place_of
from pooleye.judge.criteria import Criteria
from pooleye.judge.cross_checks import check_burn
from pooleye.judge.evidence import Burn, Candle
from pooleye.judge.findings import Finding, by_weight, judged, of, told

#: Without one of these nothing says how the burn went: the pool at its end; a tea light, always full, its flame.
_TELLING = {
    "container": ("hang_up", "hang_up_early", "pool_behind", "pool_behind_early"),
    "tea-light": ("flame_height_limit_tea_light", "flame_least_tea_light"),
}


@dataclass(frozen=True)
class BurnVerdict:
    """`word`: stop, runs hot, runs cool, in range, mixed signs, too close to call, cannot tell.

    `looks`: the verdict at each look. `doubts`: records that cannot be right; they do not change the word.
    """

    number: int
    word: str
    findings: tuple[Finding, ...]
    looks: tuple[LookVerdict, ...] = ()
    doubts: tuple[Finding, ...] = ()
    unfinished: bool = False

    def said(self, *, everything: bool = False) -> list[str]:
        """Stops, the verdict, the reasons."""
        lines = told(self.findings, everything=everything)
        stops = len(of(self.findings, "stop"))
        running = " so far (it still burns)" if self.unfinished else ""
        doubts = [f"check this record: {one.said()}" for one in self.doubts]
        return [*lines[:stops], f"burn {self.number}: {self.word}{running}", *doubts, *lines[stops:]]


def judge_burn(criteria: Criteria, candle: Candle, burn: Burn) -> BurnVerdict:
    """Judge a burn by its looks, its end and its weighings."""
    looks = tuple(judge_look(criteria, candle, burn, look) for look in burn.looks)
    findings = _worst_by_rule([one for look in looks for one in look.findings])
    findings += [incident_finding(one, burn) for one in burn.incidents]
    findings = list({(one.rule, one.severity): one for one in findings}.values())
    findings += _end(criteria, candle, burn) + _whole(criteria, candle, burn)
    if not any(look.lit for look in burn.looks):
        findings.append(Finding("looks", "missing", "any look at it alight", "the log itself", number=burn.number))
    word = _word(findings, burn, candle.setup.vessel_kind)
    doubts = check_burn(criteria, candle, burn)
    return BurnVerdict(burn.number, word, by_weight(findings), looks, doubts, unfinished=not burn.ended)


def _worst_by_rule(findings: list[Finding]) -> list[Finding]:
    """Of each rule the gravest finding over all looks: a rule that was seen once is not missing."""
    rank = {"stop": 0, "watch": 1, "close": 2, "fine": 3, "missing": 4}
    worst: dict[str, Finding] = {}
    for one in findings:
        if one.rule not in worst or rank[one.severity] < rank[worst[one.rule].severity]:
            worst[one.rule] = one
    return list(worst.values())


def _end(criteria: Criteria, candle: Candle, burn: Burn) -> list[Finding]:
    """Criteria of the burn's end, on its last look; a burn that still runs has no end."""
    look = burn.last_look
    if look is None or not burn.ended:
        return []
    values = derived.of_look(candle, look)
    place = place_of(burn, look.minutes)
    chosen = applicable(criteria, "end", candle, burn, look.minutes)
    return [judged(one, values.get(one.quantity), place, burn.number) for one in chosen]


def _whole(criteria: Criteria, candle: Candle, burn: Burn) -> list[Finding]:
    values = derived.of_burn(candle, burn)
    chosen = applicable(criteria, "burn", candle, burn, float("inf"))
    never_full = "full_melt_share" not in values
    return [
        judged(one, values.get(one.quantity), place_of(burn), burn.number)
        for one in chosen
        if not (never_full and one.quantity == "full_melt_share")  # not full by the end is no missing record
        and not (one.quantity == "rest" and burn.number == 1)
    ]


def leaning(findings: tuple[Finding, ...] | list[Finding], means: str) -> tuple[Finding, ...]:
    """Findings outside their limits that say hot, or cool."""
    return tuple(one for one in of(findings, "stop", "watch") if one.means == means)


def speaks(findings: tuple[Finding, ...]) -> bool:
    """Whether these decide: one that may alone, or two different ones that are more than from memory."""
    if any(one.alone or one.severity == "stop" for one in findings):
        return True
    return len({one.rule for one in findings if not one.source.startswith("from memory")}) >= 2


def _word(findings: list[Finding], burn: Burn, vessel_kind: str) -> str:
    if any(one.rule != "wax_left_limit" for one in of(findings, "stop")):
        return "stop"  # wax nearly gone ends every candle and says nothing of its wick
    hot, cool = leaning(findings, "hot"), leaning(findings, "cool")
    if speaks(hot) and speaks(cool):
        return "mixed signs"
    if speaks(hot):
        return "runs hot"
    if speaks(cool):
        return "runs cool"
    telling = [one for one in findings if one.rule in _TELLING[vessel_kind] and one.severity != "missing"]
    if not telling and (burn.ended or all(one.severity == "missing" for one in findings)):
        return "cannot tell"
    if any(one.alone for one in of(findings, "close")):
        return "too close to call"
    if hot or cool:
        return f"in range, with one sign of running {'hot' if hot else 'cool'}"
    return "in range"
