"""What takes long, in processes of its own, so that every page stays quick; and only so much of it at a time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Executor
from dataclasses import dataclass
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar, cast

from pooleye.burnlog.store import Workspace, open_workspace, with_clock
from pooleye.errors import PooleyeError

Answer = TypeVar("Answer")

# Photos waiting for their turn; a measuring takes some tenths of a second, so a phone in this queue waits seconds.
MOST_WAITING = 24
LONGEST_S = 120.0
PICTURE_PX, THUMB_PX = 1280, 440


class Busy(Exception):  # noqa: N818 - tells the phone to come again
    """Too many photos are waiting already."""


@dataclass(frozen=True)
class _Refused:
    """A PooleyeError on its way between processes."""

    reference: str
    message: str
    looked_for: str | None
    hint: str


def _done(job: Callable[..., Any], asked: tuple[Any, ...]) -> Any:
    try:
        return job(*asked)
    except PooleyeError as error:
        return _Refused(error.reference, error.message, error.looked_for, error.hint)


class Work:
    """Jobs on an executor, at most ``most`` waiting or running."""

    def __init__(self, executor: Executor, most: int = MOST_WAITING) -> None:
        self._executor, self._most, self._waiting = executor, most, 0

    async def do(self, job: Callable[..., Answer], *asked: Any) -> Answer:
        """The job's answer. Raises Busy, or PooleyeError as the job does; a picture that kills its reader is one."""
        if self._waiting >= self._most:
            raise Busy
        self._waiting += 1
        try:
            future = self._executor.submit(_done, job, asked)
            answer = await asyncio.wait_for(asyncio.wrap_future(future), LONGEST_S)
        except BrokenExecutor:
            raise PooleyeError(
                "reader-died", "the photo could not be read: its reader stopped", hint="take the photo again"
            ) from None
        except TimeoutError:
            raise PooleyeError(
                "photo-too-slow", "the photo took too long to measure", hint="take it again, smaller"
            ) from None
        finally:
            self._waiting -= 1
        if isinstance(answer, _Refused):
            raise PooleyeError(answer.reference, answer.message, answer.looked_for, answer.hint)
        return cast("Answer", answer)


@dataclass(frozen=True)
class Snap:
    """A photo to file and measure. ``untimed_at``: when it was taken, if it does not say itself.

    ``pictures``: where its small copy goes.
    """

    root: Path
    now: datetime
    path: Path
    pictures: Path
    code: str | None
    view: str
    untimed_at: datetime | None


_open: dict[Path, Workspace] = {}


def _workspace(root: Path, now: datetime) -> Workspace:
    """This process's own workspace, at the page's moment."""
    if root not in _open:
        _open[root] = open_workspace(root)
    return with_clock(_open[root], now)


def close_all() -> None:
    """Let go of the workspaces that jobs in this process opened."""
    while _open:
        _open.popitem()[1].close()


def begin() -> None:
    """Load what measuring and drawing need, so that the first photo and the first page do not wait for it."""
    for name in ("pooleye.burnlog.snap", "pooleye.top.measure", "pooleye.report.charts", "matplotlib.figure"):
        import_module(name)
    import numpy as np

    from pooleye.top.locate import find_mouths

    find_mouths(np.zeros((480, 640, 3), np.uint8))


def snap_job(ask: Snap) -> tuple[Any, tuple[int, int]]:
    """File and measure, the same as `pooleye snap`; and the picture that the phone will ask for, with its full size."""
    from pooleye.burnlog.snap import snap

    workspace = _workspace(ask.root, ask.now)
    done = snap(workspace, ask.path, code=ask.code, view=ask.view, untimed_at=ask.untimed_at)
    return done, picture_job(ask.path, ask.pictures / f"{done.sha256}.jpg")


def again_job(root: Path, now: datetime, sha256: str) -> Any:
    """Measure a filed photo with what the log knows of it now."""
    from pooleye.burnlog.snap import measure_filed

    return measure_filed(_workspace(root, now), sha256)


@dataclass(frozen=True)
class Draw:
    """Rim and pool drawn on a photo; ``key``: keep the numbers, once for this key; None: only work them out."""

    root: Path
    now: datetime
    photo: str
    rim: str
    pool: str
    u_px: float
    key: str | None
    who: str | None


def draw_job(ask: Draw) -> Any:
    """Quantities from a rim and pool drawn by hand: the same as `pooleye redraw`."""
    from pooleye.burnlog.once import once
    from pooleye.burnlog.redraw import read_drawn, redraw

    workspace = _workspace(ask.root, ask.now)
    drawn = read_drawn(ask.rim, ask.pool, ask.u_px)
    if ask.key is not None:
        workspace = once(workspace, ask.key, "redraw")
    return redraw(workspace, ask.photo, drawn, keep=ask.key is not None, who=ask.who)


def charts_job(root: Path, now: datetime, code: str) -> list[Any]:
    """Drawings of a candle's life."""
    from pooleye.judge.service import criteria_of
    from pooleye.report.charts import candle_charts
    from pooleye.report.gather import candle_file

    workspace = _workspace(root, now)
    criteria = criteria_of(workspace)
    file = candle_file(workspace, code, criteria)
    return candle_charts(criteria, file) if file.evidence.burns else []


def trial_job(root: Path, now: datetime, name: str) -> tuple[list[str], list[Any]]:
    """What the judge says of a trial (the same as `pooleye trial judge`), and its drawings."""
    from pooleye.judge.service import criteria_of
    from pooleye.report.charts import arm_charts, trial_charts
    from pooleye.report.gather import trial_file

    workspace = _workspace(root, now)
    file = trial_file(workspace, name, criteria_of(workspace))
    if file.verdict is None:
        return ["no candle is in this trial yet"], []
    drawn = [*arm_charts(file.verdict.arms), *trial_charts([one.evidence for one in file.candles])]
    return file.verdict.said(), drawn


def report_job(root: Path, now: datetime, kind: str, which: str) -> str:
    """The report as one page: the same as `pooleye report`. ``kind``: candle, trial or session (of the latest day)."""
    from pooleye.report import pages

    workspace = _workspace(root, now)
    if kind == "session":
        return pages.session_page(workspace)
    return (pages.candle_page if kind == "candle" else pages.trial_page)(workspace, which)


def picture_job(source: Path, target: Path, around: Sequence[float] | None = None) -> tuple[int, int]:
    """Write a small upright JPEG of a photo, without its tags; returns the photo's full size (width, height).

    ``around``: x, y, width, height of the part to show, in full-size pixels; else all of it.
    """
    import cv2
    import numpy as np

    from pooleye.flags import Declined
    from pooleye.photo import load_photo

    try:
        photo = load_photo(source, long_side_px=PICTURE_PX, at_least_px=PICTURE_PX)
    except Declined as why:
        raise PooleyeError(why.reference, why.message, hint=why.hint) from None
    picture = photo.rgb
    if around is not None:
        x, y, width, height = (round(one / photo.scale_px) for one in around)
        picture = picture[max(y, 0) : max(y, 0) + max(height, 1), max(x, 0) : max(x, 0) + max(width, 1)]
        share = min(1.0, THUMB_PX / max(picture.shape[:2]))
        picture = np.asarray(cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), np.uint8)
    done, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82])
    if not done:
        raise PooleyeError("no-picture", "the photo cannot be shown", hint="take it again")
    temporary = target.with_suffix(".new")
    temporary.write_bytes(data.tobytes())
    temporary.replace(target)
    return photo.full_size_px
