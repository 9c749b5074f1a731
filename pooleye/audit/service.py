"""The audit of a burn log: every claim of every note beside what was measured at the same moment, contradictions
settled by hand, and how far each tester's eye can be trusted. Command line, phone page and reports ask here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from sqlalchemy import select

from pooleye.audit import compare, eyes
from pooleye.audit.claims import Claim, Reading
from pooleye.audit.compare import Comparison, Scale
from pooleye.audit.eyes import NOBODY, Pair
from pooleye.audit.from_log import CandleLog, Look, Written, candle_log, chosen
from pooleye.audit.lexicon import Lexicon
from pooleye.audit.note_filing import answers_to, claims_about, danger_advice, lexicon_of
from pooleye.audit.reading import explain, read_note
from pooleye.audit.results import (
    Audit,
    NotUnderstood,
    Row,
    SettledNow,
    Settlement,
    ToConfirm,
    Unmatched,
)
from pooleye.audit.settling import NO_DANGER, VERDICTS, Key, key_of, newest_settlements, record_of
from pooleye.burnlog import records
from pooleye.burnlog.history import Author
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

#: A maker's own bands, when this file lies in the workspace.
OWN_BANDS = "bands.toml"


@dataclass(frozen=True)
class _Rules:
    lexicon: Lexicon
    scales: Mapping[str, Scale]
    codes: frozenset[str]


def _rules(workspace: Workspace, codes: Iterable[str]) -> _Rules:
    bands = workspace.root / OWN_BANDS
    scales = compare.load_scales(bands if bands.is_file() else None)
    return _Rules(lexicon_of(workspace), scales, frozenset(codes))


@dataclass
class _Gathered:
    """An audit while it is put together."""

    rows: list[Row] = field(default_factory=list)
    without_photo: list[Unmatched] = field(default_factory=list)
    without_note: list[Unmatched] = field(default_factory=list)
    not_understood: list[NotUnderstood] = field(default_factory=list)
    to_confirm: list[ToConfirm] = field(default_factory=list)
    pairs: list[Pair] = field(default_factory=list)


def audit_of(
    workspace: Workspace, codes: Sequence[str] = (), trial: str | None = None, burn: int | None = None
) -> Audit:
    """Audit candles: those named, those of a trial, or all; one burn of them, or all burns.

    The tester's eye and the record of what was settled are always of the whole log: an eye belongs to a tester, not to
    a candle. Raises PooleyeError for an unknown code or trial.
    """
    with workspace.read() as session:
        meant = {one.code for one in chosen(session, codes, trial)}
        logs = [candle_log(session, one) for one in chosen(session, (), None)]
        settled = newest_settlements(session.scalars(select(records.Settlement).order_by(records.Settlement.id)))
    rules = _rules(workspace, (one.code for one in logs))
    asked, everything = _Gathered(), _Gathered()
    for log in logs:
        for look in log.looks:
            if log.code in meant and burn in (None, look.burn):
                _add_without_note(asked, log, look)
        for note in log.notes:
            wanted = log.code in meant and burn in (None, note.place.burn)
            _add_note(asked if wanted else everything, log, note, rules, settled)
    seen = {quantity: scale.seen for quantity, scale in rules.scales.items() if scale.seen is not None}
    pairs = asked.pairs + everything.pairs
    return Audit(
        tuple(asked.rows),
        tuple(asked.without_photo),
        tuple(asked.without_note),
        tuple(asked.not_understood),
        tuple(asked.to_confirm),
        eyes.eyes_of(pairs, seen),
        eyes.between_of(pairs),
        record_of(settled),
    )


def _add_without_note(found: _Gathered, log: CandleLog, look: Look) -> None:
    """A look at the burning candle, or after, that has photos and no note; a new candle's photo needs none."""
    if look.photos and look.phase != "new" and not any(look.near(note.place) for note in log.notes):
        found.without_note.append(
            Unmatched(log.code, look.burn, look.phase, look.minutes, "", photos=tuple(look.photos))
        )


def _add_note(
    found: _Gathered, log: CandleLog, note: Written, rules: _Rules, settled: Mapping[Key, Settlement]
) -> None:
    reading = read_note(note.text, rules.lexicon, rules.codes)
    where, tester = note.place, " ".join((note.tester or NOBODY).split())
    about = (log.code, where.burn, where.phase, where.minutes, tester)
    found.not_understood += [NotUnderstood(*about, words, why) for words, why in _not_read(reading, log.code, rules)]
    for incident in reading.incidents:
        answered = log.incidents.get(where.burn, frozenset()) & answers_to(incident)
        if not answered and (note.id, incident.kind) not in settled:
            advice = danger_advice(log.code, incident)
            words = _one_line(incident.words)
            found.to_confirm.append(ToConfirm(*about, f"{note.id}.{incident.kind}", incident.kind, words, advice))
    alone: list[str] = []
    for number, claim in enumerate(claims_about(reading, log.code), 1):
        if claim.superseded:
            continue
        look, comparison = _compared(log, note, claim, rules.scales)
        row = _row(f"{note.id}.{number}", log, note, tester, claim, comparison, look)
        row = replace(row, settlement=settled.get(key_of(note.id, claim.to_json())))
        pair = _pair(row, claim, comparison, look, rules.scales)
        found.rows.append(row)
        found.pairs += [pair] if pair else []
        if claim.quantity in rules.scales and not (look and (look.photos or comparison.measured)):
            alone.append(row.words)
    if alone:
        found.without_photo.append(Unmatched(*about, words=tuple(alone)))


def _not_read(reading: Reading, code: str, rules: _Rules) -> Iterator[tuple[str, str]]:
    """(words, why) of what became no claim of this candle, in the order said."""
    for unread in reading.unread:
        yield _one_line(unread.words), _one_line(explain(unread))
    for claim in reading.claims:
        if claim.candle in rules.codes and claim.candle != code:
            words = _one_line(claim.words)
            yield words, f'about {claim.candle}, note it there: "{words}"'


def _compared(
    log: CandleLog, note: Written, claim: Claim, scales: Mapping[str, Scale]
) -> tuple[Look | None, Comparison]:
    """A claim and the look it is held against: the note's own, or for "full at 3h10" the first one from then on."""
    look = log.look_at(note.place)
    if claim.unit == "min" and claim.value is not None:
        look = log.look_after(note.place.burn, claim.value - 2 * (claim.value_u or 0.0)) or look
    comparison = compare.compare(claim, look.evidence if look else {}, scales, look.minutes if look else None)
    if comparison.value is None and claim.quantity in scales:
        missing = "; ".join(look.amiss or look.photos) if look else ""
        why = f"{comparison.why}: {missing}" if missing else comparison.why if look else "no photo was taken then"
        comparison = replace(comparison, why=why)
    return look, comparison


def _row(
    name: str, log: CandleLog, note: Written, tester: str, claim: Claim, found: Comparison, look: Look | None
) -> Row:
    source = look.sources.get(found.measured or "") if look else None
    return Row(
        id=name,
        candle=log.code,
        burn=note.place.burn,
        phase=note.place.phase,
        minutes=note.place.minutes,
        tester=tester,
        at=note.at,
        words=_one_line(claim.words),
        quantity=claim.quantity,
        state=claim.state,
        said_value=claim.value,
        said_unit=claim.unit,
        where=claim.where,
        hedged=claim.hedged,
        verdict=found.verdict,
        why=found.why,
        measured=found.measured,
        value=found.value,
        u=found.u,
        unit=found.unit,
        gap_u=None if found.gap_u is None else round(found.gap_u, 2),
        source=source,
    )


def _pair(row: Row, claim: Claim, found: Comparison, look: Look | None, scales: Mapping[str, Scale]) -> Pair | None:
    """What the tester's eye is judged by: claims that the photo could tell, not where the photo was wrong."""
    wrong = row.settlement is not None and row.settlement.verdict != "photo-right"
    if look is None or found.verdict == "cannot-tell" or claim.unit == "min" or wrong:
        return None
    scale, number = scales.get(claim.quantity), compare.number_beside(claim, look.evidence)
    seen = scale.seen if scale else None
    level = look.evidence.get(seen.measured) if seen else None
    state = _photos_state(claim, found, look, scale)
    return Pair(
        row.tester,
        (row.candle, row.burn, row.phase, row.minutes),
        row.at,
        claim.quantity,
        state=claim.state if state else None,
        measured_state=state,
        said=number[0] if number else None,
        measured=number[1] if number else None,
        unit=number[2] if number else None,
        present=claim.state != "none" and claim.value != 0 if seen else None,
        shown=level.value if level else None,
    )


def _photos_state(claim: Claim, found: Comparison, look: Look, scale: Scale | None) -> str | None:
    """The photo's own word. A claim within 2 u is the photo's word too: at the edge of two bands both are right."""
    if scale is None or claim.state not in scale.bands or scale.measured not in look.evidence:
        return None
    if found.verdict == "agrees":
        return claim.state
    held = found.measured in (scale.measured, scale.worst) and found.value is not None
    return scale.state_at(found.value if held and found.value is not None else look.evidence[scale.measured].value)


def _one_line(text: str) -> str:
    return " ".join(text.split())


# ---- settling -----------------------------------------------------------------------------------------------------


def settle(
    workspace: Workspace, which: str, verdict: str, *, by: str | None = None, why: str | None = None
) -> SettledNow:
    """Settle a contradiction (``which``: a row's id; note-right, photo-right or both-wrong) or a danger (no-danger).

    Nothing is overwritten: a later settlement counts instead of an earlier one. Raises PooleyeError for what is not
    there, does not contradict, or has no such verdict.
    """
    found = audit_of(workspace)
    row = next((one for one in found.rows if one.id == which), None)
    about = row or next((one for one in found.to_confirm if one.id == which), None)
    if about is None:
        text = f"the audit has no line {which}"
        raise PooleyeError("unknown-claim", text, hint="lines are named in brackets: pooleye audit")
    allowed = VERDICTS if row else (NO_DANGER,)
    if verdict not in allowed:
        text = f"“{verdict}” does not settle {which}"
        raise PooleyeError("unknown-verdict", text, hint=f"say {' or '.join(allowed)}")
    if row is not None and row.verdict != "contradicts":
        text = f"{which} {row.verdict.replace('-', ' ')}: there is nothing to settle"
        raise PooleyeError("no-contradiction", text, hint="only contradictions are settled: pooleye audit")
    kept = records.Settlement(note_id=int(which.partition(".")[0]), claimed=about.claimed(), verdict=verdict)
    kept.who, kept.why = by, why
    if row is not None:
        kept.measured, kept.value, kept.u, kept.unit = row.measured, row.value, row.u, row.unit
    with workspace.write(Author("hand", by, why)) as session:
        session.add(kept)
        session.flush()
        newest = newest_settlements(session.scalars(select(records.Settlement).order_by(records.Settlement.id)))
    what = replace(row, settlement=None).said() if row else f"{about.place}, {about.tester}: “{about.words}”"
    return SettledNow(which, what, newest[key_of(kept.note_id, kept.claimed)], _next(row, verdict))


def _next(row: Row | None, verdict: str) -> str | None:
    """Where the photo was wrong, its value should not go on counting."""
    if row is None or verdict == "photo-right" or row.measured is None:
        return None
    return f"the value still counts; put your own beside it: pooleye adjust {row.source} {row.measured} VALUE"
