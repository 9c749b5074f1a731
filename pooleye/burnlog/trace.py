"""When a component turns out bad: every candle that holds it, and holding them back. And what candles have cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import find, states
from pooleye.burnlog.materials import LotKept, lot_by_label, lot_shown, say_money
from pooleye.burnlog.records import Candle, CandleLot, Lot, Pour, PourLot, Trial
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError


@dataclass(frozen=True)
class Traced:
    """A lot and every candle that holds it, with its state now."""

    lot: LotKept
    candles: tuple[tuple[str, str, str], ...]
    held_now: tuple[str, ...] = ()
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """The lot, then one line a candle."""
        lines = [*self.lot.said(), f"{len(self.candles)} candles hold it"]
        lines += [f"  {code}  pour {pour}: {state}" for code, pour, state in self.candles]
        if self.held_now:
            lines.append(f"held, not to be lit: {', '.join(self.held_now)}")
        return with_advice(self.advice, lines)


def _holders(session: Session, lot: Lot) -> list[Candle]:
    """Candles that hold a lot: as a piece of their own, or through their pour."""
    own = select(CandleLot.candle_id).where(CandleLot.lot_id == lot.id)
    poured = select(PourLot.pour_id).where(PourLot.lot_id == lot.id)
    query = select(Candle).where(Candle.id.in_(own) | Candle.pour_id.in_(poured)).order_by(Candle.id)
    return list(session.scalars(query))


def trace(workspace: Workspace, label: str) -> Traced:
    """Every candle that holds a lot. Raises PooleyeError for an unknown or ambiguous label."""
    with workspace.read() as session:
        return _traced(session, workspace, lot_by_label(session, label), ())


def _traced(session: Session, workspace: Workspace, lot: Lot, held: Sequence[str]) -> Traced:
    now = workspace.now()
    holders = _holders(session, lot)
    rows = tuple((one.code, one.pour.name, states.state_of(one, now)) for one in holders)
    burning = [code for code, _, state in rows if state == "alight"]
    advice = tuple(
        Advice("stop", "held-but-alight", f"{code} is alight and holds this lot: put it out")
        for code in burning
        if held
    )
    return Traced(lot_shown(lot), rows, tuple(held), advice)


def _hold(candle: Candle, workspace: Workspace, reason: str) -> None:
    if candle.held_at is None:
        candle.held_at, candle.held_reason = workspace.now(), reason


def hold_lot(workspace: Workspace, label: str, reason: str) -> Traced:
    """Mark a lot and every candle with it held: none is lit without an explicit override, no pour takes the lot."""
    with workspace.write() as session:
        lot = lot_by_label(session, label)
        lot.held_at, lot.held_reason = workspace.now(), _reason(reason)
        holders = _holders(session, lot)
        for candle in holders:
            _hold(candle, workspace, f"lot {lot.label} ({lot.component}): {reason}")
        return _traced(session, workspace, lot, [one.code for one in holders])


def _reason(reason: str) -> str:
    if not reason.strip():
        raise PooleyeError("no-reason", "a hold needs its reason", hint='for instance: --why "wicks float"')
    return reason.strip()


@dataclass(frozen=True)
class Held:
    """Candles held or released by hand."""

    candles: tuple[str, ...]
    held: bool
    reason: str
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """One line."""
        word = "held, not to be lit" if self.held else "released"
        return with_advice(self.advice, [f"{', '.join(self.candles)}: {word} ({self.reason})"])


def hold(workspace: Workspace, codes: Sequence[str], reason: str) -> Held:
    """Hold candles."""
    with workspace.write() as session:
        chosen = find.candles(session, codes)
        for candle in chosen:
            _hold(candle, workspace, _reason(reason))
        burning = [one.code for one in chosen if states.running_burn(one)]
        advice = tuple(Advice("stop", "held-but-alight", f"{code} is alight: put it out") for code in burning)
        return Held(tuple(one.code for one in chosen), True, reason, advice)


def release(workspace: Workspace, codes: Sequence[str], reason: str, *, lot: str | None = None) -> Held:
    """Let candles be lit again; with ``lot`` the lot and the candles it holds back. The hold stays in the history."""
    from pooleye.burnlog.history import Author

    with workspace.write(Author(why=_reason(reason))) as session:
        chosen = find.candles(session, codes)
        if lot is not None:
            record = lot_by_label(session, lot)
            record.held_at = record.held_reason = None
            mark = f"lot {record.label} ({record.component}):"
            chosen += [one for one in _holders(session, record) if (one.held_reason or "").startswith(mark)]
        for candle in chosen:
            candle.held_at = candle.held_reason = None
        return Held(tuple(dict.fromkeys(one.code for one in chosen)), False, reason)


@dataclass(frozen=True)
class Cost:
    """Materials of a candle, a pour or a trial. ``unknown``: what has no price; the sums leave it out and say so."""

    what: str
    per_currency: dict[str, float]
    parts: tuple[tuple[str, float, str], ...]
    unknown: tuple[str, ...]
    candles: int

    def said(self) -> list[str]:
        """The sum, the parts, what is missing."""
        sums = " + ".join(say_money(minor, currency) for currency, minor in self.per_currency.items()) or "unknown"
        each = ""
        if self.candles > 1 and len(self.per_currency) == 1:
            (currency, minor), *_ = self.per_currency.items()
            each = f" ({say_money(minor / self.candles, currency)} a candle)"
        least = "at least " if self.unknown and self.per_currency else ""
        lines = [f"{self.what}: materials {least}{sums}{each}"]
        lines += [f"  {name}: {say_money(minor, currency)}" for name, minor, currency in self.parts]
        return lines + [f"  price unknown: {name}" for name in self.unknown]


def _share(candle: Candle) -> float | None:
    """The candle's share of its pour: by fill mass, else equal shares."""
    alike = candle.pour.candles
    masses = [one.fill_mass_g for one in alike]
    if candle.fill_mass_g and all(masses):
        return candle.fill_mass_g / sum(mass or 0.0 for mass in masses)
    return 1 / len(alike) if alike else None


def _unit_price(lot: Lot) -> float | None:
    return lot.price_minor / lot.amount if lot.price_minor is not None and lot.amount else None


def _candle_parts(candle: Candle) -> tuple[list[tuple[str, float, str]], list[str]]:
    """(priced parts: name, minor units, currency; names without a price) of one candle."""
    used: list[tuple[Lot, float | None]] = [(one.lot, one.amount) for one in candle.lots]
    share = _share(candle) or 0.0
    used += [(one.lot, None if one.amount is None else one.amount * share) for one in candle.pour.lots]
    priced, unknown = [], []
    for lot, amount in used:
        price, name = _unit_price(lot), f"{lot.component} {lot.of}"
        if price is None or amount is None:
            unknown.append(f"{name} (lot {lot.label})")
        else:
            priced.append((name, price * amount, lot.currency or ""))
    return priced, unknown + _lotless(candle, {lot.component for lot, _ in used})


def _lotless(candle: Candle, known: set[str]) -> list[str]:
    needed = {"wax": candle.pour.wax.name, "wick": candle.wick.name, "vessel": candle.vessel.name}
    if candle.pour.fragrance is not None:
        needed["fragrance"] = candle.pour.fragrance.name
    return [f"{part} {name} (no lot said)" for part, name in needed.items() if part not in known]


def cost(workspace: Workspace, what: str) -> Cost:
    """Cost of materials of a candle (code), a pour or a trial (name). Raises PooleyeError when none has that name."""
    with workspace.read() as session:
        title, candles = _meant(session, what)
        sums: dict[tuple[str, str], float] = {}
        unknown: dict[str, None] = {}
        for candle in candles:
            priced, missing = _candle_parts(candle)
            for name, minor, currency in priced:
                sums[name, currency] = sums.get((name, currency), 0.0) + minor
            unknown.update(dict.fromkeys(missing))
        totals: dict[str, float] = {}
        for (_, currency), minor in sums.items():
            totals[currency] = totals.get(currency, 0.0) + minor
        parts = tuple((name, minor, currency) for (name, currency), minor in sums.items())
        return Cost(title, totals, parts, tuple(unknown), len(candles))


def _meant(session: Session, what: str) -> tuple[str, list[Candle]]:
    pour, trial = find.named_or_none(session, Pour, what), find.named_or_none(session, Trial, what)
    if pour is not None:
        return f"pour {pour.name}", list(pour.candles)
    if trial is not None:
        return f"trial {trial.name}", list(trial.candles)
    candle = find.candle(session, what)
    return f"candle {candle.code}", [candle]
