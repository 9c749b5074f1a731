"""Plots as SVG text that stands in a page: data in, drawing out; no files, no log.

Each is drawn in the page's own ink (`currentColor`), so that it follows light and dark and prints; what differs, does
so by mark, dash or hatch and is named in words, never by colour alone. The one accent, for limits, is the page's
`--limit` where it has one. Every drawing carries a title and its numbers in words for those who do not see it.

Uncertainties are drawn as ± 2u, which holds the truth in about 95 of 100 cases (JCGM 100:2008, 6.3.3).
"""

from __future__ import annotations

import hashlib
import io
import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from pooleye.measurement import Quantity, format_value

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes

#: Points (x, value), x as each plot says.
Points = Sequence[tuple[float, Quantity]]
#: A curve with its band: (x, low, middle, high).
Band = Sequence[tuple[float, float, float, float]]
#: A limit: where it lies, and its words.
Limit = tuple[float, str]

K = 2.0
SIZE_IN = (3.6, 2.5)  # at a phone's width its 8-point letters are as large as the page's small print
INK, ACCENT = "#010203", "#040506"  # stand for the page's ink and its colour of limits
MARKERS = "os^Dv<>PX*"
DASHES: Sequence[Any] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)), (0, (8, 3)), (0, (3, 1)))
_TOLD_AT_MOST = 14  # numbers a description lists; of more it tells the range and the latest
_SVG: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "pooleye",
    "font.size": 8.0,
    "axes.linewidth": 0.7,
    "hatch.linewidth": 0.5,
    "path.simplify": True,
}


@dataclass(frozen=True)
class PoolBurn:
    """One burn's pool: widths over minutes alight, the growth curve they leave open, hours alight before the burn."""

    number: int
    points: Points
    curve: Band = ()
    began_h: float = 0.0


@dataclass(frozen=True)
class Line:
    """One candle's values over its burns; lines of one `kind` (an arm, a candle) share mark and dash."""

    label: str
    kind: str
    points: Points


@dataclass(frozen=True)
class ArmValues:
    """One arm against a limit: each candle's number, their mean and where the next candle will stay."""

    name: str
    values: Sequence[float]
    mean: float | None = None
    bound: float | None = None


def pool_over_time(burns: Sequence[PoolBurn], bore_mm: float, *, title: str) -> str:
    """Width of the melt pool, mm: of one burn over minutes alight, of several over the hours of the candle's life.

    Points with ± 2u, the growth curve with its middle 90 %, and the wall.
    """
    life = len(burns) > 1
    with _drawn(title, _pool_words(burns, bore_mm)) as sheet:
        axes = sheet.axes
        for burn in burns:
            start, scale = (burn.began_h, 60) if life else (0.0, 1)
            if burn.curve:
                x = [start + one[0] / scale for one in burn.curve]
                low, middle, high = ([one[place] for one in burn.curve] for place in (1, 2, 3))
                axes.fill_between(x, low, high, color=INK, alpha=0.16, linewidth=0)
                axes.plot(x, middle, color=INK, linewidth=1.0)
            _dots(axes, [(start + x / scale, value) for x, value in burn.points], "o", size=2.5 if life else 3.5)
            if life:
                axes.axvline(burn.began_h, color=INK, alpha=0.3, linewidth=0.5)
        _limits(axes, [(bore_mm, "wall")])
        axes.set_ylim(0, bore_mm * 1.14)
        axes.set_xlim(left=0)
        _named(axes, "hours alight, all burns" if life else "minutes alight", "melt pool width, mm")
    return sheet.svg


def _pool_words(burns: Sequence[PoolBurn], bore_mm: float) -> str:
    each = []
    for burn in burns:
        told = _told(burn.points, "min")
        if burn.curve:
            _, low, middle, high = burn.curve[-1]
            told += f", growth curve at its end {middle:.0f} mm ({low:.0f} to {high:.0f})"
        each.append(f"Burn {burn.number}: {told}.")
    return f"{' '.join(each)} The wall is at {bore_mm:g} mm."


def flame_over_time(
    points: Points, *, title: str, limits: Sequence[Limit] = (), tallest: Points = (), starts_h: Sequence[float] = ()
) -> str:
    """Flame height, mm, over hours alight; `tallest`: the tallest of a clip; `starts_h`: where each burn began."""
    words = f"{_told(points, 'h')}.{_limit_words(limits, 'mm')}"
    with _drawn(title, words) as sheet:
        axes = sheet.axes
        for start in starts_h:
            axes.axvline(start, color=INK, alpha=0.3, linewidth=0.5)
        _dots(axes, points, "o")
        _dots(axes, tallest, "^", hollow=True)
        _limits(axes, limits)
        highest = [value.value + K * value.u for _, value in (*points, *tallest)] + [at for at, _ in limits]
        axes.set_ylim(0, 1.12 * max(highest, default=10.0))
        axes.set_xlim(left=0)
        _named(axes, "hours alight, all burns", "flame height, mm")
    return sheet.svg


def by_burn(lines: Sequence[Line], *, title: str, what: str, limits: Sequence[Limit] = (), unit: str = "mm") -> str:
    """Values over the burns' numbers, one line a candle; with several kinds a key above."""
    return _compared(lines, "burn", title, what, limits, unit)


def over_minutes(
    lines: Sequence[Line], *, title: str, what: str, limits: Sequence[Limit] = (), unit: str = "mm"
) -> str:
    """Values over the minutes of a burn, one line a candle; with several kinds a key above."""
    return _compared(lines, "min", title, what, limits, unit)


def _compared(lines: Sequence[Line], x_unit: str, title: str, what: str, limits: Sequence[Limit], unit: str) -> str:
    """Lines in one drawing, moved a little beside each other so that their bars can be told apart."""
    words = " ".join(f"{line.label}: {_told(line.points, x_unit)}." for line in lines) + _limit_words(limits, unit)
    step = 0.05 if x_unit == "burn" else 1.5
    kinds = list(dict.fromkeys(line.kind for line in lines))
    with _drawn(title, words) as sheet:
        axes = sheet.axes
        for index, line in enumerate(lines):
            place = kinds.index(line.kind)
            shift = step * (index - (len(lines) - 1) / 2)
            moved = [(x + shift, value) for x, value in line.points]
            dash = DASHES[place % len(DASHES)]
            axes.plot(*_xy(moved), color=INK, linewidth=0.8, linestyle=dash, alpha=0.75)
            _dots(axes, moved, MARKERS[place % len(MARKERS)], hollow=bool(place % 2))
        _limits(axes, limits)
        if x_unit == "burn":
            _whole_numbers(axes, [x for line in lines for x, _ in line.points])
        else:
            axes.set_xlim(left=0)
        if len(kinds) > 1:
            _key(axes, kinds)
        _named(axes, "burn" if x_unit == "burn" else "minutes alight", what)
    return sheet.svg


def burn_rates(lines: Sequence[Line], *, title: str, limits: Sequence[Limit] = ()) -> str:
    """Burn rate, g/h, over the burns."""
    return by_burn(lines, title=title, what="burn rate, g/h", limits=limits, unit="g/h")


def arms_against_limit(arms: Sequence[ArmValues], limit: float, side: str, *, title: str, what: str, unit: str) -> str:
    """Each arm's candles (circles), their mean (bar), how far the next one may lie (whisker), and the limit.

    `side`: "upper" when the limit must not be passed upwards, else "lower".
    """
    shown = "" if unit == "1" else f" {unit}"
    word = "at most" if side == "upper" else "at least"
    each = []
    for arm in arms:
        numbers = ", ".join(f"{value:z.1f}" for value in arm.values) or "not measured"
        bound = f", the next one {word} {arm.bound:z.1f}" if arm.bound is not None else ""
        each.append(f"{arm.name}: {numbers}{bound}.")
    height = 0.75 + 0.34 * len(arms)
    with _drawn(title, f"{' '.join(each)} Limit {word} {limit:g}{shown}.", (SIZE_IN[0], height)) as sheet:
        axes = sheet.axes
        for row, arm in enumerate(arms):
            if arm.mean is not None and arm.bound is not None:
                axes.plot([arm.mean, arm.bound], [row, row], color=INK, linewidth=1.2)
                axes.plot([arm.bound], [row], marker="|", color=INK, markersize=8)
                axes.plot([arm.mean], [row], marker="|", color=INK, markersize=13, markeredgewidth=1.8)
            axes.plot(arm.values, [row] * len(arm.values), "o", color=INK, markersize=4, markerfacecolor="none")
        axes.axvline(limit, color=ACCENT, linestyle=(0, (4, 2)), linewidth=1.2)
        axes.annotate(
            f"{word} {limit:g}", (limit, 1), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", color=ACCENT, fontsize=7,
        )  # fmt: skip
        axes.set_yticks(range(len(arms)), [_short(arm.name) for arm in arms])
        axes.set_ylim(len(arms) - 0.5, -0.5)
        axes.margins(x=0.12)
        left, right = axes.get_xlim()
        at, to = (0.98, "right") if limit < (left + right) / 2 else (0.02, "left")  # clear of the limit
        for row in (row for row, arm in enumerate(arms) if not arm.values):
            axes.text(at, row, "not measured", ha=to, va="center", transform=axes.get_yaxis_transform(), color=INK)
        _named(axes, f"{what}{'' if unit == '1' else f', {unit}'}", "")
    return sheet.svg


def clock_picture(
    values: Sequence[float | None], *, title: str, worse_below: float | None = None, worse_above: float | None = None
) -> str:
    """Twelve numbers as a clock seen from above, 12 up: each sector as dark as it is bad, its number in it.

    Beyond `worse_below` or `worse_above` a sector is hatched; where nothing was seen it stays empty with a dash.
    """
    bad = [_is_bad(value, worse_below, worse_above) for value in values]
    said = [f"{hour or 12} o'clock {'not seen' if v is None else f'{v:z.1f}'}" for hour, v in enumerate(values)]
    beyond = [f"{hour or 12}" for hour, is_bad in enumerate(bad) if is_bad]
    end = f" Beyond the limit at {', '.join(beyond)} o'clock." if beyond else " No sector is beyond the limit."
    deepest = max([abs(value) for value in values if value is not None], default=1.0) or 1.0
    scale = max(deepest, abs(worse_below or worse_above or 0.0), 1e-9)
    with _drawn(title, f"{', '.join(said)}.{end}", (2.6, 2.6), polar=True) as sheet:
        axes: Any = sheet.axes
        axes.set_theta_zero_location("N")
        axes.set_theta_direction(-1)
        for hour, value in enumerate(values):
            angle = hour * math.pi / 6
            shade = 0.0 if value is None else min(1.0, abs(value) / scale) * 0.45
            axes.bar(angle, 0.42, math.pi / 6, 0.58, facecolor=INK, alpha=shade, linewidth=0)
            axes.bar(
                angle, 0.42, math.pi / 6, 0.58, facecolor="none", edgecolor=INK, linewidth=0.6,
                hatch="////" if bad[hour] else None,
            )  # fmt: skip
            label = "–" if value is None else f"{round(value)}".replace("-", "−")
            axes.text(angle, 0.44, label, ha="center", va="center", color=INK)
            axes.text(angle, 1.13, str(hour or 12), ha="center", va="center", color=INK, fontsize=7)
        axes.set_ylim(0, 1.0)
        axes.set_axis_off()
    return sheet.svg


def _is_bad(value: float | None, below: float | None, above: float | None) -> bool:
    if value is None:
        return False
    return (below is not None and value < below) or (above is not None and value > above)


# ---- what the drawings share ---------------------------------------------------------------------------------------


class _Sheet:
    """Axes to draw on, and the SVG once drawn."""

    axes: Axes
    svg: str = ""


@contextmanager
def _drawn(title: str, words: str, size_in: tuple[float, float] = SIZE_IN, *, polar: bool = False) -> Iterator[_Sheet]:
    """A sheet with bare axes; leaving the block makes its SVG."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(_SVG):
        figure, sheet = Figure(figsize=size_in, layout="constrained"), _Sheet()
        sheet.axes = figure.subplots(subplot_kw={"projection": "polar"} if polar else None)
        yield sheet
        written = io.StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(written, format="svg", transparent=True, metadata=nothing)
    sheet.svg = _for_page(written.getvalue(), title, words, "plot clock" if polar else "plot")


def _dots(axes: Axes, points: Points, marker: str, *, hollow: bool = False, size: float = 3.5) -> None:
    """Values with bars of ± 2u."""
    if not points:
        return
    x, y = _xy(points)
    axes.errorbar(
        x, y, yerr=[K * value.u for _, value in points], fmt=marker, color=INK, markersize=size, elinewidth=0.8,
        capsize=1.5, markerfacecolor="none" if hollow else INK,
    )  # fmt: skip


def _xy(points: Points) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [value.value for _, value in points]


def _limits(axes: Axes, limits: Iterable[Limit]) -> None:
    """Dashed lines with their words above them at the left."""
    for at, words in limits:
        axes.axhline(at, color=ACCENT, linestyle=(0, (4, 2)), linewidth=1.0)
        axes.annotate(
            words, (0, at), xycoords=("axes fraction", "data"), xytext=(3, 1.5), textcoords="offset points",
            va="bottom", color=ACCENT, fontsize=7,
        )  # fmt: skip


def _named(axes: Axes, x: str, y: str) -> None:
    axes.set_xlabel(x, color=INK)
    axes.set_ylabel(y, color=INK)
    axes.tick_params(colors=INK, width=0.7, length=3)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(INK)
    axes.grid(axis="both" if y else "x", color=INK, alpha=0.12, linewidth=0.5)


def _whole_numbers(axes: Axes, numbers: Sequence[float]) -> None:
    """Ticks at whole burns only, not closer than they can be read."""
    last = int(max(numbers, default=1))
    axes.set_xticks(range(1, last + 1, max(1, math.ceil(last / 12))))
    axes.set_xlim(0.5, last + 0.5)


def _key(axes: Axes, kinds: Sequence[str]) -> None:
    """Mark and dash of each kind, above the drawing."""
    from matplotlib.lines import Line2D

    handles = [
        Line2D(
            [], [], color=INK, linewidth=0.8, linestyle=DASHES[place % len(DASHES)], label=_short(kind),
            marker=MARKERS[place % len(MARKERS)], markersize=3.5, markerfacecolor="none" if place % 2 else INK,
        )
        for place, kind in enumerate(kinds)
    ]  # fmt: skip
    axes.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, frameon=False, fontsize=7,
        labelcolor=INK, borderpad=0.2, handlelength=2.6, columnspacing=1.0,
    )  # fmt: skip


def _short(name: str) -> str:
    return name if len(name) <= 18 else f"{name[:17]}…"


# ---- words ----------------------------------------------------------------------------------------------------------


def _told(points: Points, x_unit: str) -> str:
    """The numbers in words; of many, how many, their range and the latest."""
    if not points:
        return "nothing measured"
    if len(points) > _TOLD_AT_MOST:
        values = [value.value for _, value in points]
        x, last = points[-1]
        spread = f"{len(points)} values from {min(values):.1f} to {max(values):.1f} {last.unit}"
        return f"{spread}, the latest {_one(x, last, x_unit)}"
    return ", ".join(_one(x, value, x_unit) for x, value in points)


def _one(x: float, value: Quantity, x_unit: str) -> str:
    place = f"{x_unit} {x:g}" if x_unit == "burn" else f"{x:.4g} {x_unit}"
    unit = "" if value.unit == "1" else f" {value.unit}"
    return f"{place}: {format_value(value.value, value.u)}{unit}"


def _limit_words(limits: Sequence[Limit], unit: str) -> str:
    return "".join(f" Limit: {words}, at {at:g} {unit}." for at, words in limits)


# ---- from a drawing of its own to a part of a page ------------------------------------------------------------------

_COLOURS: Mapping[str, str] = {INK: "currentColor", ACCENT: "var(--limit, currentColor)"}


def _for_page(svg: str, title: str, words: str, css: str) -> str:
    """The `<svg>` element alone: sized by the page, no style of its own, ids that no other drawing has, words in it."""
    body = svg[svg.index("<svg") :]
    view_box = re.search(r'viewBox="[^"]+"', body)
    assert view_box is not None
    body = body[body.index(">") + 1 :]
    body = re.sub(r"<style[^>]*>.*?</style>", "", body, flags=re.DOTALL)
    body = re.sub(r'style="([^"]*)"', lambda found: _attributes(found[1]), body)
    for stand_in, colour in _COLOURS.items():
        body = body.replace(stand_in, colour)
    mark = hashlib.sha256(f"{title}\0{words}\0{body}".encode()).hexdigest()[:10]
    used = set(re.findall(r'(?:url\(#|href="#)([^")]+)', body))
    body = re.sub(r' id="([^"]+)"', lambda f: f' id="{mark}-{f[1]}"' if f[1] in used else "", body)
    body = re.sub(r'(url\(#|href="#)', rf"\g<1>{mark}-", body)
    body = re.sub(r"\n\s*", " ", body)
    head = f'<svg class="{css}" role="img" aria-labelledby="{mark}-t {mark}-d" {view_box[0]} stroke-linejoin="round"'
    told = f'<title id="{mark}-t">{escape(title)}</title><desc id="{mark}-d">{escape(words)}</desc>'
    return f"{head}>{told}{body}".strip()


def numbered(page: str) -> str:
    """A page whose drawings are numbered through, so that one drawn twice has ids of its own each time."""
    count = itertools.count(1)

    def own(drawing: re.Match[str]) -> str:
        return drawing[0].replace(drawing["mark"], f"p{next(count)}")

    return re.sub(r'<svg class="plot.*?aria-labelledby="(?P<mark>\w+)-t.*?</svg>', own, page, flags=re.DOTALL)


def _attributes(style: str) -> str:
    """Style as attributes, so that a page that forbids styles still draws it; the letters are the page's own."""
    pairs = [part.partition(":")[::2] for part in style.split(";") if ":" in part]
    kept = {name.strip(): value.strip() for name, value in pairs}
    kept.pop("font-family", None)
    return " ".join(f'{name}="{value}"' for name, value in kept.items())
