"""Attacks tried on the page, and what each got: a table in docs/phone.md that this file holds true."""

from __future__ import annotations

import io
import random
import re
import socket
import struct
import time
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from sqlalchemy import func, select

from pooleye.burnlog.columns import Base
from pooleye.burnlog.records import Burn, Photo
from pooleye.phone import app, guard
from pooleye.phone.pairing import COOKIE

Attack = Callable[[Any, httpx.Client], str]
ATTACKS: list[tuple[str, str, Attack]] = []
SCRIPT = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>"
DOCS = Path(__file__).parents[2] / "docs" / "phone.md"
KEY = "0123456789abcdef" * 2


def attack(group: str, what: str) -> Callable[[Attack], Attack]:
    """Put a function into the table; it returns what the attack got."""

    def note(function: Attack) -> Attack:
        ATTACKS.append((group, what, function))
        return function

    return note


def rows_in_log(bench: Any) -> int:
    """How many rows there are in all tables together."""
    with bench.workspace.read() as session:
        return sum(
            session.scalar(select(func.count()).select_from(table)) or 0 for table in Base.metadata.sorted_tables
        )


def raw(bench: Any, request: str) -> str:
    """The status line that exact bytes get."""
    host, port = bench.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=10) as line:
        line.sendall(request.replace("\n", "\r\n").encode("latin-1"))
        return line.recv(200).split(b"\r\n")[0].decode("latin-1").removeprefix("HTTP/1.1 ")[:3]


def key_of(phone: httpx.Client, code: str, action: str) -> str:
    """The key of a form on a candle's page."""
    found = re.search(
        rf'action="/do/{action}".*?value="([0-9a-f]{{32}})"', phone.get(f"/candle/{code}").text, re.DOTALL
    )
    assert found, action
    return found[1]


def cookie_of(phone: httpx.Client) -> str:
    return f"{COOKIE}={phone.cookies[COOKIE]}"


def answers(statuses: Iterator[int] | list[int]) -> str:
    """The different statuses, in order."""
    return ", ".join(str(one) for one in sorted(set(statuses)))


# --- who is not paired -----------------------------------------------------------------------------------------------


def addresses() -> list[tuple[str, str]]:
    """Every route with each method that the page uses."""
    paths = [re.sub(r"\{\w+\}", "1", route.path) for route in app._routes() if route.path != "/static"]
    return [(method, path) for path in paths if path != "/pair" for method in ("GET", "POST", "PUT")]


@attack("unpaired", "every address and method without a cookie, as a program")
def _(bench: Any, _phone: httpx.Client) -> str:
    with bench.client(paired=False) as stranger:
        stranger.headers["accept"] = "*/*"
        return answers([stranger.request(method, path).status_code for method, path in addresses()])


@attack("unpaired", "every address without a cookie, as a browser")
def _(bench: Any, _phone: httpx.Client) -> str:
    with bench.client(paired=False) as stranger:
        found = [stranger.get(path) for method, path in addresses() if method == "GET"]
        assert all(one.headers["location"].startswith("/pair?to=/") for one in found)
        return answers([one.status_code for one in found]) + " to the pairing page"


@attack("unpaired", "a forged cookie; a hash from phones.json as cookie; SQL and 8 kB in the cookie")
def _(bench: Any, _phone: httpx.Client) -> str:
    hashes = re.findall(r'"key": "(\w+)"', (bench.workspace.root / "phones.json").read_text())
    tries = ["forged", hashes[0], "' OR 1=1 --", "x" * 8000]
    with bench.client(paired=False) as stranger:
        stranger.headers["accept"] = "*/*"
        return answers([stranger.get("/", headers={"cookie": f"{COOKIE}={one}"}).status_code for one in tries])


@attack("unpaired", "five wrong codes, then the right one")
def _(bench: Any, _phone: httpx.Client) -> str:
    with bench.client(paired=False) as stranger:
        right = bench.pairing.code
        wrong = [stranger.post("/pair", data={"code": f"{int(right) + n + 1:08d}"[-8:]}) for n in range(5)]
        last = stranger.post("/pair", data={"code": bench.pairing.code})
        assert bench.pairing.code != right
        bench.pairing._closed_until = 0.0  # the door opens again for the attacks that follow
        return f"{', '.join(str(one.status_code) for one in (*wrong, last))}; a new code"


@attack("unpaired", "a path of 30 kB to go on to after pairing")
def _(bench: Any, _phone: httpx.Client) -> str:
    with bench.client(paired=False) as stranger:
        before = time.monotonic()
        found = stranger.get(f"/pair?to=/{'a' * 30_000}.")
        assert time.monotonic() - before < 5
        assert 'name="to" value="/"' in found.text
        return f"{found.status_code}; at once, and on to /"


@attack("unpaired", "a code of letters, of 10 kB, of Arabic digits, none")
def _(bench: Any, _phone: httpx.Client) -> str:
    arabic = "".join(chr(0x660 + int(digit)) for digit in bench.pairing.code)
    with bench.client(paired=False) as stranger:
        found = [stranger.post("/pair", data={"code": one}).status_code for one in ("x" * 8, "1" * 10_000, arabic, "")]
        bench.pairing._wrong = 0
        return answers(found)


# --- other sites -----------------------------------------------------------------------------------------------------


@attack("other sites", "a form posted from another origin, from origin “null”, without any origin")
def _(bench: Any, phone: httpx.Client) -> str:
    about = {"cookie": cookie_of(phone), "accept": "text/html"}
    form = {"key": KEY, "code": bench.codes[0]}
    with httpx.Client(base_url=bench.address, headers=about) as other:
        found = [other.post("/do/light", data=form, headers={"origin": one}) for one in ("http://evil.example", "null")]
        return answers([one.status_code for one in (*found, other.post("/do/light", data=form))])


@attack("other sites", "the right origin, but the browser says cross-site or same-site")
def _(bench: Any, phone: httpx.Client) -> str:
    form = {"key": KEY, "code": bench.codes[0]}
    sites = ("cross-site", "same-site")
    return answers([phone.post("/do/light", data=form, headers={"sec-fetch-site": one}).status_code for one in sites])


@attack("other sites", "a name of another's pointed at this address (Host: evil.example), with the cookie")
def _(bench: Any, phone: httpx.Client) -> str:
    about = {"host": "evil.example", "origin": "http://evil.example"}
    return answers([phone.get("/", headers=about).status_code, phone.post("/do/light", headers=about).status_code])


@attack("other sites", "a change by GET: /do/light as a link or picture")
def _(bench: Any, phone: httpx.Client) -> str:
    return answers([phone.get(f"/do/light?key={KEY}&code={bench.codes[0]}").status_code])


@attack("other sites", "after pairing, on to another site: /pair?to=//evil.example and six more")
def _(bench: Any, _phone: httpx.Client) -> str:
    places = (
        "//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "/a\r\nset-cookie: x=1",
        "/%2f/evil.example", "/@evil.example",
    )  # fmt: skip
    found = []
    for place in places:
        with bench.client(paired=False) as stranger:
            done = stranger.post("/pair", data={"code": bench.pairing.code, "to": place})
            found.append(f"{done.status_code} to {done.headers['location']}")
    return ", ".join(sorted(set(found)))


# --- paths -----------------------------------------------------------------------------------------------------------


@attack("paths", "/static/../app.py, %2e%2e, %252e, //etc/passwd, backslashes, NUL: nine ways out of the folder")
def _(bench: Any, phone: httpx.Client) -> str:
    paths = (
        "/static/../app.py", "/static/%2e%2e/app.py", "/static/%252e%252e/app.py", "/static//etc/passwd",
        "/static/..%5capp.py", "/static/%00", "/static/....//app.py", "/photo/../../pooleye.toml",
        "/photo/..%2f..%2fpooleye.toml/picture.jpg",
    )  # fmt: skip
    host = bench.address.removeprefix("http://")
    head = f"Host: {host}\nCookie: {cookie_of(phone)}\nConnection: close\n\n"
    return answers([int(raw(bench, f"GET {path} HTTP/1.1\n{head}")) for path in paths])


@attack("paths", "an upload's key, a report's name, a burn, a photo's hash with ../ in it")
def _(bench: Any, phone: httpx.Client) -> str:
    before = sorted(bench.workspace.root.parent.rglob("*"))
    form = {"key": KEY, "which": "../../x/1", "field": "lit_at", "time": "9:00"}
    found = [
        phone.put("/upload/..%2f..%2fx?offset=0", content=b"x"),
        phone.put("/upload/....?offset=0", content=b"x"),
        phone.get("/report/candle/..%2f..%2fetc"),
        phone.get("/report/../../etc/passwd"),
        phone.get("/photo/" + "A" * 64),
        phone.get("/trial/-1"),
        phone.get("/trial/99999999999999999999"),
        phone.post("/do/correct", data=form),
    ]
    assert sorted(bench.workspace.root.parent.rglob("*")) == before
    return answers([one.status_code for one in found]) + "; no file made"


@attack("paths", "a photo called ../../../evil.sh")
def _(bench: Any, phone: httpx.Client) -> str:
    found = phone.post("/photo", data={"code": bench.codes[2]}, files={"file": ("../../../evil.sh", _jpeg(1))})
    assert not list(bench.workspace.root.parent.rglob("*evil*"))
    with bench.workspace.read() as session:
        assert all("evil" not in one.original_name for one in session.scalars(select(Photo)))
    return f"{found.status_code}; kept under its hash, the name is not used"


# --- files -----------------------------------------------------------------------------------------------------------


def _jpeg(seed: int, size: tuple[int, int] = (640, 480)) -> bytes:
    picture, out = Image.new("RGB", size, (seed % 256, 90, 120)), io.BytesIO()
    picture.save(out, "JPEG")
    return out.getvalue()


def _png_head(width: int, height: int) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    body = chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + body + chunk(b"IEND", b"")


def _gif() -> bytes:
    out = io.BytesIO()
    frames = [Image.new("P", (300, 300), n) for n in range(3)]
    frames[0].save(out, "GIF", save_all=True, append_images=frames[1:])
    return out.getvalue()


def _posted(bench: Any, phone: httpx.Client, *files: bytes) -> str:
    found = [phone.post("/photo", data={"code": bench.codes[2]}, files={"file": ("p.jpg", one)}) for one in files]
    assert phone.get("/").status_code == 200
    return answers([one.status_code for one in found])


@attack("files", "41 MB said in the header; the same in pieces without a length; a form of 65 kB")
def _(bench: Any, phone: httpx.Client) -> str:
    host, big = bench.address.removeprefix("http://"), guard.PHOTO_BYTES + 1_000_000
    head = f"Host: {host}\nOrigin: {bench.address}\nCookie: {cookie_of(phone)}\n"
    said = raw(bench, f"POST /photo HTTP/1.1\n{head}Content-Type: multipart/form-data\nContent-Length: {big}\n\n")

    def pieces() -> Iterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="file"; filename="p"\r\n\r\n'
        for _ in range(big // 1_000_000):
            yield b"x" * 1_000_000

    try:
        more = phone.post("/photo", content=pieces(), headers={"content-type": "multipart/form-data; boundary=x"})
        streamed = more.status_code
    except httpx.TransportError:
        streamed = 413  # the line is closed while we are still sending
    form = phone.post("/do/note", data={"key": KEY, "code": bench.codes[0], "text": "x" * 65_000})
    return answers([int(said), streamed, form.status_code])


@attack("files", "no bytes, text, GIF, SVG with a script, PDF, zip, HTML, a clip, an executable, all called p.jpg")
def _(bench: Any, phone: httpx.Client) -> str:
    svg = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    return _posted(
        bench, phone, b"", b"no photo", _gif(), svg, b"%PDF-1.7\n", b"PK\x03\x04" + b"x" * 99, b"<html><script>",
        b"\x00\x00\x00\x18ftypisom" + b"x" * 99, b"\x7fELF" + b"x" * 99,
    )  # fmt: skip


@attack("files", "JPEG cut in half, JPEG of noise, PNG said to be 100 000 × 100 000, PNG 20 000 × 20 000, broken HEIC")
def _(bench: Any, phone: httpx.Client) -> str:
    whole = _jpeg(2)
    noise = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 40
    heic = b"\x00\x00\x00\x18ftypheic" + b"\0" * 4000
    return _posted(
        bench, phone, whole[: len(whole) // 2], noise, _png_head(100_000, 100_000), _png_head(20_000, 20_000), heic
    )


@attack("files", "twenty JPEG, PNG and WebP with bytes changed at random, some cut short")
def _(bench: Any, phone: httpx.Client) -> str:
    chance, whole = random.Random(3), []
    for kind in ("JPEG", "PNG", "WEBP"):
        out = io.BytesIO()
        Image.effect_noise((400, 300), 60).save(out, kind)
        whole.append(out.getvalue())
    for number in range(20):
        data = bytearray(whole[number % 3])
        for _ in range(chance.choice([1, 5, 40])):
            data[chance.randrange(4, chance.choice([200, len(data)]))] = chance.randrange(256)
        cut = chance.randrange(20, len(data)) if number % 4 == 0 else len(data)
        sent = phone.post("/photo", data={"code": bench.codes[2]}, files={"file": ("p.jpg", bytes(data[:cut]))})
        assert sent.status_code in (303, 422), sent.status_code
    return "each measured, declined or refused (303 or 422)"


@attack("files", "a JPEG with a page and a script behind its end")
def _(bench: Any, phone: httpx.Client) -> str:
    sent = phone.post("/photo", data={"code": bench.codes[2]}, files={"file": _jpeg(3) + b"<script>alert(1)</script>"})
    shown = phone.get(f"{sent.headers['location'].partition('?')[0]}/picture.jpg")
    assert b"<script>" not in shown.content
    return f"{sent.status_code}; shown as image/jpeg, decoded and written anew, nosniff"


@attack("files", "two files, 500 fields, a form without its key, a field with NUL, a drawing of 60 kB")
def _(bench: Any, phone: httpx.Client) -> str:
    two = [("file", ("a.jpg", _jpeg(4))), ("file", ("b.jpg", _jpeg(5)))]
    started = time.monotonic()
    found = [
        phone.post("/photo", files=two),
        phone.post("/do/note", files={f"f{n}": (None, "x") for n in range(500)}),
        phone.post("/do/note", data={"code": bench.codes[0], "text": "x"}),
        phone.post("/do/heat", data={"key": "f" * 32, "code": bench.codes[0], "heat": "6\0 0C"}),
        phone.post(f"/photo/{'0' * 64}/draw", data={"rim": "1," * 30_000, "pool": ""}),
    ]
    assert time.monotonic() - started < 20
    return answers([one.status_code for one in found])


# --- script in text --------------------------------------------------------------------------------------------------


@attack("script in text", "in every field of every form, the tester's name, the codes in addresses")
def _(bench: Any, phone: httpx.Client) -> str:
    code = bench.codes[1]
    with bench.client(paired=False) as other:
        other.post("/pair", data={"code": bench.pairing.code, "who": SCRIPT})
        light = key_of(other, code, "light")
        other.post("/do/light", data={"key": light, "code": code})  # alight, so that every form is there
        for action in ("note", "weigh", "heat", "throw", "trim", "headspace", "incident", "correct", "snuff"):
            form = re.search(rf'action="/do/{action}".*?</form>', other.get(f"/candle/{code}").text, re.DOTALL)
            assert form, action
            for name in sorted(set(re.findall(r'name="(\w+)"', form[0])) - {"key"}):
                data = {"key": key_of(other, code, action), "code": code, name: SCRIPT}
                _nothing_runs(other.post(f"/do/{action}", data=data))
        for path in (f"/candle/{SCRIPT}", f"/pair?to={SCRIPT}", f"/?told={SCRIPT}", f"/trial/{SCRIPT}"):
            _nothing_runs(other.get(path))
        for path in ("/", f"/candle/{code}", f"/candle/{code}/life", "/audit", f"/report/candle/{code}"):
            _nothing_runs(other.get(path))
    return "escaped on every page; no page lets a script in its text run (content policy)"


def _nothing_runs(page: httpx.Response) -> None:
    assert "<script>alert" not in page.text
    assert "<img src=x" not in page.text
    assert "unsafe-inline" not in page.headers["content-security-policy"].partition("style-src")[0]


@attack("script in text", "in a workshop's, a trial's, a wick's and a vessel's name")
def _(bench: Any, phone: httpx.Client) -> str:
    from pooleye.burnlog.corrections import correct
    from pooleye.burnlog.trials import add_to_trial, new_trial

    new_trial(bench.workspace, SCRIPT, question=SCRIPT)
    add_to_trial(bench.workspace, SCRIPT, bench.codes[:2], arm=SCRIPT)
    correct(bench.workspace, "wick", "wick 3", "name", SCRIPT)
    correct(bench.workspace, "vessel", "straight jar", "name", SCRIPT)
    code = bench.codes[1]
    for path in ("/", f"/candle/{code}", f"/candle/{code}/life", "/trials", "/trial/1", "/report/trial/1"):
        page = phone.get(path)
        assert page.status_code == 200
        _nothing_runs(page)
    return "escaped on every page"


# --- methods, replays ------------------------------------------------------------------------------------------------


@attack("methods", "DELETE, OPTIONS, TRACE, PATCH, a WebSocket")
def _(bench: Any, phone: httpx.Client) -> str:
    found = [phone.request(method, "/").status_code for method in ("DELETE", "OPTIONS", "TRACE", "PATCH")]
    host = bench.address.removeprefix("http://")
    socket_ = f"GET / HTTP/1.1\nHost: {host}\nConnection: Upgrade\nUpgrade: websocket\nSec-WebSocket-Version: 13\n"
    found.append(int(raw(bench, f"{socket_}Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\n\n")))
    return answers(found)


@attack("replays", "one form sent twenty times at once")
def _(bench: Any, phone: httpx.Client) -> str:
    code = bench.codes[0]
    form = {"key": key_of(phone, code, "light"), "code": code}
    with ThreadPoolExecutor(10) as many:
        found = list(many.map(lambda _: phone.post("/do/light", data=form).status_code, range(20)))
    with bench.workspace.read() as session:
        burns = session.scalar(select(func.count()).select_from(Burn).where(Burn.candle.has(code=code)))
    return f"{answers(found)}; {burns} burn"


@pytest.fixture
def table(bench: Any, phone: httpx.Client) -> list[str]:
    """Every attack, in order, and what it got."""
    lines = ["| | tried | got |", "|---|---|---|"]
    for group, what, function in ATTACKS:
        before = rows_in_log(bench) if group in ("unpaired", "other sites", "methods") else None
        got = function(bench, phone)
        assert before in (None, rows_in_log(bench)), f"{what}: something was kept"
        lines.append(f"| {group} | {what} | {got} |")
    return lines


def test_every_attack_gets_what_the_table_says(table: list[str], approved: Callable[[str, str], None]) -> None:
    approved("phone_attacks", "\n".join(table) + "\n")


def test_the_table_is_the_one_in_the_docs() -> None:
    kept = (Path(__file__).parents[1] / "approved" / "phone_attacks.txt").read_text("utf-8")
    assert kept in DOCS.read_text("utf-8")


def test_a_read_only_page_shows_all_and_changes_nothing(tmp_path: Path, serve: Any) -> None:
    with serve(tmp_path, read_only=True) as bench, bench.client() as phone:
        before = rows_in_log(bench)
        for path in ("/", f"/candle/{bench.codes[0]}", f"/candle/{bench.codes[0]}/life", "/audit", "/trials"):
            page = phone.get(path)
            assert page.status_code == 200
            assert "<form" not in page.text
        for path in (*(f"/do/{one}" for one in ("light", "note", "weigh")), "/photo", f"/photo/{'0' * 64}/draw"):
            assert phone.post(path, data={"key": KEY, "code": bench.codes[0]}).status_code == 403
        assert phone.put(f"/upload/{KEY}?offset=0", content=b"x").status_code == 403
        assert rows_in_log(bench) == before


def test_the_cookie_is_out_of_reach_for_scripts_and_other_sites(bench: Any) -> None:
    with bench.client(paired=False) as phone:
        given = phone.post("/pair", data={"code": bench.pairing.code}).headers["set-cookie"].lower()
    for flag in ("httponly", "samesite=strict", "path=/", "max-age="):
        assert flag in given


def test_every_answer_carries_the_policy(bench: Any, phone: httpx.Client) -> None:
    for path in ("/", "/pair", "/static/page.js", "/nowhere", f"/candle/{bench.codes[0]}", "/candle/x"):
        headers = phone.get(path).headers
        assert headers["content-security-policy"] == guard.CONTENT_POLICY
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"


def test_no_template_needs_inline_style_or_script() -> None:
    for template in Path(app.__file__).with_name("templates").glob("*.html"):
        text = template.read_text("utf-8")
        assert not re.search(r"\sstyle=|\son\w+=|<style|<script(?![^>]*\ssrc=)", text), template.name


def test_a_length_of_thousands_of_digits_is_too_large_and_no_fault() -> None:
    refusal = guard._size_refusal({"content-length": "9" * 5000}, guard.FORM_BYTES)
    assert refusal is not None
    assert refusal.status == 413


def test_a_cookie_header_is_read_in_time_that_grows_with_its_length_alone() -> None:
    before = time.monotonic()
    quoted = '"' + r"\a" * 500_000 + '"'
    assert guard._cookie(f"other=1; {COOKIE}={quoted}") == quoted
    assert guard._cookie(f"other={quoted}; {COOKIE}=mine") == "mine"
    assert time.monotonic() - before < 2
