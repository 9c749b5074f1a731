"""One claim of a note against the measurements of the same checkpoint: agrees, contradicts, or cannot tell.

A word is a band of a measured quantity (`bands.toml`), a number is itself with the tester's own rounding as its
uncertainty. The gap between note and photo is given in units of the combined standard uncertainty; a gap up to
2 u is agreement, never a fault. Where the measurement could not have told the claim from its opposite, the
verdict is "cannot tell", not "agrees".
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from pooleye.audit.claims import STATES, Claim
from pooleye.errors import PooleyeError
from pooleye.measurement import QUANTITIES
from pooleye.units import MM_PER_INCH

Verdict = Literal["agrees", "contradicts", "cannot-tell"]

CONSISTENT_U = 2.0
"""Gaps up to this many combined standard uncertainties are consistent (about 95 % for a normal distribution)."""


_WORDS = {
    "soot_darkest": "soot, darkest twelfth of the wall (L*)",
    "vessel_temperature": "vessel outside",
    "flicker_ratio": "flicker, share of the flame's height",
}
_LESS_IS_MORE = frozenset({"soot_delta_L", "soot_darkest"})
"""Quantities of which a smaller value is more of the thing."""


def measured_words(name: str) -> str:
    """A maker's words for a measured quantity."""
    return QUANTITIES[name][1] if name in QUANTITIES else _WORDS.get(name, name)


@dataclass(frozen=True)
class Measured:
    """A measured value with its standard uncertainty (k = 1), in the unit of the measurement contract."""

    value: float
    u: float
    unit: str

    def __post_init__(self) -> None:
        if not self.u > 0:
            raise ValueError("a measurement needs an uncertainty above zero")


Evidence = Mapping[str, Measured]
"""{contract quantity: value} of one checkpoint; `vessel_temperature` (C) from the log may stand beside them."""


@dataclass(frozen=True)
class Band:
    """Where on the measured scale a word belongs; None is an open end."""

    low: float | None
    high: float | None

    def gap(self, value: float) -> float:
        """How far outside the band a value lies, 0 inside; positive above, negative below."""
        if self.low is not None and value < self.low:
            return value - self.low
        if self.high is not None and value > self.high:
            return value - self.high
        return 0.0

    def depth(self, value: float) -> float:
        """How far inside the band a value lies, from its nearer end; negative outside."""
        ends = [value - self.low] if self.low is not None else []
        return min([*ends, self.high - value] if self.high is not None else ends)


@dataclass(frozen=True)
class Threshold:
    """The measured level from which a thing is there at all."""

    measured: str
    unit: str
    level: float


@dataclass(frozen=True)
class Scale:
    """The bands of one quantity's words on one measured quantity.

    `worst`: a second quantity, of the worst place: words may mean anything between the two, "none" means neither.
    `seen`: from which level on the thing is there.
    """

    measured: str
    unit: str
    vague: float
    source: str
    bands: Mapping[str, Band]
    worst: str | None = None
    seen: Threshold | None = None

    def state_at(self, value: float) -> str:
        """The word that a measured value asks for: where bands overlap, the one it lies deeper in."""
        return max(self.bands, key=lambda state: self.bands[state].depth(value))


@dataclass(frozen=True)
class Comparison:
    """A claim beside what was measured. `gap_u` is the gap in combined standard uncertainties, signed: positive where
    the measured value lies above what the note says; None where nothing could be compared."""

    claim: Claim
    verdict: Verdict
    measured: str | None
    value: float | None
    u: float | None
    unit: str | None
    gap_u: float | None
    why: str


# -- scales ----------------------------------------------------------------------------------------------------------


def _scale(quantity: str, entry: Mapping[str, Any], source: str) -> Scale:
    if quantity not in STATES or not set(entry["states"]) <= set(STATES[quantity]):
        raise PooleyeError(
            "bands-unreadable", f"{source}: [{quantity}] names a quantity or state that notes do not have",
            hint="copy the shape of pooleye/audit/bands.toml; docs/audit.md lists quantities and states",
        )  # fmt: skip
    bands = {state: Band(ends.get("low"), ends.get("high")) for state, ends in entry["states"].items()}
    vague, source_ = float(entry["vague"]), entry["source"]
    return Scale(entry["measured"], entry["unit"], vague, source_, bands, entry.get("worst"), _seen(entry))


def _seen(entry: Mapping[str, Any]) -> Threshold | None:
    given = entry.get("seen")
    return Threshold(given["measured"], given["unit"], float(given["from"])) if given else None


@lru_cache(maxsize=1)
def _built_in_scales() -> Mapping[str, Scale]:
    data = tomllib.loads(resources.files("pooleye.audit").joinpath("bands.toml").read_text(encoding="utf-8"))
    return {quantity: _scale(quantity, entry, "bands.toml") for quantity, entry in data.items()}


def load_scales(own: Path | None = None) -> Mapping[str, Scale]:
    """{quantity: scale}, a maker's own file overriding whole quantities.

    Raises PooleyeError for a file of another shape.
    """
    scales = dict(_built_in_scales())
    if own is not None:
        try:
            mine = tomllib.loads(own.read_text(encoding="utf-8"))
            scales |= {quantity: _scale(quantity, entry, str(own)) for quantity, entry in mine.items()}
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError, TypeError, AttributeError) as error:
            raise PooleyeError(
                "bands-unreadable", f"{own} cannot be read as bands ({error})",
                hint="copy the shape of pooleye/audit/bands.toml",
            ) from error  # fmt: skip
    return scales


# -- numbers ---------------------------------------------------------------------------------------------------------

_NUMBER_OF = {
    ("melt-pool", "length"): ("pool_diameter",),
    ("melt-pool", "1"): ("pool_coverage",),
    ("hang-up", "length"): ("hangup_mean", "hangup_max"),
    ("pool-depth", "length"): ("pool_depth",),
    ("flame-height", "length"): ("flame_height",),
    ("carbon-ball", "length"): ("carbon_ball_diameter",),
    ("wick", "length"): ("wick_offset",),
    ("wick", "deg"): ("wick_lean",),
    ("soot", "deg"): ("soot_arc",),
    ("vessel-heat", "temperature"): ("vessel_temperature",),
}
_TO_MM = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH}


def claimed_number(claim: Claim) -> tuple[str, float, float] | None:
    """(kind, value, standard uncertainty) of a claim's number in mm, C, deg or 1; None for a claim without one."""
    if claim.value is None or claim.unit is None or claim.value_u is None:
        return None
    if claim.unit in _TO_MM:
        return "length", claim.value * _TO_MM[claim.unit], claim.value_u * _TO_MM[claim.unit]
    if claim.unit == "F":
        return "temperature", (claim.value - 32) / 1.8, claim.value_u / 1.8
    if claim.unit == "C":
        return "temperature", claim.value, claim.value_u
    return claim.unit, claim.value, claim.value_u


def compare_number(claim: Claim, evidence: Evidence) -> Comparison | None:
    """The claim's number against what was measured; None where the number has no measured counterpart at all."""
    number = claimed_number(claim)
    names = _NUMBER_OF.get((claim.quantity, number[0])) if number else None
    if number is None or names is None:
        return None
    found = [(name, evidence[name]) for name in names if name in evidence]
    if not found:
        return _untold(claim, f"not measured: {measured_words(names[0])}")
    _, said, said_u = number
    low, high, u = _told_range(claim, number[0], [measured for _, measured in found])
    combined = math.hypot(u, said_u)
    gap = low - said if said < low else high - said if said > high else 0.0
    name, measured = min(found, key=lambda one: abs(one[1].value - said))
    if CONSISTENT_U * combined >= abs(said) + max(abs(low), abs(high)):
        return _comparison(
            claim, "cannot-tell", name, measured, gap / combined, "the uncertainty is as wide as the number itself"
        )
    return _judged(claim, name, measured, gap / combined)


def number_beside(claim: Claim, evidence: Evidence) -> tuple[float, float, str] | None:
    """(number said, number measured, unit) of a claim, in the measured unit; None where there is no such pair.

    Where words leave open what the number means, the measured one is the nearest of what it could mean.
    """
    number = claimed_number(claim)
    names = _NUMBER_OF.get((claim.quantity, number[0])) if number else None
    found = [evidence[name] for name in names or () if name in evidence]
    if number is None or not found:
        return None
    low, high, _ = _told_range(claim, number[0], found)
    return number[1], min(max(number[1], low), high), found[0].unit


def _told_range(claim: Claim, kind: str, found: Sequence[Measured]) -> tuple[float, float, float]:
    """(low, high, u) of what the tester's number may stand for: mean to worst hang-up, and for "two thirds of the way"
    the share of the surface or of the diameter, since the words do not say which."""
    values = [measured.value for measured in found]
    u = max(measured.u for measured in found)
    if claim.quantity == "melt-pool" and kind == "1":
        coverage = max(values[0], 0.0)
        return coverage, math.sqrt(coverage), max(u, u / max(2 * math.sqrt(coverage), 0.2))
    return min(values), max(values), u


# -- words -----------------------------------------------------------------------------------------------------------


def _with_ratios(evidence: Evidence) -> Evidence:
    """The evidence with `flicker_ratio` (flicker amplitude over flame height) added where both were measured."""
    amplitude, height = evidence.get("flicker_amplitude"), evidence.get("flame_height")
    if amplitude is None or height is None or height.value <= 0:
        return evidence
    ratio = amplitude.value / height.value
    u = math.hypot(amplitude.u / height.value, ratio * height.u / height.value)
    return {**evidence, "flicker_ratio": Measured(ratio, u, "1")}


def _band_of(scale: Scale, state: str | None) -> Band | None:
    """The band of a state; bare presence is everything beyond "none"."""
    if state is not None:
        return scale.bands.get(state)
    none = scale.bands.get("none")
    if none is None:
        return None
    return Band(none.high, None) if none.high is not None else Band(None, none.low)


def compare_word(claim: Claim, evidence: Evidence, scale: Scale) -> Comparison:
    """The claim's word against the measured quantity on its scale."""
    band = _band_of(scale, claim.state)
    if band is None:
        return _untold(claim, f"a photo cannot show {claim.quantity} {claim.state or ''}".rstrip())
    found = [(name, evidence[name]) for name in (scale.measured, scale.worst) if name is not None and name in evidence]
    if not found:
        return _untold(claim, f"not measured: {measured_words(scale.measured)}")
    vague = scale.vague * (2 if claim.hedged else 1) / math.sqrt(3)
    name, measured, gap_u = _meant(claim, band, found, vague)
    if claim.state == "none" and scale.seen is not None and scale.seen.measured in evidence:
        spot = evidence[scale.seen.measured]
        beyond = max(spot.value - scale.seen.level, 0.0) / math.hypot(spot.u, scale.seen.level / math.sqrt(3))
        if beyond > max(abs(gap_u), CONSISTENT_U):
            return _judged(claim, scale.seen.measured, spot, beyond)
    if _undecided(claim, scale, measured, vague):
        return _comparison(
            claim, "cannot-tell", name, measured, gap_u,
            "the measurement is too uncertain to tell any of the words apart",
        )  # fmt: skip
    none = scale.bands.get("none")
    if claim.state != "none" and none is not None and none.gap(measured.value) == 0 and 0 < abs(gap_u) <= CONSISTENT_U:
        return _comparison(claim, "cannot-tell", name, measured, gap_u, "so little may be there and not be measured")
    return _judged(claim, name, measured, gap_u)


def _meant(
    claim: Claim, band: Band, found: Sequence[tuple[str, Measured]], vague: float
) -> tuple[str, Measured, float]:
    """Which value the word is held against, and the gap in u: "none" against the one that speaks most against it, any
    other word against the one nearest to it; the mean and the worst place leave all between them possible."""
    gaps = [(name, one, band.gap(one.value)) for name, one in found]
    if claim.state == "none":
        name, measured, gap = max(gaps, key=lambda one: abs(one[2]) / math.hypot(one[1].u, vague))
    else:
        inside = [one for one in gaps if one[2] == 0]
        nearest = min(abs(one[2]) for one in gaps)
        # Where both lie as far off, the worst place is what might still bear the word out.
        name, measured, gap = (
            min(inside, key=lambda one: one[1].u) if inside else [one for one in gaps if abs(one[2]) == nearest][-1]
        )
        gap = 0.0 if len({math.copysign(1.0, one[2]) for one in gaps if one[2]}) > 1 else gap
    return name, measured, gap / math.hypot(measured.u, vague)


def _undecided(claim: Claim, scale: Scale, measured: Measured, vague: float) -> bool:
    """Would every word of the scale have agreed, or this one and one that is two steps away? Then agreeing says
    nothing."""
    combined = math.hypot(measured.u, vague)
    fit = [abs(band.gap(measured.value)) <= CONSISTENT_U * combined for band in scale.bands.values()]
    if all(fit) or claim.state is None:
        return all(fit)
    place = list(scale.bands).index(claim.state)
    return fit[place] and any(agrees and abs(other - place) >= 2 for other, agrees in enumerate(fit))


# -- verdicts --------------------------------------------------------------------------------------------------------


def _untold(claim: Claim, why: str) -> Comparison:
    return Comparison(claim, "cannot-tell", None, None, None, None, None, why)


def _comparison(claim: Claim, verdict: Verdict, name: str, measured: Measured, gap_u: float, why: str) -> Comparison:
    return Comparison(claim, verdict, name, measured.value, measured.u, measured.unit, gap_u, why)


def _judged(claim: Claim, name: str, measured: Measured, gap_u: float) -> Comparison:
    if abs(gap_u) <= CONSISTENT_U:
        return _comparison(claim, "agrees", name, measured, gap_u, "within two standard uncertainties")
    more = (gap_u > 0) != (name in _LESS_IS_MORE)
    why = f"{abs(gap_u):.1f} u {'more' if more else 'less'} than the note says"
    return _comparison(claim, "contradicts", name, measured, gap_u, why)


def _severest(comparisons: Sequence[Comparison]) -> Comparison:
    """Of word and number of one claim: a contradiction first, then agreement."""
    order = {"contradicts": 0, "agrees": 1, "cannot-tell": 2}
    return min(comparisons, key=lambda c: (order[c.verdict], -abs(c.gap_u or 0.0)))


def compare(
    claim: Claim, evidence: Evidence, scales: Mapping[str, Scale] | None = None, minutes: float | None = None
) -> Comparison:
    """One claim against the evidence of its checkpoint; `minutes` alight at the photo, where known.

    "Full at 3h10" is compared only with a photo taken at or after that time.
    """
    scales = scales or load_scales()
    evidence = _with_ratios(evidence)
    if (
        claim.unit == "min"
        and claim.value is not None
        and (minutes is None or minutes < claim.value - 2 * (claim.value_u or 0))
    ):
        return _untold(claim, "no photo from the time that the note speaks of")
    found = [compare_number(claim, evidence)]
    if (
        (claim.state is not None or claim.value is None)
        and claim.quantity in scales
        and (claim.quantity, claim.state) != ("wick", "leaning")
    ):
        found.append(compare_word(claim, evidence, scales[claim.quantity]))
    told = [comparison for comparison in found if comparison is not None]
    if not told:
        return _untold(claim, f"a photo cannot show {claim.quantity} {claim.state or ''}".rstrip())
    return _severest(told)
