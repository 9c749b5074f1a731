"""What must be said at once about a photo just measured: stops first, in plain words. The verdict is the judge's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pooleye.burnlog.records import Candle
from pooleye.burnlog.results import Advice, by_gravity
from pooleye.flags import FLAGS, Severity
from pooleye.measurement import format_value

# Flame height: ASTM F2417-23 4.1 (3 in, applied as 75 mm), EN 15493 (75 mm; tea lights 30 mm); second-hand summaries.
FLAME_LIMIT_MM = {"container": 75.0, "tea-light": 30.0}
_FLAME_SOURCE = "ASTM F2417-23 4.1; EN 15493 (second-hand summaries)"
_OUT = "Put it out, let it cool, trim the wick, look for draught"


def _flame(candle: Candle, result: Mapping[str, Any]) -> list[Advice]:
    """Above the limit by more than 2u is a stop; a limit inside ± 2u is too close to call, which is no pass."""
    limit, found = FLAME_LIMIT_MM[candle.vessel.kind], []
    for name in ("flame_height", "flame_height_max"):
        if (quantity := result["quantities"].get(name)) is None:
            continue
        shown = format_value(quantity["value"], quantity["u"])
        if quantity["value"] - 2 * quantity["u"] > limit:
            text = f"{candle.code}: the flame is {shown} mm high, above {limit:g} mm. {_OUT}."
            found.append(Advice("stop", "flame-too-high", text, _FLAME_SOURCE))
        elif quantity["value"] + 2 * quantity["u"] > limit:
            text = f"{candle.code}: the flame is {shown} mm high, too close to the limit of {limit:g} mm to call"
            found.append(Advice("caution", "flame-near-limit", text, _FLAME_SOURCE))
    return found[:1]


def _flames(candle: Candle, result: Mapping[str, Any]) -> list[Advice]:
    count = result["quantities"].get("flame_count")
    if count is None or count["value"] - 2 * count["u"] <= candle.wick_count:
        return []
    wicks = "1 wick" if candle.wick_count == 1 else f"{candle.wick_count} wicks"
    seen = f"the photo shows {count['value']:.0f} flames on {wicks}"
    text = f"{candle.code}: {seen}. Look; if it is so, smother it, never with water."
    return [Advice("stop", "second-flame", text, "ASTM F2417-23 4.3, EN 15493 (second-hand summaries)")]


def _flags(candle: Candle, result: Mapping[str, Any], phase: str) -> list[Advice]:
    """What the photo's flags say; a new candle's photo is itself what soot is judged against, and misses none."""
    words: dict[Severity, Any] = {Severity.STOP: "stop", Severity.CAUTION: "caution", Severity.INFO: "info"}
    return [
        Advice(words[flag.severity], flag.name, f"{candle.code}: {flag.meaning} {flag.remedy}", "the photo")
        for name in result["flags"]
        if (flag := FLAGS.get(name)) is not None and (phase, name) != ("new", "soot-no-baseline")
    ]


def advice_on(candle: Candle, result: Mapping[str, Any], phase: str) -> tuple[Advice, ...]:
    """Everything to be said about a result of ``candle``, the gravest first; ``result``: the contract's object;
    ``phase``: the photo's place in a candle's life, new, alight or after a burn."""
    found = _flame(candle, result) + _flames(candle, result) + _flags(candle, result, phase)
    if result["status"] == "declined":
        found.append(Advice("caution", "retake", f"{candle.code}: not measured ({result['reason']}). {result['hint']}"))
    unique = {(one.severity, one.name): one for one in reversed(found)}
    return by_gravity(tuple(reversed(unique.values())))
