"""A candle over its life: what only several burns together can show."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from pooleye.judge import derived
from pooleye.judge.at_burn import BurnVerdict, judge_burn, leaning, speaks
from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import Burn, Candle
from pooleye.judge.findings import Finding, Standing, burns_said, by_weight, grouped, judged, numbers_said, of, stand
from pooleye.measurement import Quantity

THIRDS = ("top", "middle", "last")
_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class CandleVerdict:
    """`word` over the whole life; `thirds`: how top, middle and last third ran; `provisional` until it is used up."""

    code: str
    word: str
    findings: tuple[Finding, ...]
    burns: tuple[BurnVerdict, ...]
    thirds: tuple[tuple[str, str], ...] = ()
    hours: float = 0.0
    provisional: bool = True

    def said(self, *, everything: bool = False) -> list[str]:
        """Stops, the verdict, reasons with the burns they were seen in, each burn's word, what was not seen."""
        in_burns = [one for burn in self.burns for one in burn.findings]
        outside = by_weight(grouped(of([*self.findings, *in_burns], "stop", "watch", "close")))
        dangers = sorted(of(outside, "stop"), key=lambda one: one.means == "note")  # the ordinary end comes last
        used_up = [one for one in self.findings if one.rule == "wax_left_limit" and one.severity == "stop"]
        named = [replace(one, place=", ".join(filter(None, (self.code, one.place)))) for one in dangers]
        stops = [one.said() for one in named if not (used_up and one.rule == "wax_left_limit" and one.number)]
        early = "; provisional: it is not used up yet" if self.provisional else ""
        lines = [one.said() for one in of(outside, "watch", "close")]
        doubts = [f"check this record: {one.said()}" for burn in self.burns for one in burn.doubts]
        fine = [one.said() for one in grouped(of(in_burns, "fine"))] if everything else []
        return [*stops, self.head() + early, *self._course(), *doubts, *lines, *self._unseen(), *fine]

    def head(self) -> str:
        """The verdict in one line."""
        burns = f"{len(self.burns)} burn{'s' * (len(self.burns) != 1)}"
        return f"{self.code}: {self.word} after {burns}, {self.hours:.1f} h"

    def _course(self) -> list[str]:
        """How the burns ran, alike ones together, and the thirds of the life."""
        words: dict[str, list[int]] = {}
        for burn in self.burns:
            words.setdefault(burn.word + (" so far" if burn.unfinished else ""), []).append(burn.number)
        burns = [f"  burn{'s' * (len(n) > 1)} {numbers_said(n)}: {word}" for word, n in words.items()]
        return burns + [f"  {third} third: {word}" for third, word in self.thirds if len(self.thirds) > 1]

    def _unseen(self) -> list[str]:
        """What was missing, with the burns it was missing in."""
        missing: dict[str, list[Finding]] = {}
        for one in of([f for burn in self.burns for f in burn.findings] + list(self.findings), "missing"):
            missing.setdefault(one.words, []).append(one)
        always = [w for w, found in missing.items() if len({one.number for one in found}) >= len(self.burns)]
        sometimes = [f"{w} ({burns_said(found)})" for w, found in missing.items() if w not in always]
        lines = [f"never seen: {', '.join(always)}"] if always else []
        return lines + ([f"not seen: {', '.join(sometimes)}"] if sometimes else [])

    @property
    def unsafe(self) -> tuple[Finding, ...]:
        """Stops that speak against the candle itself: not its ordinary end."""
        all_ = [one for burn in self.burns for one in burn.findings] + list(self.findings)
        return tuple(
            {
                (one.rule, one.place): one
                for one in of(all_, "stop")
                if one.means in ("hot", "cool", "danger") and one.rule != "went-out"
            }.values()
        )


def judge_candle(criteria: Criteria, candle: Candle) -> CandleVerdict:
    """Judge every burn, then the life as a whole."""
    burns = tuple(judge_burn(criteria, candle, burn) for burn in candle.burns)
    findings = [
        *_state(criteria, candle),
        *_drowned(criteria, candle),
        *_tunnelling(criteria, candle),
        *_late_soot(criteria, candle),
        *_adrift(burns),
        *_burn_time(criteria, candle),
    ]
    over = candle.over or any(one.rule == "wax_left_limit" and one.severity == "stop" for one in findings)
    verdict = CandleVerdict(
        candle.code, "", by_weight(findings), burns, _thirds(candle, burns), candle.hours_burnt, not over
    )
    return replace(verdict, word=_word(verdict))


def _word(verdict: CandleVerdict) -> str:
    if verdict.unsafe:
        return "unsafe as tested"
    hot = [one.number for one in verdict.burns if one.word == "runs hot"]
    cool = [one.number for one in verdict.burns if one.word == "runs cool" and one.number > 2]
    life_cool = speaks(leaning(verdict.findings, "cool"))
    if not verdict.burns:
        return "not burnt yet"
    if hot and (cool or life_cool):
        return "mixed signs"
    if hot:
        return "runs hot"
    if cool or life_cool:
        return "runs cool"
    words = {one.word for one in verdict.burns}
    if words <= {"cannot tell"}:
        return "cannot tell"
    return "too close to call" if "too close to call" in words else "in range"


def _state(criteria: Criteria, candle: Candle) -> list[Finding]:
    """The end of its useful life, by the wax that is left."""
    criterion = criteria["wax_left_limit"]
    if candle.level_left_mm is None or not criterion.applies_to_vessel(candle.setup.vessel_kind, candle.setup.bore_mm):
        return []
    found = judged(criterion, candle.level_left_mm)
    if found.severity == "stop":
        return [replace(found, words="The wax is nearly gone: do not light it again, it is used up.")]
    return [found]


def _drowned(criteria: Criteria, candle: Candle) -> list[Finding]:
    """It went out by itself with wax enough left: drowned, or no wick above the pool."""
    found = []
    limit = criteria.least("wax_left_limit") if candle.setup.vessel_kind == "container" else 0.0
    for burn in candle.burns:
        if burn.out_how != "by-itself":
            continue
        level = _level_after(candle, burn)
        if level is None:
            words, weight = "It went out by itself; how much wax was left is not known.", "missing"
        elif level.value - 2 * level.u > limit + 2:
            words, weight = "It went out by itself with wax left: the wick drowns or is too small.", "watch"
        else:
            continue
        proof = () if level is None else (f"level then {level}",)
        found.append(
            Finding("drowned", weight, words, _PRACTICE, proof, "cool", True, f"burn {burn.number}", burn.number)  # type: ignore[arg-type]
        )
    return found


def _level_after(candle: Candle, burn: Burn) -> Quantity | None:
    later = [one for one in candle.burns if one.number > burn.number]
    return later[0].level_before_mm if later else candle.level_left_mm


def ring_at_end(candle: Candle, burn: Burn) -> Quantity | None:
    """Mean hang-up at the last look of an ended burn that lasted long enough to judge."""
    look = burn.last_look
    if look is None or not burn.ended:
        return None
    return derived.of_look(candle, look).get("hangup_mean")


def slope(points: list[tuple[float, Quantity]]) -> Quantity | None:
    """Weighted straight line's slope per step of x; its u from the points' own, enlarged when they scatter more.

    None with fewer than three points or all at one x. Source: least squares with known uncertainties, Birge ratio.
    """
    if len(points) < 3 or len({x for x, _ in points}) < 2:
        return None
    weights = [1 / value.u**2 for _, value in points]
    total = sum(weights)
    mean_x = sum(w * x for w, (x, _) in zip(weights, points, strict=True)) / total
    mean_y = sum(w * value.value for w, (_, value) in zip(weights, points, strict=True)) / total
    s_xx = sum(w * (x - mean_x) ** 2 for w, (x, _) in zip(weights, points, strict=True))
    s_xy = sum(w * (x - mean_x) * (v.value - mean_y) for w, (x, v) in zip(weights, points, strict=True))
    b = s_xy / s_xx
    chi2 = sum(w * (v.value - mean_y - b * (x - mean_x)) ** 2 for w, (x, v) in zip(weights, points, strict=True))
    birge = max(1.0, math.sqrt(chi2 / (len(points) - 2)))
    return Quantity(b, birge / math.sqrt(s_xx), points[0][1].unit)


def _tunnelling(criteria: Criteria, candle: Candle) -> list[Finding]:
    """A ring that grows from burn to burn and already is thicker than it may be."""
    if candle.setup.vessel_kind != "container":
        return []
    points = [(float(burn.number), ring) for burn in candle.burns if (ring := ring_at_end(candle, burn)) is not None]
    growth = slope(points)
    found = judged(criteria["hang_up_growth"], growth)
    if growth is not None and found.severity == "watch":
        thick = stand(points[-1][1], criteria["hang_up"]) is Standing.ABOVE
        return [replace(found, alone=thick, evidence=(f"{growth.value:+.1f} mm a burn, now {points[-1][1]}",))]
    return [found] if len(candle.burns) >= 3 else []


def _late_soot(criteria: Criteria, candle: Candle) -> list[Finding]:
    """Soot that first shows in the second half of the burns, after clean looks."""
    criterion = criteria["soot"]
    seen = [
        (burn.number, stand(look.values["soot_delta_L"], criterion))
        for burn in candle.burns
        for look in burn.looks
        if "soot_delta_L" in look.values
    ]
    first = next((number for number, standing in seen if standing is Standing.BELOW), None)
    half = len(candle.burns) / 2
    clean = [number for number, standing in seen if standing is Standing.INSIDE and number <= half]
    if first is None or first <= half or not clean:
        return []
    words = "Soot begins late in its life: heat rises as the level falls."
    return [Finding("soot_late", "watch", words, _PRACTICE, (f"first in burn {first}",), "hot", False, "", first)]


def _adrift(burns: tuple[BurnVerdict, ...]) -> list[Finding]:
    """A wick that came loose once: the candle is not lit again, whatever came after."""
    rules = ("wick_to_wall", "wick_moved", "wick-adrift", "eye_wick")
    found = [one for burn in burns for one in of(burn.findings, "stop") if one.rule in rules]
    return [replace(found[0], rule="wick_adrift", words=f"{found[0].words} Not to be lit again.")] if found else []


def _burn_time(criteria: Criteria, candle: Candle) -> list[Finding]:
    criterion = criteria["tea_light_burn_time"]
    if not candle.over or not criterion.applies_to_vessel(candle.setup.vessel_kind, candle.setup.bore_mm):
        return []
    times = [burn.minutes for burn in candle.burns if burn.minutes is not None]
    if not times:
        return [judged(criterion, None)]
    u_h = math.hypot(*(one.u for one in times)) / 60
    return [judged(criterion, Quantity(sum(one.value for one in times) / 60, u_h, "h"))]


def third_of(candle: Candle, burn: Burn, index: int) -> int:
    """0, 1, 2 for a burn in the top, middle or last third: by wax when it was weighed, else by its place."""
    fill = candle.setup.fill_mass_g
    if fill and burn.wax_before_g is not None:
        return min(2, max(0, int(3 * (1 - burn.wax_before_g.value / fill))))
    return min(2, 3 * index // max(1, len(candle.burns)))


def _thirds(candle: Candle, burns: tuple[BurnVerdict, ...]) -> tuple[tuple[str, str], ...]:
    """How each third ran: the words of its burns, the commonest first."""
    words: dict[int, list[str]] = {}
    for index, (burn, verdict) in enumerate(zip(candle.burns, burns, strict=True)):
        words.setdefault(third_of(candle, burn, index), []).append(verdict.word)
    return tuple(
        (THIRDS[third], ", ".join(sorted(dict.fromkeys(said), key=said.count, reverse=True)))
        for third, said in sorted(words.items())
    )
