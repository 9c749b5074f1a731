"""One number per candle for each limit that decides a trial, and what an arm's candles say of the next one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pooleye.judge import derived, statistics
from pooleye.judge.criteria import Criteria, Criterion
from pooleye.judge.evidence import Burn, Candle
from pooleye.judge.statistics import Bound, Scatter, Side
from pooleye.measurement import Quantity, after_number

#: How a candle's looks become one number: the worst of what must never happen, the mean of what is judged over a life.
WORST_HIGH, WORST_LOW, MEAN = "highest", "lowest", "mean"


@dataclass(frozen=True)
class Response:
    """A criterion that decides between arms. `needed`: an arm cannot pass without it."""

    key: str
    side: Side
    summary: str
    needed: bool
    means: str


CONTAINER = (
    Response("flame_height_limit", "upper", WORST_HIGH, True, "hot"),
    Response("vessel_temperature_limit", "upper", WORST_HIGH, False, "hot"),
    Response("soot", "lower", WORST_LOW, True, "hot"),
    Response("pool_deep", "upper", WORST_HIGH, False, "hot"),
    Response("hang_up", "upper", MEAN, True, "cool"),
    Response("pool_shallow", "lower", MEAN, False, "cool"),
)
TEA_LIGHT = (
    Response("flame_height_limit_tea_light", "upper", WORST_HIGH, True, "hot"),
    Response("vessel_temperature_limit", "upper", WORST_HIGH, False, "hot"),
    Response("flame_least_tea_light", "lower", MEAN, False, "cool"),
    Response("tea_light_burn_time", "lower", MEAN, True, "note"),
)


def responses_for(vessel_kind: str) -> tuple[Response, ...]:
    """What decides for this kind of vessel."""
    return TEA_LIGHT if vessel_kind == "tea-light" else CONTAINER


def candle_value(criteria: Criteria, response: Response, candle: Candle) -> Quantity | None:
    """One candle's number for a response, None when it was never measured where it counts."""
    criterion = criteria[response.key]
    if criterion.at == "life":
        return _life_hours(candle)
    values = [
        value
        for burn in candle.burns
        if criterion.applies_to_burn(burn.number)
        for value in _values(criterion, candle, burn)
    ]
    return summarised(values, response.summary) if values else None


def _values(criterion: Criterion, candle: Candle, burn: Burn) -> list[Quantity]:
    """Values of a criterion's quantity in a burn: at every look, or at the last one of an ended burn."""
    looks = burn.looks
    if criterion.at == "end":
        looks = looks[-1:] if burn.ended else ()
    found = []
    for look in looks:
        if look.minutes < criterion.from_min:
            continue
        values = derived.of_look(candle, look)
        names = ("flame_height_max", "flame_height") if criterion.quantity == "flame_height" else (criterion.quantity,)
        found += [values[name] for name in names if name in values][:1]
    return found


def summarised(values: Sequence[Quantity], how: str) -> Quantity:
    """The highest, the lowest or the mean; the mean keeps the mean u, since the values share their scale."""
    if how == WORST_HIGH:
        return max(values, key=lambda one: one.value)
    if how == WORST_LOW:
        return min(values, key=lambda one: one.value)
    mean = statistics.mean_of([one.value for one in values])
    return Quantity(mean, statistics.mean_of([one.u for one in values]), values[0].unit)


def _life_hours(candle: Candle) -> Quantity | None:
    times = [burn.minutes for burn in candle.burns if burn.minutes is not None]
    if not candle.over or not times:
        return None
    return Quantity(sum(one.value for one in times) / 60, sum(one.u for one in times) / 60, "h")


@dataclass(frozen=True)
class Answer:
    """What an arm says to one response.

    `standing`: stays within, goes beyond, too close to call, not measured, one candle. `needed`: candles an arm must
    have until it would be settled, None when they do not help.
    """

    response: Response
    what: str
    limit: float
    unit: str
    values: tuple[float, ...]
    standing: str
    bound: Bound | None = None
    needed: int | None = None

    @property
    def margin(self) -> float | None:
        """How far the bound stays inside, as a share of the limit; below zero when it does not."""
        if self.bound is None:
            return None
        away = self.limit - self.bound.value if self.response.side == "upper" else self.bound.value - self.limit
        return away / abs(self.limit)

    def said(self) -> str:
        """One line: the mean, where the next candle will stay, and the limit."""
        unit = after_number(self.unit)
        word = "at most" if self.response.side == "upper" else "at least"
        if self.bound is None:
            return f"{self.what}: {self.standing}"
        more = f"; {self.needed} candles would settle it" if self.needed else ""
        pooled = f", scatter of {self.bound.scatter.pooled} arms" if self.bound.scatter.pooled > 1 else ""
        return (
            f"{self.what}: {self.standing}: mean {self.bound.mean:.1f}{unit} of {self.bound.n}; the next one"
            f" {word} {self.bound.value:.1f}{unit} ({self.bound.confidence:.0%} sure{pooled}),"
            f" limit {self.limit:g}{unit}{more}"
        )


def answer(
    criteria: Criteria,
    response: Response,
    candles: Sequence[Candle],
    others: Sequence[Sequence[Candle]],
    confidence: float,
) -> Answer:
    """Would the next candle of this arm stay within the limit?"""
    criterion = criteria[response.key]
    limit = criterion.most if response.side == "upper" else criterion.least
    assert limit is not None
    value: Callable[[Candle], Quantity | None] = lambda one: candle_value(criteria, response, one)  # noqa: E731
    found = [one for one in map(value, candles) if one is not None]
    numbers = [one.value for one in found]
    blank = Answer(response, criterion.what, limit, criterion.unit, tuple(numbers), "not measured")
    if not found or len(found) < len(candles):
        return blank
    elsewhere = [[one.value for one in map(value, arm) if one is not None] for arm in others]
    u = statistics.mean_of([one.u for one in found])
    scatter = statistics.scatter_for(numbers, elsewhere, floor=u)
    if scatter is None:
        return Answer(response, criterion.what, limit, criterion.unit, tuple(numbers), "one candle")
    return _answered(blank, numbers, scatter, u, confidence, len(others) + 1 if scatter.pooled > 1 else 1)


def _answered(blank: Answer, numbers: list[float], scatter: Scatter, u: float, confidence: float, arms: int) -> Answer:
    side, limit = blank.response.side, blank.limit
    bound = statistics.prediction_bound(numbers, scatter, side=side, confidence=confidence, u=u)
    opposite: Side = "lower" if side == "upper" else "upper"
    mean = statistics.mean_bound(numbers, scatter, side=opposite, confidence=confidence, u=u)
    if bound.value <= limit if side == "upper" else bound.value >= limit:
        standing, needed = "stays within", None
    elif mean.value > limit if side == "upper" else mean.value < limit:
        standing, needed = "goes beyond", None
    else:
        standing = "too close to call"
        needed = statistics.candles_needed(
            bound.mean, scatter, limit, side=side, confidence=confidence, n=bound.n, u=u, arms=arms
        )
    return Answer(blank.response, blank.what, limit, blank.unit, blank.values, standing, bound, needed)
