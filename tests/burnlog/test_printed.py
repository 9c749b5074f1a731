"""Labels and the bench card: printed at exact size, read from photos as they are taken at a bench."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from pooleye.burnlog import printed
from pooleye.burnlog.card_reading import card_in_photo, read_card
from pooleye.burnlog.codes import code_for
from pooleye.burnlog.picture_codes import code_from_text, codes_in_photo, codes_in_picture, text_for
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

CODE = code_for(42)
# px per mm of the rendered page.
RASTER = 12.0
# A phone's main camera, 26 mm equivalent, at half its 12 megapixels: focal length in px by the diagonal (CIPA DC-008).
WIDE, HIGH = 2016, 1512
FOCAL_PX = 26 * math.hypot(WIDE, HIGH) / 43.267


def _page(path: Path) -> NDArray[np.uint8]:
    """The first page as grey picture, RASTER px per mm."""
    document = pypdfium2.PdfDocument(path)
    try:
        page = document[0]
        picture = np.asarray(page.render(scale=RASTER * 25.4 / 72, grayscale=True).to_numpy())
        page.close()
    finally:
        document.close()
    return picture.reshape(picture.shape[0], picture.shape[1]).astype(np.uint8)


@dataclass
class Shot:
    """How a page is photographed: mm and deg; ``centre_mm`` from the page's top left corner."""

    centre_mm: tuple[float, float]
    distance_mm: float = 350.0
    tilt_deg: float = 0.0
    turn_deg: float = 0.0
    blur_px: float = 0.8
    noise: float = 3.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)


def photograph(page: NDArray[np.uint8], shot: Shot, seed: int = 1) -> NDArray[np.uint8]:
    """The page as a pinhole camera sees it lying on a grey table, with blur, noise and a colour cast (linear gains)."""
    tilt, turn = math.radians(shot.tilt_deg), math.radians(shot.turn_deg)
    around = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    over = np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]])
    pose = over @ around
    camera = np.array([[FOCAL_PX, 0, (WIDE - 1) / 2], [0, FOCAL_PX, (HIGH - 1) / 2], [0, 0, 1]])
    to_mm = np.array([[1 / RASTER, 0, -shot.centre_mm[0]], [0, 1 / RASTER, -shot.centre_mm[1]], [0, 0, 1]])
    plane = np.column_stack([pose[:, 0], pose[:, 1], [0, 0, shot.distance_mm]])
    seen = cv2.warpPerspective(page, camera @ plane @ to_mm, (WIDE, HIGH), flags=cv2.INTER_AREA, borderValue=110)
    linear = np.repeat((seen[:, :, None] / 255.0) ** 2.2, 3, axis=2) * np.array(shot.gains) * 0.7
    stored = np.clip(linear, 0, 1) ** (1 / 2.2) * 255
    stored = cv2.GaussianBlur(stored, (0, 0), shot.blur_px)
    stored += np.random.default_rng(seed).normal(0, shot.noise, stored.shape)
    return np.clip(stored, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def label_page(tmp_path_factory: pytest.TempPathFactory) -> NDArray[np.uint8]:
    path = tmp_path_factory.mktemp("labels") / "labels.pdf"
    printed.draw_labels([printed.LabelText(CODE, ("straight jar · wick 3", "soy, fig and cedar"))], path)
    return _page(path)


@pytest.fixture(scope="module")
def card_page(tmp_path_factory: pytest.TempPathFactory) -> NDArray[np.uint8]:
    path = tmp_path_factory.mktemp("cards") / "cards.pdf"
    printed.draw_cards([CODE], path)
    return _page(path)


# Middle of the first label and of the first card on an A4 page, from the top left corner.
LABEL_AT = (9 + 32, 6 + 17)
CARD_AT = (105.0, 297 - (297 - 10 - 68 + 31))


def _ruler_px(page: NDArray[np.uint8], row_mm: float) -> float:
    """Length of the longest dark run in the rows around the ruler."""
    rows = page[int((row_mm - 1) * RASTER) : int((row_mm + 1) * RASTER)]
    dark = (rows < 128).sum(axis=1)
    return float(dark.max())


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_page_has_the_papers_size_and_its_ruler_is_100_mm_long(tmp_path: Path, paper: str) -> None:
    # A4: ISO 216, 210 x 297 mm. Letter: ANSI/ASME Y14.1, 8.5 x 11 in. One point is 1/72 in (ISO 32000-1, 8.3.2.3).
    sizes = {"A4": (210.0, 297.0), "Letter": (8.5 * 25.4, 11 * 25.4)}
    printed.draw_labels([printed.LabelText(CODE, ())], tmp_path / "l.pdf", paper=paper)
    document = pypdfium2.PdfDocument(tmp_path / "l.pdf")
    points = document[0].get_size()
    document.close()
    assert [one * 25.4 / 72 for one in points] == pytest.approx(list(sizes[paper]), abs=0.05)
    page = _page(tmp_path / "l.pdf")
    assert _ruler_px(page, sizes[paper][1] - 8) / RASTER == pytest.approx(100.0, abs=0.5)


def test_the_labels_qr_has_its_quiet_zone_and_size_and_another_reader_agrees(label_page: NDArray[np.uint8]) -> None:
    # 21 modules a side and 4 modules of quiet zone: ISO/IEC 18004, version 1.
    cut = label_page[int(6 * RASTER) : int(40 * RASTER), int(9 * RASTER) : int(33 * RASTER)]
    text, corners, _ = cv2.QRCodeDetector().detectAndDecode(cut)
    assert text == text_for(CODE)
    side = float(np.linalg.norm(corners[0][1] - corners[0][0])) / RASTER
    assert side == pytest.approx(21 * 0.8, abs=0.3)
    assert codes_in_picture(cut) == (CODE,)


@pytest.mark.parametrize("distance", [250, 350, 450])
@pytest.mark.parametrize("tilt", [0, 20, 35])
@pytest.mark.parametrize("turn", [0, 100, 200])
def test_a_label_is_read_at_the_distances_and_angles_of_a_bench(
    label_page: NDArray[np.uint8], distance: float, tilt: float, turn: float
) -> None:
    picture = photograph(label_page, Shot(LABEL_AT, distance, tilt, turn))
    assert codes_in_picture(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)) == (CODE,)


def test_a_photo_file_gives_code_and_time(label_page: NDArray[np.uint8], tmp_path: Path) -> None:
    picture = photograph(label_page, Shot(LABEL_AT, 350, 15, 30))
    cv2.imwrite(str(tmp_path / "p.jpg"), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85])
    assert codes_in_photo(str(tmp_path / "p.jpg")) == (None, (CODE,))


@pytest.mark.parametrize("text", ["https://example.org/K7CX", "POOLEYE:K7CC", "POOLEYE:", "K7CX", ""])
def test_other_codes_in_the_picture_are_none_of_ours(text: str) -> None:
    assert code_from_text(text) is None
    assert code_from_text(f"pooleye:{CODE.lower()}") == CODE


@pytest.mark.parametrize(("distance", "tilt", "turn"), [(350, 0, 0), (350, 12, 45), (450, 25, 170), (300, 35, 300)])
def test_the_card_gives_code_scale_tilt_and_twelve_oclock(
    card_page: NDArray[np.uint8], distance: float, tilt: float, turn: float
) -> None:
    picture = photograph(card_page, Shot(CARD_AT, distance, tilt, turn))
    seen = read_card(picture, focal_px=FOCAL_PX, ruler_mm=100.0)
    assert seen is not None
    assert seen.code == CODE
    assert seen.markers == 4
    # Scale at the card's centre: focal/distance along the tilt's axis, and less by the cosine across it; the card's
    # centre is the picture's, so the area of one mm² is (f/d)²·cos(tilt).
    assert seen.scale.value == pytest.approx(FOCAL_PX / distance * math.cos(math.radians(tilt)) ** 0.5, rel=0.01)
    assert abs(seen.scale.value - FOCAL_PX / distance * math.cos(math.radians(tilt)) ** 0.5) <= 2 * seen.scale.u
    assert seen.tilt is not None
    assert abs(seen.tilt.value - tilt) <= 2 * seen.tilt.u
    assert seen.tilt.u < 6
    # Foreshortening moves the arrow's direction in the picture: compare with the arrow's own projection.
    up = math.radians(turn)
    expected = math.degrees(math.atan2(math.sin(up), math.cos(up) * math.cos(math.radians(tilt)))) % 360
    apart = abs((seen.twelve.value - expected + 180) % 360 - 180)
    assert apart < 3


def test_the_cards_white_undoes_the_lights_colour(card_page: NDArray[np.uint8]) -> None:
    gains = (1.3, 1.0, 0.6)
    seen = read_card(photograph(card_page, Shot(CARD_AT, gains=gains)))
    assert seen is not None
    assert seen.white[0] * gains[0] == pytest.approx(1.0, abs=0.05)
    assert seen.white[2] * gains[2] == pytest.approx(1.0, abs=0.05)


def test_a_page_that_the_printer_shrank_is_put_right_by_its_ruler(card_page: NDArray[np.uint8]) -> None:
    shrunk = 0.96
    page = cv2.resize(card_page, None, fx=shrunk, fy=shrunk, interpolation=cv2.INTER_AREA)
    picture = photograph(page, Shot((CARD_AT[0] * shrunk, CARD_AT[1] * shrunk)))
    truth = FOCAL_PX / 350
    unchecked, checked = read_card(picture), read_card(picture, ruler_mm=96.0)
    assert unchecked is not None
    assert checked is not None
    assert unchecked.scale.value == pytest.approx(truth * shrunk, rel=0.01)
    # Unchecked, the stated uncertainty must still reach the truth.
    assert abs(unchecked.scale.value - truth) <= 2 * unchecked.scale.u
    assert checked.scale.value == pytest.approx(truth, rel=0.005)
    assert checked.scale.u < unchecked.scale.u / 5


@pytest.mark.parametrize("case", ["no card", "half a card", "bent"])
def test_what_is_no_whole_flat_card_is_none(card_page: NDArray[np.uint8], case: str) -> None:
    if case == "no card":
        picture = np.full((HIGH, WIDE, 3), 120, np.uint8)
    elif case == "half a card":
        picture = photograph(card_page, Shot(CARD_AT))
        picture[:, : WIDE // 2] = 110
    else:
        picture = photograph(card_page, Shot(CARD_AT))
        x, y = np.meshgrid(np.arange(WIDE, dtype=np.float32), np.arange(HIGH, dtype=np.float32))
        # One corner of the paper curls up.
        lifted = 150 * np.clip(x - WIDE / 2, 0, None) ** 2 * (y < HIGH / 2) / (WIDE / 2) ** 2
        picture = cv2.remap(picture, x, (y + lifted).astype(np.float32), cv2.INTER_LINEAR)
    assert read_card(picture) is None


def test_three_corners_of_the_card_are_enough(card_page: NDArray[np.uint8]) -> None:
    picture = photograph(card_page, Shot(CARD_AT))
    seen = read_card(picture)
    # A cup stands on one corner.
    size = int(24 * FOCAL_PX / 350)
    x, y = int(WIDE / 2 + 75 * FOCAL_PX / 350) - size, int(HIGH / 2 - 31 * FOCAL_PX / 350)
    picture[y : y + size, x : x + size + 10] = 60
    hidden = read_card(picture)
    assert seen is not None
    assert hidden is not None
    assert (seen.markers, hidden.markers) == (4, 3)
    assert hidden.scale.value == pytest.approx(seen.scale.value, rel=0.01)


def test_a_card_in_a_photo_file_has_its_scale_at_full_size(card_page: NDArray[np.uint8], tmp_path: Path) -> None:
    picture = cv2.resize(photograph(card_page, Shot(CARD_AT)), None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    cv2.imwrite(str(tmp_path / "p.jpg"), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85])
    seen = card_in_photo(str(tmp_path / "p.jpg"), 100.0)
    assert seen is not None
    assert seen.scale.value == pytest.approx(2 * FOCAL_PX / 350, rel=0.01)


def test_a_begun_sheet_leaves_its_used_labels_free_and_long_lists_take_more_pages(tmp_path: Path) -> None:
    texts = [printed.LabelText(code_for(number), ()) for number in range(1, 26)]
    assert printed.draw_labels(texts[:24], tmp_path / "a.pdf") == 1
    assert printed.draw_labels(texts, tmp_path / "b.pdf") == 2
    assert printed.draw_labels(texts[:1], tmp_path / "c.pdf", skip=3) == 1
    page = _page(tmp_path / "c.pdf")
    first = page[int(6.5 * RASTER) : int(39 * RASTER), int(10.5 * RASTER) : int(200 * RASTER)]
    second = page[int(41 * RASTER) : int(73 * RASTER), int(10.5 * RASTER) : int(70 * RASTER)]
    assert codes_in_picture(first) == ()
    assert codes_in_picture(np.ascontiguousarray(second)) == (texts[0].code,)


def test_labels_of_a_pour_and_cards_are_written_from_the_log(
    sqlite_workspace: Workspace, three: Callable[..., Any], tmp_path: Path
) -> None:
    codes = three(sqlite_workspace)
    sheet = printed.label_sheet(sqlite_workspace, tmp_path / "labels.pdf", pour="P1")
    cards = printed.bench_cards(sqlite_workspace, tmp_path / "cards.pdf", codes[:2])
    assert (sheet.codes, cards.codes) == (codes, codes[:2])
    found = codes_in_picture(_page(tmp_path / "labels.pdf"))
    assert set(found) == set(codes)
    for out in (tmp_path, tmp_path / "nowhere" / "labels.pdf"):
        with pytest.raises(PooleyeError):
            printed.label_sheet(sqlite_workspace, out)


def test_a_code_is_spelled_out_for_reading_aloud() -> None:
    assert printed.spelled("K7CX") == "Kilo seven Charlie X-ray"


def test_a_label_that_is_small_in_the_picture_is_found_in_the_whole_of_it(
    label_page: NDArray[np.uint8], tmp_path: Path
) -> None:
    # Four times the simulated camera's pixels, as a phone's 12 megapixels; the label fills a part of them.
    near = photograph(label_page, Shot(LABEL_AT, 330, 15, 30))
    half = cv2.resize(near, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    picture = np.full((2 * HIGH, 2 * WIDE, 3), 110, np.uint8)
    picture[700 : 700 + half.shape[0], 900 : 900 + half.shape[1]] = half
    cv2.imwrite(str(tmp_path / "p.jpg"), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 88])
    quick, closely = codes_in_photo(str(tmp_path / "p.jpg")), codes_in_photo(str(tmp_path / "p.jpg"), closely=True)
    assert (quick[1], closely[1]) == ((), (CODE,))
