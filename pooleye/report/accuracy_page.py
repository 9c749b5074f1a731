"""The page docs/accuracy.md: how near the numbers come, with the pictures where they do not."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from pathlib import Path

from pooleye.accuracy import (
    MOST_DECLINED,
    MOST_MISSING,
    WITHIN_2U,
    Annotated,
    Score,
    Trial,
    Tried,
    vessel_of,
    worst,
)

PICTURES = 6
PICTURE_PX, PICTURE_QUALITY = 900, 78

HEAD = """# Accuracy

*Written by `{command}`; do not edit by hand.*

{photos} photos of {candles} candles, {good} good and {bad} bad ones, were measured and compared with what is true of
them. **They are rendered, not taken of real candles**: that is how the truth is known exactly, and it is also the limit
of what this page can show. On real photos the numbers may be worse; where you can, hold callipers against them.
Nothing here certifies anything.

Each photo came with what a burn log knows: the vessel's sizes to 0.1 mm, the photo of the new candle as baseline for
soot, and in the first table the headspace to the millimetre.
"""
LEGEND = """
How to read the tables: *n* values compared (of quantities by clock: sectors), *none*: the photo shows it and no value
was given; median and 95th percentile of |error| with what is asked in brackets, **bold where it is not held**; *bias*:
median error; *in 2u*: share of values whose error is at most twice the stated standard uncertainty (asked for over all
quantities: {low:.0%} to {high:.0%}); *sd z*: standard deviation of error over uncertainty, 1 when it is honest. Of no
quantity more than {missing:.0%} may be missing; of good photos at most {declined:.0%} may be declined, and of bad
ones all must be.
"""
TITLES = {
    "given": "Headspace given",
    "unknown": "Headspace unknown, read from the photo",
}
TABLE_HEAD = """
| quantity | n | none | median (bar) | 95 % (bar) | bias | in 2u | sd z | unit |
|---|---:|---:|---:|---:|---:|---:|---:|---|
"""


def write_page(path: str | Path, photos: Annotated, trials: Sequence[Trial], command: str) -> list[Path]:
    """Writes the page and, in a folder of its name beside it, the pictures; gives the paths. Old pictures go.
    `command` is what wrote it."""
    page = Path(path)
    folder = page.with_suffix("")
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.jpg"):
        old.unlink()
    drawn = [(file, words, _draw(photos, trials[0], file, folder)) for file, words in worst(trials[0], PICTURES)]
    page.write_text(page_text(photos, trials, command) + _gallery(drawn, folder.name), encoding="utf-8")
    return [page, *(picture for _, _, picture in drawn)]


def page_text(photos: Annotated, trials: Sequence[Trial], command: str) -> str:
    """The page without its pictures."""
    first = trials[0]
    head = HEAD.format(
        command=command,
        photos=len(photos.shots),
        candles=len({shot["candle"] for shot in photos.shots}),
        good=len(first.good),
        bad=len(first.bad),
    )
    legend = LEGEND.format(low=WITHIN_2U[0], high=WITHIN_2U[1], missing=MOST_MISSING, declined=MOST_DECLINED)
    about = textwrap.fill(photos.about, 120)
    tuning = f"\n## What was tuned on them\n\n{about}\n" if about else ""
    return head + legend + tuning + "".join(_mode(trial) for trial in trials)


def _mode(trial: Trial) -> str:
    parts = [f"\n## {TITLES[trial.headspace]}\n"]
    if trial.headspace == "unknown":
        parts.append("\nLengths may be twice as far off; the uncertainties must be as honest.\n")
    parts += ["\n### All candles\n", _part(trial)]
    if trial.kept_out:
        parts += [
            f"\n### Kept out of the network's training: {', '.join(sorted(trial.kept_out))}\n",
            _part(trial.only_kept_out()),
        ]
    return "".join(parts)


def _part(trial: Trial) -> str:
    rows = "".join(_row(score) for score in trial.scores())
    return f"{TABLE_HEAD}{rows}\n{_verdicts(trial)}"


def _row(score: Score) -> str:
    wide = score.bar.wideness(score.headspace)
    median = _marked(score.written(score.median), score.median_holds)
    p95 = _marked(score.written(score.p95), score.p95_holds)
    none = _marked(str(score.missing), score.is_there)
    return (
        f"| `{score.bar.name.partition(' ')[0]}`{score.bar.name[len(score.bar.name.partition(' ')[0]) :]} "
        f"| {len(score.errors)} | {none} "
        f"| {median} ({wide * score.bar.median:g}) | {p95} ({wide * score.bar.p95:g}) | {score.written(score.bias)} "
        f"| {_or_dash(score.within_2u)} | {_or_dash(score.z_spread)} | {score.bar.unit} |\n"
    )


def _marked(words: str, holds: bool) -> str:
    return words if holds else f"**{words}**"


def _or_dash(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}"


def _verdicts(trial: Trial) -> str:
    """What is not a length: honesty over all, declines, soot, debris and smoke seen or not."""
    soot, missed, false_alarms = trial.soot_mistakes()
    debris, mistaken = trial.debris_mistakes()
    smoke, wrong = trial.smoke_mistakes()
    within, (low, high) = trial.within_2u(), trial.within_2u_interval()
    honest = _marked(f"{within:.1%}", WITHIN_2U[0] <= within <= WITHIN_2U[1])
    lines = [
        f"- Within 2u, all quantities together: {honest} (95 % interval of so few values {low:.1%} to {high:.1%}).",
        f"- Good photos declined: {len(trial.declined_good)} of {len(trial.good)}{_named(trial.declined_good)}.",
        f"- Bad photos measured: {len(trial.measured_bad)} of {len(trial.bad)}{_named(trial.measured_bad)}."
        + "".join(f" {t.file} ({t.shot['reason']}): {t.result.reason}." for t in trial.bad if t.result.reason),
        f"- Soot seen or not, {soot} photos: missed {_files(missed)}, false alarms {_files(false_alarms)}.",
        f"- Debris seen or not, {debris} photos: wrong {_files(mistaken)}.",
        f"- Smoke seen or not, {smoke} photos: wrong {_files(wrong)}.",
    ]
    return "\n".join(lines) + "\n"


def _named(tried: Sequence[Tried]) -> str:
    return f" ({', '.join(f'{t.file}: {t.result.reason}' for t in tried)})" if tried else ""


def _files(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"


def _draw(photos: Annotated, trial: Trial, file: str, folder: Path) -> Path:
    """The overlay of one photo, small."""
    from PIL import Image

    from pooleye.photo import load_photo
    from pooleye.report.overlay import draw_overlay

    shot = next(shot for shot in photos.shots if shot["file"] == file)
    result = next(t.result for t in trial.tried if t.file == file)
    path = folder / Path(file).with_suffix(".jpg").name
    draw_overlay(load_photo(photos.folder / file), result, path, rim_inner_mm=vessel_of(shot).rim_inner_mm)
    small = load_photo(path, long_side_px=PICTURE_PX)
    Image.fromarray(small.rgb).save(path, quality=PICTURE_QUALITY)
    return path


def _gallery(drawn: Sequence[tuple[str, list[str], Path]], folder: str) -> str:
    if not drawn:
        return "\n## Where it fails\n\nNo value lies beyond the 95 % bar of its quantity.\n"
    parts = ["\n## Where it fails\n\nThe photos farthest beyond the 95 % bars, headspace given.\n"]
    for file, words, picture in drawn:
        parts.append(f"\n**{file}**: {'; '.join(words)}.\n\n![what was found in {file}]({folder}/{picture.name})\n")
    return "".join(parts)
