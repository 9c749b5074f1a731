"""A slow phone on a slow network: how long each page takes until it can be used. Not a test: it measures.

    python tests/phone/slow_run.py

Chromium with its processor slowed to a sixth and its network to 50 kB/s and 150 ms (what browsers' own tools call a
slow 3G, from memory), against a bench of three candles with one photo. Prints a table for docs/phone.md.
"""

from __future__ import annotations

import importlib.util
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).parent
NETWORK = {"offline": False, "latency": 150, "downloadThroughput": 50_000, "uploadThroughput": 50_000}


def conftest() -> Any:
    """The tests' own bench."""
    sys.path.insert(0, str(HERE.parent / "shared"))
    spec = importlib.util.spec_from_file_location("phone_conftest", HERE / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["phone_conftest"] = module
    spec.loader.exec_module(module)
    return module


def seconds(page: Page, address: str) -> tuple[float, float, int]:
    """(until it can be used, until all is there, kB over the network) of a first visit."""
    got: list[int] = []
    page.on("response", lambda answer: got.append(int(answer.headers.get("content-length", 0))))
    began = time.perf_counter()
    page.goto(address, wait_until="domcontentloaded")
    usable = time.perf_counter() - began
    page.wait_for_load_state("load")
    return usable, time.perf_counter() - began, sum(got) // 1000


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder, conftest().served_bench(Path(folder)) as bench:
        with bench.client() as phone:
            code = bench.codes[0]
            files = {"file": ("p.jpg", (HERE.parent / "photos" / "d1_01_top.jpg").read_bytes())}
            photo = phone.post("/photo", data={"code": code}, files=files).headers["location"]
            cookie = phone.cookies["pooleye_device"]
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            print("| page, first visit | usable s | all there s | kB |\n|---|---|---|---|")
            for name, path in (
                ("bench", "/"), ("candle", f"/candle/{code}"), ("photo", photo), ("drawing", f"{photo}/draw"),
                ("life", f"/candle/{code}/life"),
            ):  # fmt: skip
                context = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True)
                context.add_cookies([{"name": "pooleye_device", "value": cookie, "url": bench.address}])
                page = context.new_page()
                slow = context.new_cdp_session(page)
                slow.send("Network.enable")
                slow.send("Network.emulateNetworkConditions", NETWORK)
                slow.send("Emulation.setCPUThrottlingRate", {"rate": 6})
                usable, whole, kilobytes = seconds(page, bench.address + path)
                print(f"| {name} | {usable:.1f} | {whole:.1f} | {kilobytes} |")
                context.close()
            browser.close()


if __name__ == "__main__":
    main()
