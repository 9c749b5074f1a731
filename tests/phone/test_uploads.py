"""Photos in pieces: cut, sent again, sent twice, sent by another; each is filed once."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from sqlalchemy import func, select

from pooleye.burnlog.records import Photo, Reading
from pooleye.errors import PooleyeError
from pooleye.phone import uploads
from pooleye.phone.uploads import suffix_of

Do = Callable[..., httpx.Response]
KEY = "k" * 32


def count(bench: Any, model: Any = Photo) -> int:
    with bench.workspace.read() as session:
        found: int = session.scalar(select(func.count()).select_from(model))
        return found


def send(phone: httpx.Client, data: bytes, *, start: int = 0, stop: int | None = None, key: str = KEY) -> None:
    """Pieces of a photo from ``start`` on."""
    size = 100_000
    for offset in range(start, stop or len(data), size):
        piece = data[offset : min(offset + size, stop or len(data))]
        assert phone.put(f"/upload/{key}?offset={offset}", content=piece).status_code == 200


@pytest.fixture
def photo(photos: Path) -> bytes:
    return (photos / "d1_01_top.jpg").read_bytes()


@pytest.fixture
def lit(bench: Any, do: Do) -> str:
    do("light", bench.codes[0])
    bench.clock.forward(minutes=60)
    code: str = bench.codes[0]
    return code


def finish(phone: httpx.Client, data: bytes, code: str, key: str = KEY) -> httpx.Response:
    return phone.post("/photo", data={"upload": key, "size": str(len(data)), "code": code})


def test_an_upload_goes_on_where_it_was_cut(bench: Any, phone: httpx.Client, lit: str, photo: bytes) -> None:
    send(phone, photo, stop=150_000)
    assert phone.get(f"/upload/{KEY}").text == "150000"
    assert phone.put(f"/upload/{KEY}?offset=0", content=b"again").status_code == 409
    assert finish(phone, photo, lit).status_code == 409
    send(phone, photo, start=150_000)
    done = finish(phone, photo, lit)
    assert done.status_code == 303
    assert count(bench) == 1


def test_a_photo_whose_answer_was_lost_is_answered_again_and_filed_once(
    bench: Any, phone: httpx.Client, lit: str, photo: bytes
) -> None:
    send(phone, photo)
    first = finish(phone, photo, lit)
    again = finish(phone, photo, lit)
    assert first.headers["location"] == again.headers["location"]
    send(phone, photo, key="other" * 4)  # the whole of it once more, as after a restart of the computer
    third = finish(phone, photo, lit, key="other" * 4)
    assert "filed before" in phone.get(third.headers["location"]).text
    assert (count(bench), count(bench, Reading)) == (1, 1)


def test_two_phones_send_the_same_photo_at_once_and_it_is_filed_once(
    bench: Any, phone: httpx.Client, lit: str, photo: bytes
) -> None:
    with bench.client() as other, ThreadPoolExecutor(2) as both:
        for one in (phone, other):
            send(one, photo)
        answers = list(both.map(lambda one: finish(one, photo, lit), (phone, other)))
    assert [one.status_code for one in answers] == [303, 303]
    assert (count(bench), count(bench, Reading)) == (1, 1)


def test_another_phone_sees_nothing_of_an_upload(bench: Any, phone: httpx.Client, photo: bytes) -> None:
    send(phone, photo, stop=100_000)
    with bench.client() as other:
        assert other.get(f"/upload/{KEY}").text == "0"


def test_a_photo_without_a_time_that_had_to_wait_is_filed_at_its_tap(
    bench: Any, phone: httpx.Client, lit: str, photo: bytes, tmp_path: Path
) -> None:
    with Image.open(io.BytesIO(photo)) as picture:
        picture.save(tmp_path / "bare.jpg", quality=92)
    bare = (tmp_path / "bare.jpg").read_bytes()
    bench.clock.forward(minutes=40)
    send(phone, bare)
    done = phone.post("/photo", data={"upload": KEY, "size": str(len(bare)), "code": lit, "age_s": str(40 * 60)})
    assert done.status_code == 303
    with bench.workspace.read() as session:
        (kept,) = session.scalars(select(Photo))
        assert kept.minutes_alight == 60.0
        assert kept.checkpoint.minutes == 60.0


def test_a_retaken_photo_strikes_the_first_and_deletes_nothing(
    bench: Any, phone: httpx.Client, lit: str, photos: Path, photo: bytes
) -> None:
    send(phone, photo)
    first = finish(phone, photo, lit).headers["location"].rpartition("/")[2]
    better = (photos / "d1_01_top_b.jpg").read_bytes()
    send(phone, better, key="b" * 20)
    data = {"upload": "b" * 20, "size": str(len(better)), "code": lit, "instead": first}
    assert phone.post("/photo", data=data).status_code == 303
    with bench.workspace.read() as session:
        kept = {one.sha256: one.void_reason for one in session.scalars(select(Photo))}
    assert len(kept) == 2
    assert kept[first] == "retaken"
    assert "struck out (retaken)" in phone.get(f"/photo/{first}").text


def test_a_photo_of_the_wrong_candle_is_refiled_where_its_time_puts_it_and_measured_for_it(
    bench: Any, phone: httpx.Client, do: Do, lit: str, photo: bytes
) -> None:
    other = bench.codes[1]
    do("light", other, at="30min ago")
    send(phone, photo)
    page = phone.get(finish(phone, photo, lit).headers["location"])
    sha256 = str(page.url).rpartition("/")[2]
    key = re.search(r'action="/do/refile".*?value="([0-9a-f]{32})"', page.text, re.DOTALL)
    assert key
    moved = phone.post("/do/refile", data={"key": key[1], "photo": sha256, "code": other})
    assert f"{other} burn 1 at 30" in phone.get(moved.headers["location"]).text
    with bench.workspace.read() as session:
        (kept,) = session.scalars(select(Photo))
        assert kept.candle.code == other
        assert (kept.burn.number, round(kept.minutes_alight or 0)) == (1, 30)


def test_a_photo_whose_candle_is_not_clear_is_kept_until_a_tap_says_which(
    bench: Any, phone: httpx.Client, do: Do, lit: str, photo: bytes
) -> None:
    do("light", bench.codes[1], at="60min ago")
    send(phone, photo)
    asked = finish(phone, photo, "")
    assert asked.status_code == 422
    assert count(bench) == 0
    fields = dict(re.findall(r'type="hidden" name="(\w+)" value="(\w+)"', asked.text))
    done = phone.post("/photo", data={**fields, "code": bench.codes[1]})
    assert done.status_code == 303
    assert f"{bench.codes[1]} burn 1" in phone.get(done.headers["location"]).text


@pytest.mark.parametrize(
    ("head", "suffix"),
    [
        (b"\xff\xd8\xff\xe0", ".jpg"),
        (b"\x89PNG\r\n\x1a\n", ".png"),
        (b"RIFF\x00\x00\x00\x00WEBP", ".webp"),
        (b"\x00\x00\x00\x18ftypheic", ".heic"),
        (b"\x00\x00\x00\x18ftypisom", None),
        (b"GIF89a", None),
        (b"<svg xmlns", None),
        (b"%PDF-1.7", None),
        (b"PK\x03\x04", None),
        (b"", None),
    ],
)
def test_the_first_bytes_say_what_a_file_is(head: bytes, suffix: str | None) -> None:
    assert suffix_of(head) == suffix


def test_unfinished_uploads_cannot_fill_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "PHOTO_BYTES", 1000)
    spool = uploads.Spool(tmp_path)
    spool.append("device", KEY, 0, b"x" * 900)
    with pytest.raises(PooleyeError, match="larger than"):
        spool.append("device", KEY, 900, b"x" * 200)
    assert list(tmp_path.iterdir()) == []
    for number in range(uploads.MOST_PER_PHONE):
        spool.append("device", f"{number:032d}", 0, b"x")
    with pytest.raises(PooleyeError, match="too many photos"):
        spool.append("device", "y" * 32, 0, b"x")
    assert spool.append("other phone", KEY, 0, b"x") == 1
