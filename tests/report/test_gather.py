"""What a report is made from: stored results as they were measured, burns of one sitting together, pictures small."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pooleye.burnlog.photo_files import keep_file
from pooleye.judge.findings import Finding, stops_together
from pooleye.measurement import Outlines, PhotoResult, Quantity
from pooleye.report import gather, pictures, sections


def test_a_stored_result_is_read_back_as_it_was_measured() -> None:
    measured = PhotoResult.measured(
        "IMG 1.jpg",
        "top",
        method="top/1",
        quantities={"pool_diameter": Quantity(58.3, 0.7, "mm"), "pool_coverage": Quantity(0.71, 0.02, "1")},
        flags=["focal-assumed"],
        by_clock={"soot_delta_L": [-1.0, None, *[0.5] * 10]},
        outlines_px=Outlines(
            rim={"cx": 1.0, "cy": 2.0, "semi_major": 9.0, "semi_minor": 8.0, "angle_deg": 10.0},
            pool=[(1.0, 2.0), (3.0, 4.0), (5.0, 6.0)],
            wick=(3.0, 3.0),
        ),
    )
    assert gather.stored_result(measured.as_json()).as_json() == measured.as_json()


def test_names_that_another_version_knew_are_left_out() -> None:
    stored = {
        "photo": "a.jpg", "view": "top", "method": "top/99", "flags": ["focal-assumed", "seen-in-the-future"],
        "quantities": {
            "pool_diameter": {"value": 58.0, "u": 0.5, "unit": "mm"},
            "pool_area": {"value": 26.4, "u": 0.5, "unit": "cm2"},
            "pool_warmth": {"value": 1.0, "u": 0.1, "unit": "1"},
        },
        "by_clock": {"warmth": {"unit": "1", "values": [1.0] * 12}},
    }  # fmt: skip
    found = gather.stored_result(stored)
    assert (list(found.quantities), found.flags, dict(found.by_clock)) == (["pool_diameter"], ("focal-assumed",), {})


T0 = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)


def row(code: str, lit_h: float, out_h: float) -> tuple[str, int, datetime, datetime]:
    return (code, 1, T0 + timedelta(hours=lit_h), T0 + timedelta(hours=out_h))


@pytest.mark.parametrize(
    ("rows", "groups"),
    [
        ([row("A", 0, 4), row("B", 1, 3), row("C", 3.5, 7)], [["A", "B", "C"]]),  # chained by A, which outlasts B
        ([row("A", 0, 4), row("B", 5, 9)], [["A"], ["B"]]),
        ([row("A", 0, 4), row("B", 4, 8)], [["A", "B"]]),
        ([], []),
    ],
)
def test_burns_that_overlap_are_one_sitting(rows: Any, groups: list[list[str]]) -> None:
    assert [[one[0] for one in sitting] for sitting in gather._sittings(rows)] == groups


def test_a_forgotten_burn_ends_when_it_was_meant_to() -> None:
    burn: Any = SimpleNamespace(out_at=None, lit_at=T0, planned_minutes=240.0)
    assert gather._until(burn) == T0 + timedelta(hours=4)


def shot(burn: int, **more: Any) -> Any:
    return SimpleNamespace(burn=burn, **more)


def test_too_many_photos_leave_burns_between_the_first_and_the_last_out() -> None:
    many = [shot(number) for number in range(1, 41) for _ in range(20)]
    kept, side_px = sections.fitting(many)
    numbers = sorted({one.burn for one in kept})
    assert side_px >= pictures.SHORTEST_PX
    assert numbers[0] == 1 and numbers[-1] == 40 and len(numbers) < 40  # noqa: PT018
    assert len(kept) * side_px**2 * pictures.BYTES_PER_PX <= pictures.PAGE_BYTES
    assert sections.fitting(many[:20]) == (tuple(many[:20]), pictures.long_side_px(20))


def a_clip(path: Path) -> Path:
    """Twelve grey pictures with a bright bar, as a phone's clip."""
    import av

    with av.open(path, "w") as container:
        stream = container.add_stream("mpeg4", rate=Fraction(12))
        stream.width, stream.height, stream.pix_fmt = 640, 480, "yuv420p"
        for count in range(12):
            pixels = np.full((480, 640, 3), 90, dtype=np.uint8)
            pixels[100:300, 40 * count : 40 * count + 30] = 250
            container.mux(stream.encode(av.VideoFrame.from_ndarray(pixels, format="rgb24")))
        container.mux(stream.encode())
    return path


def test_of_a_clip_its_first_picture_is_shown_without_outlines(tmp_path: Path) -> None:
    kept = keep_file(tmp_path / "photos", a_clip(tmp_path / "clip.mp4"))
    filed: Any = SimpleNamespace(sha256=kept.sha256, suffix=kept.suffix, result=None, drawn_by_hand=())
    found = pictures.embedded(tmp_path / "photos", filed, rim_inner_mm=75.0, long_side_px=320)
    assert (found.width_px, found.height_px, found.file) == (320, 240, "unchanged since it was filed")
    assert (found.uri or "").startswith("data:image/jpeg;base64,")


def test_what_is_no_picture_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"no picture")
    kept = keep_file(tmp_path / "photos", tmp_path / "a.jpg")
    filed: Any = SimpleNamespace(sha256=kept.sha256, suffix=kept.suffix, result=None, drawn_by_hand=())
    found = pictures.embedded(tmp_path / "photos", filed, rim_inner_mm=75.0, long_side_px=320)
    assert (found.uri, found.file) == (None, "unchanged since it was filed; it cannot be shown as a picture")


def finding(words: str, burn: int = 1, rule: str = "wick_moved") -> Finding:
    return Finding(rule, "stop", words, "the log itself", number=burn)


def test_a_stop_is_said_once_with_its_candles_and_burns_in_its_fullest_words() -> None:
    loose = "The wick came loose."
    found = [
        ("A", finding(loose, 3)),
        ("A", finding(f"{loose} Not to be lit again.", 3, "wick_adrift")),
        ("A", finding("Too hot.", 1, "hot")),
        ("B", finding("Too hot.", 2, "hot")),
    ]
    said = [(one.codes, one.words, one.where) for one in stops_together(found)]
    assert said == [("A", f"{loose} Not to be lit again.", "burn 3"), ("A, B", "Too hot.", "burns 1 to 2")]
