"""Reports opened in a browser: the rules of accessibility, a phone's width, dark, and paper."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium as the system has it; on a maker's computer it may be missing, in the test set-up it must be there."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no chromium (apt-get install chromium)", pytrace=False)
        pytest.skip("no chromium (apt-get install chromium)")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture(scope="module")
def written(trial_html: str, hot_html: str, session_html: str, tmp_path_factory: Any) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("reports")
    for name, page in {"trial": trial_html, "candle": hot_html, "session": session_html}.items():
        (folder / f"{name}.html").write_text(page, encoding="utf-8")
    return {path.stem: path for path in folder.iterdir()}


@pytest.fixture(params=["trial", "candle", "session"])
def report(request: pytest.FixtureRequest, written: dict[str, Path]) -> Path:
    return written[request.param]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_rule_of_accessibility_is_broken(browser: Any, report: Path, scheme: str) -> None:
    """axe-core's rules: WCAG 2 A and AA and best practice, contrast included."""
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_page(color_scheme=scheme)
    page.goto(report.as_uri())
    found = Axe().run(page).response["violations"]
    page.close()
    assert [(one["id"], one["nodes"][0]["html"][:160]) for one in found] == []


def test_nothing_is_asked_of_the_network_and_nothing_is_wider_than_a_phone(browser: Any, report: Path) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(report.as_uri())
    width = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert width <= 390


@pytest.mark.parametrize(("paper", "size_pt"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_a_report_prints_with_its_answer_on_the_first_page(
    browser: Any, written: dict[str, Path], tmp_path: Path, paper: str, size_pt: tuple[int, int]
) -> None:
    page = browser.new_page()
    page.goto(written["candle"].as_uri())
    page.pdf(path=tmp_path / "r.pdf", format=paper)
    page.close()
    pdf = pypdfium2.PdfDocument(tmp_path / "r.pdf")
    first = pdf[0].get_textpage().get_text_bounded()
    size = pdf[0].get_size()
    pdf.close()
    assert size == pytest.approx(size_pt, abs=1)
    assert first.index("Stop") < first.index("Unsafe as tested")
    assert "On this page" not in first
    assert "Cautions" not in first
