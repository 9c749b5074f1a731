"""Putting right what was entered wrong: edits with their history, records struck out, photos filed elsewhere."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import bench, find
from pooleye.burnlog.bench import Place
from pooleye.burnlog.columns import Base, UtcTime
from pooleye.burnlog.filing import correct_by_hand, move_photo, newest_reading
from pooleye.burnlog.history import Author
from pooleye.burnlog.materials import lot_by_label
from pooleye.burnlog.records import (
    Burn,
    Change,
    Fragrance,
    Incident,
    Measurement,
    Note,
    Photo,
    Pour,
    Trial,
    Vessel,
    Wax,
    Weighing,
    Wick,
)
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import parse_when, say_minutes
from pooleye.errors import PooleyeError
from pooleye.measurement import QUANTITIES, Quantity, after_number
from pooleye.units import parse_length_mm, parse_mass_g, parse_temperature_c

_NAMED: dict[str, Any] = {
    "vessel": Vessel, "wax": Wax, "fragrance": Fragrance, "wick": Wick, "pour": Pour, "trial": Trial,
}  # fmt: skip
_STRIKABLE: dict[str, Any] = {
    "weighing": Weighing, "note": Note, "measurement": Measurement, "incident": Incident, "photo": Photo,
}  # fmt: skip
CORRECTABLE = (*_NAMED, "lot", "candle", "burn", "weighing")
# Keys, and states that have a command of their own (hold, release, snuff), are not edited by name.
_FIXED = frozenset({"id", "entered_at", "code", "number", "held_at", "voided_at", "moment", "price_minor"})


@dataclass(frozen=True)
class Corrected:
    """One field, before and after."""

    record: str
    which: str
    field: str
    before: str | None
    after: str | None
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """One line."""
        line = f"{self.record} {self.which}: {self.field.replace('_', ' ')} was {self.before}, is {self.after}"
        return with_advice(self.advice, [line])


def _record(session: Session, kind: str, which: str) -> Base:
    if kind in _NAMED:
        record: Base = find.named(session, _NAMED[kind], which)
        return record
    if kind == "lot":
        return lot_by_label(session, which)
    if kind == "candle":
        return find.candle(session, which)
    if kind == "burn":
        return _burn(session, which)
    if kind == "weighing":
        weighing: Base = _numbered(session, kind, which)
        return weighing
    raise PooleyeError("not-correctable", f"“{kind}” is not corrected so", hint=f"one of: {', '.join(CORRECTABLE)}")


def _burn(session: Session, which: str) -> Burn:
    code, _, number = which.partition("/")
    candle = find.candle(session, code)
    burn = bench.numbered_burn(candle, int(number)) if number.isdigit() else None
    if burn is None:
        text = f"{candle.code} has no burn {number or '…'}"
        raise PooleyeError("unknown-burn", text, hint=f"write CODE/NUMBER, for instance {candle.code}/1")
    return burn


def _numbered(session: Session, kind: str, which: str) -> Any:
    record = session.get(_STRIKABLE[kind], int(which)) if which.isdigit() else None
    if record is None:
        text = f"the log has no {kind} number {which}"
        raise PooleyeError(f"unknown-{kind}", text, hint="numbers are shown by: pooleye history CODE")
    return record


def _field(record: Base, name: str) -> str:
    fields = [c.key for c in record.__table__.columns if c.key not in _FIXED and not c.foreign_keys]
    wanted = name.replace("-", "_").replace(" ", "_")
    bare = {one.rsplit("_", 1)[0]: one for one in fields if one.endswith(("_mm", "_g", "_c", "_percent", "_at"))}
    if wanted in fields:
        return wanted
    if wanted in bare:
        return bare[wanted]
    near = difflib.get_close_matches(wanted, [*fields, *bare], n=1)
    hint = f"did you mean {near[0]}?" if near else f"fields: {', '.join(fields)}"
    raise PooleyeError("unknown-field", f"a {record.__tablename__} has no “{name}”", hint=hint)


def _value(workspace: Workspace, record: Base, field: str, text: str) -> Any:
    """``text`` in the field's own type and unit; an empty text or "none" empties a field that may be empty."""
    column = record.__table__.columns[field]
    if text.strip().lower() in ("", "none"):
        if not column.nullable:
            raise PooleyeError("field-needed", f"{field} cannot be empty", hint="give a value")
        return None
    for ending, parse in (("_mm", parse_length_mm), ("_g", parse_mass_g), ("_c", parse_temperature_c)):
        if field.endswith(ending):
            return parse(text, field.removesuffix(ending).replace("_", " "))
    if isinstance(column.type, UtcTime):
        return parse_when(text, workspace.now(), workspace.zone)
    kind = column.type.python_type
    try:
        return kind(text)
    except ValueError:
        text_ = f"“{text}” is no {'number' if kind in (int, float) else 'value'} for {field}"
        raise PooleyeError("bad-value", text_, hint="for instance 7.5") from None


def correct(
    workspace: Workspace,
    kind: str,
    which: str,
    field: str,
    text: str,
    *,
    who: str | None = None,
    why: str | None = None,
) -> Corrected:
    """Change one field; the earlier value and who changed it stay in the history.

    ``which``: a name, a lot's label, a candle's code, CODE/NUMBER for a burn, a number for a weighing. Photos filed by
    time in a burn whose times change move with it. Raises PooleyeError for what cannot be.
    """
    with workspace.write(Author("hand", who, why)) as session:
        record = _record(session, kind, which)
        name = _field(record, field)
        before, after = getattr(record, name), _value(workspace, record, name, text)
        setattr(record, name, after)
        advice: tuple[Advice, ...] = ()
        if isinstance(record, Burn) and name in ("lit_at", "out_at"):
            _check_burns(record)
            advice = _follow(session, record)
        return Corrected(kind, which, name, _shown(before), _shown(after), advice)


def _shown(value: Any) -> str | None:
    if isinstance(value, float):
        return f"{value:.6g}"
    return None if value is None else value.isoformat() if isinstance(value, datetime) else str(value)


def _check_burns(burn: Burn) -> None:
    """Burns of one candle follow each other and end after they begin."""
    ordered = sorted(burn.candle.burns, key=lambda one: one.number)
    for one, after in zip(ordered, [*ordered[1:], None], strict=True):
        if one.out_at is not None and one.out_at < one.lit_at:
            raise PooleyeError("out-before-lit", f"burn {one.number} would end before it began", hint="check the time")
        if after is not None and (one.out_at is None or after.lit_at < one.out_at):
            text = f"burns {one.number} and {after.number} would overlap"
            raise PooleyeError("burns-overlap", text, hint="correct the other burn first, or check the time")


def _follow(session: Session, burn: Burn) -> tuple[Advice, ...]:
    """Photos whose own clock placed them move to where the corrected times put them."""
    photos = session.scalars(select(Photo).where(Photo.candle_id == burn.candle_id, Photo.taken_at.is_not(None)))
    moved = 0
    for photo in photos:
        taken = photo.taken_at
        if taken is None or photo.voided_at is not None:
            continue
        place = bench.place_at(burn.candle, taken)
        before = (photo.phase, photo.burn.number if photo.burn else None, photo.minutes_alight)
        if before != (place.phase, place.burn_number, place.minutes_alight):
            move_photo(session, photo, place)
            moved += 1
    if not moved:
        return ()
    text = f"{moved} photos moved with the burn; measure again what hangs on their minutes: pooleye remeasure"
    return (Advice("info", "photos-moved", text),)


@dataclass(frozen=True)
class Struck:
    """A record struck out; it stays in the log, marked."""

    record: str
    number: int
    reason: str

    def said(self) -> list[str]:
        """One line."""
        return [f"{self.record} {self.number} is struck out ({self.reason}); it stays readable in the history"]


def strike(workspace: Workspace, kind: str, which: str, reason: str) -> Struck:
    """Strike out a weighing, note, measurement, incident or photo, by number; a photo also by its hash's start."""
    if kind not in _STRIKABLE:
        text = f"a {kind} is not struck out"
        raise PooleyeError("not-strikable", text, hint=f"one of: {', '.join(_STRIKABLE)}")
    if not reason.strip():
        raise PooleyeError("no-reason", "striking out needs its reason", hint='for instance: --why "wrong candle"')
    with workspace.write(Author("hand", why=reason)) as session:
        record = photo_named(session, which) if kind == "photo" else _numbered(session, kind, which)
        if record.voided_at is not None:
            raise PooleyeError("struck-already", f"{kind} {which} is struck out already", hint="see: pooleye history")
        record.voided_at, record.void_reason = workspace.now(), reason.strip()
        return Struck(kind, record.id, reason.strip())


def photo_named(session: Session, text: str) -> Photo:
    """A photo by number, by the start of its SHA-256 (six characters or more), or by its original name if unique."""
    if text.isdigit() and len(text) < 6:
        photo: Photo = _numbered(session, "photo", text)
        return photo
    rows = list(session.scalars(select(Photo)))
    fit = [one for one in rows if one.original_name == text or (len(text) >= 6 and one.sha256.startswith(text.lower()))]
    if len(fit) == 1:
        return fit[0]
    what = f"{len(fit)} photos are called" if fit else "the log has no photo"
    raise PooleyeError(
        "which-photo", f"{what} {text}", hint="give its number or the start of its SHA-256: pooleye show CODE"
    )


@dataclass(frozen=True)
class Refiled:
    """A photo that was filed elsewhere by hand."""

    photo: str
    before: str
    after: str

    def said(self) -> list[str]:
        """One line."""
        return [f"{self.photo}: was {self.before}, is {self.after}"]


def refile(
    workspace: Workspace, photo: str, code: str, *, burn: int | None = None, minutes: float | None = None
) -> Refiled:
    """File a photo under another candle, burn or minute.

    Without a burn, it goes where its time puts it in that candle's life; a photo without a time, to the new candle.
    """
    from pooleye.burnlog.filing import place_of_photo

    with workspace.write(Author("hand")) as session:
        record, candle = photo_named(session, photo), find.candle(session, code)
        before = place_of_photo(record).said()
        place = (
            bench.place_at(candle, record.taken_at)
            if burn is None and record.taken_at is not None
            else _place(candle, burn, minutes)
        )
        move_photo(session, record, place)
        record.filed_by, record.found_how = "hand", "given"
        return Refiled(record.original_name, before, place.said())


def _place(candle: Any, number: int | None, minutes: float | None) -> Place:
    if number is None:
        return Place(candle.code, "new")
    burn = bench.numbered_burn(candle, number)
    if burn is None:
        raise PooleyeError("unknown-burn", f"{candle.code} has had no burn {number}", hint="see: pooleye show CODE")
    if minutes is None:
        return Place(candle.code, "after", number)
    return Place(candle.code, "alight", number, minutes, bench.checkpoint_minutes(burn, minutes))


@dataclass(frozen=True)
class Entry:
    """One line of the history."""

    at: datetime
    what: str
    by: str


@dataclass(frozen=True)
class History:
    """What was entered and changed about a candle, oldest first."""

    candle: str
    entries: tuple[Entry, ...]
    left_out: int = 0

    def latest(self, count: int) -> History:
        """The latest so many entries, and how many came before."""
        return replace(self, entries=self.entries[-count:], left_out=max(0, len(self.entries) - count))

    def said(self) -> list[str]:
        """One line each."""
        earlier = [f"({self.left_out} earlier: pooleye history {self.candle} --all)"] if self.left_out else []
        return earlier + [f"{one.at:%Y-%m-%d %H:%M}Z  {one.what}  [{one.by}]" for one in self.entries]


def history(workspace: Workspace, code: str) -> History:
    """Everything entered and changed about one candle, with numbers for `correct` and `strike`."""
    with workspace.read() as session:
        candle = find.candle(session, code)
        entries = [Entry(candle.entered_at, f"candle {candle.code} from pour {candle.pour.name}", "hand")]
        keys: set[tuple[str, int]] = {("candle", candle.id)}
        for burn in candle.burns:
            entries.append(Entry(burn.entered_at, f"burn {burn.number} ({burn.kind})", "hand"))
            keys.add(("burn", burn.id))
        for kind, model in _STRIKABLE.items():
            for one in session.scalars(select(model).where(model.candle_id == candle.id)):
                struck = f" STRUCK OUT: {one.void_reason}" if one.voided_at else ""
                by = getattr(one, "by", None) or getattr(one, "filed_by", None) or "hand"
                entries.append(Entry(one.entered_at, f"{kind} {one.id}: {_told(one)}{struck}", by))
                keys.add((kind, one.id))
        touched = select(Change).where(Change.record_id.in_({number for _, number in keys}))
        entries += [_change(one) for one in session.scalars(touched) if (one.record, one.record_id) in keys]
        return History(candle.code, tuple(sorted(entries, key=lambda one: one.at)))


def _told(record: Any) -> str:
    if isinstance(record, Weighing):
        return f"{record.mass_g:.1f} g {record.moment}"
    if isinstance(record, Note):
        return f"“{record.text}”"
    if isinstance(record, Measurement):
        return f"{record.quantity.replace('_', ' ')} {record.value:g}{after_number(record.unit)} ({record.method})"
    if isinstance(record, Photo):
        at = "" if record.minutes_alight is None else f" at {say_minutes(record.minutes_alight)}"
        return f"{record.original_name} {record.phase}{at}, {record.sha256[:8]}, placed by: {record.found_how}"
    return f"{record.kind} {record.words or ''}".strip()


def _change(one: Change) -> Entry:
    who = f"{one.by} {one.who}" if one.who else one.by
    why = f" ({one.why})" if one.why else ""
    before, after = ("nothing" if one is None else one for one in (one.before["value"], one.after["value"]))
    return Entry(one.entered_at, f"{one.record} {one.record_id}: {one.field} {before} → {after}{why}", who)


@dataclass(frozen=True)
class Adjusted:
    """A person's own value for a photo, beside the tool's."""

    photo: str
    quantity: str
    by_hand: Quantity
    by_tool: Quantity | None

    def said(self) -> list[str]:
        """Both values."""
        tool = f"; the tool has {self.by_tool}" if self.by_tool else ""
        return [f"{self.photo}: {self.quantity.replace('_', ' ')} by hand {self.by_hand}{tool}; both are kept"]


# Half-width of a value read off a photo by eye, as a share of it, where the person gives none; judged.
_BY_EYE = 0.02


def adjust(
    workspace: Workspace, photo: str, quantity: str, text: str, *, half_width: str | None = None, who: str | None = None
) -> Adjusted:
    """Keep a person's value for one quantity of a photo. ``half_width``: how sure, to either side (rectangular)."""
    with workspace.read() as session:
        record = photo_named(session, photo)
        sha256, name, reading = record.sha256, record.original_name, newest_reading(record)
        kept = {one.quantity: Quantity(one.value, one.u, one.unit) for one in reading.measurements} if reading else {}
    unit = QUANTITIES[quantity][0] if quantity in QUANTITIES else "1"
    value = _number(text, unit, quantity)
    width = _number(half_width, unit, "half-width") if half_width else abs(value) * _BY_EYE or 1.0
    by_hand = Quantity(value, width / 3**0.5, unit, (("read by eye", width / 3**0.5),))
    correct_by_hand(workspace, sha256, {quantity: by_hand}, who=who)
    return Adjusted(name, quantity, by_hand, kept.get(quantity))


def _number(text: str, unit: str, what: str) -> float:
    if unit == "mm":
        return parse_length_mm(text, what.replace("_", " "))
    try:
        return float(text.strip().removesuffix("°").replace(",", "."))
    except ValueError:
        raise PooleyeError("bad-value", f"“{text}” is no number for {what}", hint="for instance 0.85") from None
