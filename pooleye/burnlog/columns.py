"""Column types and the parts that every record shares."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Dialect, MetaData, String
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import DateTime, TypeDecorator

from pooleye.burnlog.times import now_utc, require_zone

# Fixed names for constraints, so that a later migration can find them on either database.
_NAMES = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcTime(TypeDecorator[datetime]):
    """A moment in UTC. A time without zone is refused on the way in (ValueError); what comes out carries UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        moment = require_zone(value)
        # SQLite keeps no zone: what is written there is UTC, and is given its zone again on the way out.
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Root of every record."""

    metadata = MetaData(naming_convention=_NAMES)
    type_annotation_map = {datetime: UtcTime(), dict[str, Any]: JSON(), list[str]: JSON(), str: String()}  # noqa: RUF012


class Numbered:
    """A record with a number of its own and the time it was entered."""

    id: Mapped[int] = mapped_column(primary_key=True)
    entered_at: Mapped[datetime] = mapped_column(default=now_utc)


class Voidable:
    """A record that can be struck out, with the reason, and stays readable: nothing is deleted."""

    voided_at: Mapped[datetime | None]
    void_reason: Mapped[str | None]


def one_of(column: str, values: tuple[str, ...]) -> str:
    """SQL of a check that ``column`` holds one of ``values``."""
    return f"{column} IN ({', '.join(repr(value) for value in values)})"
