"""A pour and the candles made from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pooleye.burnlog import find
from pooleye.burnlog.codes import code_for
from pooleye.burnlog.materials import clean_name, lot_by_label, new_wax
from pooleye.burnlog.records import Candle, CandleLot, Fragrance, Lot, Pour, PourLot, Trial, Vessel, Wax, Wick
from pooleye.burnlog.results import PRACTICE, Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

# Usual share of fragrance in the wax mass, percent.
USUAL_LOAD = (6.0, 10.0)
# Rounding of a kitchen scale between a load that was typed and one worked out from two masses, in percent points.
_LOAD_AGREES = 0.25


@dataclass(frozen=True)
class Recipe:
    """What went into a pour; masses in g, temperatures in °C, load as percent of the wax mass. None = not said."""

    wax: str
    fragrance: str | None = None
    load_percent: float | None = None
    wax_mass_g: float | None = None
    fragrance_mass_g: float | None = None
    dye: str | None = None
    dye_mass_g: float | None = None
    heated_to_c: float | None = None
    fragrance_at_c: float | None = None
    poured_at_c: float | None = None
    room_c: float | None = None
    cure_days: float | None = None
    note: str | None = None


@dataclass(frozen=True)
class CandleSet:
    """Candles alike, made from a pour. ``rim_inner_mm`` lets a vessel that is not in the log be added on the way."""

    count: int
    vessel: str
    wick: str
    rim_inner_mm: float | None = None
    wick_count: int = 1
    fill_mass_g: float | None = None
    headspace_mm: float | None = None
    empty_mass_g: float | None = None
    trial: str | None = None
    arm: str | None = None
    lots: Sequence[str] = ()


@dataclass(frozen=True)
class Poured:
    """A pour in the log, with the codes of its candles and the day their cure ends."""

    pour: str
    codes: tuple[str, ...]
    load_percent: float
    cure_until: datetime
    cure_source: str
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """Codes first: they must be written on the jars now."""
        load = f"fragrance load {self.load_percent:.1f} %" if self.load_percent else "no fragrance"
        lines = [f"pour {self.pour}: {load}"]
        if self.codes:
            lines.append(f"write these codes on the vessels: {', '.join(self.codes)}")
        lines.append(f"cure until {self.cure_until:%Y-%m-%d} ({self.cure_source})")
        return with_advice(self.advice, lines)


def load_of(recipe: Recipe) -> tuple[float, float | None]:
    """(load in percent, fragrance mass in g), each from the other where one is missing.

    Raises PooleyeError when load and masses contradict each other.
    """
    load, wax, oil = recipe.load_percent, recipe.wax_mass_g, recipe.fragrance_mass_g
    if wax and oil:
        worked_out = 100 * oil / wax
        if load is not None and abs(load - worked_out) > _LOAD_AGREES:
            text = f"{oil:g} g of fragrance in {wax:g} g of wax is a load of {worked_out:.1f} %, not {load:g} %"
            raise PooleyeError("load-does-not-add-up", text, hint="leave one of the three out, or weigh again")
        return worked_out, oil
    return (load or 0.0), (wax * load / 100 if wax and load else oil)


def _check_load(load: float, wax: Wax, fragrance: Fragrance | None, despite: str | None) -> list[Advice]:
    limits = [(wax.max_load_percent, f"wax “{wax.name}”")]
    if fragrance is not None:
        limits.append((fragrance.max_load_percent, f"fragrance “{fragrance.name}”"))
    for limit, whose in limits:
        if limit is not None and load > limit + 1e-9 and despite is None:
            text = f"a load of {load:.1f} % is above the {limit:g} % allowed for {whose}"
            raise PooleyeError("load-too-high", text, hint="use less fragrance, or say why with --anyway REASON")
    if fragrance is not None and not USUAL_LOAD[0] <= load <= USUAL_LOAD[1]:
        text = f"a fragrance load of {load:.1f} % is outside the usual 6 to 10 %"
        return [Advice("caution", "load-unusual", text, PRACTICE)]
    return []


def _check_batch(recipe: Recipe, oil_g: float | None, sets: Sequence[CandleSet]) -> list[Advice]:
    """The candles cannot hold more than was melted."""
    filled = sum(one.count * one.fill_mass_g for one in sets if one.fill_mass_g)
    if not recipe.wax_mass_g or not filled:
        return []
    batch = recipe.wax_mass_g + (oil_g or 0.0) + (recipe.dye_mass_g or 0.0)
    if filled > batch * 1.01:
        text = f"the candles hold {filled:.0f} g, but only {batch:.0f} g were melted"
        raise PooleyeError("batch-does-not-add-up", text, hint="check the number of candles, fill mass and wax mass")
    left = batch - filled
    return [Advice("info", "batch-left-over", f"{left:.0f} g of {batch:.0f} g are left over")] if left > 1 else []


def next_pour_name(session: Session) -> str:
    """P1, P2, … : the first free one."""
    taken = set(session.scalars(select(Pour.name)))
    number = len(taken) + 1
    while f"P{number}" in taken:
        number += 1
    return f"P{number}"


def _wax(session: Session, name: str) -> Wax:
    """The wax, or for a first burn's sake a new one when the name says its family ("soy")."""
    from pooleye.burnlog.materials import FAMILIES

    found = find.named_or_none(session, Wax, name)
    if found is None and name.casefold() in FAMILIES:
        found = new_wax(name, name.casefold(), None, None)
        session.add(found)
        session.flush()
    return found or find.named(session, Wax, name)


def _or_new(session: Session, kind: type[Wick] | type[Fragrance], name: str) -> Wick | Fragrance:
    found = find.named_or_none(session, kind, name)  # type: ignore[type-var]
    if found is None:
        found = kind(name=clean_name(name, kind.__tablename__))
        session.add(found)
        session.flush()
    return found


def _vessel(session: Session, wanted: CandleSet) -> Vessel:
    found = find.named_or_none(session, Vessel, wanted.vessel)
    if found is None and wanted.rim_inner_mm is not None:
        kind = "tea-light" if wanted.rim_inner_mm <= 39 else "container"
        found = Vessel(name=clean_name(wanted.vessel, "vessel"), kind=kind, rim_inner_mm=wanted.rim_inner_mm)
        session.add(found)
        session.flush()
    if found is None and find.named_or_none(session, Vessel, wanted.vessel) is None:
        text = f"the log has no vessel “{wanted.vessel}”"
        raise PooleyeError("unknown-vessel", text, hint="add --rim-inner 76mm (measured wall to wall), and it is added")
    return found or find.named(session, Vessel, wanted.vessel)


def _new_candles(session: Session, pour: Pour, wanted: CandleSet) -> list[Candle]:
    if not 1 <= wanted.count <= 500:
        raise PooleyeError("absurd-count", f"{wanted.count} candles are not a pour", hint="give --candles 1 to 500")
    vessel, wick = _vessel(session, wanted), _or_new(session, Wick, wanted.wick)
    trial = find.named(session, Trial, wanted.trial) if wanted.trial else None
    first = 1 + (session.scalar(select(func.count(Candle.id))) or 0)
    made = []
    for number in range(first, first + wanted.count):
        candle = Candle(code=code_for(number), pour=pour, vessel=vessel, wick=wick, wick_count=wanted.wick_count)
        candle.fill_mass_g, candle.headspace_new_mm = wanted.fill_mass_g, wanted.headspace_mm
        candle.empty_mass_g, candle.cured_from = wanted.empty_mass_g, pour.poured_at
        candle.trial, candle.arm = trial, wanted.arm or (wick.name if trial and trial.varies == "wick" else None)
        session.add(candle)
        made.append(candle)
    session.flush()
    _hold_pieces(session, made, wanted.lots)
    return made


def _hold_pieces(session: Session, candles: Sequence[Candle], lots: Sequence[str]) -> None:
    """Note which lots of pieces (vessel, wick, sticker) these candles hold; wax and fragrance belong to the pour."""
    for label in lots:
        lot = lot_by_label(session, label)
        _refuse_held(lot)
        for candle in candles:
            amount = float(candle.wick_count) if lot.component in ("wick", "sticker") else 1.0
            session.add(CandleLot(candle_id=candle.id, lot_id=lot.id, amount=amount))


def _refuse_held(lot: Lot) -> None:
    if lot.held_at is not None:
        text = f"lot {lot.label} is held: {lot.held_reason}"
        raise PooleyeError("lot-held", text, hint=f"use another lot, or free it: pooleye release --lot {lot.label}")


def _lots_into_pour(session: Session, pour: Pour, labels: Sequence[str]) -> None:
    amounts = {"wax": pour.wax_mass_g, "fragrance": pour.fragrance_mass_g, "dye": pour.dye_mass_g}
    for label in labels:
        lot = lot_by_label(session, label)
        _refuse_held(lot)
        session.add(PourLot(pour_id=pour.id, lot_id=lot.id, amount=amounts.get(lot.component)))


def _split_lots(session: Session, labels: Sequence[str]) -> tuple[list[str], list[str]]:
    """(lots of the batch, lots of pieces)."""
    kinds = {label: lot_by_label(session, label).component for label in labels}
    batch = [label for label, kind in kinds.items() if kind in ("wax", "fragrance", "dye")]
    return batch, [label for label in labels if label not in batch]


def pour(
    workspace: Workspace,
    recipe: Recipe,
    sets: Sequence[CandleSet] = (),
    *,
    name: str | None = None,
    at: datetime | None = None,
    lots: Sequence[str] = (),
    despite: str | None = None,
) -> Poured:
    """Log one pour and its candles; the codes come back. ``lots`` of pieces go to every candle, others to the batch.

    Raises PooleyeError: unknown materials, load above what wax or fragrance allows, a batch that does not add up.
    """
    moment = at or workspace.now()
    with workspace.write() as session:
        wax = _wax(session, recipe.wax)
        fragrance = _or_new(session, Fragrance, recipe.fragrance) if recipe.fragrance else None
        load, oil_g = load_of(recipe)
        assert fragrance is None or isinstance(fragrance, Fragrance)
        advice = _check_load(load, wax, fragrance, despite) + _check_batch(recipe, oil_g, sets)
        record = _record(session, recipe, wax, fragrance, (load, oil_g), name, moment)
        batch_lots, piece_lots = _split_lots(session, lots)
        _lots_into_pour(session, record, batch_lots)
        made = [candle for one in sets for candle in _new_candles(session, record, one)]
        _hold_pieces(session, made, piece_lots)
        codes = tuple(candle.code for candle in made)
        source = wax.cure_source if recipe.cure_days is None else "given by hand"
        until = moment + timedelta(days=record.cure_days)
        return Poured(record.name, codes, load, until, source, tuple(advice))


def _record(
    session: Session,
    recipe: Recipe,
    wax: Wax,
    fragrance: Fragrance | None,
    load_and_oil: tuple[float, float | None],
    name: str | None,
    moment: datetime,
) -> Pour:
    title = clean_name(name, "pour") if name else next_pour_name(session)
    if find.named_or_none(session, Pour, title):
        raise PooleyeError("already-there", f"the log already has a pour “{title}”", hint="give another --name")
    record = Pour(
        name=title,
        poured_at=moment,
        wax=wax,
        fragrance=fragrance,
        load_percent=load_and_oil[0],
        wax_mass_g=recipe.wax_mass_g,
        fragrance_mass_g=load_and_oil[1],
        dye=recipe.dye,
        dye_mass_g=recipe.dye_mass_g,
        heated_to_c=recipe.heated_to_c,
        fragrance_at_c=recipe.fragrance_at_c,
        poured_at_c=recipe.poured_at_c,
        room_c=recipe.room_c,
        cure_days=wax.cure_days if recipe.cure_days is None else recipe.cure_days,
        note=recipe.note,
    )
    session.add(record)
    session.flush()
    return record


def more_candles(workspace: Workspace, pour_name: str, wanted: CandleSet) -> Poured:
    """More candles from a pour that is already in the log (the next vessel or wick filled from the same batch)."""
    with workspace.write() as session:
        record = find.named(session, Pour, pour_name)
        before = sum(candle.fill_mass_g or 0.0 for candle in record.candles)
        batch = (record.wax_mass_g or 0.0) + (record.fragrance_mass_g or 0.0) + (record.dye_mass_g or 0.0)
        added = wanted.count * (wanted.fill_mass_g or 0.0)
        if record.wax_mass_g and added and before + added > batch * 1.01:
            text = f"pour {record.name} had {batch:.0f} g; with these its candles would hold {before + added:.0f} g"
            raise PooleyeError("batch-does-not-add-up", text, hint="check the number of candles and the fill mass")
        made = _new_candles(session, record, wanted)
        until = record.poured_at + timedelta(days=record.cure_days)
        codes = tuple(candle.code for candle in made)
        return Poured(record.name, codes, record.load_percent, until, record.wax.cure_source)
