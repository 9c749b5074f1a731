"""Settlements as the log keeps them: one after another, none overwritten; the newest of a claim counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import get_args

from pooleye.audit.agreement import Settled, settlement_record
from pooleye.audit.results import AccuracyRecord, QuantityRecord, Settlement
from pooleye.burnlog import records

VERDICTS: tuple[Settled, ...] = get_args(Settled)
NO_DANGER = "no-danger"

#: Note, quantity, state, value, unit, place of a claim; or note and kind of a danger.
Key = tuple[object, ...]


def key_of(note_id: int, claimed: Mapping[str, object]) -> Key:
    """What makes a claim of a note this one and no other, also when a later reader words it otherwise."""
    names = ("incident",) if "incident" in claimed else ("quantity", "state", "value", "unit", "where")
    return (note_id, *(claimed.get(name) for name in names))


def newest_settlements(rows: Iterable[records.Settlement]) -> dict[Key, Settlement]:
    """The newest settlement of each claim and of each danger."""
    found: dict[Key, Settlement] = {}
    for one in rows:
        key = key_of(one.note_id, one.claimed)
        before = found.get(key)
        earlier = before.earlier + 1 if before else 0
        found[key] = Settlement(one.verdict, one.who, one.why, one.entered_at, earlier)
    return found


def record_of(settled: Mapping[Key, Settlement]) -> AccuracyRecord:
    """All settled contradictions together, then quantity by quantity."""
    by_quantity: dict[str, list[Settled]] = {}
    for key, one in settled.items():
        if one.verdict in VERDICTS:
            by_quantity.setdefault(str(key[1]), []).append(one.verdict)
    everything = [verdict for found in by_quantity.values() for verdict in found]
    groups = {"all": everything, **by_quantity} if everything else {}
    return AccuracyRecord(tuple(QuantityRecord(name, settlement_record(found)) for name, found in groups.items()))
