"""Trials: which candles answer which question, arm by arm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select

from pooleye.burnlog import find, states
from pooleye.burnlog.materials import clean_name
from pooleye.burnlog.records import VARIES, Candle, Trial
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError


@dataclass(frozen=True)
class Arm:
    """One arm: its name and its candles with their states."""

    name: str
    candles: tuple[tuple[str, str, int], ...]


@dataclass(frozen=True)
class TrialShown:
    """A trial with its arms."""

    trial: str
    question: str | None
    varies: str
    per_arm: int
    arms: tuple[Arm, ...]
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """The question, then one line an arm."""
        lines = [f"trial {self.trial}: {self.question or f'which {self.varies}?'}"]
        for arm in self.arms:
            each = ", ".join(f"{code} ({state}, burns: {burns})" for code, state, burns in arm.candles)
            lines.append(f"  {arm.name}: {each}")
        return with_advice(self.advice, lines)


def arm_value(candle: Candle, varies: str) -> str:
    """What a candle's arm is called when nobody named it: the value of the thing that varies."""
    pour = candle.pour
    values = {
        "wick": candle.wick.name,
        "vessel": candle.vessel.name,
        "wax": pour.wax.name,
        "fragrance": pour.fragrance.name if pour.fragrance else "none",
        "load": f"{pour.load_percent:g} %",
        "dye": pour.dye or "none",
        "pour-temperature": f"{pour.poured_at_c:g} °C" if pour.poured_at_c is not None else "not said",
        "cure": f"{pour.cure_days:g} days",
    }
    return values[varies]


def new_trial(
    workspace: Workspace, name: str, *, varies: str = "wick", per_arm: int = 3, question: str | None = None
) -> TrialShown:
    """Begin a trial in which one thing varies."""
    if varies not in VARIES:
        raise PooleyeError("unknown-variable", f"a trial cannot vary “{varies}”", hint=f"one of: {', '.join(VARIES)}")
    if not 1 <= per_arm <= 100:
        raise PooleyeError("absurd-arm", f"{per_arm} candles an arm make no trial", hint="three or more: --per-arm 3")
    with workspace.write() as session:
        title = clean_name(name, "trial")
        if find.named_or_none(session, Trial, title):
            raise PooleyeError(
                "already-there", f"the log already has a trial “{title}”", hint=f"pooleye trial show {title}"
            )
        trial = Trial(name=title, varies=varies, per_arm=per_arm, question=question)
        session.add(trial)
        session.flush()
        return _shown(trial, workspace)


def add_to_trial(workspace: Workspace, name: str, codes: Sequence[str], *, arm: str | None = None) -> TrialShown:
    """Put candles into a trial; without ``arm`` each goes to the arm of what it has of the thing that varies."""
    with workspace.write() as session:
        trial = find.named(session, Trial, name)
        for candle in find.candles(session, codes):
            if candle.trial is not None and candle.trial is not trial:
                text = f"{candle.code} is in trial {candle.trial.name} already"
                raise PooleyeError("in-another-trial", text, hint="one candle answers one question; use another candle")
            candle.trial, candle.arm = trial, arm or arm_value(candle, trial.varies)
        session.flush()
        session.refresh(trial)
        return _shown(trial, workspace)


def _shown(trial: Trial, workspace: Workspace) -> TrialShown:
    now = workspace.now()
    arms: dict[str, list[tuple[str, str, int]]] = {}
    for candle in trial.candles:
        row = (candle.code, states.state_of(candle, now), len(candle.burns))
        arms.setdefault(candle.arm or "not said", []).append(row)
    advice = [
        Advice("caution", "arm-too-small", f"arm {name} has {len(rows)} of {trial.per_arm} candles")
        for name, rows in arms.items()
        if len(rows) < trial.per_arm
    ]
    shown = tuple(Arm(name, tuple(rows)) for name, rows in arms.items())
    return TrialShown(trial.name, trial.question, trial.varies, trial.per_arm, shown, tuple(advice))


@dataclass(frozen=True)
class Trials:
    """All trials."""

    trials: tuple[TrialShown, ...]

    def said(self) -> list[str]:
        """Each with its arms."""
        return [line for one in self.trials for line in one.said()] or ["no trial yet: pooleye trial new NAME"]


def show_trials(workspace: Workspace, name: str | None = None) -> Trials:
    """One trial, or all."""
    with workspace.read() as session:
        found = [find.named(session, Trial, name)] if name else list(session.scalars(select(Trial).order_by(Trial.id)))
        return Trials(tuple(_shown(one, workspace) for one in found))
