"""Twenty phones at one bench: how long each address takes. Not a test: it measures, and depends on the computer.

    python tests/phone/load_run.py [--phones 20] [--seconds 60]

Starts `pooleye serve` on loopback in a workspace of its own, pairs the phones, and lets each do what a phone at the
bench does: look at the bench, open a candle, keep a note, send a photo of its own and look at the result. Prints a
table for docs/phone.md.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import platform
import random
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from PIL import Image

PHOTOS = 3
PHOTO = Path(__file__).parents[1] / "photos" / "d1_01_top.jpg"
ORIGIN = "http://127.0.0.1:{port}"


def workspace(root: Path, candles: int) -> list[str]:
    """A log with so many cured candles; their codes."""
    from pooleye.burnlog.pours import CandleSet, Recipe, pour
    from pooleye.burnlog.settings import Settings
    from pooleye.burnlog.store import create_workspace

    opened = create_workspace(root, Settings(name="Mossgate Shed"))
    sets = [CandleSet(candles, vessel="straight jar", wick="wick 3", rim_inner_mm=80.1, fill_mass_g=180.0)]
    codes = pour(opened, Recipe("soy"), sets, at=datetime.now(UTC) - timedelta(days=30)).codes
    opened.close()
    return list(codes)


def photo_of(seed: int) -> bytes:
    """A 12-megapixel photo that no other phone sends; without a time, so that it is filed as taken now."""
    with Image.open(PHOTO) as small:
        picture = small.convert("RGB").resize((3000, 4000))
    picture.putpixel((seed % 3000, seed // 3000), (seed % 256, 0, 0))
    out = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    picture.save(out, "JPEG", quality=88, exif=exif)
    return out.getvalue()


class Phone(threading.Thread):
    """One phone: its tries and how long each took."""

    def __init__(self, number: int, address: str, cookie: str, code: str) -> None:
        super().__init__()
        self.number, self.code, self.until = number, code, 0.0
        self.took: dict[str, list[float]] = defaultdict(list)
        self.wrong: list[str] = []
        about = {"accept": "text/html", "origin": address, "cookie": cookie}
        self.client = httpx.Client(base_url=address, headers=about, timeout=60)
        self.chance = random.Random(number)
        self.photos = [photo_of(number * 100 + n) for n in range(PHOTOS)]

    def ask(self, what: str, method: str, path: str, **more: object) -> httpx.Response:
        """One request, its time noted."""
        began = time.perf_counter()
        answer = self.client.request(method, path, **more)  # type: ignore[arg-type]
        self.took[what].append(time.perf_counter() - began)
        if answer.status_code >= 400:
            self.wrong.append(f"{what} {answer.status_code}")
        return answer

    def run(self) -> None:
        """A round every few seconds, a photo in every second one."""
        while time.time() < self.until:
            self.ask("`GET /` bench", "GET", "/")
            page = self.ask("`GET /candle/…`", "GET", f"/candle/{self.code}").text
            key = re.search(r'action="/do/note".*?value="([0-9a-f]{32})"', page, re.DOTALL)
            if key:
                note = {"key": key[1], "code": self.code, "text": "flame steady, no soot"}
                self.ask("`POST /do/note`", "POST", "/do/note", data=note)
            if self.photos and self.chance.random() < 0.5:
                self.photo(self.photos.pop())
            time.sleep(self.chance.uniform(3.0, 9.0))
        self.client.close()

    def photo(self, data: bytes) -> None:
        """A photo in pieces, then its result."""
        key = f"{self.number:02d}{len(self.photos):02d}" + "x" * 28
        for offset in range(0, len(data), 256 * 1024):
            piece = data[offset : offset + 256 * 1024]
            self.ask("`PUT /upload/…` 256 kB", "PUT", f"/upload/{key}?offset={offset}", content=piece)
        done = self.ask(
            "`POST /photo` file and measure",
            "POST",
            "/photo",
            data={"upload": key, "size": len(data), "code": self.code},
        )
        if "location" in done.headers:
            self.ask("`GET /photo/…` result", "GET", done.headers["location"])
            self.ask("`GET /photo/…/picture.jpg`", "GET", f"{done.headers['location'].partition('?')[0]}/picture.jpg")


def pair(address: str, said: Path) -> str:
    """Pair one phone with the newest code that the server printed; its cookie."""
    codes = re.findall(r"next phone: (\d{4} \d{4})", said.read_text())
    done = httpx.post(f"{address}/pair", data={"code": codes[-1]}, headers={"origin": address})
    assert done.status_code == 303, done.text
    while said.read_text().count("next phone") == len(codes):
        time.sleep(0.01)
    return str(done.headers["set-cookie"].partition(";")[0])


def main() -> None:
    """Run it and print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--phones", type=int, default=20)
    options.add_argument("--seconds", type=float, default=60)
    options.add_argument("--port", type=int, default=8479)
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root, said = Path(folder) / "log", Path(folder) / "said"
        codes = workspace(root, asked.phones)
        command = [sys.executable, "-m", "pooleye", "serve", "--port", str(asked.port), "-w", str(root)]
        with said.open("w") as out:
            server = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
        try:
            report(asked, ORIGIN.format(port=asked.port), said, codes)
        finally:
            server.terminate()
            server.wait(20)


def report(asked: argparse.Namespace, address: str, said: Path, codes: list[str]) -> None:
    """Let the phones work, and print what they met."""
    while "next phone" not in said.read_text():
        time.sleep(0.1)
    time.sleep(6)  # the measuring processes get warm
    cookies = [pair(address, said) for _ in range(asked.phones)]
    phones = [Phone(n, address, cookies[n], codes[n]) for n in range(asked.phones)]
    for one in phones:
        key = re.search(r'action="/do/light".*?value="(\w+)"', one.client.get(f"/candle/{one.code}").text, re.DOTALL)
        assert key
        one.ask("`POST /do/light`", "POST", "/do/light", data={"key": key[1], "code": one.code})
    until = time.time() + asked.seconds
    for one in phones:
        one.until = until
        one.start()
    for one in phones:
        one.join()
    took: dict[str, list[float]] = defaultdict(list)
    for one in phones:
        for what, seconds in one.took.items():
            took[what] += seconds
    print(f"{asked.phones} phones, {asked.seconds:g} s, {os.cpu_count()} cores, {platform.python_version()}\n")
    print("| what | requests | median s | p95 s | slowest s |\n|---|---|---|---|---|")
    for what, seconds in sorted(took.items()):
        ordered = sorted(seconds)
        at = [ordered[min(int(share * len(ordered)), len(ordered) - 1)] for share in (0.5, 0.95)]
        print(f"| {what} | {len(ordered)} | {at[0]:.3f} | {at[1]:.3f} | {ordered[-1]:.3f} |")
    wrong = [one for phone in phones for one in phone.wrong]
    print(f"\nrefused or failed: {json.dumps(wrong) if wrong else 'none'}")


if __name__ == "__main__":
    main()
