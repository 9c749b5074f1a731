"""The demo on a small scenario of its own, with a stand-in for the measuring of top views."""

from __future__ import annotations

import base64
import json
import shutil
from html.parser import HTMLParser

import pytest

from pooleye import cautions
from pooleye.errors import UsageError
from pooleye.flags import Declined
from pooleye.report import workshop
from pooleye.report.demo import read_scenario, run_demo

ENTRIES = """
title = "A small workshop"
about = "Two jars."

[[photo]]
file = "a.jpg"
title = "Jar A & co, new"
rim_inner_mm = 76.0

[[photo]]
file = "b.jpg"
title = "Jar A, after 2 h"
say = "The pool <grows>."
view = "top"
rim_inner_mm = 76.0
headspace_mm = 14.0
baseline = "a.jpg"
"""


#: One candle, one burn, one photo: what the workshop's log needs at the least.
WORKSHOP = {
    "about": "Invented.",
    "settings": {"name": "Shed", "zone": "+01:00"},
    "vessels": [{"name": "jar", "rim_inner_mm": 76.0}],
    "waxes": [{"name": "soy"}],
    "fragrances": [],
    "wicks": [{"name": "wick 1"}],
    "lots": [{"component": "wick", "label": "K-1", "of": "wick 1"}],
    "trial": {"name": "one", "varies": "wick"},
    "pours": [
        {
            "at": "2025-03-01T12:00+01:00",
            "recipe": {"wax": "soy"},
            "lots": ["K-1"],
            "sets": [{"count": 1, "vessel": "jar", "wick": "wick 1", "fill_mass_g": 180.0, "trial": "one"}],
        }
    ],
    "codes": ["MAKX"],
    "events": [
        {"at": "2025-03-18T12:00+01:00", "do": "weigh", "candle": "MAKX", "mass_g": 400.0},
        {"at": "2025-03-19T12:00+01:00", "do": "light", "candle": "MAKX", "trimmed_mm": 6.0},
        {"at": "2025-03-19T13:00+01:00", "do": "note", "candle": "MAKX", "text": "full pool", "tester": "Ida"},
        {"at": "2025-03-19T13:01+01:00", "do": "heat", "candle": "MAKX", "value": 50.0},
        {"at": "2025-03-19T13:02+01:00", "do": "incident", "candle": "MAKX", "kind": "wick-adrift"},
        {"at": "2025-03-19T13:03+01:00", "do": "snuff", "candle": "MAKX", "how": "stopped"},
    ],
    "photos": [{"file": "MAKX new.jpg"}],
    "second_looks": [
        {"do": "adjust", "photo": "MAKX new.jpg", "quantity": "wick_offset", "value": "1mm", "who": "Ida"}
    ],
}


@pytest.fixture
def samples(tmp_path, photos):
    folder = tmp_path / "samples"
    folder.mkdir()
    shutil.copy(photos / "d5_00_top.jpg", folder / "a.jpg")
    shutil.copy(photos / "d5_00_top.jpg", folder / "b.jpg")
    (folder / "scenario.toml").write_text(ENTRIES)
    return folder


class Seen(HTMLParser):
    """Tags in order, and what a page refers to."""

    def __init__(self):
        super().__init__()
        self.sources, self.open = [], []

    def handle_starttag(self, tag, attributes):
        self.sources += [value for name, value in attributes if name in ("src", "href")]
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_the_demo_leaves_overlays_and_a_page_and_says_where(samples, tmp_path, stand_in_top):
    lines = list(run_demo(str(tmp_path / "out"), samples))
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "a_measured.jpg",
        "b_measured.jpg",
        "index.html",
    ]
    assert lines[0] == "Jar A & co, new: melt pool diameter 58.3 ± 0.7 mm"
    assert any(str(tmp_path / "out" / "index.html") in line for line in lines)
    assert any("pooleye measure" in line for line in lines)
    assert lines[-1] == cautions.SHORT


def test_what_the_scenario_knows_reaches_the_measuring(samples, tmp_path, stand_in_top):
    list(run_demo(str(tmp_path / "out"), samples))
    second = stand_in_top["asked"][1]
    assert second["headspace_mm"] == 14.0
    assert second["baseline"].path.endswith("a.jpg")
    assert second["vessel"].rim_inner_mm == 76.0


def test_the_page_stands_alone_and_is_well_formed(samples, tmp_path, stand_in_top):
    list(run_demo(str(tmp_path / "out"), samples))
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    seen = Seen()
    seen.feed(page)
    assert seen.open == []
    pictures = [base64.b64decode(source.removeprefix("data:image/jpeg;base64,")) for source in seen.sources]
    assert pictures == [(tmp_path / "out" / f"{name}_measured.jpg").read_bytes() for name in "ab"]
    assert 'name="viewport"' in page
    assert "Jar A &amp; co" in page
    assert "&lt;grows&gt;" in page


def test_cautions_and_stops_are_on_the_page_before_any_number(samples, tmp_path, stand_in_top):
    list(run_demo(str(tmp_path / "out"), samples))
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert all(line in page.replace("&#x27;", "'") for line in cautions.WHILE_BURNING + cautions.IN_AN_EMERGENCY)
    assert cautions.DISCLAIMER in page
    article = page[page.index("<article>") :]
    assert page.index(cautions.WHILE_BURNING[0]) < page.index("<article>")
    assert article.index("STOP") < article.index("58.3")


def test_a_declined_photo_is_on_the_page_with_its_hint(samples, tmp_path, stand_in_top):
    stand_in_top["answer"] = Declined("rim-cut-off")
    lines = list(run_demo(str(tmp_path / "out"), samples))
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "declined" in lines[0]
    assert "Go back a little" in page


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[photo]]\nfile = "a.jpg"\ntitle = "A"\nrim_iner_mm = 76.0', "rim_iner_mm"),
        ('[[photo]]\nfile = "a.jpg"\ntitle = "A"', "rim_inner_mm"),
        ('[[photo]]\nfile = "z.jpg"\ntitle = "A"\nrim_inner_mm = 76.0', "z.jpg"),
        ('titel = "A"', "titel"),
    ],
)
def test_a_mistake_in_the_scenario_is_named(samples, text, words):
    (samples / "scenario.toml").write_text(text)
    with pytest.raises(UsageError, match=words):
        read_scenario(samples)


def test_the_nearest_key_is_suggested(samples):
    (samples / "scenario.toml").write_text('[[photo]]\nfile = "a.jpg"\ntitle = "A"\nrim_iner_mm = 76.0')
    with pytest.raises(UsageError) as refused:
        read_scenario(samples)
    assert "rim_inner_mm" in refused.value.hint


@pytest.fixture
def with_workshop(samples, photos):
    folder = samples / "workshop" / "photos"
    folder.mkdir(parents=True)
    shutil.copy(photos / "d5_00_top.jpg", folder / "MAKX new.jpg")
    (samples / "workshop" / "scenario.json").write_text(json.dumps(WORKSHOP))
    return samples


def test_the_workshop_leaves_a_log_and_reports_that_the_page_leads_to(with_workshop, tmp_path, stand_in_top):
    out = tmp_path / "out"
    lines = list(run_demo(str(out), with_workshop, with_workshop=True, workers=1))
    page = (out / "index.html").read_text("utf-8")
    for name in ("trial.html", "candle-MAKX.html", "session-2025-03-19.html", "burnlog.xlsx"):
        assert (out / name).is_file()
        assert f'href="{name}"' in page
    assert any(line.startswith("The trial “one”: ") for line in lines)
    assert any("cd " in line and str(out / "workshop") in line for line in lines)


def test_the_demo_run_again_files_nothing_twice(with_workshop, tmp_path, stand_in_top):
    first, again = (list(run_demo(str(tmp_path / "out"), with_workshop, with_workshop=True, workers=1)) for _ in "ab")
    assert any(line.startswith("1 photos filed") for line in first)
    assert any(line.startswith("0 photos filed, 0 measured, 1 were in the log already") for line in again)


def test_codes_that_do_not_fit_the_photos_are_refused(with_workshop, tmp_path):
    path = with_workshop / "workshop" / "scenario.json"
    path.write_text(json.dumps(WORKSHOP | {"codes": ["4AYJ"]}))
    with pytest.raises(UsageError, match="gave the codes MAKX"):
        workshop.begun_log(tmp_path / "out", workshop.read_scenario(with_workshop))
    assert not (tmp_path / "out" / workshop.LOG_FOLDER).exists()


def test_the_demo_command_without_samples_says_so(command, outside, monkeypatch):
    import pooleye

    monkeypatch.setattr(pooleye, "__file__", str(outside.resolve() / "pooleye" / "__init__.py"))
    status, out, err = command("demo", "out")
    assert (status, out) == (2, "")
    assert "samples-missing" in err
