"""A note into the log, read at once: its words are kept as they are, its claims beside them, its dangers said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from pooleye.audit.claims import Claim, Incident, Reading
from pooleye.audit.lexicon import Lexicon, load_lexicon
from pooleye.audit.reading import READER, claims_for, explain, read_note
from pooleye.burnlog import find, looks
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.store import Workspace

#: What a note calls a danger -> the kind of incident in the log; None where the log has no kind of its own.
INCIDENT_KINDS = {
    "vessel-cracked": "cracked",
    "second-flame": "second-flame",
    "flare-up": "flared",
    "fell-over": "fell-over",
    "leak": "leaked",
    "wick-adrift": "wick-adrift",
    "self-extinguished": "went-out",
    "scorched": None,
    "unattended": None,
}
#: Kinds of incident that also answer another.
_ALSO = {"cracked": {"pinged", "leaked"}, "second-flame": {"flame-over-pool"}, "flared": {"flame-over-pool"}}
#: A maker's own words, when this file lies in the workspace.
OWN_LEXICON = "lexicon.toml"


@dataclass(frozen=True)
class NoteFiled:
    """A note in the log, what it claims, what was not understood, and its dangers as advice."""

    note: looks.Noted
    claims: tuple[Claim, ...]
    unread: tuple[str, ...]
    advice: tuple[Advice, ...]

    def said(self) -> list[str]:
        """Dangers first, then where it was filed and what was read."""
        lines = [*self.note.said(), *(f"  read as {_shown(claim)}" for claim in self.claims)]
        return with_advice(self.advice, [*lines, *(f"  {one}" for one in self.unread)])


def _shown(claim: Claim) -> str:
    number = "" if claim.value is None else f" {claim.value:g} {'' if claim.unit == '1' else claim.unit or ''}".rstrip()
    where = f", {claim.where}" if claim.where else ""
    return f"{claim.quantity} {claim.state or ''}".rstrip() + number + where


def danger_advice(code: str, incident: Incident) -> Advice:
    """Words of danger are no incident yet: a person confirms them."""
    kind = INCIDENT_KINDS.get(incident.kind)
    words = " ".join(incident.words.split())
    if kind is None:
        text = f"{code}: the note speaks of danger (“{words}”): see to it before anything else"
        return Advice("stop", incident.kind, text, "the note")
    do = looks.INCIDENTS[kind].do
    text = f"{code}: the note says “{words}”. If so: {do}; then confirm it: pooleye incident {code} {kind}"
    return Advice("caution" if kind == "went-out" else "stop", incident.kind, text, looks.INCIDENTS[kind].source)


def answers_to(incident: Incident) -> set[str]:
    """Kinds of incident in the log that confirm a danger of a note."""
    kind = INCIDENT_KINDS.get(incident.kind)
    return {kind, *_ALSO.get(kind, ())} if kind else set()


def lexicon_of(workspace: Workspace) -> Lexicon:
    """The words that hold here: those shipped, with the workspace's own file laid over them."""
    own = workspace.root / OWN_LEXICON
    return load_lexicon(own if own.is_file() else None)


def claims_about(reading: Reading, code: str) -> tuple[Claim, ...]:
    """Claims about this candle: all that name none, and those that name it."""
    named = {claim.candle for claim in reading.claims if claim.candle}
    return tuple(claims_for(reading, code)) if named else tuple(reading.claims)


def file_note(
    workspace: Workspace,
    code: str,
    text: str,
    *,
    at: datetime | None = None,
    minutes: float | None = None,
    tester: str | None = None,
) -> NoteFiled:
    """File a note and keep what it claims; the note is in the log before it is read."""
    noted = looks.note(workspace, code, text, at=at, minutes=minutes, tester=tester)
    with workspace.read() as session:
        codes = set(find.known_codes(session))
    reading = read_note(text, lexicon_of(workspace), codes)
    claims = claims_about(reading, noted.place.candle)
    looks.keep_claims(workspace, noted.note_id, READER, [claim.to_json() for claim in claims])
    advice = tuple(danger_advice(noted.place.candle, one) for one in reading.incidents)
    return NoteFiled(noted, claims, tuple(explain(one) for one in reading.unread), advice)
