"""What to test next: up or down in the maker's own order of sizes, how far, from the measured trend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import Size, Trial

if TYPE_CHECKING:
    from pooleye.judge.trial import ArmVerdict

#: Further than this the trend is not trusted beyond the sizes that were burnt; judged.
MOST_STEPS = 3
_HOT = ("runs hot", "unsafe, too hot")
_COOL = ("runs cool",)


@dataclass(frozen=True)
class Next:
    """`word`: wick up, wick down, between sizes, not enough evidence …; `wicks`: what to burn next; `why`: reasons."""

    word: str
    why: tuple[str, ...]
    wicks: tuple[str, ...] = ()
    steps: int = 0
    candles: int | None = None

    def said(self) -> list[str]:
        """One line, or none when there is nothing to burn."""
        wanted = [", ".join(self.wicks)] if self.wicks else []
        wanted += [f"{self.candles} candles an arm"] if self.candles else []
        return [f"test next: {' or '.join(wanted)}"] if wanted else []


def size_of(trial: Trial, arm: str) -> Size | None:
    """The wick of an arm, None when its candles do not share one."""
    found = {one.setup.wick for one in trial.arms[arm]}
    return next(iter(found)) if len(found) == 1 else None


def smaller_of(trial: Trial, first: str, second: str) -> str | None:
    """The arm with the smaller wick of one series; None when they cannot be ranked."""
    a, b = size_of(trial, first), size_of(trial, second)
    if a is None or b is None or a.order is None or b.order is None or a.series != b.series or a.order == b.order:
        return None
    return first if a.order < b.order else second


def what_next(criteria: Criteria, trial: Trial, arms: Sequence[ArmVerdict]) -> Next:
    """No arm passes: the direction that the arms agree on, or what is missing to say."""
    if trial.varies != "wick":
        return _other_question(trial, arms)
    cool = [one for one in arms if one.word in _COOL]
    hot = [one for one in arms if one.word in _HOT]
    open_ = [one for one in arms if one not in cool and one not in hot]
    if cool and hot and not open_:
        return _between(trial, cool, hot)
    if open_ and all(one.word == "outside a limit" for one in open_) and not (cool or hot):
        return _too_short(open_)
    if open_:
        found = _undecided(open_)
        one_way = bool(cool) != bool(hot)
        return _with_direction(found, trial, arms, open_, up=bool(cool)) if one_way else found
    return _further(trial, arms, up=bool(cool))


def _too_short(arms: Sequence[ArmVerdict]) -> Next:
    """Tea lights that burn too short: fast ones leave no wax, drowned ones do; the time alone does not tell which."""
    why = []
    for arm in arms:
        beyond = ", ".join(one.what for one in arm.answers if one.standing == "goes beyond")
        why.append(f"{arm.name}: {beyond} is outside its limit.")
    advice = "Weigh what is left: no wax means that it burns too fast (wick down), wax left that it drowned (wick up)."
    return Next("none of these", (*why, advice))


def _other_question(trial: Trial, arms: Sequence[ArmVerdict]) -> Next:
    undecided = [one for one in arms if one.word in ("too close to call", "not enough evidence")]
    if undecided:
        return _undecided(undecided)
    return Next("none of these", (f"No {trial.varies.replace('-', ' ')} of this trial stays within the limits.",))


def _undecided(arms: Sequence[ArmVerdict]) -> Next:
    """Arms that neither pass nor fail: how many candles, or which measurements, would settle them."""
    why, most = [], 0
    for arm in arms:
        missing = [one.what for one in arm.answers if one.response.needed and one.standing == "not measured"]
        wanted = [one.needed for one in arm.answers if one.standing == "too close to call"]
        if missing:
            why.append(f"{arm.name}: not measured on every candle: {', '.join(missing)}.")
        if wanted and all(wanted):
            need = max(one for one in wanted if one is not None)
            most = max(most, need)
            why.append(f"{arm.name}: too close to call; {need} candles an arm would settle it if they burn like these.")
        elif wanted:
            why.append(f"{arm.name}: its mean lies so near a limit that more candles would hardly settle it.")
        if arm.word == "unsafe":
            why.append(f"{arm.name}: unsafe, not for its wick's size: put that right first ({'; '.join(arm.reasons)}).")
        elif not missing and not wanted:
            why.append(f"{arm.name}: {arm.word}; look at its candles one by one.")
    return Next("not enough evidence", tuple(why), candles=most or None)


def _with_direction(
    found: Next, trial: Trial, arms: Sequence[ArmVerdict], open_: Sequence[ArmVerdict], *, up: bool
) -> Next:
    """Where the decided arms all fail one way and the open ones are near those limits: the next size, too."""
    means = "cool" if up else "hot"
    near = [[a for a in arm.answers if a.standing == "too close to call"] for arm in open_]
    if not all(answers and all(one.response.means == means for one in answers) for answers in near):
        return found
    further = _further(trial, arms, up=up)
    if not further.wicks:
        return found
    text = f"The others run {means}, and this is near the same limit: {further.wicks[0]} may tell more."
    return replace(found, why=(*found.why, text), wicks=further.wicks)


def _ordered(trial: Trial, series: str | None) -> list[Size]:
    known = {one for one in trial.wicks if one.series == series and one.order is not None}
    known |= {one.setup.wick for one in trial.candles if one.setup.wick.series == series}
    return sorted((one for one in known if one.order is not None), key=lambda one: one.order or 0)


def _sizes(trial: Trial, arms: Sequence[ArmVerdict]) -> list[Size]:
    found = [size_of(trial, one.name) for one in arms]
    return [one for one in found if one is not None and one.order is not None]


def _between(trial: Trial, cool: Sequence[ArmVerdict], hot: Sequence[ArmVerdict]) -> Next:
    """Small ones run cool and large ones hot: a size between them, if the maker has one."""
    small, large = _sizes(trial, cool), _sizes(trial, hot)
    if not small or not large or small[0].series != large[0].series:
        return Next("between sizes", ("Some run cool and some hot; their order of size is not in the log.",))
    low, high = max(small, key=_order), min(large, key=_order)
    if _order(low) > _order(high):
        why = f"{low.name} runs cool and the smaller {high.name} runs hot: size is not the reason. Check the records."
        return Next("mixed signs", (why,))
    inner = [one for one in _ordered(trial, low.series) if _order(low) < _order(one) < _order(high)]
    if inner:
        middle = inner[len(inner) // 2 if len(inner) % 2 else len(inner) // 2 - 1]
        why = f"{low.name} runs cool and {high.name} hot: the size between them."
        return Next("between sizes", (why,), (middle.name,))
    why = f"{low.name} runs cool and {high.name}, the next size, hot: no size of this series fits."
    return Next("between sizes", (why, "Try another series of wicks, another load, or another vessel."))


def _order(size: Size) -> int:
    return size.order if size.order is not None else 0


def _further(trial: Trial, arms: Sequence[ArmVerdict], *, up: bool) -> Next:
    """All run cool (up) or all run hot (down): the next size, as far on as the trend says."""
    word = "wick up" if up else "wick down"
    sizes = _sizes(trial, arms)
    if not sizes:
        return Next(word, ("The wicks' order of size is not in the log, so it cannot be named.",), steps=1)
    end = max(sizes, key=_order) if up else min(sizes, key=_order)
    steps, why = _steps(trial, arms, up=up)
    reached = [
        one for one in _ordered(trial, end.series) if (_order(one) > _order(end) if up else _order(one) < _order(end))
    ]
    reached = reached if up else reached[::-1]
    ran = "cool" if up else "hot"
    if not reached:
        last = "largest" if up else "smallest"
        text = f"Every arm runs {ran}, and {end.name} is the {last} of its series: try another series."
        return Next(word, (text,), steps=steps)
    aim = reached[min(steps, len(reached)) - 1]
    text = f"Every arm runs {ran}; from {end.name} go {steps} size{'s' * (steps > 1)} {'up' if up else 'down'}."
    return Next(word, (text, *why), (aim.name,), steps)


def _steps(trial: Trial, arms: Sequence[ArmVerdict], *, up: bool) -> tuple[int, tuple[str, ...]]:
    """Sizes to go until the trend of the failing quantity reaches its limit; one when there is no trend to see."""
    for key in [one.response.key for one in arms[0].answers if one.response.means == ("cool" if up else "hot")]:
        points = []
        for arm in arms:
            size = size_of(trial, arm.name)
            found = next((one for one in arm.answers if one.response.key == key), None)
            if size is not None and size.order is not None and found is not None and found.bound is not None:
                points.append((float(size.order), found.bound.mean, found))
        if not any(found.standing == "goes beyond" for _, _, found in points):
            continue
        slope = _trend([(x, y) for x, y, _ in points])
        nearest = max(points) if up else min(points)
        gap = nearest[2].limit - nearest[1]
        step = slope if up else -slope
        if not step or gap * step <= 0:  # flat, or the trend leads away from the limit
            continue
        steps = min(MOST_STEPS, max(1, math.ceil(gap / step - 1e-9)))
        unit = "" if nearest[2].unit == "1" else f" {nearest[2].unit}"
        return steps, (f"{nearest[2].what} changes by {step:+.1f}{unit} a size.",)
    return 1, ("One size at a time: there is no trend over sizes to go by.",)


def _trend(points: Sequence[tuple[float, float]]) -> float:
    """Least-squares slope; 0 with fewer than two sizes."""
    if len({x for x, _ in points}) < 2:
        return 0.0
    mean_x = sum(x for x, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    s_xx = sum((x - mean_x) ** 2 for x, _ in points)
    return sum((x - mean_x) * (y - mean_y) for x, y in points) / s_xx
