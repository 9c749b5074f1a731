"""Vessels, waxes, fragrances, wicks, and the lots they come in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import find
from pooleye.burnlog.records import COMPONENTS, Fragrance, Lot, Vessel, Wax, Wick
from pooleye.burnlog.results import PRACTICE
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError


@dataclass(frozen=True)
class WaxFamily:
    """What is known of a family of waxes: solid density in g/cm³ with u, cure in days, each with its source."""

    density_g_cm3: float
    density_u_g_cm3: float
    density_source: str
    cure_days: float
    cure_source: str = PRACTICE


# Ranges are read as rectangular: u = half width / sqrt(3) (JCGM 100:2008, 4.3.7).
FAMILIES = {
    "paraffin": WaxFamily(
        0.9025, 0.013, "0.880 to 0.925 g/cm³, CAMEO materials database, Museum of Fine Arts Boston", 2
    ),
    "soy": WaxFamily(0.90, 0.02, "about 0.90 g/cm³, encyclopedia article on soy candles; width judged", 14),
    "coconut": WaxFamily(0.915, 0.01, "0.91 to 0.92 g/cm³ for the oil, from memory", 7),
    "beeswax": WaxFamily(0.964, 0.0035, "0.958 to 0.970 at 15 °C, British Pharmacopoeia", 7),
    "blend": WaxFamily(0.90, 0.02, "0.90 g/cm³, from memory; width judged", 14),
}


_MODELS: dict[str, Any] = {"vessel": Vessel, "wax": Wax, "fragrance": Fragrance, "wick": Wick}


@dataclass(frozen=True)
class Added:
    """A vessel, wax, fragrance, wick or lot that now is in the log; ``details`` as kept."""

    kind: str
    name: str
    details: dict[str, float | str | None]

    def said(self) -> list[str]:
        """One line."""
        shown = ", ".join(_detail(key, value) for key, value in self.details.items() if value is not None)
        return [f"{self.kind} “{self.name}” is in the log" + (f": {shown}" if shown else "")]


@dataclass(frozen=True)
class Listed:
    """Everything of one kind."""

    kind: str
    rows: tuple[Added, ...]

    def said(self) -> list[str]:
        """One line each."""
        return [line for row in self.rows for line in row.said()] or [f"no {self.kind} yet: pooleye {self.kind} NAME"]


def _detail(key: str, value: float | str) -> str:
    """A column and its value for a person: rim_inner_mm 80.0 as "rim inner 80 mm"."""
    number = f"{value:g}" if isinstance(value, float) else value
    for ending, unit in {"_mm": "mm", "_percent": "%", "_g_cm3": "g/cm³"}.items():
        if key.endswith(ending):
            key, number = key.removesuffix(ending), f"{number} {unit}"
    return f"{key.replace('_', ' ')} {number}"


def clean_name(name: str, word: str) -> str:
    """``name`` with single spaces. Raises PooleyeError when nothing is left of it."""
    cleaned = " ".join(name.split())
    if not cleaned or len(cleaned) > 100:
        raise PooleyeError("bad-name", f"a {word} needs a name of 1 to 100 characters", hint=f"for instance: {word} 3")
    return cleaned


def _refuse_double(session: Session, kind: type[find.Named], name: str) -> None:
    if find.named_or_none(session, kind, name) is not None:
        word = kind.__tablename__
        text = f"the log already has a {word} “{name}”"
        raise PooleyeError("already-there", text, hint=f"change it with: pooleye correct {word} '{name}' FIELD VALUE")


def _check_vessel(vessel: Vessel) -> None:
    if not 15 <= vessel.rim_inner_mm <= 400:
        text = f"an inner rim of {vessel.rim_inner_mm:.1f} mm is no candle vessel"
        raise PooleyeError("absurd-vessel", text, hint="give the inner diameter at the rim: 76mm or 3in")
    if vessel.rim_outer_mm is not None and vessel.rim_outer_mm <= vessel.rim_inner_mm:
        text = f"outer rim {vessel.rim_outer_mm:.1f} mm is not wider than the inner one, {vessel.rim_inner_mm:.1f} mm"
        raise PooleyeError("absurd-vessel", text, hint="swap them, or measure again with callipers")
    if vessel.inner_depth_mm and vessel.height_mm and vessel.inner_depth_mm >= vessel.height_mm:
        raise PooleyeError("absurd-vessel", "the vessel is deeper inside than it is high", hint="measure both again")


def add_vessel(
    workspace: Workspace,
    name: str,
    rim_inner_mm: float,
    *,
    rim_outer_mm: float | None = None,
    base_inner_mm: float | None = None,
    height_mm: float | None = None,
    inner_depth_mm: float | None = None,
    material: str | None = None,
    kind: str | None = None,
    note: str | None = None,
) -> Added:
    """Add a kind of vessel; a bore up to 39 mm (the trade's tea light) is one unless ``kind`` says otherwise."""
    vessel = Vessel(
        name=clean_name(name, "vessel"),
        kind=kind or ("tea-light" if rim_inner_mm <= 39 else "container"),
        rim_inner_mm=rim_inner_mm,
        rim_outer_mm=rim_outer_mm,
        base_inner_mm=base_inner_mm,
        height_mm=height_mm,
        inner_depth_mm=inner_depth_mm,
        material=material,
        note=note,
    )
    _check_vessel(vessel)
    with workspace.write() as session:
        _refuse_double(session, Vessel, vessel.name)
        session.add(vessel)
        session.flush()
        return _shown(vessel)


def new_wax(name: str, family: str | None, cure_days: float | None, density: float | None) -> Wax:
    """A wax with its family's figures; the family is looked for in the name when not given."""
    guessed = next((one for one in FAMILIES if one in name.casefold()), "blend")
    if family is not None and family not in FAMILIES:
        raise PooleyeError("unknown-wax-family", f"no wax family “{family}”", hint=f"one of: {', '.join(FAMILIES)}")
    known = FAMILIES[family or guessed]
    if density is not None and not 0.7 <= density <= 1.1:
        raise PooleyeError("absurd-density", f"no wax has {density} g/cm³", hint="about 0.9; leave it out if unknown")
    return Wax(
        name=clean_name(name, "wax"),
        family=family or guessed,
        density_g_cm3=known.density_g_cm3 if density is None else density,
        density_u_g_cm3=known.density_u_g_cm3 if density is None else 0.005,
        density_source=known.density_source if density is None else "given by hand",
        cure_days=known.cure_days if cure_days is None else cure_days,
        cure_source=known.cure_source if cure_days is None else "given by hand",
    )


def add_wax(
    workspace: Workspace,
    name: str,
    *,
    family: str | None = None,
    cure_days: float | None = None,
    density_g_cm3: float | None = None,
    max_load_percent: float | None = None,
    note: str | None = None,
) -> Added:
    """Add a wax."""
    wax = new_wax(name, family, cure_days, density_g_cm3)
    wax.max_load_percent, wax.note = max_load_percent, note
    with workspace.write() as session:
        _refuse_double(session, Wax, wax.name)
        session.add(wax)
        session.flush()
        return _shown(wax)


def add_fragrance(
    workspace: Workspace, name: str, *, max_load_percent: float | None = None, note: str | None = None
) -> Added:
    """Add a fragrance."""
    fragrance = Fragrance(name=clean_name(name, "fragrance"), max_load_percent=max_load_percent, note=note)
    with workspace.write() as session:
        _refuse_double(session, Fragrance, fragrance.name)
        session.add(fragrance)
        session.flush()
        return _shown(fragrance)


def add_wick(
    workspace: Workspace,
    name: str,
    *,
    series: str | None = None,
    size_order: int | None = None,
    diameter_mm: float | None = None,
    note: str | None = None,
) -> Added:
    """Add a wick; ``size_order`` ranks the maker's own sizes within a series."""
    wick = Wick(name=clean_name(name, "wick"), series=series, size_order=size_order, diameter_mm=diameter_mm, note=note)
    with workspace.write() as session:
        _refuse_double(session, Wick, wick.name)
        session.add(wick)
        session.flush()
        return _shown(wick)


def _shown(record: Vessel | Wax | Fragrance | Wick) -> Added:
    hidden = ("id", "entered_at", "name")
    details = {c.key: getattr(record, c.key) for c in record.__table__.columns if c.key not in hidden}
    return Added(record.__tablename__, record.name, details)


def list_materials(workspace: Workspace, kind: str) -> Listed:
    """All vessels, waxes, fragrances or wicks."""
    model = _MODELS[kind]
    with workspace.read() as session:
        found: list[Vessel | Wax | Fragrance | Wick] = list(session.scalars(select(model)))
        return Listed(kind, tuple(_shown(one) for one in sorted(found, key=lambda one: one.name.casefold())))


@dataclass(frozen=True)
class LotKept:
    """A lot: what it is of, how much for what price, and whether it is held."""

    component: str
    label: str
    of: str
    amount: float | None
    unit: str
    price: str | None
    held_reason: str | None = None

    def said(self) -> list[str]:
        """One line."""
        units = f"{self.unit}s" if self.unit == "piece" and self.amount != 1 else self.unit
        much = f", {self.amount:g} {units}" if self.amount else ""
        cost = f" for {self.price}" if self.price else ", price unknown"
        held = f" · HELD: {self.held_reason}" if self.held_reason else ""
        return [f"lot {self.label}: {self.component} “{self.of}”{much}{cost}{held}"]


def say_money(minor: float, currency: str) -> str:
    """1234.5 cents -> ``12.35 EUR``; every currency a candle maker pays in here has two places."""
    return f"{minor / 100:.2f} {currency}"


def add_lot(
    workspace: Workspace,
    component: str,
    label: str,
    of: str,
    *,
    amount: float | None = None,
    price: float | None = None,
    currency: str | None = None,
    supplier: str | None = None,
    bought_at: datetime | None = None,
) -> LotKept:
    """Add a lot of ``component``.

    ``of`` names the wax, fragrance, wick or vessel (which must be in the log), or says in plain words which sticker or
    dye it is. ``amount`` in g for wax, fragrance and dye, in pieces for the rest; ``price`` is what that amount cost.
    """
    if component not in COMPONENTS:
        raise PooleyeError("unknown-component", f"no lots of “{component}”", hint=f"one of: {', '.join(COMPONENTS)}")
    if (amount is not None and amount <= 0) or (price is not None and price < 0):
        raise PooleyeError("absurd-lot", "a lot has an amount above 0 and a price of 0 or more", hint="give both anew")
    lot = Lot(
        component=component,
        label=clean_name(label, "lot"),
        of=clean_name(of, component),
        amount=amount,
        unit="g" if component in ("wax", "fragrance", "dye") else "piece",
        price_minor=None if price is None else round(price * 100),
        currency=None if price is None else (currency or workspace.settings.currency).upper(),
        supplier=supplier,
        bought_at=bought_at,
    )
    with workspace.write() as session:
        _link(session, lot)
        if session.scalar(select(Lot).where(Lot.component == component, Lot.label == lot.label)):
            raise PooleyeError(
                "already-there", f"lot {lot.label} of {component} is in the log", hint="see: pooleye lot"
            )
        session.add(lot)
        return lot_shown(lot)


def _link(session: Session, lot: Lot) -> None:
    if lot.component in _MODELS:
        record: Vessel | Wax | Fragrance | Wick = find.named(session, _MODELS[lot.component], lot.of)
        lot.of = record.name
        setattr(lot, f"{lot.component}_id", record.id)


def lot_shown(lot: Lot) -> LotKept:
    """A lot for showing."""
    price = None if lot.price_minor is None else say_money(lot.price_minor, lot.currency or "")
    return LotKept(lot.component, lot.label, lot.of, lot.amount, lot.unit, price, lot.held_reason)


@dataclass(frozen=True)
class Lots:
    """All lots."""

    lots: tuple[LotKept, ...]

    def said(self) -> list[str]:
        """One line each."""
        return [line for lot in self.lots for line in lot.said()] or ["no lots yet: pooleye lot wax LABEL --of NAME"]


def list_lots(workspace: Workspace) -> Lots:
    """All lots, newest last."""
    with workspace.read() as session:
        return Lots(tuple(lot_shown(lot) for lot in session.scalars(select(Lot).order_by(Lot.id))))


def lot_by_label(session: Session, text: str) -> Lot:
    """A lot by ``LABEL`` or, where two components share a label, ``component:LABEL``. Raises PooleyeError."""
    component, _, label = text.partition(":") if text.partition(":")[0] in COMPONENTS else ("", "", text)
    found = [
        lot
        for lot in session.scalars(select(Lot))
        if lot.label.casefold() == label.strip().casefold() and component in ("", lot.component)
    ]
    if len(found) == 1:
        return found[0]
    if found:
        both = " or ".join(f"{lot.component}:{lot.label}" for lot in found)
        raise PooleyeError("lot-unclear", f"several lots are called {label}", hint=f"say which: {both}")
    raise PooleyeError("unknown-lot", f"the log has no lot “{text}”", hint="see all lots: pooleye lot")
