"""The demo: measures the sample photos and leaves their overlays and one page that reads well on a phone.

With it comes a whole workshop's burn log with its reports (workshop.py). What to measure stands in
`sample_images/scenario.toml`:

    title = "..."                        # of the page
    about = "..."                        # one or two sentences below it
    [[photo]]
    file = "jar_a_2h.jpg"                # beside the scenario file
    title = "Jar A, burn 1, after 2 h"
    say = "What to look at."             # optional
    view = "top"                         # optional: top, side or auto (the default)
    rim_inner_mm = 76.0
    rim_outer_mm = 82.0                  # optional, as base_inner_mm, vessel_height_mm, headspace_mm
    baseline = "jar_a_new.jpg"           # optional, with baseline_headspace_mm
"""

from __future__ import annotations

import base64
import html
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pooleye
from pooleye import cautions
from pooleye.errors import UsageError
from pooleye.report import workshop

if TYPE_CHECKING:
    from pooleye.burnlog.batch import Progress
    from pooleye.measurement import PhotoResult, View
    from pooleye.measuring import Measured

SCENARIO = "scenario.toml"


@dataclass(frozen=True)
class Entry:
    """One sample photo and what a maker would know about it."""

    file: str
    title: str
    rim_inner_mm: float
    say: str = ""
    view: View = "auto"
    rim_outer_mm: float | None = None
    base_inner_mm: float | None = None
    vessel_height_mm: float | None = None
    headspace_mm: float | None = None
    baseline: str | None = None
    baseline_headspace_mm: float | None = None


@dataclass(frozen=True)
class Scenario:
    """The sample photos in the order of the page; `folder` holds them."""

    folder: Path
    title: str
    about: str
    entries: tuple[Entry, ...]


def run_demo(
    target: str,
    samples: Path | None = None,
    *,
    with_workshop: bool = False,
    progress: Progress | None = None,
    workers: int | None = None,
) -> Iterator[str]:
    """Measures every sample photo into the folder `target`, then builds the workshop there; yields lines to print.

    Raises UsageError where there are no samples or the folder cannot be written.
    """
    from pooleye.report.overlay import draw_overlay, overlay_names

    scenario = read_scenario(samples or sample_folder())
    folder = _made(target)
    cards = []
    for entry, name in zip(scenario.entries, overlay_names([e.file for e in scenario.entries]), strict=True):
        outcome = measure_entry(entry, scenario.folder)
        if outcome.photo is not None:
            draw_overlay(outcome.photo, outcome.result, folder / name, rim_inner_mm=entry.rim_inner_mm)
        cards.append(_card(entry, outcome.result, folder / name if outcome.photo is not None else None))
        yield f"{entry.title}: {summary(outcome.result)}"
    reports: list[tuple[Path, str]] = []
    if with_workshop:
        yield from _workshop(folder, scenario.folder, reports, progress, workers)
    page = folder / "index.html"
    page.write_text(_page(scenario, cards, reports), encoding="utf-8")
    yield from _what_next(page, folder / workshop.LOG_FOLDER if with_workshop else None)


def _workshop(
    folder: Path, samples: Path, reports: list[tuple[Path, str]], progress: Progress | None, workers: int | None
) -> Iterator[str]:
    """The workshop's log, photos, verdicts and reports; what is written is added to `reports`."""
    story = workshop.read_scenario(samples)
    yield ""
    yield f"A workshop's burn log. {story.data['about']}"
    log = workshop.begun_log(folder, story)
    try:
        yield f"{len(story.data['photos'])} photos and clips are filed and measured, as `pooleye batch` does it."
        done = workshop.measured_log(log, story, progress, workers)
        yield from done.said()
        if done.interrupted:
            raise UsageError("interrupted", "the demo was interrupted", hint="run it again, it continues")
        workshop.looked_again(log, story)
        yield from workshop.judged_log(log, story)
        for path, what in workshop.written_reports(log, story, folder):
            reports.append((path, what))
            yield f"{path}: {what}"
    finally:
        log.close()


def sample_folder() -> Path:
    """The folder `sample_images` of the checkout, or of the current folder. Raises UsageError if there is none."""
    for root in (Path(pooleye.__file__).parents[1], Path.cwd()):
        if (root / "sample_images" / SCENARIO).is_file():
            return root / "sample_images"
    raise UsageError(
        "samples-missing",
        "the sample photos are not here",
        looked_for=f"sample_images/{SCENARIO}",
        hint="run the demo from a checkout of pooleye",
    )


def read_scenario(folder: Path) -> Scenario:
    """The scenario in `folder`. Raises UsageError for a key it does not know or a photo that is not there."""
    with (folder / SCENARIO).open("rb") as file:
        stored = tomllib.load(file)
    entries = tuple(_entry(table, folder) for table in stored.pop("photo", []))
    unknown = set(stored) - {"title", "about"}
    if unknown:
        raise UsageError(
            "scenario-key", f"{SCENARIO}: {min(unknown)!r} is not known", hint="use title, about, [[photo]]"
        )
    return Scenario(folder, stored.get("title", "pooleye demo"), stored.get("about", ""), entries)


def measure_entry(entry: Entry, folder: Path) -> Measured:
    """The photo of one entry, measured as `pooleye measure` would."""
    from pooleye.measuring import Vessel, measure_with_picture

    return measure_with_picture(
        folder / entry.file,
        Vessel(entry.rim_inner_mm, entry.rim_outer_mm, entry.base_inner_mm, entry.vessel_height_mm),
        view=entry.view,
        headspace_mm=entry.headspace_mm,
        baseline=folder / entry.baseline if entry.baseline else None,
        baseline_headspace_mm=entry.baseline_headspace_mm,
    )


def summary(result: PhotoResult) -> str:
    """The result in one line: the reason if declined, else the one or two numbers asked for most."""
    from pooleye.flags import reason_named
    from pooleye.measurement import QUANTITIES, shown

    if result.reason is not None:
        return f"declined, {reason_named(result.reason).meaning}"
    first = [name for name in ("pool_diameter", "hangup_mean", "flame_height") if name in result.quantities][:2]
    return ", ".join(f"{QUANTITIES[name][1]} {shown(name, result.quantities[name])}" for name in first) or (
        "measured, no melt pool" if "pool-none" in result.flags else "measured, melt pool left out as uncertain"
    )


def _entry(table: Mapping[str, Any], folder: Path) -> Entry:
    known = {field.name: field for field in fields(Entry)}
    name = table.get("file", "a photo without file")
    for key in table:
        if key not in known:
            nearest = get_close_matches(key, known, 1) or ["file"]
            raise UsageError(
                "scenario-key", f"{SCENARIO}, {name}: {key!r} is not known", hint=f"did you mean {nearest[0]}?"
            )
    for key, field in known.items():
        if field.default is MISSING and key not in table:
            raise UsageError("scenario-key", f"{SCENARIO}, {name}: {key!r} is missing", hint=f"add {key} = ...")
    for key in ("file", "baseline"):
        if key in table and not (folder / table[key]).is_file():
            raise UsageError("scenario-photo", f"{SCENARIO}: {table[key]} is not in {folder}", hint="check the name")
    return Entry(**table)


def _made(target: str) -> Path:
    folder = Path(target)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            "folder-unusable", f"the folder {target} cannot be made ({error.strerror})", hint="name another folder"
        ) from error
    return folder


def _what_next(page: Path, log: Path | None) -> Iterator[str]:
    yield ""
    yield f"Look at: {page.resolve()}"
    if log is not None:
        yield f"Next, in the workshop's log: cd {log}, then for instance"
        yield "  pooleye status                          what is on the table"
        yield "  pooleye audit                           notes against photos, and how far each tester's eye is right"
        yield "  pooleye judge RF7T                      why a candle was stopped"
        yield "  pooleye trace K-4                       every candle that holds a lot of wicks"
        yield "  pooleye serve                           the same from a phone"
    yield "Your own candle: pooleye measure PHOTO --view top --rim-inner 76mm --headspace 15mm --overlay overlays"
    yield "A log of your own: docs/first-evening.md. How to take the photo: docs/photographing.md."
    yield ""
    yield cautions.SHORT


# --- the page --------------------------------------------------------------------------------------------------------

STYLE = """
:root { color-scheme: light dark; --line: #8884; --soft: #777; --card: #fff; --back: #f3f1ec; --stop: #b3261e; }
@media (prefers-color-scheme: dark) { :root { --card: #1e1e20; --back: #121214; --soft: #aaa; --stop: #ff8a80; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--back); font: 17px/1.45 system-ui, sans-serif; }
main { max-width: 46rem; margin: 0 auto; padding: 1rem; }
h1 { font-size: 1.5rem; line-height: 1.2; margin: .5rem 0; }
h2 { font-size: 1.15rem; margin: 0 0 .3rem; }
article, .cautions { background: var(--card); border: 1px solid var(--line); border-radius: .7rem; margin: 1rem 0;
  padding: .9rem; }
img { width: 100%; height: auto; border-radius: .4rem; display: block; margin: .5rem 0; }
table { width: 100%; border-collapse: collapse; }
td { padding: .3rem 0; border-top: 1px solid var(--line); vertical-align: top; }
td + td { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; padding-left: .6rem; }
.flag, footer { color: var(--soft); font-size: .92rem; }
.stop { color: var(--stop); font-weight: 700; }
ul { padding-left: 1.1rem; margin: .4rem 0; }
@media print { body { background: #fff; font-size: 11pt; } article { break-inside: avoid; } }
"""


def _page(scenario: Scenario, cards: list[str], reports: Sequence[tuple[Path, str]] = ()) -> str:
    """The whole page in one file: nothing comes from elsewhere, so it can be sent to a phone as it is."""
    links = "".join(f'<li><a href="{html.escape(path.name)}">{html.escape(what)}</a></li>' for path, what in reports)
    listed = f'<section class="cautions"><h2>The workshop\'s reports</h2><ul>{links}</ul></section>' if links else ""
    burning = "".join(f"<li>{html.escape(line)}</li>" for line in (*cautions.WHILE_BURNING, *cautions.IN_AN_EMERGENCY))
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{html.escape(scenario.title)}</title>
<style>{STYLE}</style>
</head>
<body>
<main>
<h1>{html.escape(scenario.title)}</h1>
<p>{html.escape(scenario.about)}</p>
<section class="cautions"><h2>Candles are open fires</h2><ul>{burning}</ul></section>
{listed}
{"".join(cards)}
<footer><p>± is one standard uncertainty; the true value is within twice that in about 95 of 100 cases.</p>
<p>{html.escape(cautions.DISCLAIMER)}</p></footer>
</main>
</body>
</html>
"""


def _card(entry: Entry, result: PhotoResult, picture: Path | None) -> str:
    """One photo: stops first, the picture, the numbers, the flags."""
    from pooleye.flags import Severity, stops_first

    flags = stops_first(result.flags)
    stops = "".join(
        f'<p class="stop">STOP: {html.escape(f"{flag.meaning} {flag.remedy}")}</p>'
        for flag in flags
        if flag.severity is Severity.STOP
    )
    others = "".join(
        f'<p class="flag"><b>{flag.name}</b> {html.escape(f"{flag.meaning} {flag.remedy}")}</p>'
        for flag in flags
        if flag.severity is not Severity.STOP
    )
    alt = html.escape(f"{entry.title}: {summary(result)}")
    shown = f'<img src="{_embedded(picture)}" alt="{alt}">' if picture else ""
    return (
        f"<article><h2>{html.escape(entry.title)}</h2>{stops}<p>{html.escape(entry.say)}</p>"
        f"{shown}{_numbers(result)}{others}</article>\n"
    )


def _embedded(picture: Path) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(picture.read_bytes()).decode("ascii")


def _numbers(result: PhotoResult) -> str:
    from pooleye.flags import reason_named
    from pooleye.measurement import QUANTITIES, shown

    if result.reason is not None:
        return f"<p><b>Not measured.</b> {html.escape(f'{reason_named(result.reason).meaning} {result.hint}')}</p>"
    found = [
        (QUANTITIES[name][1], shown(name, result.quantities[name])) for name in QUANTITIES if name in result.quantities
    ]
    rows = "".join(f"<tr><td>{html.escape(label)}</td><td>{html.escape(value)}</td></tr>" for label, value in found)
    return f"<table>{rows}</table>"
