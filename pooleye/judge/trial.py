"""The trial's decision: keep this wick, wick up, wick down, not enough evidence, or no fair comparison at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pooleye import cautions
from pooleye.judge import fairness, next_wick, statistics
from pooleye.judge.at_life import CandleVerdict, judge_candle
from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import Candle, Trial
from pooleye.judge.fairness import Fairness
from pooleye.judge.findings import Finding, grouped, stops_together
from pooleye.judge.next_wick import Next
from pooleye.judge.responses import Answer, answer, responses_for
from pooleye.judge.statistics import Apart

_FAILED = ("unsafe as tested", "runs hot", "runs cool", "mixed signs")


@dataclass(frozen=True)
class ArmVerdict:
    """`word`: unsafe, runs hot, runs cool, mixed signs, stays within, too close to call, not enough evidence."""

    name: str
    word: str
    answers: tuple[Answer, ...]
    candles: tuple[CandleVerdict, ...]
    reasons: tuple[str, ...] = ()

    @property
    def failures(self) -> int:
        """Candles that failed."""
        return sum(one.word in _FAILED for one in self.candles)

    @property
    def failure_rate_bound(self) -> float:
        """Highest failure rate that these candles still allow, 95 %."""
        return statistics.failure_rate_bound(self.failures, len(self.candles))

    @property
    def margin(self) -> float:
        """The smallest margin to any limit, as a share of it."""
        return min((one.margin for one in self.answers if one.margin is not None), default=float("-inf"))

    def said(self) -> list[str]:
        """The arm, its reasons, its numbers, what its candles still allow."""
        codes = ", ".join(f"{one.code} {one.word}" for one in self.candles)
        rate = (
            f"{self.failures} of {len(self.candles)} failed: up to {self.failure_rate_bound:.0%} of such candles may"
            " fail (95 % sure)"
        )
        lines = [f"arm {self.name}: {self.word}", f"  {codes}"]
        numbers = [one.said() for one in self.answers if one.standing != "not measured"]
        unseen = [one.what for one in self.answers if one.standing == "not measured"]
        missing = [f"not measured on every candle: {', '.join(unseen)}"] if unseen else []
        return lines + [f"  {one}" for one in (*self.reasons, *numbers, *missing, rate)]


@dataclass(frozen=True)
class TrialVerdict:
    """The decision, with everything it rests on. `best`: the arm to keep; `apart`: its distance from the next best."""

    trial: str
    word: str
    why: tuple[str, ...]
    arms: tuple[ArmVerdict, ...]
    fair: Fairness
    stops: tuple[tuple[str, Finding], ...] = ()
    best: str | None = None
    apart: Apart | None = None
    next: Next | None = None
    provisional: bool = False
    limits: str = field(default=cautions.DISCLAIMER)

    def said(self) -> list[str]:
        """Stops first, the decision, why, what next, the arms, what stands against it; the limits last."""
        lines = [one.said() for one in stops_together(self.stops)]
        early = " (provisional: not every candle is used up)" if self.provisional else ""
        lines += [f"trial {self.trial}: {self.word}{early}", *(f"  {one}" for one in self.why)]
        lines += [f"refused: {one.words} ({'; '.join(one.evidence)}) [{one.source}]" for one in self.fair.refusals]
        lines += self.next.said() if self.next else []
        lines += [line for arm in self.arms for line in arm.said()]
        lines += [one.said() for one in self.fair.cautions]
        return [*lines, self.limits]


def judge_trial(criteria: Criteria, trial: Trial) -> TrialVerdict:
    """Judge every candle, whether the arms may be compared, each arm, then the trial."""
    verdicts = {one.code: judge_candle(criteria, one) for one in trial.candles}
    fair = fairness.check(criteria, trial)
    arms = tuple(
        _judge_arm(criteria, trial, name, candles, [verdicts[one.code] for one in candles])
        for name, candles in trial.arms.items()
    )
    stops = tuple((one.code, stop) for one in verdicts.values() for stop in one.unsafe)
    provisional = any(one.provisional for one in verdicts.values())
    if not fair.fair:
        why = ("No wick is chosen from it. Stops and each candle's own verdict stand.",)
        word = "not enough candles" if _only_few(fair) else "not a fair comparison"
        return TrialVerdict(trial.name, word, why, arms, fair, stops, provisional=provisional)
    return _decided(criteria, trial, arms, fair, stops, provisional)


def _only_few(fair: Fairness) -> bool:
    return {one.rule for one in fair.refusals} <= {"arm_too_small"}


def _judge_arm(
    criteria: Criteria, trial: Trial, name: str, candles: Sequence[Candle], verdicts: Sequence[CandleVerdict]
) -> ArmVerdict:
    others = [arm for other, arm in trial.arms.items() if other != name]
    confidence = criteria.least("prediction_confidence")
    kind = candles[0].setup.vessel_kind
    answers = tuple(answer(criteria, one, candles, others, confidence) for one in responses_for(kind))
    unsafe = [(one.code, stop) for one in verdicts for stop in grouped(one.unsafe)]
    reasons = [f"{code}: {stop.words} ({stop.place})" for code, stop in unsafe]
    return ArmVerdict(name, _arm_word(answers, verdicts), answers, tuple(verdicts), tuple(reasons))


def _arm_word(answers: Sequence[Answer], verdicts: Sequence[CandleVerdict]) -> str:
    unsafe = [stop for one in verdicts for stop in one.unsafe]
    if unsafe:
        return "unsafe, too hot" if any(one.means == "hot" for one in unsafe) else "unsafe"
    beyond = {one.response.means for one in answers if one.standing == "goes beyond"}
    words = [one.word for one in verdicts]
    hot = "hot" in beyond or _most(words, "runs hot")
    cool = "cool" in beyond or _most(words, "runs cool")
    if (hot and cool) or _most(words, "mixed signs"):
        return "mixed signs"
    if hot or cool:
        return "runs hot" if hot else "runs cool"
    if beyond:
        return "outside a limit"
    needed = [one for one in answers if one.response.needed]
    if any(one.standing in ("not measured", "one candle") for one in needed):
        return "not enough evidence"
    if any(one.standing == "too close to call" for one in answers) or any(word in _FAILED for word in words):
        return "too close to call"
    return "stays within"


def _most(words: Sequence[str], word: str) -> bool:
    return sum(one == word for one in words) > len(words) / 2


def _decided(
    criteria: Criteria,
    trial: Trial,
    arms: tuple[ArmVerdict, ...],
    fair: Fairness,
    stops: tuple[tuple[str, Finding], ...],
    provisional: bool,
) -> TrialVerdict:
    passing = sorted((one for one in arms if one.word == "stays within"), key=lambda one: one.margin, reverse=True)
    if not passing:
        found = next_wick.what_next(criteria, trial, arms)
        return TrialVerdict(trial.name, found.word, found.why, arms, fair, stops, next=found, provisional=provisional)
    best, apart = passing[0], None
    why: list[str] = []
    if len(passing) > 1:
        best, apart, why = _between(trial, passing)
    why.insert(0, f"{best.name} stays within every limit, by {best.margin:.0%} of the tightest one.")
    if stops:
        why.append("An arm was unsafe: see its stops before anything else.")
    word = f"keep {best.name}"
    return TrialVerdict(
        trial.name, word, tuple(why), arms, fair, stops, best.name, apart, provisional=provisional
    )  # fmt: skip


def _between(trial: Trial, passing: Sequence[ArmVerdict]) -> tuple[ArmVerdict, Apart | None, list[str]]:
    """The best of several that pass, and by how much; when they cannot be told apart, the smaller wick."""
    first, second = passing[0], passing[1]
    # What makes the second the lesser one is its own tightest limit: there the two are compared.
    tight = min((one for one in second.answers if one.margin is not None), key=lambda one: one.margin or 0.0)
    other = next(one for one in first.answers if one.response.key == tight.response.key)
    apart = statistics.arms_apart(other.values, tight.values)
    if apart is not None and apart.told_apart:
        text = (
            f"It differs from {second.name} in {tight.what} by {apart.difference:+.1f} {tight.unit}"
            f" (90 % between {apart.low:+.1f} and {apart.high:+.1f})."
        )
        return first, apart, [text]
    smaller = next_wick.smaller_of(trial, first.name, second.name)
    best = first if smaller in (None, first.name) else second
    text = f"{first.name} and {second.name} cannot be told apart by these candles"
    text += f"; the smaller wick burns cooler, so {best.name} (judged)." if smaller else "."
    return best, apart, [text]
