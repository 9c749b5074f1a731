"""The page's addresses. Every one is behind the guard; every change is a call of the command's own function."""

from __future__ import annotations

from concurrent.futures import Executor
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.phone import log_routes, photo_routes, uploads
from pooleye.phone.guard import Guard, TooMuch
from pooleye.phone.pairing import Pairing
from pooleye.phone.state import STATIC, Bench, bench_of
from pooleye.phone.work import Busy, Work


async def _told_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, PooleyeError)
    status = 404 if error.reference.startswith(("unknown-", "not-a-candle-code", "which-photo")) else 422
    return bench_of(request).page("wrong.html", request, status, error=error)


async def _told_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    text = {404: "There is no such page.", 405: "This address is not used so."}.get(error.status_code, error.detail)
    return bench_of(request).page("wrong.html", request, error.status_code, error=text)


async def _told_busy(request: Request, _error: Exception) -> Response:
    page = bench_of(request).page("wrong.html", request, 503, error="Many photos are being measured. Try again.")
    page.headers["retry-after"] = "2"
    return page


async def _told_too_much(request: Request, _error: Exception) -> Response:
    return bench_of(request).page("wrong.html", request, 413, error="That is too large to send here.")


async def _told_fault(request: Request, _error: Exception) -> Response:
    text = "pooleye itself failed at this. Look whether it was kept, then try again."
    return bench_of(request).page("wrong.html", request, 500, error=text)


def _routes() -> list[Route | Mount]:
    return [
        Route("/pair", log_routes.pair_page, methods=["GET"]),
        Route("/pair", log_routes.pair, methods=["POST"]),
        Route("/", log_routes.bench_page),
        Route("/candle/{code}", log_routes.candle_page),
        Route("/candle/{code}/life", log_routes.life_page),
        Route("/do/{action}", log_routes.act, methods=["POST"]),
        Route("/upload/{key}", photo_routes.upload_size, methods=["GET"]),
        Route("/upload/{key}", photo_routes.upload_piece, methods=["PUT"]),
        Route("/photo", photo_routes.take_photo, methods=["POST"]),
        Route("/photo/{sha256}", photo_routes.photo_page),
        Route("/photo/{sha256}/{what}.jpg", photo_routes.picture),
        Route("/photo/{sha256}/draw", photo_routes.draw_page, methods=["GET"]),
        Route("/photo/{sha256}/draw", photo_routes.draw, methods=["POST"]),
        Route("/trials", log_routes.trials_page),
        Route("/trial/{number}", log_routes.trial_page),
        Route("/audit", log_routes.audit_page),
        Route("/report/{kind}/{which}", log_routes.report),
        Mount("/static", StaticFiles(directory=STATIC)),
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
