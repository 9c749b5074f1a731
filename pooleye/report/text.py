"""A result as plain text for people."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pooleye.flags import Flag, Severity, reason_named, stops_first
from pooleye.measurement import CLOCK_QUANTITIES, QUANTITIES, PhotoResult, shown

if TYPE_CHECKING:
    from pooleye.side.moving import HeightSeries

CLOCK_LABELS = {"hangup_width": "hang-up by clock, 12 to 11", "soot_delta_L": "soot by clock, 12 to 11"}
WIDTH = 100
SPREAD = "± is one standard uncertainty; the true value is within twice that in about 95 of 100 cases."


def result_as_text(result: PhotoResult, overlay: Path | None = None, series: HeightSeries | None = None) -> str:
    """The result as a short table: safety stops first, then numbers, then what else there is to know. `series`: the
    heights behind a clip or burst."""
    lines = [f"{result.photo}: {_headline(result)}"]
    flags = stops_first(result.flags)
    lines += [line for flag in flags if flag.severity is Severity.STOP for line in _flag_lines(flag)]
    lines += _decline_lines(result) if result.status == "declined" else _number_lines(result)
    lines += [line for flag in flags if flag.severity is not Severity.STOP for line in _flag_lines(flag)]
    if series is not None and series.resolution_hz is not None:
        count, length_s = len(series.heights_mm), 1 / series.resolution_hz
        told = f"frequencies are told apart from {series.resolution_hz:.2g} Hz on"
        lines.append(f"  flame seen in {count} pictures over {length_s:.1f} s; {told}")
    if overlay is not None:
        lines.append(f"  picture: {overlay}")
    return "\n".join(lines) + "\n"


def _headline(result: PhotoResult) -> str:
    seen = {"top": "from above", "side": "from the side", "auto": "view not known"}[result.view]
    return f"{result.status} ({seen}, {result.seconds:.1f} s)"


def _decline_lines(result: PhotoResult) -> list[str]:
    meaning = reason_named(result.reason or "").meaning
    return _wrapped(f"{result.reason}: {meaning}") + _wrapped(f"try: {result.hint}")


def _number_lines(result: PhotoResult) -> list[str]:
    rows = [
        (QUANTITIES[name][1], shown(name, result.quantities[name])) for name in QUANTITIES if name in result.quantities
    ]
    rows += [(CLOCK_LABELS[name], _clock(name, values)) for name, values in result.by_clock.items()]
    width = max((len(label) for label, _ in rows), default=0)
    return [*(f"  {label:<{width}}  {value}" for label, value in rows), f"  {SPREAD}"]


def _clock(name: str, values: Sequence[float | None]) -> str:
    numbers = " ".join("-" if value is None else f"{value:z.1f}" for value in values)
    return numbers + (" mm" if CLOCK_QUANTITIES[name] == "mm" else "")


def _flag_lines(flag: Flag) -> list[str]:
    word = "STOP" if flag.severity is Severity.STOP else str(flag.severity)
    return _wrapped(f"{word} [{flag.name}] {flag.meaning} {flag.remedy}")


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False)
