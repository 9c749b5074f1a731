"""Forecasts: the pool's growth within a burn, and how many hours and burns a candle has left.

A pool grows fast, then slower towards a width of its own: D(t) = W·(1 − exp(−t/τ)). The wall stops it, so a full pool
says only that W·(1 − exp(−t/τ)) has reached the bore: such a look is censored. What the looks leave open is kept as a
grid of (W, τ) weighted by their likelihood (flat prior over the ranges below), from which times and bounds are read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from pooleye.judge import derived, statistics
from pooleye.judge.evidence import Burn, Candle
from pooleye.measurement import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Final widths as shares of the bore (a wide-open pool could outgrow its vessel), and time constants, min; judged.
WIDTHS_OF_BORE = (0.15, 1.6)
TIME_CONSTANTS_MIN = (8.0, 600.0)
#: How far real pools stray from the curve, mm: added to each look's u; judged.
MISFIT_MM = 1.0
#: The wall is reached when the pool is this near it; the last millimetre of ring cannot be seen; judged.
AT_WALL_MM = 2 * derived.FULL_RING_MM
#: A claim is made when at least this much of the weight speaks for it.
SURE = 0.95
_STEPS = 160


@dataclass(frozen=True)
class Interval:
    """Median and the middle 90 % of what the looks leave open; `high` is None when it lies beyond `beyond`."""

    median: float | None
    low: float
    high: float | None
    beyond: float

    def said(self, unit: str) -> str:
        """For a person: "150 min (120 to 210)"."""
        low, high = f"{self.low:.0f}", "?" if self.high is None else f"{self.high:.0f}"
        if self.median is None:
            return f"later than {self.low:.0f} {unit}"
        return f"{self.median:.0f} {unit} ({low} to {high if self.high is not None else f'over {self.beyond:.0f}'})"


@dataclass(frozen=True)
class Growth:
    """A burn's pool as the looks so far leave it open. `reaches`: weight of reaching the wall within `within_min`."""

    looks: int
    bore_mm: float
    within_min: float
    reaches: float
    full_at: Interval
    at_end_mm: Quantity
    fits: bool

    @property
    def word(self) -> str:
        """Will, will not, or cannot tell yet."""
        if self.reaches >= SURE:
            return "will reach the wall"
        return "will not reach the wall" if self.reaches <= 1 - SURE else "may or may not reach the wall"

    def said(self) -> list[str]:
        """The forecast, then what it rests on."""
        hours = self.within_min / 60
        odd = (
            [] if self.fits else ["the looks do not follow a growth curve: check the measurements, or look for draught"]
        )
        return [
            f"the pool {self.word} within {hours:g} h (from {self.looks} looks); full at {self.full_at.said('min')}",
            f"width after {hours:g} h: {self.at_end_mm} of {self.bore_mm:g} mm",
            *odd,
        ]


@lru_cache(maxsize=8)
def _grid(bore_mm: float) -> tuple[Floats, Floats]:
    """Final widths (n, 1), mm, and time constants (1, n), min; widths even, time constants even in their logarithm."""
    import numpy as np

    width = np.linspace(WIDTHS_OF_BORE[0] * bore_mm, WIDTHS_OF_BORE[1] * bore_mm, _STEPS)[:, None]
    tau = np.geomspace(*TIME_CONSTANTS_MIN, _STEPS)[None, :]
    return width, tau


def _weights(points: Sequence[tuple[float, Quantity]], bore_mm: float) -> tuple[Floats, float]:
    """(weight of each grid point, summing to 1; smallest chi-squared of the looks that are not full)."""
    import numpy as np
    from scipy.stats import norm

    width, tau = _grid(bore_mm)
    log_weight = np.zeros((_STEPS, _STEPS))
    chi2 = np.zeros((_STEPS, _STEPS))
    for minutes, pool in points:
        model = width * (1 - np.exp(-minutes / tau))
        u = math.hypot(pool.u, MISFIT_MM)
        if pool.value >= bore_mm - AT_WALL_MM:
            log_weight += norm.logsf((bore_mm - AT_WALL_MM - model) / u)
        else:
            chi2 += ((pool.value - model) / u) ** 2
    log_weight -= chi2 / 2
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum(), float(chi2.min())


def _quantile(values: Floats, weight: Floats, share: float) -> float:
    """The value below which this share of the weight lies; inf where it lies beyond the values that exist."""
    import numpy as np

    order = np.argsort(values, axis=None)
    summed = np.cumsum(weight.ravel()[order])
    place = min(int(np.searchsorted(summed, share)), order.size - 1)
    return float(values.ravel()[order][place])


def growth(points: Sequence[tuple[float, Quantity]], bore_mm: float, *, within_min: float = 240.0) -> Growth | None:
    """What looks at (minutes, pool width) say about the rest of the burn. None with fewer than two looks."""
    import numpy as np

    usable = [(minutes, pool) for minutes, pool in points if minutes > 0]
    if len(usable) < 2:
        return None
    weight, chi2 = _weights(usable, bore_mm)
    width, tau = _grid(bore_mm)
    target = bore_mm - AT_WALL_MM
    with np.errstate(divide="ignore", invalid="ignore"):
        full_at = np.where(width > target, -tau * np.log1p(-target / width), np.inf)
    end = np.minimum(width * (1 - np.exp(-within_min / tau)), bore_mm)
    mean = float((weight * end).sum())
    spread = math.sqrt(float((weight * (end - mean) ** 2).sum()))
    return Growth(
        looks=len(usable),
        bore_mm=bore_mm,
        within_min=within_min,
        reaches=float(weight[full_at <= within_min].sum()),
        full_at=_interval(full_at, weight, beyond=4 * within_min),
        at_end_mm=Quantity(mean, math.hypot(spread, MISFIT_MM), "mm"),
        fits=chi2 <= 9.0 + 2 * len(usable),
    )


def growth_band(
    points: Sequence[tuple[float, Quantity]], bore_mm: float, minutes: Sequence[float]
) -> tuple[tuple[float, float, float, float], ...]:
    """The growth curve at these minutes: (minute, 5 %, median, 95 % of what the looks leave open), mm, to the wall.

    Empty with fewer than two looks after lighting.
    """
    import numpy as np

    usable = [(at, pool) for at, pool in points if at > 0]
    if len(usable) < 2:
        return ()
    weight, _ = _weights(usable, bore_mm)
    width, tau = _grid(bore_mm)
    found = []
    for at in minutes:
        model = np.minimum(width * (1 - np.exp(-at / tau)), bore_mm)
        low, median, high = (_quantile(model, weight, share) for share in (0.05, 0.5, 0.95))
        found.append((at, low, median, high))
    return tuple(found)


def _interval(values: Floats, weight: Floats, beyond: float) -> Interval:
    low, median, high = (_quantile(values, weight, share) for share in (0.05, 0.5, 0.95))
    return Interval(
        None if median > beyond else median, min(low, beyond), None if high > beyond else high, beyond
    )  # fmt: skip


def growth_of(
    candle: Candle, burn: Burn, *, within_min: float = 240.0, until_min: float | None = None
) -> Growth | None:
    """The growth of a burn's pool from its looks, those up to `until_min` when given."""
    points = [
        (look.minutes, look.values["pool_diameter"])
        for look in burn.looks
        if "pool_diameter" in look.values and (until_min is None or look.minutes <= until_min)
    ]
    return growth(points, candle.setup.bore_mm, within_min=within_min)


@dataclass(frozen=True)
class PoolOutcome:
    """Width that the first looks of a burn would have forecast for its last look, against what that look saw."""

    burn: int
    from_looks: int
    at_min: float
    forecast: Quantity
    happened: Quantity

    @property
    def z(self) -> float:
        """(forecast - happened) in standard uncertainties of both."""
        return (self.forecast.value - self.happened.value) / math.hypot(self.forecast.u, self.happened.u)


def pools_looked_back(candle: Candle) -> tuple[PoolOutcome, ...]:
    """Each burn's last width forecast from all looks before it; it takes three looks with a measured pool."""
    found = []
    for burn in candle.burns:
        points = [(look.minutes, look.values["pool_diameter"]) for look in burn.looks if "pool_diameter" in look.values]
        if len(points) < 3:
            continue
        at_min, happened = points[-1]
        before = growth(points[:-1], candle.setup.bore_mm, within_min=at_min)
        if before is not None:
            found.append(PoolOutcome(burn.number, before.looks, at_min, before.at_end_mm, happened))
    return tuple(found)


# ---- hours and burns left ---------------------------------------------------------------------------------------
#: A single burn's rate may be off the next one's by this share (first-hour and later rates of one candle differ by a
#: third: five pillar types, first hour 4.4 to 7.3 g/h, later 4.7 to 7.1 g/h); judged from that.
ONE_BURN_SHARE = 0.15


@dataclass(frozen=True)
class Left:
    """Hours and burns a candle has left until the stop level; `rate` in g/h with the scatter between burns."""

    rate: Quantity
    usable: Quantity
    hours: Quantity
    burn_hours: float

    @property
    def burns(self) -> Quantity:
        """Burns of `burn_hours` left."""
        return Quantity(self.hours.value / self.burn_hours, self.hours.u / self.burn_hours, "1")

    def said(self) -> list[str]:
        """One line."""
        return [
            f"about {self.hours} alight left, {self.burns} burns of {self.burn_hours:g} h:"
            f" {self.usable} may still be burnt, at {self.rate}"
        ]


def mean_rate(rates: Sequence[Quantity], coming: float = 1.0) -> Quantity | None:
    """Mean rate to expect of the next `coming` burns, g/h, from those so far; None without any.

    u: scatter between burns times √(1/n + 1/coming), but no scatter below `ONE_BURN_SHARE` of the mean over √n, since a
    few burns alike do not show how a lower level will burn; and what all weighings share.
    """
    if not rates:
        return None
    n, mean = len(rates), statistics.mean_of([one.value for one in rates])
    own = statistics.own_scatter([one.value for one in rates])
    scatter = max(own.s if own else 0.0, ONE_BURN_SHARE * mean / math.sqrt(n))
    weighing = statistics.mean_of([one.u for one in rates])
    return Quantity(mean, math.hypot(scatter * math.sqrt(1 / n + 1 / max(1.0, coming)), weighing), "g/h")


def usable_g(candle: Candle, stop_level_mm: float) -> Quantity | None:
    """Wax that may still be burnt, g: what is left less what stands below the stop level. None when not weighed."""
    left = candle.wax_left_g
    if left is None:
        return None
    kept = candle.setup.mass_of_level_g(stop_level_mm) if candle.setup.vessel_kind == "container" else 0.0
    kept_u = kept * candle.setup.density_g_cm3.u / candle.setup.density_g_cm3.value
    return Quantity(max(0.0, left.value - kept), math.hypot(left.u, kept_u), "g")


def hours_left(candle: Candle, stop_level_mm: float, *, burn_hours: float = 4.0) -> Left | None:
    """How long a candle will still burn; None without weighings on both sides of a burn."""
    rates = [burn.burn_rate for burn in candle.burns if burn.burn_rate is not None and burn.burn_rate.value > 0]
    usable, mean = usable_g(candle, stop_level_mm), mean_rate(rates)
    if usable is None or mean is None:
        return None
    rate = mean_rate(rates, usable.value / (mean.value * burn_hours)) or mean
    hours = derived.ratio(usable, rate, "h")
    return Left(rate, usable, hours, burn_hours)


@dataclass(frozen=True)
class Outcome:
    """A forecast made after burn `after`, and what then happened; `z` is how many u it was off."""

    after: int
    forecast: Quantity
    happened: Quantity

    @property
    def z(self) -> float:
        """(forecast - happened) in standard uncertainties of both."""
        return (self.forecast.value - self.happened.value) / math.hypot(self.forecast.u, self.happened.u)


def looked_back(candle: Candle, stop_level_mm: float) -> tuple[Outcome, ...]:
    """The rate forecast after each burn, put to the wax that was then burnt, against the hours that took.

    Empty unless the candle is over and every burn was weighed.
    """
    burns = [burn for burn in candle.burns if burn.burnt and burn.burn_rate and burn.minutes]
    if not candle.over or len(burns) != len(candle.burns) or len(burns) < 2:
        return ()
    found = []
    for index in range(1, len(burns)):
        later = burns[index:]
        rate = mean_rate([burn.burn_rate for burn in burns[:index] if burn.burn_rate], len(later))
        burnt = sum(burn.burnt.value for burn in later if burn.burnt)
        minutes = [burn.minutes for burn in later if burn.minutes]
        if rate is None or burnt <= 0:
            continue
        forecast = Quantity(burnt / rate.value, burnt / rate.value * rate.u / rate.value, "h")
        u = math.hypot(*(one.u for one in minutes)) / 60
        found.append(Outcome(burns[index - 1].number, forecast, Quantity(sum(m.value for m in minutes) / 60, u, "h")))
    return tuple(found)
