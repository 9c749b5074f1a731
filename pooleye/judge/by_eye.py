"""What a tester's note says where nothing was measured: weaker evidence, which never decides alone.

A measured value counts before the eye; where both are there, comparing them is the audit's business. The one exception
is a wick said to be adrift: that is a stop, whatever a photo shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pooleye.judge.evidence import Burn, Look, Said
from pooleye.judge.findings import Finding, Weight
from pooleye.measurement import Quantity

SOURCE = "the tester's note, by eye, not measured"
#: Pools and rings are judged by eye only this late in a burn, as with measured ones.
LATE_MIN = 210.0
#: In the first burns a ring is judged mildly.
EARLY_BURNS = 2


@dataclass(frozen=True)
class Sign:
    """What a state claimed by eye means; `measured`: quantities that take its place; `late`: only at a burn's end."""

    means: str
    words: str
    measured: tuple[str, ...]
    late: bool = False


_SOOT, _RING, _DEPTH = ("soot_delta_L",), ("hangup_mean", "pool_diameter"), ("pool_depth",)
SIGNS: Mapping[tuple[str, str], Sign] = {
    ("soot", "moderate"): Sign("hot", "soot", _SOOT),
    ("soot", "heavy"): Sign("hot", "heavy soot", _SOOT),
    ("smoke", "moderate"): Sign("hot", "smoke", ("smoke_strength",)),
    ("smoke", "heavy"): Sign("hot", "heavy smoke", ("smoke_strength",)),
    ("flame-height", "tall"): Sign("hot", "a tall flame", ("flame_height",)),
    ("flame-height", "low"): Sign("cool", "a low flame", ("flame_height",)),
    ("carbon-ball", "large"): Sign("hot", "a large carbon ball", ("carbon_ball_diameter",)),
    ("vessel-heat", "hot"): Sign("hot", "a hot vessel", ("vessel_temperature",)),
    ("pool-depth", "deep"): Sign("hot", "a deep pool", _DEPTH),
    ("pool-depth", "shallow"): Sign("cool", "a shallow pool", _DEPTH, late=True),
    ("hang-up", "moderate"): Sign("cool", "a ring of wax", _RING, late=True),
    ("hang-up", "heavy"): Sign("cool", "a thick ring of wax", _RING, late=True),
    ("tunnelling", "moderate"): Sign("cool", "tunnelling", _RING, late=True),
    ("tunnelling", "heavy"): Sign("cool", "heavy tunnelling", _RING, late=True),
    ("melt-pool", "partial"): Sign("cool", "a pool short of the wall", _RING, late=True),
    ("wick", "drowned"): Sign("cool", "a drowned wick", ()),
    ("debris", "present"): Sign("note", "debris in the pool", ("debris_count",)),
}


def findings(burn: Burn, look: Look, values: Mapping[str, Quantity], place: str) -> list[Finding]:
    """Watches from what was said at a look, where nothing was measured in its place; adrift is a stop."""
    found = []
    for said in look.said:
        if (said.quantity, said.state) == ("wick", "adrift"):
            found.append(_adrift(said, burn, place))
        sign = SIGNS.get((said.quantity, said.state))
        if sign is None or any(name in values for name in sign.measured):
            continue
        if sign.late and (look.minutes < LATE_MIN or burn.number <= EARLY_BURNS):
            continue
        words = f"The note speaks of {sign.words}; it was not measured."
        found.append(_finding(said, "watch", words, sign.means, burn, place))
    return found


def _adrift(said: Said, burn: Burn, place: str) -> Finding:
    words = "The note says that the wick is adrift: put the flame out, let it cool, do not light it again."
    return _finding(said, "stop", words, "danger", burn, place)


def _finding(said: Said, severity: Weight, words: str, means: str, burn: Burn, place: str) -> Finding:
    proof, alone = (f"“{said.words}”",), severity == "stop"
    return Finding(f"eye_{said.quantity}", severity, words, SOURCE, proof, means, alone, place, burn.number)
