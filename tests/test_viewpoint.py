"""`--view auto`: from above or from the side, told from the picture alone."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pooleye.optics.ellipse import Ellipse
from pooleye.photo import Photo, load_photo
from pooleye.top.locate import Mouth
from pooleye.viewpoint import viewpoint_of

PHOTOS = Path(__file__).parent / "photos"
WORKSHOP = Path(__file__).parents[1] / "sample_images" / "workshop"


def shots(folder: Path) -> list[tuple[Path, str]]:
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    within = folder / truth.get("folder", "")
    found = [(within / shot["file"], shot["view"]) for shot in truth["shots"] if shot["measurable"]]
    return [(path, view) for path, view in found if path.suffix == ".jpg" and path.is_file()]


@pytest.mark.parametrize(("folder", "every"), [(PHOTOS, 1), (WORKSHOP, 2)], ids=["photos", "workshop"])
def test_photos_with_known_truth_are_told_right(folder, every):
    found = [(path.name, view, viewpoint_of(load_photo(path))[0]) for path, view in shots(folder)[::every]]
    assert len(found) > 20
    assert [entry for entry in found if entry[1] != entry[2]] == []


@pytest.fixture
def seen(monkeypatch):
    """Stands in for the networks: one mouth of a given sureness and roundness, holding a given share of wax, perhaps
    with a vessel beside it."""

    def set_to(sure: float, *, roundness: float = 0.95, wax: float = 0.0, beside: bool = False) -> Photo:
        mouth = Mouth(Ellipse(300, 200, 100, 100 * roundness, 0.0), False, False, 0.0, sure, 0.0)
        monkeypatch.setattr("pooleye.top.locate.find_mouths", lambda rgb: [mouth] if sure else [])
        monkeypatch.setattr("pooleye.viewpoint._stands_beside", lambda rgb, mouth: beside)
        close = type("Close", (), {"wax_share": wax})()
        monkeypatch.setattr("pooleye.top.rim.mouth_edge", lambda rgb, mouth: type("Edge", (), {"close": close})())
        return replace(load_photo(PHOTOS / "d1_01_top.jpg"), rgb=np.zeros((400, 600, 3), np.uint8))

    return set_to


@pytest.mark.parametrize(
    ("sure", "wax", "expected"),
    [
        (0.0, 0.0, ("side", ())),
        (0.6, 0.9, ("side", ())),
        (0.97, 0.0, ("top", ())),  # an empty jar from above
        (0.9, 0.8, ("top", ())),
        (0.9, 0.1, ("side", ())),
        (0.9, 0.46, ("top", ("view-uncertain",))),
        (0.9, 0.42, ("side", ("view-uncertain",))),
    ],
)
def test_between_sure_and_doubtful_the_wax_in_the_mouth_tells(seen, sure, wax, expected):
    assert viewpoint_of(seen(sure, wax=wax)) == expected


@pytest.mark.parametrize(("wax", "expected"), [(0.1, "side"), (0.8, "top")])
def test_a_sure_mouth_with_a_vessel_beside_it_is_told_by_the_wax_too(seen, wax, expected):
    assert viewpoint_of(seen(0.97, wax=wax, beside=True)) == (expected, ())


def test_a_mouth_seen_far_from_round_is_seen_from_the_side(seen):
    assert viewpoint_of(seen(0.99, roundness=0.4)) == ("side", ())
