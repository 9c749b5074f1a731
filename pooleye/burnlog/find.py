"""Looking up records by the words a maker uses; what is not found is answered with what is near."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from pooleye.burnlog.codes import near, read_code
from pooleye.burnlog.records import Burn, Candle, Fragrance, Pour, Trial, Vessel, Wax, Wick
from pooleye.errors import PooleyeError

Named = TypeVar("Named", Vessel, Wax, Fragrance, Wick, Pour, Trial)


def named_or_none(session: Session, kind: type[Named], name: str) -> Named | None:
    """The record of this kind with this name, capitals aside."""
    wanted = " ".join(name.split()).casefold()
    return next((one for one in session.scalars(select(kind)) if one.name.casefold() == wanted), None)


def named(session: Session, kind: type[Named], name: str) -> Named:
    """The record of this kind with this name. Raises PooleyeError, naming the nearest ones."""
    found = named_or_none(session, kind, name)
    if found is None:
        raise _unknown(kind.__tablename__, name, list(session.scalars(select(kind.name))))
    return found


def _unknown(word: str, name: str, known: Sequence[str]) -> PooleyeError:
    alike = difflib.get_close_matches(name, known, n=2) or list(known[:5])
    adding = {"pour": "pooleye pour", "trial": "pooleye trial new NAME"}.get(word, f"pooleye {word} NAME")
    hint = f"did you mean {' or '.join(alike)}? Or add it: {adding}" if alike else f"add it first: {adding}"
    return PooleyeError(f"unknown-{word}", f"the log has no {word} “{name}”", hint=hint)


def known_codes(session: Session) -> list[str]:
    """All candle codes of the log."""
    return list(session.scalars(select(Candle.code).order_by(Candle.id)))


def candle(session: Session, text: str) -> Candle:
    """The candle with this code. Raises PooleyeError, naming codes one slip away."""
    plain = "".join(text.split()).replace("-", "").upper()
    found = session.scalar(select(Candle).where(Candle.code == plain))
    if found is not None:
        return found
    # All codes are read only to say which one was meant: a log may hold thousands.
    codes = known_codes(session)
    code = read_code(text, codes)
    alike = near(code, codes)
    hint = f"did you mean {' or '.join(alike)}?" if alike else "see the candles: pooleye status"
    raise PooleyeError("unknown-candle", f"the log has no candle {code}", hint=hint)


def all_candles(session: Session) -> list[Candle]:
    """Every candle with what its state is read from, in a handful of queries however many there are."""
    with_all = (
        selectinload(Candle.burns).selectinload(Burn.checkpoints),
        selectinload(Candle.weighings),
        joinedload(Candle.vessel),
        joinedload(Candle.wick),
        joinedload(Candle.pour).joinedload(Pour.wax),
    )
    return list(session.scalars(select(Candle).options(*with_all).order_by(Candle.id)))


def candles(session: Session, texts: Sequence[str]) -> list[Candle]:
    """The candles with these codes, each once, in the order given."""
    found = [candle(session, text) for text in texts]
    return list(dict.fromkeys(found))
