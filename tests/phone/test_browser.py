"""The page in a real browser at a phone's size: a whole burn, cut connections, reloads, two phones, accessibility."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from sqlalchemy import select

from pooleye.burnlog.records import Measurement, Note, Photo

PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
Paired = Callable[..., Page]


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def paired(browser: Browser, bench: Any) -> Iterator[Paired]:
    """Pairs a new phone as a person does; whatever its page complains about fails the test."""
    complaints: list[str] = []
    contexts: list[BrowserContext] = []

    def pair(theme: str = "light", **more: Any) -> Page:
        context = browser.new_context(color_scheme=theme, **{**PHONE, **more})
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
        page.goto(bench.address)
        code = bench.pairing.code
        page.get_by_label("Code").fill(f"{code[:4]} {code[4:]}")
        page.get_by_label("Your name").fill("Ada")
        page.get_by_role("button", name="Pair").click()
        page.wait_for_url(f"{bench.address}/")
        return page

    yield pair
    for context in contexts:
        context.close()
    assert complaints == []


def fill_in(page: Page, heading: str, button: str, **fields: str) -> None:
    """Open a form of the candle's page, fill it in, send it."""
    box = page.locator("details", has=page.locator("summary", has_text=re.compile(rf"^{heading}$")))
    if box.get_attribute("open") is None:
        box.locator("summary").click()
    for name, value in fields.items():
        box.locator(f"[name={name}]").fill(value)
    box.get_by_role("button", name=button).click()


def take_photo(page: Page, photo: Path, *, first: bool = False, nth: int = 0) -> None:
    """The photo button; with the reminder that comes once a burn."""
    button = page.locator("form.photo label.big").nth(nth)
    if first:
        button.click()
        expect(page.get_by_role("dialog")).to_contain_text("never over the flame")
        with page.expect_file_chooser() as camera:
            page.get_by_role("button", name="Open the camera").click()
    else:
        with page.expect_file_chooser() as camera:
            button.click()
    camera.value.set_files(photo)


def test_a_whole_burn_on_a_phone(bench: Any, paired: Paired, photos: Path) -> None:
    code = bench.codes[0]
    page = paired()
    page.get_by_role("link", name=re.compile(code)).click()
    fill_in(page, "Weigh", "Keep the mass", mass="402.5")
    expect(page.get_by_text("402.5 g (new)")).to_be_visible()
    fill_in(page, "Light", "Light", trim="6")
    expect(page.get_by_text("burns: burn 1")).to_be_visible()

    bench.clock.forward(minutes=63)
    page.get_by_role("link", name="Bench").click()
    expect(page.locator("article.late")).to_contain_text("3 min overdue")
    bench.clock.forward(minutes=-3)
    take_photo(page, photos / "d1_01_top.jpg", first=True)
    expect(page.get_by_role("heading", level=1)).to_contain_text("burn 1 at")
    expect(page.locator("#overlay polygon.pool")).to_have_count(1)
    before = page.get_by_role("row", name="melt pool diameter").inner_text()

    page.get_by_role("link", name="Rim or pool wrong?").click()
    handle = page.locator(".handle").first
    box = handle.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + 40, box["y"] + 14, steps=5)
    expect(page.locator("#lens")).to_be_visible()
    page.mouse.up()
    expect(page.locator("#lens")).to_be_hidden()
    expect(page.get_by_role("row", name="melt pool diameter")).to_contain_text("by hand")
    page.get_by_role("button", name="Keep as drawn").click()
    expect(page.get_by_text("Kept as drawn")).to_be_visible()
    assert before.split("\t")[1].strip() in page.get_by_role("row", name="melt pool diameter").inner_text()

    page.get_by_role("link", name="Keep").click()
    page.get_by_role("link", name=code, exact=True).click()
    fill_in(page, "Note", "Keep the note", text="pool nearly full, soot on the left")
    expect(page.get_by_text("read as soot, left")).to_be_visible()
    bench.clock.forward(minutes=180)
    page.reload()
    fill_in(page, "Snuff", "Snuff")
    expect(page.get_by_text("burn 1 ended after 4 h 00")).to_be_visible()
    expect(page.get_by_role("region", name="Verdict")).to_contain_text(f"{code}:")
    with bench.workspace.read() as session:
        hand = session.scalars(select(Measurement).where(Measurement.by == "hand")).all()
        tool = session.scalars(select(Measurement).where(Measurement.by == "tool")).all()
        assert {"pool_diameter", "hangup_mean", "pool_coverage"} <= {one.quantity for one in hand} & {
            one.quantity for one in tool
        }
        assert {one.who for one in hand} == {"Ada"}


def test_an_upload_cut_in_the_middle_goes_on_after_a_reload_and_is_filed_once(
    bench: Any, paired: Paired, photos: Path, tmp_path: Path
) -> None:
    page = paired()
    page.goto(f"{bench.address}/candle/{bench.codes[0]}")
    fill_in(page, "Light", "Light")
    expect(page.get_by_text("burns: burn 1")).to_be_visible()
    bench.clock.forward(minutes=60)
    large = tmp_path / "large.jpg"  # what a JPEG holds after its end is not looked at: several pieces to send
    large.write_bytes((photos / "d1_01_top.jpg").read_bytes() + b"\0" * 700_000)
    pieces = []

    def cut(route: Any) -> None:
        pieces.append(route.request.url)
        if len(pieces) < 3:
            route.continue_()
        else:
            route.abort()

    page.route("**/upload/*?offset=*", cut)
    page.goto(bench.address)
    take_photo(page, large, first=True)
    expect(page.locator("#waiting")).to_contain_text("kept on this phone")
    page.unroute("**/upload/*?offset=*")
    sent: list[str] = []
    page.on("request", lambda one: sent.append(one.url) if one.method == "PUT" else None)
    page.goto(f"{bench.address}/trials")
    expect(page.get_by_role("link", name="See it")).to_be_visible(timeout=20_000)
    assert sent
    assert "offset=0" not in sent[0]  # it goes on where it was cut
    page.get_by_role("link", name="See it").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("burn 1 at")
    with bench.workspace.read() as session:
        assert len(session.scalars(select(Photo)).all()) == 1


def test_a_form_without_connection_is_kept_over_a_reload_and_filed_once_at_the_moment_of_its_tap(
    bench: Any, paired: Paired
) -> None:
    page = paired()
    page.goto(f"{bench.address}/candle/{bench.codes[0]}")
    answered: list[int] = []

    def lose(route: Any) -> None:
        """The computer does as asked, but its answer is lost: the worst moment for a cut."""
        answered.append(route.fetch(max_redirects=0).status)
        route.abort()

    page.route("**/do/note", lose)
    fill_in(page, "Note", "Keep the note", text="flame steady, scent strong")
    expect(page.locator("#waiting")).to_contain_text("kept on this phone")
    assert answered == [303]
    page.unroute("**/do/note")
    page.reload()
    expect(page.locator("#waiting")).to_be_empty(timeout=15_000)
    with bench.workspace.read() as session:
        (note,) = session.scalars(select(Note))
        assert note.text == "flame steady, scent strong"
        assert note.tester == "Ada"


def test_what_was_tapped_while_the_computer_was_away_is_filed_at_its_tap_once_it_is_back(
    bench: Any, paired: Paired
) -> None:
    code = bench.codes[0]
    page = paired()
    page.goto(f"{bench.address}/candle/{code}")
    page.clock.install()
    page.route("**/do/light", lambda route: route.abort())
    fill_in(page, "Light", "Light")
    expect(page.locator("#waiting")).to_contain_text("kept on this phone")
    bench.begin_again()
    bench.clock.forward(minutes=25)  # both clocks go on while the computer sleeps
    page.unroute("**/do/light")
    page.clock.fast_forward("25:00")
    expect(page.get_by_text("burns: burn 1")).to_be_visible()
    expect(page.locator("[data-since]").first).to_have_text("25 min")


def test_a_retaken_and_a_refiled_photo_take_two_taps_and_the_reminder_comes_once(
    bench: Any, paired: Paired, photos: Path
) -> None:
    code, other = bench.codes[:2]
    page = paired()
    for one in (code, other):
        page.goto(f"{bench.address}/candle/{one}")
        fill_in(page, "Light", "Light", at="60min ago")
        expect(page.get_by_text("burns: burn 1")).to_be_visible()
    page.goto(bench.address)
    take_photo(page, photos / "d1_01_top.jpg", first=True)
    expect(page.get_by_role("heading", level=1)).to_contain_text(code)
    first = page.url
    with page.expect_file_chooser() as camera:
        page.locator("form.photo label").click()
    camera.value.set_files(photos / "d1_01_top_b.jpg")
    page.wait_for_url(lambda url: "/photo/" in url and url != first)
    page.get_by_text("Wrong candle?").click()
    page.get_by_role("button", name=re.compile(f"^{other}")).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(other)
    with bench.workspace.read() as session:
        kept = session.scalars(select(Photo).order_by(Photo.id)).all()
        assert [(one.candle.code, one.void_reason) for one in kept] == [(code, "retaken"), (other, None)]


def test_what_is_typed_outlives_a_reload_and_goes_once_it_is_kept(bench: Any, paired: Paired) -> None:
    page = paired()
    page.goto(f"{bench.address}/candle/{bench.codes[0]}")
    page.locator("#note summary").click()
    page.locator("#note textarea").fill("half a sen")
    page.reload()
    expect(page.locator("#note textarea")).to_be_visible()
    expect(page.locator("#note textarea")).to_have_value("half a sen")
    page.locator("#note textarea").fill("half a sentence")
    page.locator("#note button").click()
    expect(page.get_by_text("“half a sentence” noted")).to_be_visible()
    expect(page.locator("#note textarea")).to_have_value("")


def test_what_is_refused_is_said_and_what_was_typed_stays(bench: Any, paired: Paired) -> None:
    page = paired()
    page.goto(f"{bench.address}/candle/{bench.codes[0]}")
    fill_in(page, "Weigh", "Keep the mass", mass="12")
    expect(page.locator(".box.wrong")).to_contain_text("cannot weigh")
    expect(page.locator("#weigh [name=mass]")).to_have_value("12")
    page.locator("#weigh [name=mass]").fill("402")
    page.locator("#weigh button").click()
    expect(page.get_by_text("402.0 g (new)")).to_be_visible()


def test_two_phones_see_each_others_work(bench: Any, paired: Paired) -> None:
    one, other = paired(), paired()
    code = bench.codes[0]
    other.evaluate("document.activeElement.blur()")
    one.goto(f"{bench.address}/candle/{code}")
    fill_in(one, "Light", "Light")
    expect(one.get_by_text("burns: burn 1")).to_be_visible()
    other.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # a phone that wakes up
    expect(other.locator("article.candle")).to_contain_text(code)


def test_everything_can_be_done_with_a_keyboard(bench: Any, paired: Paired, photos: Path) -> None:
    page = paired()
    page.goto(f"{bench.address}/candle/{bench.codes[0]}")
    page.locator("form.photo input[type=file]").first.set_input_files(photos / "d1_00_top.jpg")
    page.wait_for_url("**/photo/*")
    page.goto(page.url.partition("?")[0] + "/draw")
    page.get_by_label("rim", exact=True).check()
    handle = page.get_by_role("button", name="rim, one side")
    handle.focus()
    before = page.locator("[name=rim]").input_value()
    for _ in range(5):
        page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("#numbers")).to_contain_text("by hand")
    assert page.locator("[name=rim]").input_value() != before


def test_the_page_works_without_javascript(bench: Any, browser: Browser, photos: Path) -> None:
    context = browser.new_context(java_script_enabled=False, **PHONE)
    try:
        page = context.new_page()
        page.goto(bench.address)
        page.get_by_label("Code").fill(bench.pairing.code)
        page.get_by_role("button", name="Pair").click()
        page.goto(f"{bench.address}/candle/{bench.codes[0]}")
        fill_in(page, "Light", "Light")
        expect(page.get_by_text("burns: burn 1")).to_be_visible()
        bench.clock.forward(minutes=60)
        page.locator("form.photo input[type=file]").first.set_input_files(photos / "d1_01_top.jpg")
        page.get_by_role("button", name="Send the photo").first.click()
        expect(page.get_by_role("row", name="melt pool diameter")).to_be_visible()
    finally:
        context.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_page_has_a_barrier_that_axe_finds(bench: Any, paired: Paired, photos: Path, theme: str) -> None:
    """axe-core 4: WCAG 2.1 A and AA and its best practices; contrast is measured in both themes."""
    from axe_playwright_python.sync_playwright import Axe

    from pooleye.burnlog.trials import add_to_trial, new_trial

    code = bench.codes[0]
    page = paired(theme)
    new_trial(bench.workspace, "which wick", question="which wick for the jar?")
    add_to_trial(bench.workspace, "which wick", bench.codes)
    page.goto(f"{bench.address}/candle/{code}")
    fill_in(page, "Light", "Light", at="70min ago")
    expect(page.get_by_text("burns: burn 1")).to_be_visible()
    page.locator("form.photo input[type=file]").first.evaluate("one => one.form.removeAttribute('data-lit')")
    page.locator("form.photo input[type=file]").first.set_input_files(photos / "d1_01_top.jpg")
    page.wait_for_url("**/photo/*")
    photo = page.url.partition("?")[0].removeprefix(bench.address)
    page.goto(f"{bench.address}/candle/{code}")
    fill_in(page, "Note", "Keep the note", text="soot on the left; the wick came loose")
    expect(page.locator(".box.stop")).to_be_visible()
    told = page.url.removeprefix(bench.address)
    more = (f"{photo}/draw", f"/candle/{code}/life", "/trials", "/trial/1", "/audit", "/nowhere")
    found = {}
    for path in ("/pair", "/", told, photo, *more):
        page.goto(bench.address + path)
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        for one in Axe().run(page).response["violations"]:
            found[f"{path} {one['id']}"] = [node["html"] for node in one["nodes"]][:2]
        page.evaluate("document.documentElement.style.fontSize = '225%'")  # letters of twice the size
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            found[f"{path} wider than the phone"] = []
    assert found == {}
