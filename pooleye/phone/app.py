"""The page's addresses. Every one is behind the guard; every change is a call of the command's own function."""

from __future__ import annotations

import re
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from pooleye import cautions
from pooleye.burnlog.once import KeptBefore, once
from pooleye.burnlog.photo_shown import PhotoShown, show_photo
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.measurement import RIM_KEYS
from pooleye.phone import pages, uploads, words, work
from pooleye.phone.actions import ACTIONS, Form, moment_of_tap
from pooleye.phone.guard import Guard, TooMuch
from pooleye.phone.pairing import COOKIE, COOKIE_DAYS, Device, Pairing
from pooleye.phone.words import Told
from pooleye.phone.work import Busy, Snap, Work
from pooleye.units import format_length

_HERE = Path(__file__).parent
_KEY = re.compile(r"[0-9a-f]{32}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_NUMBER = re.compile(r"[1-9][0-9]{0,8}")
_TOLD_REMEMBERED = 500
# Standard uncertainty of a handle put down by hand, photo pixels: where the page does not say, and at least.
_HAND_PX, _LEAST_HAND_PX = 5.0, 0.5
# A photo never changes under its hash; which part of it shows the candle may, when the rim is put right.
_A_YEAR, _A_MINUTE = {"cache-control": "private, max-age=31536000"}, {"cache-control": "private, max-age=60"}
_AGAIN = Told((), ("This was kept before; nothing was filed twice.",))

Answer = Callable[[Request], Awaitable[Response]]


@dataclass
class Bench:
    """All that the page works with while it runs."""

    workspace: Workspace
    pairing: Pairing
    work: Work
    spool: uploads.Spool
    pictures: Path
    read_only: bool = False
    templates: Environment = field(init=False)
    table: pages.Table = field(init=False)
    told: OrderedDict[str, Told] = field(default_factory=OrderedDict)
    sizes: dict[str, tuple[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.table = pages.Table(self.workspace)
        self.templates = Environment(
            loader=PackageLoader("pooleye.phone"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
        )
        units: Literal["mm", "in"] = "in" if self.workspace.settings.units == "in" else "mm"
        self.templates.filters["for_phone"] = words.for_phone
        self.templates.filters["length_of"] = lambda mm: format_length(mm, units)
        # "1 h 00" stays on one line
        self.templates.filters["tight"] = lambda text: text.replace(" h ", "\u00a0h\u00a0")

    def page(self, name: str, request: Request, status: int = 200, **shown: Any) -> HTMLResponse:
        """A template with what every page needs: a fresh key for its forms, what was told, read-only or not."""
        key = request.query_params.get("told", "")
        told = self.told.get(key, _AGAIN) if _KEY.fullmatch(key) else None
        stops = dict.fromkeys([*(told.stops if told else ()), *shown.pop("stops", ())])
        general: dict[str, Any] = {
            "workshop": self.workspace.settings.name,
            "units": self.workspace.settings.units,
            "read_only": self.read_only,
            "now": self.workspace.now().timestamp(),
            "new_key": lambda: secrets.token_hex(16),
            "told": told,
            "stops": list(stops),
            "error": None,
            "typed": {},
            "failed": "",
            "cautions": cautions,
            "path": request.url.path,
        }
        return HTMLResponse(self.templates.get_template(name).render({**general, **shown}), status)

    def remember(self, key: str, told: Told) -> None:
        """What was answered to a form, for the page that follows it."""
        self.told[key] = told
        while len(self.told) > _TOLD_REMEMBERED:
            self.told.popitem(last=False)

    async def picture(self, photo: PhotoShown) -> tuple[Path, tuple[int, int]]:
        """A small copy of a photo to show, and the photo's full size in pixels."""
        target = self.pictures / f"{photo.sha256}.jpg"
        if photo.sha256 not in self.sizes or not target.is_file():
            self.sizes[photo.sha256] = await self.work.do(work.picture_job, photo.path, target)
        return target, self.sizes[photo.sha256]

    async def thumb(self, photo: PhotoShown) -> Path:
        """A smaller one of the candle alone."""
        _, size = await self.picture(photo)
        around = _around(photo, size)
        target = self.pictures / f"{photo.sha256}-{'-'.join(f'{one:.0f}' for one in around)}.jpg"
        if not target.is_file():
            await self.work.do(work.picture_job, photo.path, target, around)
        return target

    async def ask(self, job: Callable[..., Any], *asked: Any) -> Any:
        """A job about this workspace at this moment."""
        return await self.work.do(job, self.workspace.root, self.workspace.now(), *asked)


def _bench(request: Request) -> Bench:
    found: Bench = request.app.state.bench
    return found


def _device(request: Request) -> Device:
    device: Device = request.scope["state"]["device"]
    return device


async def _posted(request: Request) -> dict[str, str]:
    """The text fields of a form."""
    async with request.form(max_files=1, max_fields=40) as form:
        return _fields(form)


def _fields(form: FormData) -> dict[str, str]:
    return {name: value for name, value in form.multi_items() if isinstance(value, str)}


def _back(path: str) -> RedirectResponse:
    return RedirectResponse(path, status_code=303)


def _own_path(text: str | None) -> str:
    """A path of this page to go to, else the bench: never another site."""
    return text if text and re.fullmatch(r"/(?:[A-Za-z0-9_-]+/?){0,4}", text) else "/"


# --- pairing ---------------------------------------------------------------------------------------------------------


async def pair_page(request: Request) -> Response:
    """Where the code is typed."""
    return _bench(request).page("pair.html", request, to=_own_path(request.query_params.get("to")))


async def pair(request: Request) -> Response:
    """A try at the code."""
    bench, fields = _bench(request), await _posted(request)
    to = _own_path(fields.get("to"))
    who = " ".join(fields.get("who", "").split())[:40] or None
    answer = await run_in_threadpool(bench.pairing.try_code, fields.get("code", ""), who)
    if answer.token is None:
        if answer.wait_s:
            text = f"Too many wrong codes. Wait {max(answer.wait_s, 1):.0f} s, then type the new code."
        else:
            text = f"That is not the code. {answer.tries_left} tries left."
        headers = {"retry-after": f"{answer.wait_s:.0f}"} if answer.wait_s else {}
        page = bench.page("pair.html", request, 429 if answer.wait_s else 403, to=to, error=text)
        page.headers.update(headers)
        return page
    done = _back(to)
    done.set_cookie(
        COOKIE, answer.token, max_age=COOKIE_DAYS * 86400, httponly=True, samesite="strict",
        secure=request.url.scheme == "https",
    )  # fmt: skip
    return done


# --- the bench -------------------------------------------------------------------------------------------------------


async def bench_page(request: Request) -> Response:
    """What burns, what is due."""
    bench = _bench(request)
    table = await run_in_threadpool(bench.table.now)
    return bench.page("bench.html", request, table=table, stops=table.stops)


async def candle_page(request: Request) -> Response:
    """One candle at the bench."""
    return await _candle(request, request.path_params["code"])


async def _candle(request: Request, code: str, status: int = 200, **more: Any) -> Response:
    from pooleye.burnlog.looks import INCIDENTS, THROW_GRADES

    bench = _bench(request)
    table = await run_in_threadpool(bench.table.now)
    shown = await run_in_threadpool(pages.candle, bench.workspace, code, table)
    return bench.page(
        "candle.html", request, status, page=shown, stops=shown.stops, incidents=INCIDENTS, grades=THROW_GRADES, **more
    )  # fmt: skip


async def act(request: Request) -> Response:
    """A form: done once per key, then the candle's page with what it said."""
    bench, name = _bench(request), request.path_params["action"]
    if name not in ACTIONS:
        raise HTTPException(404)
    fields = await _posted(request)
    key = fields.get("key", "")
    if not _KEY.fullmatch(key):
        raise HTTPException(400, "this form has no proper key; reload the page")
    try:
        told = await run_in_threadpool(_do, bench, name, fields, key, _device(request).who)
    except KeptBefore:
        told = bench.told.get(key, _AGAIN)
    except PooleyeError as error:
        return await _refused(request, name, fields, error)
    bench.remember(key, told)
    return await _after(request, name, fields, key)


def _do(bench: Bench, name: str, fields: Mapping[str, str], key: str, who: str | None) -> Told:
    form = Form(fields, bench.workspace, who)
    return pages.said(ACTIONS[name](once(bench.workspace, key, name), form))


async def _refused(request: Request, name: str, fields: Mapping[str, str], error: PooleyeError) -> Response:
    """The page again, with what was typed and what is wrong with it."""
    photo = fields.get("photo", "")
    if name == "settle":
        return await _told_error(request, error)
    if name in ("strike", "refile") and _SHA256.fullmatch(photo):
        return await _photo(request, photo, 422, error=error)
    code = fields.get("code") or fields.get("which", "").partition("/")[0]
    return await _candle(request, code, 422, error=error, typed=fields, failed=name)


async def _after(request: Request, name: str, fields: Mapping[str, str], key: str) -> Response:
    bench, photo = _bench(request), fields.get("photo", "")
    if name == "refile" and _SHA256.fullmatch(photo):
        await bench.ask(work.again_job, photo)
        return _back(f"/photo/{photo}?told={key}")
    if name == "settle":
        return _back(f"/audit?told={key}")
    code = fields.get("code") or fields.get("which", "").partition("/")[0]
    return _back(f"/candle/{quote(code, safe='')}?told={key}" if code else f"/?told={key}")


# --- photos ----------------------------------------------------------------------------------------------------------


def _upload_key(request: Request) -> str:
    key: str = request.path_params["key"]
    return key


async def upload_size(request: Request) -> Response:
    """How much of an upload is there, so that a phone goes on where it was cut off."""
    size = _bench(request).spool.size(_device(request).key, _upload_key(request))
    return PlainTextResponse(str(size))


async def upload_piece(request: Request) -> Response:
    """The next piece of a photo; 409 with the size that is there when it does not follow."""
    spool, device = _bench(request).spool, _device(request).key
    offset = request.query_params.get("offset", "")
    if not re.fullmatch(r"\d{1,9}", offset):
        raise HTTPException(400, "offset is missing")
    piece = await request.body()
    try:
        size = await run_in_threadpool(spool.append, device, _upload_key(request), int(offset), piece)
    except uploads.WrongOffset as wrong:
        return PlainTextResponse(str(wrong.size), 409)
    return PlainTextResponse(str(size))


async def take_photo(request: Request) -> Response:
    """A photo, sent whole or finished in pieces before: filed, measured, shown."""
    bench, device = _bench(request), _device(request)
    async with request.form(max_files=1, max_fields=40) as form:
        fields = _fields(form)
        key = fields.get("upload") or secrets.token_hex(16)
        if (sha256 := bench.spool.finished(device.key, key)) is not None:
            return _back(f"/photo/{sha256}")
        try:
            whole = await _whole(bench, device.key, key, form)
        except uploads.WrongOffset as wrong:
            return PlainTextResponse(str(wrong.size), 409)
    view = fields.get("view", "auto")
    ask = Snap(
        bench.workspace.root, bench.workspace.now(), whole, bench.pictures, fields.get("code") or None,
        view if view in ("top", "side") else "auto", moment_of_tap(bench.workspace, fields.get("age_s", "")),
    )  # fmt: skip
    try:
        done, size = await bench.work.do(work.snap_job, ask)
    except Busy:
        bench.spool.keep(device.key, key, whole)
        raise
    except PooleyeError as error:
        if error.reference != "which-candle":
            whole.unlink(missing_ok=True)
            raise
        size_said = whole.stat().st_size
        bench.spool.keep(device.key, key, whole)
        return await _which(request, error, {**fields, "upload": key, "size": str(size_said)})
    bench.sizes[done.sha256] = size
    bench.spool.finish(device.key, key, whole, done.sha256)
    await _instead_of(bench, fields.get("instead", ""), done.sha256)
    told_key = secrets.token_hex(16)
    bench.remember(told_key, Told((), ("This photo was filed before.",) if done.already else ()))
    return _back(f"/photo/{done.sha256}?told={told_key}" if done.already else f"/photo/{done.sha256}")


async def _which(request: Request, error: PooleyeError, fields: dict[str, str]) -> Response:
    """The photo is here, its candle is not clear: a tap says which, and nothing is sent again."""
    bench = _bench(request)
    others = await run_in_threadpool(pages.others, bench.workspace, "")
    kept = {name: fields[name] for name in ("upload", "size", "age_s", "instead") if name in fields}
    return bench.page("which.html", request, 422, error=error.message, kept=kept, others=others)


async def _whole(bench: Bench, device: str, key: str, form: FormData) -> Path:
    """The photo's file."""
    file, size = form.get("file"), str(form.get("size", ""))
    if isinstance(file, UploadFile):
        content = await file.read()
        if not content:
            raise uploads.no_photo()
        await run_in_threadpool(bench.spool.append, device, key, 0, content)
        size = str(len(content))
    if not re.fullmatch(r"\d{1,9}", size):
        raise uploads.no_photo()
    return await run_in_threadpool(bench.spool.whole, device, key, int(size))


async def _instead_of(bench: Bench, earlier: str, sha256: str) -> None:
    """A retaken photo: the one it replaces is struck out, not deleted."""
    from pooleye.burnlog.corrections import strike

    if not _SHA256.fullmatch(earlier) or earlier == sha256:
        return
    try:
        await run_in_threadpool(strike, bench.workspace, "photo", earlier, "retaken")
    except PooleyeError as error:
        if error.reference != "struck-already":
            raise


async def photo_page(request: Request) -> Response:
    """A photo with what was found drawn in, its numbers, what to do."""
    return await _photo(request, _sha256(request))


def _sha256(request: Request) -> str:
    text: str = request.path_params["sha256"]
    if not _SHA256.fullmatch(text):
        raise HTTPException(404)
    return text


async def _photo(request: Request, sha256: str, status: int = 200, **more: Any) -> Response:
    bench = _bench(request)
    shown = await run_in_threadpool(show_photo, bench.workspace, sha256)
    _, size = await bench.picture(shown)
    others = await run_in_threadpool(pages.others, bench.workspace, shown.place.candle)
    return bench.page(
        "photo.html", request, status, photo=shown, size=size, view=_around(shown, size), others=others,
        stops=words.stops_of(shown.advice), advice=words.others_of(shown.advice), **_numbers(bench, shown), **more,
    )  # fmt: skip


async def picture(request: Request) -> Response:
    """The photo itself, small and without its tags; or the candle in it alone."""
    bench = _bench(request)
    shown = await run_in_threadpool(show_photo, bench.workspace, _sha256(request))
    if request.path_params["what"] not in ("picture", "candle"):
        raise HTTPException(404)
    if request.path_params["what"] == "candle":
        return FileResponse(await bench.thumb(shown), media_type="image/jpeg", headers=_A_MINUTE)
    path, _ = await bench.picture(shown)
    return FileResponse(path, media_type="image/jpeg", headers=_A_YEAR)


# --- drawing by hand -------------------------------------------------------------------------------------------------


async def draw_page(request: Request) -> Response:
    """Rim and pool with handles to drag."""
    bench = _bench(request)
    photo = await run_in_threadpool(show_photo, bench.workspace, _sha256(request))
    _, size = await bench.picture(photo)
    return bench.page("draw.html", request, photo=photo, size=size, **_drawing(photo, size), **_numbers(bench, photo))


def _drawing(photo: PhotoShown, size: tuple[int, int]) -> dict[str, Any]:
    """Rim and pool to begin with."""
    rim = photo.found_px["rim"]
    middle = [size[0] / 2, size[1] / 2, min(size) / 3, min(size) / 3, 0.0]
    axes = [rim[name] for name in RIM_KEYS] if rim else middle
    return {"rim": axes, "pool": photo.found_px["pool"] or [], "view": _around(photo, size)}


def _around(photo: PhotoShown, size: tuple[int, int]) -> list[float]:
    """The part of the photo worth showing, x, y, width, height: around the rim of a top view, else all of it."""
    rim = photo.found_px["rim"]
    if rim is None or photo.view != "top":
        return [0.0, 0.0, float(size[0]), float(size[1])]
    reach = 1.25 * rim["semi_major"]
    left, top = max(rim["cx"] - reach, 0.0), max(rim["cy"] - reach, 0.0)
    right, bottom = min(rim["cx"] + reach, size[0]), min(rim["cy"] + reach, size[1])
    return [round(one, 1) for one in (left, top, right - left, bottom - top)]


def _numbers(bench: Bench, photo: PhotoShown) -> dict[str, Any]:
    first, rest = words.rows(photo.quantities, photo.by_hand, bench.workspace.settings.units)
    return {"first": first, "rest": rest}


async def draw(request: Request) -> Response:
    """What was drawn: with a key it is kept beside the tool's numbers, without one only worked out."""
    bench, sha256, fields = _bench(request), _sha256(request), await _posted(request)
    key = fields.get("key")
    if key is not None and not _KEY.fullmatch(key):
        raise HTTPException(400, "this form has no proper key; reload the page")
    ask = work.Draw(
        bench.workspace.root, bench.workspace.now(), sha256, fields.get("rim", ""), fields.get("pool", ""),
        _hand_px(fields.get("u_px", "")), key, _device(request).who,
    )  # fmt: skip
    try:
        done = await bench.work.do(work.draw_job, ask)
    except KeptBefore:
        return _back(f"/photo/{sha256}?told={key}")
    if key is not None:
        bench.remember(key, Told((), ("Kept as drawn, beside the tool's numbers.",)))
        return _back(f"/photo/{sha256}?told={key}")
    photo = replace(await run_in_threadpool(show_photo, bench.workspace, sha256), by_hand=done.by_hand)
    return bench.page("numbers.html", request, photo=photo, **_numbers(bench, photo))


def _hand_px(text: str) -> float:
    """How far the hand trembled, in the photo's pixels, as the page says it; within what a hand can be."""
    try:
        said = float(text)
    except ValueError:
        return _HAND_PX
    return min(max(said, _LEAST_HAND_PX), 500.0) if said == said else _HAND_PX


# --- beyond the bench ------------------------------------------------------------------------------------------------


async def life_page(request: Request) -> Response:
    """A candle's life: its pictures side by side, its numbers over time."""
    bench = _bench(request)
    table = await run_in_threadpool(bench.table.now)
    shown = await run_in_threadpool(pages.candle, bench.workspace, request.path_params["code"], table)
    charts = await bench.ask(work.charts_job, shown.shown.candle)
    frames = pages.life(bench.workspace, shown.shown)
    return bench.page("life.html", request, page=shown, stops=shown.stops, frames=frames, charts=charts)


async def trials_page(request: Request) -> Response:
    """All trials."""
    bench = _bench(request)
    return bench.page("trials.html", request, trials=await run_in_threadpool(pages.trials, bench.workspace))


async def trial_page(request: Request) -> Response:
    """A trial: what the judge says, its candles side by side, its drawings."""
    bench = _bench(request)
    trial = await _trial(request, request.path_params["number"])
    said, charts = await bench.ask(work.trial_job, trial.name)
    verdict = words.told(one for one in said if one != cautions.DISCLAIMER)  # it stands below every page
    return bench.page("trial.html", request, trial=trial, stops=verdict.stops, verdict=verdict, charts=charts)


async def _trial(request: Request, number: str) -> pages.TrialPage:
    """A trial by its number: names may hold anything, and go into no address."""
    if not _NUMBER.fullmatch(number):
        raise HTTPException(404)
    return await run_in_threadpool(pages.trial, _bench(request).workspace, int(number))


async def audit_page(request: Request) -> Response:
    """Notes against photos."""
    from pooleye.audit.service import audit_of

    bench = _bench(request)
    found = await run_in_threadpool(audit_of, bench.workspace)
    stops = [words.for_phone(one.advice.text) for one in found.to_confirm if one.advice.severity == "stop"]
    return bench.page("audit.html", request, audit=found, stops=stops)


async def report(request: Request) -> Response:
    """A report to keep: one page with everything in it."""
    bench, kind = _bench(request), request.path_params["kind"]
    if kind not in ("candle", "trial", "session"):
        raise HTTPException(404)
    if kind == "trial":
        which = (await _trial(request, request.path_params["which"])).name
    else:
        which = request.path_params["which"]
    page = await bench.ask(work.report_job, kind, which)
    name = re.sub(r"[^A-Za-z0-9]+", "-", which).strip("-")[:40]
    headers = {
        "content-disposition": f'attachment; filename="pooleye-{kind}-{name}.html"',
        "content-security-policy": "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:",
    }
    return HTMLResponse(page, headers=headers)


# --- when something is wrong -----------------------------------------------------------------------------------------


def _wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "")


async def _told_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, PooleyeError)
    status = 404 if error.reference.startswith(("unknown-", "not-a-candle-code", "which-photo")) else 422
    return _bench(request).page("wrong.html", request, status, error=error)


async def _told_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    text = {404: "There is no such page.", 405: "This address is not used so."}.get(error.status_code, error.detail)
    return _bench(request).page("wrong.html", request, error.status_code, error=text)


async def _told_busy(request: Request, _error: Exception) -> Response:
    page = _bench(request).page("wrong.html", request, 503, error="Many photos are being measured. Try again.")
    page.headers["retry-after"] = "2"
    return page


async def _told_too_much(request: Request, _error: Exception) -> Response:
    return _bench(request).page("wrong.html", request, 413, error="That is too large to send here.")


async def _told_fault(request: Request, _error: Exception) -> Response:
    text = "pooleye itself failed at this. Look whether it was kept, then try again."
    return _bench(request).page("wrong.html", request, 500, error=text)


def _routes() -> list[Route | Mount]:
    return [
        Route("/pair", pair_page, methods=["GET"]),
        Route("/pair", pair, methods=["POST"]),
        Route("/", bench_page),
        Route("/candle/{code}", candle_page),
        Route("/candle/{code}/life", life_page),
        Route("/do/{action}", act, methods=["POST"]),
        Route("/upload/{key}", upload_size, methods=["GET"]),
        Route("/upload/{key}", upload_piece, methods=["PUT"]),
        Route("/photo", take_photo, methods=["POST"]),
        Route("/photo/{sha256}", photo_page),
        Route("/photo/{sha256}/{what}.jpg", picture),
        Route("/photo/{sha256}/draw", draw_page, methods=["GET"]),
        Route("/photo/{sha256}/draw", draw, methods=["POST"]),
        Route("/trials", trials_page),
        Route("/trial/{number}", trial_page),
        Route("/audit", audit_page),
        Route("/report/{kind}/{which}", report),
        Mount("/static", StaticFiles(directory=_HERE / "static")),
    ]


def create_app(
    workspace: Workspace,
    pairing: Pairing,
    executor: Executor,
    folder: Path,
    *,
    hosts: tuple[str, ...] = ("127.0.0.1", "localhost"),
    read_only: bool = False,
) -> Guard:
    """The page as an ASGI application. ``folder``: an empty one for unfinished uploads and small pictures."""
    (folder / "uploads").mkdir(parents=True, exist_ok=True)
    (folder / "pictures").mkdir(exist_ok=True)
    read_only = read_only or workspace.read_only
    bench = Bench(
        workspace, pairing, Work(executor), uploads.Spool(folder / "uploads"), folder / "pictures", read_only
    )  # fmt: skip
    app = Starlette(
        routes=_routes(),
        exception_handlers={
            PooleyeError: _told_error, HTTPException: _told_http, Busy: _told_busy, TooMuch: _told_too_much,
            Exception: _told_fault,
        },
    )  # fmt: skip
    app.state.bench = bench
    return Guard(app, pairing, hosts, read_only)
