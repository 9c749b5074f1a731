"""Which plots a candle, a trial and a session get: evidence in, drawings with their captions out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pooleye.judge import derived, forecast
from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import Burn, Candle
from pooleye.judge.trial import ArmVerdict
from pooleye.measurement import Quantity
from pooleye.report import plots
from pooleye.report.gather import CandleFile, Shot

CURVE_STEPS = 24
_MARKED_ALONE = 5


@dataclass(frozen=True)
class Chart:
    """A drawing and what to see in it."""

    svg: str
    caption: str


_POOL_CAPTION = (
    "Melt pool width as photographed, with ± 2u; the line is the growth curve through the looks of a burn, the grey"
    " band holds it in 90 of 100 cases."
)
_ONE_POOL_CAPTION = "Melt pool width with ± 2u; growth curve with the band that holds it in 90 of 100 cases."


def pool_points(burn: Burn) -> list[tuple[float, Quantity]]:
    """(minutes alight, width) of the looks of a burn that saw its pool."""
    return [(look.minutes, look.values["pool_diameter"]) for look in burn.looks if "pool_diameter" in look.values]


def pool_burns(candle: Candle, numbers: Sequence[int] = ()) -> list[plots.PoolBurn]:
    """Each burn with a measured pool (of these numbers, when given), its growth curve, and when it began."""
    found = []
    for burn, began in zip(candle.burns, began_h(candle), strict=True):
        points = pool_points(burn)
        if not points or (numbers and burn.number not in numbers):
            continue
        end = max(points[-1][0], burn.minutes.value if burn.minutes else 0.0)
        times = [end * step / CURVE_STEPS for step in range(CURVE_STEPS + 1)]
        curve = forecast.growth_band(points, candle.setup.bore_mm, times)
        found.append(plots.PoolBurn(burn.number, points, curve, began))
    return found


def began_h(candle: Candle) -> list[float]:
    """Hours alight before each burn."""
    found, hours = [], 0.0
    for burn in candle.burns:
        found.append(hours)
        lasted = burn.minutes.value if burn.minutes else max((look.minutes for look in burn.looks), default=0.0)
        hours += lasted / 60
    return found


def pool_chart(candle: Candle, numbers: Sequence[int] = ()) -> Chart | None:
    """Pool width over time: one burn over its minutes, several over the candle's life. None without a measured pool."""
    burns = pool_burns(candle, numbers)
    if not burns:
        return None
    which = f"burn {burns[0].number}" if len(burns) == 1 else "all burns"
    svg = plots.pool_over_time(
        burns, candle.setup.bore_mm, title=f"Melt pool width over time, candle {candle.code}, {which}"
    )
    return Chart(svg, _POOL_CAPTION if len(burns) > 1 else _ONE_POOL_CAPTION)


def burn_rate_chart(candle: Candle) -> Chart | None:
    """Burn rate over the burns; None when none was weighed."""
    points = [(float(burn.number), burn.burn_rate) for burn in candle.burns if burn.burn_rate]
    if not points:
        return None
    line = plots.Line(candle.code, candle.code, points)
    svg = plots.burn_rates([line], title=f"Burn rate by burn, candle {candle.code}")
    return Chart(svg, "Burn rate of each burn, from the weighings before and after it, with ± 2u.")


def flame_chart(criteria: Criteria, candle: Candle) -> Chart | None:
    """Flame height over the candle's life; None when it was never measured."""
    points: dict[str, list[tuple[float, Quantity]]] = {"flame_height": [], "flame_height_max": []}
    for burn, began in zip(candle.burns, began_h(candle), strict=True):
        for look in burn.looks:
            for name in points:
                if name in look.values:
                    points[name].append((began + look.minutes / 60, look.values[name]))
    if not any(points.values()):
        return None
    key = "flame_height_limit_tea_light" if candle.setup.vessel_kind == "tea-light" else "flame_height_limit"
    limit = criteria.most(key)
    svg = plots.flame_over_time(
        points["flame_height"],
        title=f"Flame height over time, candle {candle.code}",
        limits=[(limit, f"put it out above {limit:g} mm")],
        tallest=points["flame_height_max"],
        starts_h=began_h(candle),
    )
    tallest = " Open triangles: the tallest of a clip." if points["flame_height_max"] else ""
    return Chart(svg, f"Flame height with ± 2u; a thin upright line is where a burn began.{tallest}")


def soot_chart(criteria: Criteria, code: str, shots: Sequence[Shot]) -> Chart | None:
    """The rim's soot by clock position in the latest photo of these that shows it."""
    seen = [one for one in shots if one.result and any(v is not None for v in _soot(one))]
    if not seen:
        return None
    last, limit = seen[-1], criteria.least("soot")
    place = f"burn {last.burn}" if last.burn else "new candle"
    when = "" if last.minutes is None else f", {last.minutes:.0f} min"
    svg = plots.clock_picture(
        _soot(last), title=f"Soot on the rim by clock, candle {code}, {place}{when}", worse_below=limit
    )
    held = "against the new candle's photo" if last.inputs.get("baseline_sha256") else "against its cleanest part"
    caption = (
        f"Soot on the wall below the rim, {place}{when}: change of lightness L* {held}, 12 up in that photo. Hatched:"
        f" darker than {limit:g}. A dash: not in the photo."
    )
    return Chart(svg, caption)


def _soot(shot: Shot) -> Sequence[float | None]:
    return shot.result.by_clock.get("soot_delta_L", ()) if shot.result else ()


def candle_charts(criteria: Criteria, file: CandleFile) -> list[Chart]:
    """Pool, flame, burn rate and soot over a candle's life; what was never measured is left out."""
    found = (
        pool_chart(file.evidence),
        flame_chart(criteria, file.evidence),
        burn_rate_chart(file.evidence),
        soot_chart(criteria, file.code, file.shots),
    )
    return [one for one in found if one is not None]


def session_charts(burns: Sequence[tuple[Candle, Burn]]) -> Iterator[Chart]:
    """Pool and flame of a session's burns over their minutes, all candles in one drawing.

    Few candles have a mark each; of many, those of an arm (without a trial: of a wick) share one.
    """
    few = len(burns) <= _MARKED_ALONE
    rows = (("pool_diameter", "melt pool width", "Melt pool width"), ("flame_height", "flame height", "Flame height"))
    for name, what, caption in rows:
        lines = []
        for candle, burn in burns:
            points = [(look.minutes, look.values[name]) for look in burn.looks if name in look.values]
            if points:
                kind = candle.code if few else candle.arm or candle.setup.wick.name
                lines.append(plots.Line(f"{candle.code} burn {burn.number}", kind, points))
        if lines:
            svg = plots.over_minutes(lines, title=f"{caption} over time, all candles", what=f"{what}, mm")
            yield Chart(svg, f"{caption} over the minutes alight, each candle, with ± 2u.")


# ---- trials ---------------------------------------------------------------------------------------------------------


def arm_charts(arms: Sequence[ArmVerdict]) -> Iterator[Chart]:
    """One drawing for each limit that decides and was measured on an arm: all arms against it."""
    for index, first in enumerate(arms[0].answers if arms else ()):
        answers = [arm.answers[index] for arm in arms]
        if all(one.standing == "not measured" for one in answers):
            continue
        rows = [
            plots.ArmValues(
                arm.name, one.values, one.bound.mean if one.bound else None, one.bound.value if one.bound else None
            )
            for arm, one in zip(arms, answers, strict=True)
        ]
        unit = "°C" if first.unit == "C" else first.unit
        svg = plots.arms_against_limit(
            rows, first.limit, first.response.side, title=f"Arms against the limit: {first.what}", what=first.what,
            unit=unit,
        )  # fmt: skip
        yield Chart(svg, "; ".join(f"{arm.name}: {one.standing}" for arm, one in zip(arms, answers, strict=True)))


def trial_charts(candles: Sequence[Candle]) -> Iterator[Chart]:
    """What the candles did burn by burn, arms by mark and dash."""
    for what, unit, caption, values in _OVER_BURNS:
        lines = [plots.Line(one.code, one.arm or "not said", values(one)) for one in candles]
        if any(line.points for line in lines):
            title = f"{what[0].upper()}{what[1:]} by burn, all candles"
            svg = plots.by_burn(lines, title=title, what=f"{what}, {unit}", unit=unit)
            yield Chart(svg, f"{caption}, each candle of each arm, with ± 2u.")


def _at_end(candle: Candle, name: str) -> list[tuple[float, Quantity]]:
    """A quantity at the last look of each ended burn."""
    found = []
    for burn in candle.burns:
        if (look := burn.last_look) is not None and burn.ended:
            value = derived.of_look(candle, look).get(name)
            if value is not None:
                found.append((float(burn.number), value))
    return found


def _tallest(candle: Candle) -> list[tuple[float, Quantity]]:
    """The tallest flame of each burn."""
    found = []
    for burn in candle.burns:
        seen = [look.values[n] for look in burn.looks for n in ("flame_height_max", "flame_height") if n in look.values]
        if seen:
            found.append((float(burn.number), max(seen, key=lambda one: one.value)))
    return found


_OVER_BURNS = (
    ("pool width at the end", "mm", "Melt pool width at the last look", lambda one: _at_end(one, "pool_diameter")),
    ("hang-up at the end", "mm", "Mean width of the ring of wax at the last look",
     lambda one: _at_end(one, "hangup_mean")),
    ("tallest flame", "mm", "The tallest flame of each burn", _tallest),
    ("burn rate", "g/h", "Burn rate from the weighings",
     lambda one: [(float(burn.number), burn.burn_rate) for burn in one.burns if burn.burn_rate]),
)  # fmt: skip
