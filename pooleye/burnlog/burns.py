"""At the bench: light, trim, snuff; and the checks that come before a flame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import find, states
from pooleye.burnlog.records import BURN_KINDS, OUT_HOW, Burn, Candle, Checkpoint
from pooleye.burnlog.results import PRACTICE, Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import say_minutes
from pooleye.burnlog.wax_left import wax_left
from pooleye.errors import PooleyeError

# Distance between lit candles: 3 in, advice of US and space-force fire-safety sheets; European pictograms say 10 cm.
LEAST_SPACING_MM = 76.2
# Wick trim before every burn: 1/4 in (US advice); 5 to 10 mm (EU pictogram). Flames of exposed wick below 2 mm drown.
TRIM_RANGE_MM = (2.0, 15.0)
# Stop level of container candles: 1/2 in of wax (US public advice); EN 15426 tests end at 10 mm.
STOP_LEVEL_MM = 12.7
LONG_BURN_FACTOR = 2.0
_LONGEST_BURN = timedelta(days=7)


@dataclass(frozen=True)
class Lit:
    """A candle that now burns; ``checkpoints_min`` after lighting are the looks to take."""

    candle: str
    burn_number: int
    kind: str
    lit_at: datetime
    planned_minutes: float | None
    checkpoints_min: tuple[float, ...]
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """What was lit, when to look, what to mind."""
        looks = ", ".join(say_minutes(minutes) for minutes in self.checkpoints_min)
        end = f", out after {say_minutes(self.planned_minutes)}" if self.planned_minutes else ", until it goes out"
        line = f"{self.candle} burns: burn {self.burn_number} ({self.kind}), look at {looks or 'its end'}{end}"
        return with_advice(self.advice, [line])


@dataclass(frozen=True)
class LitSet:
    """Candles lit together."""

    lit: tuple[Lit, ...]

    def said(self) -> list[str]:
        """Lines of each; what holds for all is said once."""
        return list(dict.fromkeys(line for one in self.lit for line in one.said()))


@dataclass(frozen=True)
class Lighting:
    """How candles are lit. ``trimmed_mm``: wick trimmed to; ``spacing_mm``: to the nearest flame; None = not said."""

    kind: str | None = None
    trimmed_mm: float | None = None
    spacing_mm: float | None = None
    room_c: float | None = None
    planned_minutes: float | None = None
    half_width_min: float | None = None
    despite: str | None = None


def _refusals(candle: Candle, at: datetime) -> list[tuple[str, str, str]]:
    """Reasons against lighting that only an explicit override passes: (reference, text, hint)."""
    last = states.last_burn(candle)
    found = []
    if candle.held_at is not None:
        text = f"{candle.code} is held: {candle.held_reason}"
        found.append(("candle-held", text, f"free it: pooleye release {candle.code}; or light it with --anyway REASON"))
    if candle.stopped_at is not None:
        text = f"{candle.code} was stopped for good: {candle.stopped_reason}"
        found.append(("candle-stopped", text, "do not light it again; if it was a slip, --anyway REASON"))
    if last is not None and last.out_at is not None and at - last.out_at < states.LEAST_REST:
        rested = say_minutes(states.minutes_between(last.out_at, at))
        text = f"{candle.code} rested only {rested}; its wax is not solid yet"
        found.append(("rest-too-short", text, "wait an hour at least, 4 h is usual; or --anyway REASON"))
    return found


def _refuse_impossible(candle: Candle, at: datetime) -> None:
    running, last = states.running_burn(candle), states.last_burn(candle)
    if running is not None:
        hint = f"snuff it first: pooleye snuff {candle.code}"
        raise PooleyeError("already-alight", f"{candle.code} is alight already (burn {running.number})", hint=hint)
    if candle.finished_at is not None:
        text = f"{candle.code} is used up: {candle.finished_reason}"
        raise PooleyeError("candle-used-up", text, hint="light another one; see pooleye status")
    if last is not None and last.out_at is not None and at < last.out_at:
        text = f"{candle.code} still burnt at that time (burn {last.number})"
        raise PooleyeError("burns-overlap", text, hint="check both times; correct one with: pooleye correct burn")
    if at < candle.pour.poured_at:
        raise PooleyeError("lit-before-poured", f"{candle.code} was poured later", hint="check both times")


def _check_candle(candle: Candle, at: datetime, despite: str | None) -> list[Advice]:
    _refuse_impossible(candle, at)
    refusals = _refusals(candle, at)
    if refusals and despite is None:
        reference, text, hint = refusals[0]
        raise PooleyeError(reference, text, hint=hint)
    return [Advice("caution", reference, text) for reference, text, _ in refusals] + _cautions(candle, at)


def _cautions(candle: Candle, at: datetime) -> list[Advice]:
    found = []
    last = states.last_burn(candle)
    if last is None and at < (until := states.cured_until(candle)):
        days = (until - at).total_seconds() / 86400
        text = f"{candle.code} has not cured: {days:.1f} days to go; its scent and burn may still change"
        found.append(Advice("caution", "not-cured", text, candle.pour.wax.cure_source))
    if last is not None and last.out_at and states.LEAST_REST <= at - last.out_at < states.USUAL_REST:
        text = f"{candle.code} rested less than 4 h; make sure its wax is solid"
        found.append(Advice("caution", "rest-short", text, PRACTICE))
    return found + _near_the_end(candle)


def _near_the_end(candle: Candle) -> list[Advice]:
    left = wax_left(candle)
    if left is None or left.level is None or candle.vessel.kind == "tea-light":
        return []
    if left.level.value - 2 * left.level.u <= STOP_LEVEL_MM:
        text = f"{candle.code} has {left.level} of wax left: stop at 13 mm, the vessel's bottom gets too hot"
        return [Advice("caution", "wax-nearly-gone", text, "public fire-safety advice (1/2 in)")]
    return []


def _check_trim(kind: str, trimmed_mm: float | None, number: int) -> list[Advice]:
    if kind == "untrimmed" and trimmed_mm is not None:
        raise PooleyeError("trim-contradicts", "an untrimmed burn has no trim length", hint="leave --trim out")
    if trimmed_mm is not None and not TRIM_RANGE_MM[0] <= trimmed_mm <= TRIM_RANGE_MM[1]:
        text = f"a wick trimmed to {trimmed_mm:.1f} mm is outside {TRIM_RANGE_MM[0]:g} to {TRIM_RANGE_MM[1]:g} mm"
        raise PooleyeError("absurd-trim", text, hint="6 mm (1/4 in) is usual; for a long wick use --kind untrimmed")
    if kind in ("standard", "long") and trimmed_mm is None and number > 1:
        text = "trim length not said; 6 mm (1/4 in) before every burn is usual: pooleye trim CODE 6mm"
        return [Advice("info", "trim-not-said", text, "public fire-safety advice")]
    return []


def _check_spacing(how_many: int, spacing_mm: float | None) -> list[Advice]:
    if how_many < 2:
        return []
    if spacing_mm is None:
        text = "several candles are alight: keep at least 8 cm (3 in) between them, 10 cm is better, and say --spacing"
        return [Advice("info", "spacing-not-said", text, "public fire-safety advice; European pictograms")]
    if spacing_mm < LEAST_SPACING_MM:
        text = f"{spacing_mm:.0f} mm between lit candles is too close: they heat each other; at least 76 mm (3 in)"
        return [Advice("caution", "spacing-too-small", text, "public fire-safety advice (3 in)")]
    return []


def ready_codes(session: Session, now: datetime) -> list[str]:
    """Candles that may be lit now."""
    rows = session.scalars(select(Candle).order_by(Candle.id))
    return [one.code for one in rows if states.state_of(one, now) in ("ready", "curing", "resting")]


def only_one(codes: Sequence[str], state: str) -> str:
    """The single candle in this state. Raises PooleyeError listing them when there are none or several."""
    if len(codes) == 1:
        return codes[0]
    if not codes:
        raise PooleyeError("no-candle", f"no candle is {state}", hint="see what is there: pooleye status")
    text = f"{len(codes)} candles are {state}: {', '.join(codes[:12])}"
    raise PooleyeError("which-candle", text, hint=f"say which, for instance: {codes[0]}")


def alight(session: Session) -> list[Candle]:
    """All candles that burn, the longest burning first."""
    running = session.scalars(select(Burn).where(Burn.out_at.is_(None)).order_by(Burn.lit_at, Burn.id))
    return [burn.candle for burn in running]


def light(
    workspace: Workspace, codes: Sequence[str] = (), *, at: datetime | None = None, how: Lighting | None = None
) -> LitSet:
    """Light candles (without codes: the only one that is ready) and plan their checkpoints.

    Raises PooleyeError: already alight, used up, held, stopped, not rested (the last three pass with ``how.despite``).
    """
    how, moment = how or Lighting(), at or workspace.now()
    if how.kind is not None and how.kind not in BURN_KINDS:
        raise PooleyeError("unknown-burn-kind", f"no burn is “{how.kind}”", hint=f"one of: {', '.join(BURN_KINDS)}")
    with workspace.write() as session:
        wanted = list(codes) or [only_one(ready_codes(session, moment), "ready to be lit")]
        chosen = find.candles(session, wanted)
        burning = len(alight(session)) + len(chosen)
        return LitSet(tuple(_light_one(session, workspace, one, moment, how, burning) for one in chosen))


def _planned(workspace: Workspace, kind: str, how: Lighting) -> float | None:
    usual = workspace.settings.burn_min
    by_kind = {"standard": usual, "untrimmed": usual, "long": usual * LONG_BURN_FACTOR, "burn-out": None}
    return how.planned_minutes or by_kind[kind]


def _light_one(
    session: Session, workspace: Workspace, candle: Candle, at: datetime, how: Lighting, burning: int
) -> Lit:
    number = len(candle.burns) + 1
    kind = how.kind or ("burn-out" if candle.vessel.kind == "tea-light" else "standard")
    spacing = how.spacing_mm or workspace.settings.spacing_mm or None
    advice = _check_candle(candle, at, how.despite)
    advice += _check_trim(kind, how.trimmed_mm, number) + _check_spacing(burning, spacing)
    planned = _planned(workspace, kind, how)
    burn = Burn(candle=candle, number=number, kind=kind, lit_at=at, planned_minutes=planned)
    burn.lit_half_width_min = burn.out_half_width_min = (
        workspace.settings.clock_half_width_min if how.half_width_min is None else how.half_width_min
    )
    burn.trimmed_to_mm, burn.spacing_mm, burn.room_c = how.trimmed_mm, spacing, how.room_c
    burn.lit_despite = how.despite
    looks = [minutes for minutes in workspace.settings.checkpoints_min if planned is None or minutes < planned]
    looks += [planned] if planned else []
    burn.checkpoints = [Checkpoint(minutes=minutes, planned=True) for minutes in looks]
    session.add(burn)
    session.flush()
    return Lit(candle.code, number, kind, at, planned, tuple(looks), tuple(advice))


@dataclass(frozen=True)
class Trimmed:
    """The wick length that the next, or the running, burn starts with."""

    candle: str
    burn_number: int
    trimmed_mm: float

    def said(self) -> list[str]:
        """One line."""
        return [f"{self.candle}: wick trimmed to {self.trimmed_mm:g} mm (burn {self.burn_number})"]


def trim(workspace: Workspace, code: str, trimmed_mm: float) -> Trimmed:
    """Note the trim of the burn that runs. Raises PooleyeError when the candle is not alight or it was untrimmed."""
    with workspace.write() as session:
        candle = find.candle(session, code)
        burn = states.running_burn(candle)
        if burn is None:
            text = f"{candle.code} is not alight; the trim belongs to the burn"
            raise PooleyeError("not-alight", text, hint=f"say it when lighting: pooleye light {candle.code} --trim 6mm")
        _check_trim(burn.kind, trimmed_mm, burn.number)
        burn.trimmed_to_mm = trimmed_mm
        return Trimmed(candle.code, burn.number, trimmed_mm)


@dataclass(frozen=True)
class Out:
    """A burn that ended."""

    candle: str
    burn_number: int
    minutes: float
    minutes_u: float
    how: str
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """How long it burnt and what to do next."""
        line = f"{self.candle}: burn {self.burn_number} ended after {say_minutes(self.minutes)} ({self.how})"
        return with_advice(self.advice, [line])


@dataclass(frozen=True)
class OutSet:
    """Burns ended together."""

    out: tuple[Out, ...]

    def said(self) -> list[str]:
        """Lines of each; what holds for all is said once."""
        return list(dict.fromkeys(line for one in self.out for line in one.said()))


def duration(burn: Burn) -> tuple[float, float] | None:
    """(minutes, standard uncertainty in minutes) of an ended burn.

    Each noted time is rectangular of its half-width: u² = (a₁² + a₂²) / 3 (JCGM 100:2008, 4.3.7).
    """
    if burn.out_at is None:
        return None
    u = ((burn.lit_half_width_min**2 + burn.out_half_width_min**2) / 3) ** 0.5
    return states.minutes_between(burn.lit_at, burn.out_at), u


def snuff(
    workspace: Workspace,
    codes: Sequence[str] = (),
    *,
    at: datetime | None = None,
    how: str = "snuffed",
    half_width_min: float | None = None,
) -> OutSet:
    """End burns (without codes: of everything alight). ``half_width_min``: how sure the time is, when not the usual.

    Raises PooleyeError when a candle is not alight or the time lies before the lighting.
    """
    if how not in OUT_HOW:
        raise PooleyeError("unknown-end", f"no burn ends “{how}”", hint=f"one of: {', '.join(OUT_HOW)}")
    moment = at or workspace.now()
    with workspace.write() as session:
        chosen = find.candles(session, codes) if codes else alight(session)
        if not chosen:
            raise PooleyeError("nothing-alight", "no candle is alight", hint="see what is there: pooleye status")
        return OutSet(tuple(end_burn(one, moment, how, half_width_min) for one in chosen))


def end_burn(candle: Candle, at: datetime, how: str, half_width_min: float | None = None) -> Out:
    """End the running burn of a candle inside the caller's transaction."""
    burn = states.running_burn(candle)
    if burn is None:
        raise PooleyeError("not-alight", f"{candle.code} is not alight", hint="see what is: pooleye status")
    if at < burn.lit_at:
        text = f"{candle.code} was lit later than that"
        raise PooleyeError("out-before-lit", text, hint="check the time; lit times are shown by pooleye status")
    if at - burn.lit_at > _LONGEST_BURN:
        text = f"{candle.code} would have burnt for more than a week"
        raise PooleyeError("absurd-burn", text, hint="give the time it really went out: --at")
    burn.out_at, burn.out_how = at, how
    if half_width_min is not None:
        burn.out_half_width_min = half_width_min
    minutes, u = duration(burn) or (0.0, 0.0)
    if how == "by-itself" and burn.kind == "burn-out":
        candle.finished_at, candle.finished_reason = at, "burnt out"
    return Out(candle.code, burn.number, minutes, u, how, tuple(_after(candle, how)))


def _after(candle: Candle, how: str) -> list[Advice]:
    advice = []
    if how == "snuffed":
        text = "look until no ember glows; leave the vessel where it is until the wax is solid, then weigh it"
        advice.append(Advice("info", "leave-it", text, "public fire-safety advice"))
    if candle.finished_at is None and how != "stopped":
        text = "let it rest 4 h before the next burn (an hour at least)"
        advice.append(Advice("info", "rest", text, f"{PRACTICE}; EN 15426:2018 (second-hand summary): at least 60 min"))
    return advice
