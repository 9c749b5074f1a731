"""What stands before every page: who asks, from where, how much; and the headers that go out with every answer."""

from __future__ import annotations

import html
import re
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from pooleye.phone.pairing import COOKIE, Pairing

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

#: Largest bodies, in bytes: a photo sent whole, one piece of a photo, any other form.
PHOTO_BYTES, PIECE_BYTES, FORM_BYTES = 40_000_000, 1_000_000, 64_000
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # "no-referrer" would make browsers send "Origin: null" with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=()",
}
# Style and scripts are asked for with their own hash: another version has another address.
_KEPT = "public, max-age=31536000, immutable"
_OPEN = ("/pair", "/static/")
_METHODS = ("GET", "HEAD", "POST", "PUT")


@dataclass(frozen=True)
class Refusal:
    """An answer instead of the page asked for."""

    status: int
    words: str
    headers: tuple[tuple[str, str], ...] = ()


def most_bytes(method: str, path: str) -> int:
    """How large a body may be here."""
    if method == "POST" and path == "/photo":
        return PHOTO_BYTES
    return PIECE_BYTES if method == "PUT" else FORM_BYTES


class Guard:
    """Lets in what comes from a paired phone, to this address, from our own pages, and is not too large."""

    def __init__(self, app: App, pairing: Pairing, hosts: Collection[str], read_only: bool) -> None:
        self.app, self.pairing, self.hosts, self.read_only = app, pairing, frozenset(hosts), read_only

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """As any ASGI application."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        answer = _with_headers(send, _KEPT if scope["path"].startswith("/static/") else "no-store")
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _say(answer, refusal)
            return
        limit = most_bytes(scope["method"], scope["path"])
        await self.app(scope, _counted(receive, limit), answer)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> Refusal | None:
        method, path = scope["method"], scope["path"]
        if host_of(headers.get("host", "")) not in self.hosts:
            # A page elsewhere can point its own name at this address; its requests then carry that name.
            return Refusal(421, "This address is not served here.")
        if method not in _METHODS:
            return Refusal(405, "This method is not used here.", (("allow", ", ".join(_METHODS)),))
        changes = method in ("POST", "PUT")
        if changes and not _from_here(headers, scope):
            return Refusal(403, "This form was not sent by a page of this address. Open the page anew and try again.")
        if changes and (refusal := _size_refusal(headers, most_bytes(method, path))):
            return refusal
        open_ = any(path == one or (one.endswith("/") and path.startswith(one)) for one in _OPEN)
        device = self.pairing.device(_cookie(headers.get("cookie", "")))
        scope.setdefault("state", {})["device"] = device
        if not open_ and device is None:
            return _ask_to_pair(method, path, headers)
        if changes and self.read_only and path != "/pair":
            return Refusal(403, "This page only shows: the burn log is served read-only.")
        return None


def host_of(header: str) -> str:
    """The name in a Host header, without the port, in small letters."""
    match = re.fullmatch(r"(\[[0-9a-fA-F:.]+\]|[^:\[\]/@\s]*)(?::\d{1,5})?", header)
    return match[1].lower() if match else ""


def _from_here(headers: dict[str, str], scope: Scope) -> bool:
    """Whether our own page sent this: every browser names the origin of a POST; what names none is none of ours."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    return headers.get("origin") == f"{scope.get('scheme', 'http')}://{headers.get('host', '')}"


def _size_refusal(headers: dict[str, str], limit: int) -> Refusal | None:
    text = headers.get("content-length")
    if text is None:  # a body in pieces is counted as it comes
        return None
    if not text.isascii() or not text.isdigit():
        return Refusal(400, "The length of what was sent is no number.")
    if len(text) > 15 or int(text) > limit:
        return Refusal(413, f"Too large: at most {limit / 1e6:g} MB can be sent here.")
    return None


def _ask_to_pair(method: str, path: str, headers: dict[str, str]) -> Refusal:
    if method in ("GET", "HEAD") and "text/html" in headers.get("accept", ""):
        return Refusal(303, "Pair this phone first.", (("location", f"/pair?to={quote(path, safe='/')}"),))
    return Refusal(401, "This phone is not paired. Open the page and type the code shown on the computer.")


def _cookie(header: str) -> str | None:
    """Our own cookie, which is never quoted; http.cookies takes seconds over a hostile header (CVE-2024-7592)."""
    for part in header.split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value
    return None


class TooMuch(Exception):  # noqa: N818 - tells the pages, not a person
    """More was sent than is allowed here."""


def _counted(receive: Receive, limit: int) -> Receive:
    """Stops reading as soon as more comes than is allowed, whatever the header said."""
    seen = 0

    async def counted() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > limit:
            raise TooMuch
        return message

    return counted


def _with_headers(send: Send, cache: str) -> Send:
    async def answer(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message.get("headers", [])}
            more = {"cache-control": cache, **HEADERS}
            extra = [(k.encode(), v.encode()) for k, v in more.items() if k.encode() not in given]
            message["headers"] = [*message.get("headers", []), *extra]
        await send(message)

    return answer


async def _say(send: Send, refusal: Refusal) -> None:
    body = f"<!doctype html><meta charset=utf-8><title>pooleye</title><p>{html.escape(refusal.words)}".encode()
    headers = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        *((name.encode(), value.encode("latin-1")) for name, value in refusal.headers),
    ]
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
