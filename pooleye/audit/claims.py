"""What a note can claim: the small records that the reader makes and everything after it consumes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

STATES: dict[str, tuple[str, ...]] = {
    "melt-pool": ("none", "partial", "nearly-full", "full"),
    "hang-up": ("none", "slight", "moderate", "heavy"),
    "tunnelling": ("none", "slight", "moderate", "heavy"),
    "soot": ("none", "slight", "moderate", "heavy"),
    "smoke": ("none", "slight", "moderate", "heavy"),
    "pool-depth": ("shallow", "right", "deep"),
    "flame-height": ("low", "right", "tall"),
    "flame-motion": ("steady", "flickering", "dancing"),
    "carbon-ball": ("none", "small", "medium", "large"),
    "wick": ("centred", "off-centre", "leaning", "adrift", "drowned"),
    "hot-throw": ("none", "weak", "medium", "strong"),
    "vessel-heat": ("cool", "warm", "hot"),
    "debris": ("none", "present"),
}
"""Every quantity a note can speak of and its states, in rising order where they have one (`wick` has none)."""

UNITS = ("mm", "cm", "in", "min", "F", "C", "deg", "1")


@dataclass(frozen=True)
class Claim:
    """One thing a note says about one quantity.

    `value` is in `unit` as said (hours and minutes become "min"); `value_u` is the standard uncertainty of the
    tester's own rounding, in the same unit, and is None exactly where `value` is. `span` is the half-open character
    range of `words` in the note. `candle` is the label a note of several candles gave, else None.
    """

    quantity: str
    state: str | None
    words: str
    span: tuple[int, int]
    value: float | None = None
    unit: str | None = None
    value_u: float | None = None
    where: str | None = None
    superseded: bool = False
    hedged: bool = False
    candle: str | None = None

    def __post_init__(self) -> None:
        if self.state is not None and self.state not in STATES[self.quantity]:
            raise ValueError(f"{self.quantity} has no state {self.state!r}")
        if (self.value is None) != (self.unit is None) or (self.value is None) != (self.value_u is None):
            raise ValueError("a claimed number needs its unit and its own uncertainty, no number neither")

    def to_json(self) -> dict[str, Any]:
        """The claim as the command line prints it; keys and their order are a fixed contract."""
        return {
            "quantity": self.quantity,
            "state": self.state,
            "value": self.value,
            "unit": self.unit,
            "where": self.where,
            "superseded": self.superseded,
            "hedged": self.hedged,
            "words": self.words,
        }


@dataclass(frozen=True)
class Incident:
    """Words of danger in a note, to be confirmed by a person; `kind` is a name from the lexicon."""

    kind: str
    words: str
    span: tuple[int, int]
    candle: str | None = None


@dataclass(frozen=True)
class Unread:
    """A stretch of a note that became no claim, and why (`not-understood`, `comparison`, `other-candle` ...)."""

    why: str
    words: str
    span: tuple[int, int]


@dataclass(frozen=True)
class Reading:
    """All that one note says: claims in the order said, incidents to confirm, and what is left over."""

    claims: tuple[Claim, ...] = ()
    incidents: tuple[Incident, ...] = ()
    unread: tuple[Unread, ...] = field(default=())
