"""What the page works with while it runs, and what all its addresses share."""

from __future__ import annotations

import re
import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from pooleye import cautions
from pooleye.burnlog.photo_shown import PhotoShown
from pooleye.burnlog.store import Workspace
from pooleye.phone import pages, uploads, words, work
from pooleye.phone.pairing import Device, Pairing
from pooleye.phone.words import Told
from pooleye.phone.work import Work
from pooleye.units import format_length

STATIC = Path(__file__).with_name("static")
KEY = re.compile(r"[0-9a-f]{32}")
SHA256 = re.compile(r"[0-9a-f]{64}")
# Nothing in it can be read in two ways, so that a long text is refused as fast as a short one.
OWN_PATH = re.compile(r"/(?:[A-Za-z0-9_-]+(?:/[A-Za-z0-9_-]+){0,3}/?)?")
KEPT_BEFORE = Told((), ("This was kept before; nothing was filed twice.",))
_TOLD_REMEMBERED = 500


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
    version: str = field(init=False)
    told: OrderedDict[str, Told] = field(default_factory=OrderedDict)
    sizes: dict[str, tuple[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.table = pages.Table(self.workspace)
        self.version = sha256(b"".join(one.read_bytes() for one in sorted(STATIC.iterdir()))).hexdigest()[:12]
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
        told = self.told.get(key, KEPT_BEFORE) if KEY.fullmatch(key) else None
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
            "version": self.version,
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
        part = around(photo, size)
        target = self.pictures / f"{photo.sha256}-{'-'.join(f'{one:.0f}' for one in part)}.jpg"
        if not target.is_file():
            await self.work.do(work.picture_job, photo.path, target, part)
        return target

    async def ask(self, job: Callable[..., Any], *asked: Any) -> Any:
        """A job about this workspace at this moment."""
        return await self.work.do(job, self.workspace.root, self.workspace.now(), *asked)


def around(photo: PhotoShown, size: tuple[int, int]) -> list[float]:
    """The part of the photo worth showing, x, y, width, height: around the rim of a top view, else all of it."""
    rim = photo.found_px["rim"]
    if rim is None or photo.view != "top":
        return [0.0, 0.0, float(size[0]), float(size[1])]
    reach = 1.25 * rim["semi_major"]
    left, top = max(rim["cx"] - reach, 0.0), max(rim["cy"] - reach, 0.0)
    right, bottom = min(rim["cx"] + reach, size[0]), min(rim["cy"] + reach, size[1])
    return [round(one, 1) for one in (left, top, right - left, bottom - top)]


def bench_of(request: Request) -> Bench:
    found: Bench = request.app.state.bench
    return found


def device_of(request: Request) -> Device:
    device: Device = request.scope["state"]["device"]
    return device


async def posted(request: Request) -> dict[str, str]:
    """The text fields of a form."""
    async with request.form(max_files=1, max_fields=40) as form:
        return fields_of(form)


def fields_of(form: FormData) -> dict[str, str]:
    return {name: value for name, value in form.multi_items() if isinstance(value, str)}


def back(path: str) -> RedirectResponse:
    return RedirectResponse(path, status_code=303)


def own_path(text: str | None) -> str:
    """A path of this page to go to, else the bench: never another site."""
    return text if text and OWN_PATH.fullmatch(text) else "/"
