"""Pairing, the bench, a candle and its forms; its life, trials, audit, reports."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from pooleye import cautions
from pooleye.burnlog.once import KeptBefore, once
from pooleye.errors import PooleyeError
from pooleye.phone import pages, words, work
from pooleye.phone.actions import ACTIONS, Form
from pooleye.phone.pairing import COOKIE, COOKIE_DAYS
from pooleye.phone.photo_routes import shown_photo
from pooleye.phone.state import KEPT_BEFORE, KEY, SHA256, Bench, back, bench_of, device_of, own_path, posted
from pooleye.phone.words import Told

_NUMBER = re.compile(r"[1-9][0-9]{0,8}")


async def pair_page(request: Request) -> Response:
    """Where the code is typed."""
    return bench_of(request).page("pair.html", request, to=own_path(request.query_params.get("to")))


async def pair(request: Request) -> Response:
    """A try at the code."""
    bench, fields = bench_of(request), await posted(request)
    to = own_path(fields.get("to"))
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
    done = back(to)
    done.set_cookie(
        COOKIE, answer.token, max_age=COOKIE_DAYS * 86400, httponly=True, samesite="strict",
        secure=request.url.scheme == "https",
    )  # fmt: skip
    return done


# --- the bench -------------------------------------------------------------------------------------------------------


async def bench_page(request: Request) -> Response:
    """What burns, what is due."""
    bench = bench_of(request)
    table = await run_in_threadpool(bench.table.now)
    return bench.page("bench.html", request, table=table, stops=table.stops)


async def candle_page(request: Request) -> Response:
    """One candle at the bench."""
    return await _candle(request, request.path_params["code"])


async def _candle(request: Request, code: str, status: int = 200, **more: Any) -> Response:
    from pooleye.burnlog.looks import INCIDENTS, THROW_GRADES

    bench = bench_of(request)
    table = await run_in_threadpool(bench.table.now)
    shown = await run_in_threadpool(pages.candle, bench.workspace, code, table)
    return bench.page(
        "candle.html", request, status, page=shown, stops=shown.stops, incidents=INCIDENTS, grades=THROW_GRADES, **more
    )  # fmt: skip


async def act(request: Request) -> Response:
    """A form: done once per key, then the candle's page with what it said."""
    bench, name = bench_of(request), request.path_params["action"]
    if name not in ACTIONS:
        raise HTTPException(404)
    fields = await posted(request)
    key = fields.get("key", "")
    if not KEY.fullmatch(key):
        raise HTTPException(400, "this form has no proper key; reload the page")
    try:
        told = await run_in_threadpool(_do, bench, name, fields, key, device_of(request).who)
    except KeptBefore:
        told = bench.told.get(key, KEPT_BEFORE)
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
        raise error
    if name in ("strike", "refile") and SHA256.fullmatch(photo):
        return await shown_photo(request, photo, 422, error=error)
    code = fields.get("code") or fields.get("which", "").partition("/")[0]
    return await _candle(request, code, 422, error=error, typed=fields, failed=name)


async def _after(request: Request, name: str, fields: Mapping[str, str], key: str) -> Response:
    bench, photo = bench_of(request), fields.get("photo", "")
    if name == "refile" and SHA256.fullmatch(photo):
        await bench.ask(work.again_job, photo)
        return back(f"/photo/{photo}?told={key}")
    if name == "strike" and SHA256.fullmatch(photo):
        return back(f"/photo/{photo}?told={key}")
    if name == "settle":
        return back(f"/audit?told={key}")
    code = fields.get("code") or fields.get("which", "").partition("/")[0]
    return back(f"/candle/{quote(code, safe='')}?told={key}" if code else f"/?told={key}")


# --- beyond the bench ------------------------------------------------------------------------------------------------


async def life_page(request: Request) -> Response:
    """A candle's life: its pictures side by side, its numbers over time."""
    bench = bench_of(request)
    table = await run_in_threadpool(bench.table.now)
    shown = await run_in_threadpool(pages.candle, bench.workspace, request.path_params["code"], table)
    charts = await bench.ask(work.charts_job, shown.shown.candle)
    frames = pages.life(bench.workspace, shown.shown)
    return bench.page("life.html", request, page=shown, stops=shown.stops, frames=frames, charts=charts)


async def trials_page(request: Request) -> Response:
    """All trials."""
    bench = bench_of(request)
    return bench.page("trials.html", request, trials=await run_in_threadpool(pages.trials, bench.workspace))


async def trial_page(request: Request) -> Response:
    """A trial: what the judge says, its candles side by side, its drawings."""
    bench = bench_of(request)
    trial = await _trial(request, request.path_params["number"])
    said, charts = await bench.ask(work.trial_job, trial.name)
    verdict = words.told(one for one in said if one != cautions.DISCLAIMER)  # it stands below every page
    return bench.page("trial.html", request, trial=trial, stops=verdict.stops, verdict=verdict, charts=charts)


async def _trial(request: Request, number: str) -> pages.TrialPage:
    """A trial by its number: names may hold anything, and go into no address."""
    if not _NUMBER.fullmatch(number):
        raise HTTPException(404)
    return await run_in_threadpool(pages.trial, bench_of(request).workspace, int(number))


async def audit_page(request: Request) -> Response:
    """Notes against photos."""
    from pooleye.audit.service import audit_of

    bench = bench_of(request)
    found = await run_in_threadpool(audit_of, bench.workspace)
    stops = [words.for_phone(one.advice.text) for one in found.to_confirm if one.advice.severity == "stop"]
    return bench.page("audit.html", request, audit=found, stops=stops)


async def report(request: Request) -> Response:
    """A report to keep: one page with everything in it."""
    bench, kind = bench_of(request), request.path_params["kind"]
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
