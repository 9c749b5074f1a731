"""Reports of an invented workshop: what a maker must find in them, in which order, and what must never be in them."""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import date, timedelta
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest

from pooleye import cautions
from pooleye.audit.note_filing import file_note
from pooleye.burnlog.bench import Place
from pooleye.burnlog.burns import light, snuff
from pooleye.burnlog.corrections import adjust
from pooleye.burnlog.materials import add_vessel
from pooleye.burnlog.photo_files import place_of
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.records import Photo
from pooleye.burnlog.trials import add_to_trial, new_trial
from pooleye.errors import PooleyeError
from pooleye.judge import service
from pooleye.judge.criteria import shipped
from pooleye.report import pages, pictures

HOSTILE = "</style><script>alert(1)</script><img src=x onerror=alert(2)>{{ 7*7 }}"


class Tags(HTMLParser):
    """Every element of a page with its attributes, in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def named(self, *names: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.found if tag in names]


def text_of(page: str) -> str:
    """What a reader sees, without the drawings."""
    bare = re.sub(r"<style.*?</style>|<svg.*?</svg>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(bare).split())


@pytest.fixture(params=["trial_html", "candle_html", "hot_html", "session_html"])
def html(request) -> str:
    return request.getfixturevalue(request.param)


# --- one file, safe to open -----------------------------------------------------------------------------------------


def test_a_report_fetches_nothing_and_runs_nothing(html):
    tags = Tags(html)
    assert not tags.named("script", "link", "iframe", "object", "embed", "base", "form", "video", "audio", "source")
    for _, attributes in tags.found:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("src", "href", "xlink:href", "srcset", "data", "action", "poster", "style"):
                assert (value or "").startswith(("data:image/jpeg;base64,", "#")), (name, value)
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_words_from_the_log_stay_words(fresh):
    new_trial(fresh.workspace, HOSTILE, question=HOSTILE)
    codes = fresh.pour("thin", 1, trial=HOSTILE)
    light(fresh.workspace, codes)
    fresh.clock.moment += timedelta(minutes=60)
    file_note(fresh.workspace, codes[0], f"heavy soot {HOSTILE}", tester=HOSTILE)
    place = Place(codes[0], "alight", 1, 60.0, 60.0)
    fresh.photo(place, "d6_01_top.jpg", {"pool_diameter": (40.0, 0.5)})
    with fresh.workspace.write() as session:
        session.query(Photo).one().original_name = f"{HOSTILE}.jpg"
    made = (
        pages.trial_page(fresh.workspace, HOSTILE),
        pages.candle_page(fresh.workspace, codes[0]),
        pages.session_page(fresh.workspace),
    )
    for page in made:
        tags = Tags(page)
        assert not tags.named("script")
        assert all((one.get("src") or "").startswith("data:") for one in tags.named("img"))
        assert "<script" not in page
        assert "onerror=" not in re.sub(r"&lt;.*?&gt;", "", page)
        assert "49" not in re.findall(r"onerror=alert\(2\)&gt;(.{0,12})", page)
        assert HOSTILE in text_of(page) or HOSTILE in unescape(page)


def test_a_report_is_small_enough_to_send(html):
    assert len(html.encode()) < 10e6


def test_photos_shrink_so_that_many_fit_and_beyond_that_are_left_out():
    assert pictures.long_side_px(1) == pictures.LONGEST_PX
    for count in (10, 40, 100, 200):
        side = pictures.long_side_px(count)
        assert side >= pictures.SHORTEST_PX
        assert count * side**2 * pictures.BYTES_PER_PX <= pictures.PAGE_BYTES * 1.01
    assert pictures.long_side_px(1000) == 0


# --- the answer first ------------------------------------------------------------------------------------------------


def test_stops_come_before_the_answer_and_the_answer_before_photos_and_plots(html):
    answer = html.index('id="answer"')
    if 'id="stop"' in html:
        assert html.index('id="stop"') < answer
    assert answer < html.index("<img")
    assert answer < html.index("<svg")


def test_a_stop_is_told_in_words_before_any_measured_number(hot_html, trial_html, session_html):
    for page in (hot_html, trial_html, session_html):
        said = text_of(page[page.index("</header>") : page.index('id="answer"')])
        assert "put it out" in said
        assert "The vessel pinged" in said
        assert "±" not in said
        assert "81" not in said


def test_the_answers_are_those_of_the_judge(shop, arms, trial_html, candle_html, hot_html):
    verdict = service.judge_trial(shop.workspace, "which wick")
    assert verdict.word.lower() in text_of(trial_html).lower()
    for arm in verdict.arms:
        assert f"{arm.name}: {arm.word}" in text_of(trial_html)
    for code, page in ((arms["middle"][0], candle_html), (arms["thick"][0], hot_html)):
        word = service.judge(shop.workspace, [code]).candles[0].word
        assert re.search(rf'class="answer">{word}', page, re.IGNORECASE)


def test_too_close_to_call_stays_so(fresh):
    codes = fresh.pour("thin", 1)
    light(fresh.workspace, codes)
    fresh.clock.moment += timedelta(minutes=240)
    values = {"flame_height": (74.8, 0.6), "pool_diameter": (74.0, 0.5), "hangup_mean": (0.5, 0.3)}
    fresh.photo(Place(codes[0], "alight", 1, 240.0, 240.0), "d6_03_side.jpg", values)
    snuff(fresh.workspace, codes)
    page = pages.candle_page(fresh.workspace, codes[0])
    assert 'class="answer">Too close to call' in page
    assert re.search(r'mark-close">too close to call</span>.*?flame height 74.8 ± 0.6 mm, wanted at most 75 mm', page)
    assert 'id="stop"' not in page


# --- photos and plots ------------------------------------------------------------------------------------------------


def test_every_photo_and_plot_says_in_words_what_it_shows(html):
    tags = Tags(html)
    photos = [one.get("alt") or "" for one in tags.named("img")]
    assert photos
    assert all(re.search(r"Candle \w{4}, (new|burn \d)", alt) for alt in photos)
    assert any(re.search(r"melt pool diameter \d+\.\d ± \d", alt) for alt in photos)
    plots = tags.named("svg")
    assert plots
    assert all(one.get("role") == "img" and one.get("aria-labelledby") for one in plots)
    assert html.count("<desc") == len(plots)


def test_ids_are_used_once_and_every_link_leads_somewhere(html):
    ids = [one["id"] for _, one in Tags(html).found if "id" in one]
    assert len(ids) == len(set(ids))
    for one in Tags(html).named("a"):
        assert (one["href"] or "")[1:] in ids


def test_a_photo_stands_small_with_its_outlines_in_it(candle_html, arms, shop):
    from pooleye.photo import photo_from_bytes

    for one in Tags(candle_html).named("img"):
        data = base64.b64decode((one["src"] or "").partition(",")[2])
        width, height = photo_from_bytes(data, "in the page", at_least_px=1).full_size_px
        assert (width, height) == (int(one["width"] or 0), int(one["height"] or 0))
        assert max(width, height) <= pictures.LONGEST_PX


def test_a_trial_sets_the_last_photo_of_every_candle_side_by_side(trial_html, arms):
    section = trial_html[trial_html.index('id="photos"') : trial_html.index('id="candles"')]
    for number in (1, 2):
        part = section[section.index(f"Burn {number}, from above") :]
        shown = re.findall(rf'alt="Candle (\w+), burn {number}, 4 h 00, from above', part)
        assert shown == [code for arm in arms.values() for code in arm]


def test_a_candle_shows_every_photo_and_why_one_was_not_measured(candle_html):
    alts = [one["alt"] or "" for one in Tags(candle_html).named("img")]
    assert len(alts) == 1 + 2 * 4 + 1  # new; each burn thrice from above and once from the side; one declined
    assert any("not measured: The picture is too blurred" in alt for alt in alts)
    assert "Hold the phone still." in text_of(candle_html)


def test_a_hand_correction_stands_beside_the_tools_value(fresh):
    codes = fresh.pour("thin", 1)
    light(fresh.workspace, codes)
    fresh.clock.moment += timedelta(minutes=60)
    place = Place(codes[0], "alight", 1, 60.0, 60.0)
    sha256 = fresh.photo(place, "d6_01_top.jpg", {"pool_diameter": (40.0, 0.5)})
    adjust(fresh.workspace, sha256[:12], "pool_diameter", "44mm", who="Ada")
    said = text_of(pages.candle_page(fresh.workspace, codes[0]))
    assert "40.0 ± 0.5 mm" in said
    assert "by hand, beside it pool 44.0 ±" in said
    assert "Methods: top/1, by hand" in said


def test_a_missing_and_a_changed_photo_are_told(fresh):
    codes = fresh.pour("thin", 1)
    light(fresh.workspace, codes)
    fresh.clock.moment += timedelta(minutes=60)
    files = []
    for minutes, file in ((60.0, "d6_01_top.jpg"), (120.0, "d6_02_top.jpg")):
        sha256 = fresh.photo(Place(codes[0], "alight", 1, minutes, minutes), file, {"pool_diameter": (40.0, 0.5)})
        files.append(place_of(fresh.workspace.photos, sha256, ".jpg"))
    files[0].unlink()
    files[1].chmod(0o644)
    files[1].write_bytes(files[1].read_bytes() + b"more")
    said = text_of(pages.candle_page(fresh.workspace, codes[0]))
    assert "No picture: the file is missing from the log's photos." in said
    assert "CHANGED since it was filed" in said


# --- what it rests on ------------------------------------------------------------------------------------------------


def test_every_criterion_that_judged_is_there_with_its_source(shop, arms, candle_html, trial_html):
    verdict = service.judge(shop.workspace, [arms["middle"][0]]).candles[0]
    rules = {one.rule for burn in verdict.burns for one in burn.findings} | {one.rule for one in verdict.findings}
    listed = text_of(candle_html[candle_html.index('id="limits"') : candle_html.index('id="cautions"')])
    known = [shipped()[rule] for rule in rules if rule in shipped().by_key]
    assert len(known) > 10
    for one in known:
        assert one.window in listed, one.key
        assert " ".join(one.source.split()) in listed, one.key
    assert shipped()["candles_per_arm"].source in text_of(trial_html)


def test_every_judgement_shown_names_its_source(html):
    for item in re.findall(r'<li><span class="mark mark-.*?</li>', html, re.DOTALL):
        assert re.search(r'class="source">[^<]{5,}', item), item


def test_hashes_methods_and_weighings_are_there_for_whoever_checks(shop, arms, candle_html):
    code = arms["middle"][0]
    with shop.workspace.read() as session:
        photos = [(one.sha256, one.suffix) for one in session.query(Photo) if one.candle.code == code]
    assert len(photos) == 10
    for sha256, suffix in photos:
        assert sha256 in candle_html
        kept = place_of(shop.workspace.photos, sha256, suffix)
        assert hashlib.sha256(kept.read_bytes()).hexdigest() == sha256
    said = text_of(candle_html)
    assert "Methods: side/1, top/1" in said
    assert said.count("baseline ") >= 6
    assert "430.000 ± 0.029 g" in said


def test_cautions_and_what_it_is_not_stand_in_every_report(html):
    said = text_of(html)
    for line in (*cautions.WHILE_BURNING, *cautions.IN_AN_EMERGENCY, cautions.DISCLAIMER):
        assert line in said


def test_uncertainty_is_explained_and_everywhere(html):
    said = text_of(html)
    assert "± is one standard uncertainty" in said
    pools = re.findall(r"pool (\d+\.\d+ ± \d[\d.]* mm|\d+\.\d+ mm)", said)
    assert pools
    assert all("±" in one for one in pools)


def test_notes_are_held_against_photos(candle_html, session_html):
    part = text_of(candle_html[candle_html.index('id="audit"') : candle_html.index('id="limits"')])
    assert "“slight soot on the left”" in part
    assert re.search(r"agrees|contradicts", part)
    assert "not enough data yet to judge the eye" in part
    later = text_of(session_html[session_html.index('id="audit"') : session_html.index('id="limits"')])
    assert "slight soot" not in later  # that note was written in another session


def test_words_of_danger_in_a_note_stand_among_the_stops(fresh):
    codes = fresh.pour("thin", 1)
    light(fresh.workspace, codes)
    fresh.clock.moment += timedelta(minutes=60)
    file_note(fresh.workspace, codes[0], "the glass cracked")
    page = pages.candle_page(fresh.workspace, codes[0])
    assert "the glass cracked" in text_of(page[page.index('id="stop"') : page.index('id="answer"')])


def test_whether_the_trial_was_fair_is_said(fresh, trial_html):
    assert "Only the wick varies between the arms" in text_of(trial_html)
    new_trial(fresh.workspace, "two things")
    codes = fresh.pour("thin", 3) + fresh.pour("middle", 3, fragrance="winter tea", load_percent=8.0)
    add_to_trial(fresh.workspace, "two things", codes)
    said = text_of(pages.trial_page(fresh.workspace, "two things"))
    assert "Not a fair comparison" in said
    assert "No: the arms may not be compared." in said
    assert "refused" in said
    assert "STOP" not in said


# --- little there ----------------------------------------------------------------------------------------------------


def test_an_empty_trial_says_what_is_missing(fresh):
    new_trial(fresh.workspace, "empty")
    said = text_of(pages.trial_page(fresh.workspace, "empty"))
    assert "No candles yet" in said
    assert "pooleye trial add 'empty'" in said


def test_an_unlit_candle_and_its_trial_say_what_is_missing(fresh):
    new_trial(fresh.workspace, "unlit")
    codes = fresh.pour("thin", 3, trial="unlit")
    said = text_of(pages.candle_page(fresh.workspace, codes[0]))
    assert "Not burnt yet" in said
    assert "It has not been lit yet" in said
    assert "no photo of it new and unlit" in said
    assert "No candle of it has been lit yet" in text_of(pages.trial_page(fresh.workspace, "unlit"))


def test_a_tea_lights_result_is_how_long_it_burnt(fresh):
    add_vessel(fresh.workspace, "small cup", 38.0, kind="tea-light")
    alike = CandleSet(1, vessel="small cup", wick="thin", fill_mass_g=14.0)
    code = pour(fresh.workspace, Recipe("soy"), [alike], at=fresh.clock.moment - timedelta(days=20)).codes[0]
    light(fresh.workspace, [code])
    fresh.clock.moment += timedelta(minutes=250)
    snuff(fresh.workspace, [code], how="by-itself")
    assert f"{code} burnt for 4 h 10" in text_of(pages.candle_page(fresh.workspace, code))


def test_a_burn_without_a_look_is_no_verdict(fresh):
    codes = fresh.pour("thin", 1)
    light(fresh.workspace, codes)
    fresh.clock.moment += timedelta(minutes=60)
    page = pages.candle_page(fresh.workspace, codes[0])
    assert 'class="answer">Cannot tell' in page
    assert "No photo of this burn." in page


def test_unknown_names_and_days_are_told_with_what_is_near(shop, fresh):
    with pytest.raises(PooleyeError, match="no trial"):
        pages.trial_page(shop.workspace, "which wik")
    with pytest.raises(PooleyeError, match="lit on 2026-02-01") as found:
        pages.session_page(shop.workspace, date(2026, 2, 1))
    assert "2026-01-06" in found.value.rendered()
    with pytest.raises(PooleyeError, match="no candle has been lit yet"):
        pages.session_page(fresh.workspace)


# --- sessions --------------------------------------------------------------------------------------------------------


def test_a_session_without_a_day_is_the_latest_and_holds_its_burns_alone(session_html, arms):
    assert "Session of Tuesday 2026-01-06" in session_html
    assert all(f'id="c-{code}"' in session_html for arm in arms.values() for code in arm)
    alts = " ".join(one["alt"] or "" for one in Tags(session_html).named("img"))
    assert "burn 2" in alts
    assert "burn 1" not in alts


def test_a_session_sets_its_candles_together_and_names_planned_looks_that_were_not_taken(session_html, fresh):
    together = session_html[session_html.index('id="rates"') :]
    assert "Melt pool width over time, all candles" in together
    assert "Flame height over time, all candles" in together
    assert "Planned looks" not in session_html
    codes = fresh.pour("thin", 1)
    light(fresh.workspace, codes)  # looks at 1 h, 2 h and 4 h are planned
    fresh.clock.moment += timedelta(minutes=60)
    fresh.photo(Place(codes[0], "alight", 1, 60.0, 60.0), "d6_01_top.jpg", {"pool_diameter": (40.0, 0.5)})
    fresh.clock.moment += timedelta(minutes=90)
    snuff(fresh.workspace)
    assert "Planned looks that were not taken: 2 h 00." in text_of(pages.session_page(fresh.workspace))


def test_a_sitting_past_midnight_stays_whole(fresh):
    first, second = fresh.pour("thin", 2)
    fresh.clock.moment = fresh.clock.moment.replace(hour=21)  # 22:00 by the workshop's clock
    light(fresh.workspace, [first])
    fresh.clock.moment += timedelta(hours=3)  # 01:00, the first still burns
    light(fresh.workspace, [second])
    fresh.clock.moment += timedelta(hours=3)
    snuff(fresh.workspace)
    page = pages.session_page(fresh.workspace)
    assert "2026-01-05" in page[: page.index("</h1>")]
    assert f'id="c-{first}"' in page
    assert f'id="c-{second}"' in page
    with pytest.raises(PooleyeError, match="lit on 2026-01-06"):
        pages.session_page(fresh.workspace, date(2026, 1, 6))


# --- the command -----------------------------------------------------------------------------------------------------


def test_the_command_writes_one_file_and_says_where(fresh, command, outside):
    root = str(fresh.workspace.root)
    new_trial(fresh.workspace, "which wick")
    light(fresh.workspace, fresh.pour("thin", 1))
    status, out, err = command("report", "trial", "which wick", "--workspace", root)
    assert status == 0
    assert Path("report-trial-which-wick.html").is_file()
    assert "report-trial-which-wick.html" in out
    assert "certifies nothing" in out
    assert "Never leave a burning candle alone" in err
    status, out, _ = command("report", "session", "2026-01-05", "--workspace", root, "--out", "s.html", "--json")
    assert status == 0
    assert out.startswith('{"path": "s.html"')
    assert "Session of Monday 2026-01-05" in Path("s.html").read_text(encoding="utf-8")
    assert command("report", "session", "--workspace", root)[0] == 0
    assert Path("report-session-2026-01-05.html").is_file()  # without a day, the latest one's date


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("session", "soon"), "write 2026-03-01"),
        (("session", "2026-02-01"), "nearest day"),
        (("candle", "ZZZZ"), "candle"),
    ],
)
def test_the_command_says_what_to_do_when_it_cannot(shop, command, outside, arguments, words):
    status, _, err = command("report", *arguments, "--workspace", str(shop.workspace.root))
    assert status == 2
    assert words in err


def test_a_report_that_cannot_be_written_is_told(fresh, command, outside):
    new_trial(fresh.workspace, "which wick")
    out = ("--out", "no/such/folder/x.html", "--workspace", str(fresh.workspace.root))
    status, _, err = command("report", "trial", "which wick", *out)
    assert status == 2
    assert "--out FILE" in err
