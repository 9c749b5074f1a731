"""The burn log's records, in the trade's words. Lengths in mm, mass in g, temperature in °C, times in UTC.

No record is ever deleted: what was wrong is edited (the earlier value goes to ``Change``) or struck out (``Voidable``).
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from pooleye.burnlog.columns import Base, Numbered, Voidable, one_of
from pooleye.burnlog.photo_files import SHA256, SUFFIX

BY = ("tool", "hand")
COMPONENTS = ("wax", "fragrance", "wick", "sticker", "vessel", "dye")
VESSEL_KINDS = ("container", "tea-light")
BURN_KINDS = ("standard", "long", "untrimmed", "burn-out")
OUT_HOW = ("snuffed", "by-itself", "stopped")
WEIGHING_MOMENTS = ("new", "before", "after", "other")
PHASES = ("new", "alight", "after")
VIEWS = ("top", "side", "auto")
FOUND_HOW = ("given", "code-in-picture", "time", "name", "alight")
SETTLED = ("note-right", "photo-right", "both-wrong", "no-danger")
VARIES = ("wick", "vessel", "wax", "fragrance", "load", "dye", "pour-temperature", "cure")


class Vessel(Numbered, Base):
    """A kind of vessel, as callipers give it."""

    __tablename__ = "vessel"
    __table_args__ = (CheckConstraint(one_of("kind", VESSEL_KINDS), "kind"),)

    name: Mapped[str] = mapped_column(unique=True)
    kind: Mapped[str] = mapped_column(default="container")
    rim_inner_mm: Mapped[float]
    rim_outer_mm: Mapped[float | None]
    base_inner_mm: Mapped[float | None]
    height_mm: Mapped[float | None]
    inner_depth_mm: Mapped[float | None]
    material: Mapped[str | None]
    note: Mapped[str | None]


class Wax(Numbered, Base):
    """A kind of wax. ``density_*``: solid, g/cm³, with its standard uncertainty; ``source`` says where it is from."""

    __tablename__ = "wax"

    name: Mapped[str] = mapped_column(unique=True)
    family: Mapped[str | None]
    density_g_cm3: Mapped[float]
    density_u_g_cm3: Mapped[float]
    density_source: Mapped[str]
    cure_days: Mapped[float]
    cure_source: Mapped[str]
    max_load_percent: Mapped[float | None]
    note: Mapped[str | None]


class Fragrance(Numbered, Base):
    """A fragrance oil."""

    __tablename__ = "fragrance"

    name: Mapped[str] = mapped_column(unique=True)
    max_load_percent: Mapped[float | None]
    note: Mapped[str | None]


class Wick(Numbered, Base):
    """A wick. ``size_order`` ranks the maker's own sizes within a ``series``, small to large."""

    __tablename__ = "wick"

    name: Mapped[str] = mapped_column(unique=True)
    series: Mapped[str | None]
    size_order: Mapped[int | None]
    diameter_mm: Mapped[float | None]
    note: Mapped[str | None]


class Lot(Numbered, Base):
    """One delivery of a component. ``price_minor``: what ``amount`` cost, in the smallest coin of ``currency``."""

    __tablename__ = "lot"
    __table_args__ = (
        CheckConstraint(one_of("component", COMPONENTS), "component"),
        CheckConstraint(one_of("unit", ("g", "piece")), "unit"),
        UniqueConstraint("component", "label"),
    )

    component: Mapped[str]
    label: Mapped[str]
    of: Mapped[str]
    wax_id: Mapped[int | None] = mapped_column(ForeignKey("wax.id"))
    fragrance_id: Mapped[int | None] = mapped_column(ForeignKey("fragrance.id"))
    wick_id: Mapped[int | None] = mapped_column(ForeignKey("wick.id"))
    vessel_id: Mapped[int | None] = mapped_column(ForeignKey("vessel.id"))
    bought_at: Mapped[datetime | None]
    supplier: Mapped[str | None]
    amount: Mapped[float | None]
    unit: Mapped[str]
    price_minor: Mapped[int | None]
    currency: Mapped[str | None]
    held_at: Mapped[datetime | None]
    held_reason: Mapped[str | None]


class Pour(Numbered, Base):
    """One batch. ``load_percent``: fragrance as a share of the wax mass, the trade's convention."""

    __tablename__ = "pour"

    name: Mapped[str] = mapped_column(unique=True)
    poured_at: Mapped[datetime]
    wax_id: Mapped[int] = mapped_column(ForeignKey("wax.id"))
    fragrance_id: Mapped[int | None] = mapped_column(ForeignKey("fragrance.id"))
    load_percent: Mapped[float] = mapped_column(default=0.0)
    dye: Mapped[str | None]
    wax_mass_g: Mapped[float | None]
    fragrance_mass_g: Mapped[float | None]
    dye_mass_g: Mapped[float | None]
    heated_to_c: Mapped[float | None]
    fragrance_at_c: Mapped[float | None]
    poured_at_c: Mapped[float | None]
    room_c: Mapped[float | None]
    cure_days: Mapped[float]
    note: Mapped[str | None]

    wax: Mapped[Wax] = relationship()
    fragrance: Mapped[Fragrance | None] = relationship()
    candles: Mapped[list[Candle]] = relationship(back_populates="pour", order_by="Candle.id")
    lots: Mapped[list[PourLot]] = relationship()


class PourLot(Numbered, Base):
    """A lot that went into a pour; ``amount`` in the lot's own unit."""

    __tablename__ = "pour_lot"
    __table_args__ = (UniqueConstraint("pour_id", "lot_id"),)

    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"))
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"))
    amount: Mapped[float | None]

    lot: Mapped[Lot] = relationship()


class Trial(Numbered, Base):
    """A question put to candles: what varies, how many candles an arm."""

    __tablename__ = "trial"
    __table_args__ = (CheckConstraint(one_of("varies", VARIES), "varies"),)

    name: Mapped[str] = mapped_column(unique=True)
    question: Mapped[str | None]
    varies: Mapped[str] = mapped_column(default="wick")
    per_arm: Mapped[int] = mapped_column(default=3)

    candles: Mapped[list[Candle]] = relationship(back_populates="trial", order_by="Candle.id")


class Candle(Numbered, Base):
    """A labelled specimen of a pour.

    ``headspace_new_mm``: rim down to the wax before the first burn. ``held_*``: not to be lit until released.
    ``stopped_*``: an incident ended its life. ``finished_at``: burnt out or retired by the maker.
    """

    __tablename__ = "candle"

    code: Mapped[str] = mapped_column(unique=True)
    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"))
    vessel_id: Mapped[int] = mapped_column(ForeignKey("vessel.id"))
    wick_id: Mapped[int] = mapped_column(ForeignKey("wick.id"))
    wick_count: Mapped[int] = mapped_column(default=1)
    trial_id: Mapped[int | None] = mapped_column(ForeignKey("trial.id"))
    arm: Mapped[str | None]
    fill_mass_g: Mapped[float | None]
    headspace_new_mm: Mapped[float | None]
    empty_mass_g: Mapped[float | None]
    cured_from: Mapped[datetime]
    held_at: Mapped[datetime | None]
    held_reason: Mapped[str | None]
    stopped_at: Mapped[datetime | None]
    stopped_reason: Mapped[str | None]
    finished_at: Mapped[datetime | None]
    finished_reason: Mapped[str | None]

    pour: Mapped[Pour] = relationship(back_populates="candles")
    vessel: Mapped[Vessel] = relationship()
    wick: Mapped[Wick] = relationship()
    trial: Mapped[Trial | None] = relationship(back_populates="candles")
    lots: Mapped[list[CandleLot]] = relationship()
    burns: Mapped[list[Burn]] = relationship(back_populates="candle", order_by="Burn.number")
    weighings: Mapped[list[Weighing]] = relationship(back_populates="candle", order_by="Weighing.at, Weighing.id")


class CandleLot(Numbered, Base):
    """A lot of pieces (wick, sticker, vessel) that one candle holds."""

    __tablename__ = "candle_lot"
    __table_args__ = (UniqueConstraint("candle_id", "lot_id"),)

    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"))
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"))
    amount: Mapped[float] = mapped_column(default=1.0)

    lot: Mapped[Lot] = relationship()


class Burn(Numbered, Base):
    """One burn. Unknown times are empty, never guessed; ``*_half_width_min`` says how sure a time is (rectangular)."""

    __tablename__ = "burn"
    __table_args__ = (
        UniqueConstraint("candle_id", "number"),
        CheckConstraint(one_of("kind", BURN_KINDS), "kind"),
        CheckConstraint(one_of("out_how", OUT_HOW), "out_how"),
        CheckConstraint("out_at IS NULL OR out_at >= lit_at", "out_after_lit"),
    )

    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"))
    number: Mapped[int]
    kind: Mapped[str] = mapped_column(default="standard")
    lit_at: Mapped[datetime]
    lit_half_width_min: Mapped[float] = mapped_column(default=1.0)
    out_at: Mapped[datetime | None]
    out_half_width_min: Mapped[float] = mapped_column(default=1.0)
    out_how: Mapped[str | None]
    planned_minutes: Mapped[float | None]
    trimmed_to_mm: Mapped[float | None]
    spacing_mm: Mapped[float | None]
    room_c: Mapped[float | None]
    lit_despite: Mapped[str | None]

    candle: Mapped[Candle] = relationship(back_populates="burns")
    checkpoints: Mapped[list[Checkpoint]] = relationship(back_populates="burn", order_by="Checkpoint.minutes")


class Checkpoint(Numbered, Base):
    """A look at a burning candle, so many minutes after lighting."""

    __tablename__ = "checkpoint"
    __table_args__ = (UniqueConstraint("burn_id", "minutes"),)

    burn_id: Mapped[int] = mapped_column(ForeignKey("burn.id"))
    minutes: Mapped[float]
    planned: Mapped[bool] = mapped_column(default=False)

    burn: Mapped[Burn] = relationship(back_populates="checkpoints")


class Weighing(Numbered, Voidable, Base):
    """A candle on the scale. ``step_g``: the display's step."""

    __tablename__ = "weighing"
    __table_args__ = (
        CheckConstraint(one_of("moment", WEIGHING_MOMENTS), "moment"),
        CheckConstraint("mass_g > 0", "mass"),
    )

    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"), index=True)
    burn_id: Mapped[int | None] = mapped_column(ForeignKey("burn.id"))
    moment: Mapped[str]
    at: Mapped[datetime]
    mass_g: Mapped[float]
    step_g: Mapped[float]
    accepted_despite: Mapped[str | None]

    candle: Mapped[Candle] = relationship(back_populates="weighings")


class Photo(Numbered, Voidable, Base):
    """A photo as the camera made it, kept byte for byte in the workspace under its SHA-256.

    ``burst_of``: of a burst's stills all but the first name the first by its SHA-256; that one is measured with them.
    """

    __tablename__ = "photo"
    __table_args__ = (
        CheckConstraint(one_of("phase", PHASES), "phase"),
        CheckConstraint(one_of("view", VIEWS), "view"),
        CheckConstraint(one_of("found_how", FOUND_HOW), "found_how"),
        CheckConstraint(one_of("filed_by", BY), "filed_by"),
    )

    sha256: Mapped[str] = mapped_column(unique=True, info={"pattern": SHA256})
    suffix: Mapped[str] = mapped_column(info={"pattern": SUFFIX})
    bytes: Mapped[int]
    original_name: Mapped[str]
    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"), index=True)
    burn_id: Mapped[int | None] = mapped_column(ForeignKey("burn.id"))
    checkpoint_id: Mapped[int | None] = mapped_column(ForeignKey("checkpoint.id"))
    phase: Mapped[str]
    minutes_alight: Mapped[float | None]
    view: Mapped[str] = mapped_column(default="auto")
    taken_at: Mapped[datetime | None]
    clock_offset_s: Mapped[float] = mapped_column(default=0.0)
    filed_by: Mapped[str] = mapped_column(default="tool")
    found_how: Mapped[str]
    burst_of: Mapped[str | None] = mapped_column(info={"pattern": SHA256})

    candle: Mapped[Candle] = relationship()
    burn: Mapped[Burn | None] = relationship()
    checkpoint: Mapped[Checkpoint | None] = relationship()
    readings: Mapped[list[Reading]] = relationship(back_populates="photo", order_by="Reading.id")


class Reading(Numbered, Base):
    """One measuring of one photo: the whole result, and what it was measured with. The newest one counts."""

    __tablename__ = "reading"
    __table_args__ = (UniqueConstraint("photo_id", "method", "inputs_sha256"),)

    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"))
    method: Mapped[str]
    inputs_sha256: Mapped[str]
    inputs: Mapped[dict[str, Any]]
    status: Mapped[str]
    reason: Mapped[str | None]
    flags: Mapped[list[str]]
    result: Mapped[dict[str, Any]]

    photo: Mapped[Photo] = relationship(back_populates="readings")
    measurements: Mapped[list[Measurement]] = relationship(back_populates="reading", order_by="Measurement.id")


class Measurement(Numbered, Voidable, Base):
    """One quantity: value, standard uncertainty and unit; by the tool from a photo, or by hand. Both are kept."""

    __tablename__ = "measurement"
    __table_args__ = (CheckConstraint(one_of("by", BY), "by"), UniqueConstraint("reading_id", "quantity"))

    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"), index=True)
    burn_id: Mapped[int | None] = mapped_column(ForeignKey("burn.id"))
    checkpoint_id: Mapped[int | None] = mapped_column(ForeignKey("checkpoint.id"))
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photo.id"))
    reading_id: Mapped[int | None] = mapped_column(ForeignKey("reading.id"))
    at: Mapped[datetime | None]
    quantity: Mapped[str]
    value: Mapped[float]
    u: Mapped[float]
    unit: Mapped[str]
    parts: Mapped[dict[str, Any]] = mapped_column(default=dict)
    flags: Mapped[list[str]] = mapped_column(default=list)
    method: Mapped[str]
    by: Mapped[str]
    who: Mapped[str | None]

    reading: Mapped[Reading | None] = relationship(back_populates="measurements")


class Incident(Numbered, Voidable, Base):
    """Something that ends a burn at once."""

    __tablename__ = "incident"

    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"), index=True)
    burn_id: Mapped[int | None] = mapped_column(ForeignKey("burn.id"))
    at: Mapped[datetime]
    kind: Mapped[str]
    words: Mapped[str | None]
    by: Mapped[str] = mapped_column(default="hand")


class Note(Numbered, Voidable, Base):
    """A tester's own words."""

    __tablename__ = "note"

    candle_id: Mapped[int] = mapped_column(ForeignKey("candle.id"), index=True)
    burn_id: Mapped[int | None] = mapped_column(ForeignKey("burn.id"))
    checkpoint_id: Mapped[int | None] = mapped_column(ForeignKey("checkpoint.id"))
    at: Mapped[datetime]
    text: Mapped[str]
    tester: Mapped[str | None]

    claims: Mapped[list[Claim]] = relationship(order_by="Claim.place")


class Change(Numbered, Base):
    """An edit: which field of which record, its value before and after, and who changed it."""

    __tablename__ = "change"
    __table_args__ = (CheckConstraint(one_of("by", BY), "by"),)

    record: Mapped[str] = mapped_column(index=True)
    record_id: Mapped[int] = mapped_column(index=True)
    field: Mapped[str]
    before: Mapped[dict[str, Any]]
    after: Mapped[dict[str, Any]]
    by: Mapped[str]
    who: Mapped[str | None]
    why: Mapped[str | None]


class Claim(Numbered, Base):
    """What a note claims, as read by the tool; ``reader`` is the reading method and its version."""

    __tablename__ = "claim"
    __table_args__ = (UniqueConstraint("note_id", "reader", "place"),)

    note_id: Mapped[int] = mapped_column(ForeignKey("note.id"))
    reader: Mapped[str]
    place: Mapped[int]
    quantity: Mapped[str]
    state: Mapped[str | None]
    value: Mapped[float | None]
    unit: Mapped[str | None]
    where: Mapped[str | None]
    superseded: Mapped[bool] = mapped_column(default=False)
    hedged: Mapped[bool] = mapped_column(default=False)
    words: Mapped[str]


class Settlement(Numbered, Base):
    """A contradiction between note and photo, or words of danger in a note, settled by a person. The newest one counts.

    ``claimed``: the claim or danger as it was read. ``measured``: the quantity it was held against, with the value
    then.
    """

    __tablename__ = "settlement"
    __table_args__ = (CheckConstraint(one_of("verdict", SETTLED), "verdict"),)

    note_id: Mapped[int] = mapped_column(ForeignKey("note.id"), index=True)
    claimed: Mapped[dict[str, Any]]
    measured: Mapped[str | None]
    value: Mapped[float | None]
    u: Mapped[float | None]
    unit: Mapped[str | None]
    verdict: Mapped[str]
    who: Mapped[str | None]
    why: Mapped[str | None]


class Finding(Numbered, Base):
    """A judgement about a candle, burn or trial: the rule, how grave, on what evidence, and where the rule is from."""

    __tablename__ = "finding"

    rule: Mapped[str]
    severity: Mapped[str]
    text: Mapped[str]
    evidence: Mapped[dict[str, Any]]
    source: Mapped[str]
    candle_id: Mapped[int | None] = mapped_column(ForeignKey("candle.id"))
    burn_id: Mapped[int | None] = mapped_column(ForeignKey("burn.id"))
    checkpoint_id: Mapped[int | None] = mapped_column(ForeignKey("checkpoint.id"))
    trial_id: Mapped[int | None] = mapped_column(ForeignKey("trial.id"))


class SentForm(Numbered, Base):
    """A form that a phone sent, by the key which the phone made for it: sent again, it is not kept twice."""

    __tablename__ = "sent_form"

    key: Mapped[str] = mapped_column(unique=True)
    what: Mapped[str]
