"""Photos: sent whole or in pieces, filed, measured, shown, drawn on by hand."""

from __future__ import annotations

import re
import secrets
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response

from pooleye.burnlog.once import KeptBefore
from pooleye.burnlog.photo_shown import PhotoShown, show_photo
from pooleye.errors import PooleyeError
from pooleye.measurement import RIM_KEYS
from pooleye.phone import pages, uploads, words, work
from pooleye.phone.actions import moment_of_tap
from pooleye.phone.state import KEY, SHA256, Bench, around, back, bench_of, device_of, fields_of, posted
from pooleye.phone.words import Told
from pooleye.phone.work import Busy, Snap

# Standard uncertainty of a handle put down by hand, photo pixels: where the page does not say, and at least.
_HAND_PX, _LEAST_HAND_PX = 5.0, 0.5
# A photo never changes under its hash; which part of it shows the candle may, when the rim is put right.
_A_YEAR, _A_MINUTE = {"cache-control": "private, max-age=31536000"}, {"cache-control": "private, max-age=60"}


def _upload_key(request: Request) -> str:
    key: str = request.path_params["key"]
    return key


async def upload_size(request: Request) -> Response:
    """How much of an upload is there, so that a phone goes on where it was cut off."""
    size = bench_of(request).spool.size(device_of(request).key, _upload_key(request))
    return PlainTextResponse(str(size))


async def upload_piece(request: Request) -> Response:
    """The next piece of a photo; 409 with the size that is there when it does not follow."""
    spool, device = bench_of(request).spool, device_of(request).key
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
    bench, device = bench_of(request), device_of(request)
    async with request.form(max_files=1, max_fields=40) as form:
        fields = fields_of(form)
        key = fields.get("upload") or secrets.token_hex(16)
        if (sha256 := bench.spool.finished(device.key, key)) is not None:
            return back(f"/photo/{sha256}")
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
    return back(f"/photo/{done.sha256}?told={told_key}" if done.already else f"/photo/{done.sha256}")


async def _which(request: Request, error: PooleyeError, fields: dict[str, str]) -> Response:
    """The photo is here, its candle is not clear: a tap says which, and nothing is sent again."""
    bench = bench_of(request)
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

    if not SHA256.fullmatch(earlier) or earlier == sha256:
        return
    try:
        await run_in_threadpool(strike, bench.workspace, "photo", earlier, "retaken")
    except PooleyeError as error:
        if error.reference != "struck-already":
            raise


async def photo_page(request: Request) -> Response:
    """A photo with what was found drawn in, its numbers, what to do."""
    return await shown_photo(request, _sha256(request))


def _sha256(request: Request) -> str:
    text: str = request.path_params["sha256"]
    if not SHA256.fullmatch(text):
        raise HTTPException(404)
    return text


async def shown_photo(request: Request, sha256: str, status: int = 200, **more: Any) -> Response:
    bench = bench_of(request)
    shown = await run_in_threadpool(show_photo, bench.workspace, sha256)
    _, size = await bench.picture(shown)
    others = await run_in_threadpool(pages.others, bench.workspace, shown.place.candle)
    return bench.page(
        "photo.html", request, status, photo=shown, size=size, view=around(shown, size), others=others,
        stops=words.stops_of(shown.advice), advice=words.others_of(shown.advice), **_numbers(bench, shown), **more,
    )  # fmt: skip


async def picture(request: Request) -> Response:
    """The photo itself, small and without its tags; or the candle in it alone."""
    bench = bench_of(request)
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
    bench = bench_of(request)
    photo = await run_in_threadpool(show_photo, bench.workspace, _sha256(request))
    _, size = await bench.picture(photo)
    return bench.page("draw.html", request, photo=photo, size=size, **_drawing(photo, size), **_numbers(bench, photo))


def _drawing(photo: PhotoShown, size: tuple[int, int]) -> dict[str, Any]:
    """Rim and pool to begin with."""
    rim = photo.found_px["rim"]
    middle = [size[0] / 2, size[1] / 2, min(size) / 3, min(size) / 3, 0.0]
    axes = [rim[name] for name in RIM_KEYS] if rim else middle
    return {"rim": axes, "pool": photo.found_px["pool"] or [], "view": around(photo, size)}


def _numbers(bench: Bench, photo: PhotoShown) -> dict[str, Any]:
    first, rest = words.rows(photo.quantities, photo.by_hand, bench.workspace.settings.units)
    return {"first": first, "rest": rest}


async def draw(request: Request) -> Response:
    """What was drawn: with a key it is kept beside the tool's numbers, without one only worked out."""
    bench, sha256, fields = bench_of(request), _sha256(request), await posted(request)
    key = fields.get("key")
    if key is not None and not KEY.fullmatch(key):
        raise HTTPException(400, "this form has no proper key; reload the page")
    ask = work.Draw(
        bench.workspace.root, bench.workspace.now(), sha256, fields.get("rim", ""), fields.get("pool", ""),
        _hand_px(fields.get("u_px", "")), key, device_of(request).who,
    )  # fmt: skip
    try:
        done = await bench.work.do(work.draw_job, ask)
    except KeptBefore:
        return back(f"/photo/{sha256}?told={key}")
    if key is not None:
        bench.remember(key, Told((), ("Kept as drawn, beside the tool's numbers.",)))
        return back(f"/photo/{sha256}?told={key}")
    photo = replace(await run_in_threadpool(show_photo, bench.workspace, sha256), by_hand=done.by_hand)
    return bench.page("numbers.html", request, photo=photo, **_numbers(bench, photo))


def _hand_px(text: str) -> float:
    """How far the hand trembled, in the photo's pixels, as the page says it; within what a hand can be."""
    try:
        said = float(text)
    except ValueError:
        return _HAND_PX
    return min(max(said, _LEAST_HAND_PX), 500.0) if said == said else _HAND_PX
