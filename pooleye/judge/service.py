"""What the command line, the page and reports ask of the judge, answered from a workspace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from sqlalchemy import select

from pooleye import cautions
from pooleye.burnlog import find, records
from pooleye.burnlog.findings import Found, keep_findings
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.judge import forecast, from_log, plan, trial
from pooleye.judge.at_life import CandleVerdict, judge_candle
from pooleye.judge.criteria import Criteria, load_criteria
from pooleye.judge.findings import Finding, stops_together
from pooleye.judge.forecast import Growth, Left, Outcome, PoolOutcome
from pooleye.judge.reopened import Conclusion, Recipe, Reopened, reopened
from pooleye.judge.trial import TrialVerdict

#: A maker's own criteria, when this file lies in the workspace.
OWN_CRITERIA = "criteria.toml"


def criteria_of(workspace: Workspace, own: Path | None = None) -> Criteria:
    """The criteria that hold here: those shipped, with the file named, else the workspace's own, laid over them."""
    beside = workspace.root / OWN_CRITERIA
    return load_criteria(own if own is not None else beside if beside.is_file() else None)


@dataclass(frozen=True)
class Judged:
    """Verdicts on candles, stops of all of them first."""

    candles: tuple[CandleVerdict, ...]
    limits: str = cautions.DISCLAIMER
    brief: bool = field(default=False, repr=False)

    def said(self) -> list[str]:
        """Stops first, then candle by candle; briefly one line each."""
        stops = [one.said() for one in stops_together((c.code, one) for c in self.candles for one in c.unsafe)]
        if self.brief:
            lines = [c.head() for c in self.candles]
        else:
            lines = [line for c in self.candles for line in c.said()]
            stops = [] if len(self.candles) == 1 else stops  # a single candle says its own first
        return [*stops, *(lines or ["no candle has been lit yet"]), self.limits]


def judge(workspace: Workspace, codes: Sequence[str] = (), *, own: Path | None = None) -> Judged:
    """Judge candles; without codes, every candle that was lit, briefly. Raises PooleyeError for an unknown code."""
    criteria = criteria_of(workspace, own)
    with workspace.read() as session:
        chosen = find.candles(session, codes) if codes else list(from_log.burnt_candles(session))
        found = tuple(judge_candle(criteria, from_log.candle_of(session, one)) for one in chosen)
    return Judged(found, brief=not codes)


@dataclass(frozen=True)
class Forecast:
    """One candle's forecasts: the pool of its latest burn, what is left, and how earlier forecasts fared."""

    code: str
    burn: int | None
    alight: bool
    growth: Growth | None
    left: Left | None
    looked_back: tuple[Outcome, ...] = ()
    pools: tuple[PoolOutcome, ...] = ()

    def said(self) -> list[str]:
        """Lines for a person; what cannot be forecast says why."""
        lines = [f"{self.code}, burn {self.burn}"] if self.burn else [f"{self.code}: not lit yet"]
        if self.growth:
            lines += self.growth.said()
        elif self.burn:
            lines.append("no forecast of the pool: two looks with a measured pool are needed")
        lines += self.left.said() if self.left else ["no forecast of its life: weigh it new and after each burn"]
        for pool in self.pools:
            what = f"burn {pool.burn}, {pool.at_min:.0f} min: {pool.forecast} was forecast from {pool.from_looks} looks"
            lines.append(f"{what}; it was {pool.happened}")
        for one in self.looked_back:
            lines.append(f"after burn {one.after}: {one.forecast} more were forecast; it burnt {one.happened}")
        return lines


def forecast_of(workspace: Workspace, code: str, *, within_min: float | None = None) -> Forecast:
    """Forecast a candle. Raises PooleyeError for an unknown code."""
    criteria = criteria_of(workspace)
    length = within_min or workspace.settings.burn_min
    with workspace.read() as session:
        candle = from_log.candle_of(session, find.candle(session, code))
    stop = criteria.least("wax_left_limit")
    last = candle.burns[-1] if candle.burns else None
    return Forecast(
        candle.code,
        last.number if last else None,
        last is not None and not last.ended,
        forecast.growth_of(candle, last, within_min=length) if last else None,
        forecast.hours_left(candle, stop, burn_hours=length / 60),
        forecast.looked_back(candle, stop),
        forecast.pools_looked_back(candle),
    )


def judge_trial(workspace: Workspace, name: str, *, own: Path | None = None) -> TrialVerdict:
    """Judge a trial. Raises PooleyeError for an unknown name and a trial without candles."""
    criteria = criteria_of(workspace, own)
    with workspace.read() as session:
        found = from_log.trial_of(session, name)
    if not found.candles:
        hint = f"pooleye trial add '{name}' CODE CODE CODE"
        raise PooleyeError("no-candles", f"trial “{found.name}” has no candles", hint=hint)
    return trial.judge_trial(criteria, found)


@dataclass(frozen=True)
class ReopenedList:
    """Earlier conclusions under a change."""

    rows: tuple[Reopened, ...]

    def said(self) -> list[str]:
        """One line each."""
        return [one.said() for one in self.rows] or ["no trial has been judged yet"]


def reopened_by(workspace: Workspace, planned: Recipe) -> ReopenedList:
    """What a planned recipe does to every trial's conclusion; without any change said, what newer lots have done."""
    criteria = criteria_of(workspace)
    found: list[Reopened] = []
    with workspace.read() as session:
        for record in session.scalars(select(records.Trial).order_by(records.Trial.id)):
            if not any(candle.burns for candle in record.candles):
                continue
            evidence = from_log.trial_of(session, record.name)
            recipe = from_log.recipe_of(evidence.candles, evidence.varies)
            after = planned if planned != Recipe() else from_log.newest_recipe(session, recipe) or Recipe()
            word = trial.judge_trial(criteria, evidence).word
            found += reopened([Conclusion(record.name, word, recipe)], after)
    return ReopenedList(tuple(found))


def keep(workspace: Workspace, verdict: CandleVerdict) -> int:
    """Keep a candle's stops and watches as findings in the log; those already there are not written twice."""
    every = (*verdict.findings, *(f for burn in verdict.burns for f in burn.findings))
    return keep_findings(workspace, [_kept(one, verdict.code) for one in every if one.severity in ("stop", "watch")])


def _kept(one: Finding, code: str) -> Found:
    evidence = {"said": list(one.evidence)}
    return Found(one.rule, one.severity, one.said(), one.source, evidence, candle=code, burn=one.number)


# ---- plans --------------------------------------------------------------------------------------------------------


def plan_new(workspace: Workspace, question: plan.Question, bench: plan.Bench, pour_on: date) -> plan.Plan:
    """Plan a trial; prices come from the log's newest priced lots."""
    names = {"wax": question.wax, "fragrance": question.fragrance, "wick": question.wicks[0], "vessel": question.vessel}
    with workspace.read() as session:
        prices = from_log.prices_of(session, names, workspace.settings.currency)
    return plan.make_plan(question, bench, prices, pour_on, workspace.zone)


def plan_rest(workspace: Workspace, name: str, bench: plan.Bench) -> plan.Plan:
    """Plan what is still to be burnt of a trial in the log; candles that were stopped or used up drop out.

    Raises PooleyeError for an unknown trial and when nothing is left to burn.
    """
    criteria = criteria_of(workspace)
    stop = criteria.least("wax_left_limit")
    with workspace.read() as session:
        found = from_log.trial_of(session, name)
        cured = max((one.pour.poured_at for one in find.named(session, records.Trial, name).candles), default=None)
    return plan.rest_of_trial(found, bench, stop, workspace.now().astimezone(workspace.zone), cured)
