"""Plots stand in a page without a style, a script or a file of their own, and can be read without colour and unseen."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from pooleye.measurement import Quantity
from pooleye.report import plots

SVG = "{http://www.w3.org/2000/svg}"


def mm(value: float, u: float = 0.5) -> Quantity:
    return Quantity(value, u, "mm")


CURVE = tuple((t, 0.2 * t, 0.25 * t, 0.3 * t) for t in range(0, 241, 24))
POOL = plots.PoolBurn(1, [(60.0, mm(40)), (240.0, mm(68))], CURVE)
LINES = [plots.Line(f"C{i}", arm, [(1.0, mm(i)), (2.0, mm(i + 1))]) for i, arm in enumerate(["thin", "thin", "thick"])]
DRAWN = {
    "pool": lambda: plots.pool_over_time([POOL], 75.0, title="pool <of> one & all"),
    "life": lambda: plots.pool_over_time([POOL, plots.PoolBurn(2, POOL.points, CURVE, 4.0)], 75.0, title="life"),
    "flame": lambda: plots.flame_over_time([(1.0, mm(20))], title="flame", limits=[(75.0, "put it out")]),
    "by burn": lambda: plots.by_burn(LINES, title="rings", what="ring, mm", limits=[(3.0, "at most 3 mm")]),
    "minutes": lambda: plots.over_minutes(LINES, title="pools", what="pool, mm"),
    "rates": lambda: plots.burn_rates(LINES[:1], title="rates"),
    "arms": lambda: plots.arms_against_limit(
        [plots.ArmValues("thin", [6.0, 7.0], 6.5, 9.0), plots.ArmValues("none", [])], 5.0, "upper", title="arms",
        what="ring", unit="mm",
    ),
    "clock": lambda: plots.clock_picture([None, -1.0, -8.0, *[0.2] * 9], title="soot", worse_below=-3.0),
}  # fmt: skip


@pytest.fixture(scope="module", params=DRAWN)
def svg(request: pytest.FixtureRequest) -> str:
    return DRAWN[request.param]()


def parsed(svg: str) -> ET.Element:
    """The element as strict XML; in a page the names need no namespaces."""
    named = svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="x"', 1)
    return ET.fromstring(named)


def test_a_plot_has_a_name_and_its_numbers_in_words(svg: str) -> None:
    root = parsed(svg)
    title, words = (root.find(f"{SVG}{name}") for name in ("title", "desc"))
    assert root.get("role") == "img"
    assert title is not None
    assert words is not None
    assert (root.get("aria-labelledby") or "").split() == [title.get("id"), words.get("id")]
    assert title.text
    assert words.text
    assert re.search(r"\d", words.text)


def test_a_plot_brings_no_style_no_script_and_no_address(svg: str) -> None:
    assert not re.search(r"<style|<script|style=|https?:|<image|@import", svg)


def test_every_reference_inside_a_plot_leads_somewhere_and_ids_are_its_own(svg: str) -> None:
    ids = re.findall(r' id="([^"]+)"', svg)
    referred = set(re.findall(r'(?:url\(#|xlink:href="#)([^")]+)', svg))
    assert len(ids) == len(set(ids))
    assert referred <= set(ids)
    assert len({one.partition("-")[0] for one in ids}) == 1


def test_a_plot_is_drawn_in_the_pages_ink_alone(svg: str) -> None:
    """One ink and one accent for limits: nothing can be told by colour only."""
    colours = set(re.findall(r'(?:fill|stroke)="([^"]+)"', svg))
    plain = {one for one in colours if not one.startswith("url(")}
    assert plain <= {"currentColor", "var(--limit, currentColor)", "none"}


def test_text_of_a_plot_is_text_and_hostile_words_stay_words() -> None:
    drawn = plots.by_burn([plots.Line("<script>x</script>", "k", [(1.0, mm(3))])], title="<b>", what="</svg>")
    root = parsed(drawn)
    assert root.find(f"{SVG}script") is None
    assert "<script>x</script>" in (root.find(f"{SVG}desc").text or "")  # type: ignore[union-attr]
    assert any("</svg>" in (one.text or "") for one in root.iter(f"{SVG}text"))


def test_kinds_of_lines_differ_by_mark_and_dash() -> None:
    drawn = DRAWN["by burn"]()
    assert "stroke-dasharray" in drawn
    texts = [one.text for one in parsed(drawn).iter(f"{SVG}text")]
    assert {"thin", "thick"} <= set(texts)


def test_the_words_name_burn_value_uncertainty_curve_and_wall() -> None:
    words = parsed(DRAWN["pool"]()).find(f"{SVG}desc").text  # type: ignore[union-attr]
    assert words == (
        "Burn 1: 60 min: 40.0 ± 0.5 mm, 240 min: 68.0 ± 0.5 mm, growth curve at its end 60 mm (48 to 72)."
        " The wall is at 75 mm."
    )


def test_the_clock_says_what_was_not_seen_and_what_is_beyond_the_limit() -> None:
    words = parsed(DRAWN["clock"]()).find(f"{SVG}desc").text  # type: ignore[union-attr]
    assert "12 o'clock not seen" in words
    assert words.endswith("Beyond the limit at 2 o'clock.")
    assert "url(#" in DRAWN["clock"]()  # hatched


def test_twelve_stands_at_the_top_of_the_clock_and_three_at_the_right() -> None:
    where = {}
    for one in parsed(DRAWN["clock"]()).iter(f"{SVG}text"):
        where.setdefault(one.text, (float(one.get("x", "nan")), float(one.get("y", "nan"))))
    (x12, y12), (x6, y6), (x3, y3), (x9, _) = (where[hour] for hour in ("12", "6", "3", "9"))
    assert abs(x12 - x6) < 1
    assert y12 < y3 < y6
    assert x9 < x12 < x3


def test_many_values_are_told_by_range_and_latest() -> None:
    points = [(float(n), mm(n)) for n in range(1, 41)]
    words = parsed(plots.flame_over_time(points, title="f")).find(f"{SVG}desc").text  # type: ignore[union-attr]
    assert words == "40 values from 1.0 to 40.0 mm, the latest 40 h: 40.0 ± 0.5 mm."


def test_the_same_data_give_the_same_drawing() -> None:
    assert DRAWN["life"]() == DRAWN["life"]()
