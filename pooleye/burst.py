"""Several stills of one candle taken in quick succession: their order and times, as far as the photos tell.

EXIF gives whole seconds and, in a field of its own, the fraction (SubSecTimeOriginal; CIPA DC-008, Exif 2.32, 4.6.5).
A flame swings several times a second, so without the fractions, or where two photos have one time, there are no times:
none are made up.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from pooleye.errors import UsageError
from pooleye.flags import Declined

if TYPE_CHECKING:
    from pooleye.photo import Photo

FEWEST, MOST = 3, 60
LONG_SIDE_PX = 1280  # as in clips: a flame then has some 100 px; MOST of them are 220 MB


def burst_pictures(paths: Sequence[str | Path]) -> list[tuple[Photo, float | None]]:
    """The stills with the seconds since the first one, or all without; in the order taken where the photos tell it,
    else in the order given.

    Raises UsageError where they are no burst (too few or too many, one given twice, different sizes), Declined
    (unreadable and the like) for a photo that cannot be opened.
    """
    if not FEWEST <= len(paths) <= MOST:
        raise UsageError(
            "burst-size",
            f"a burst has {FEWEST} to {MOST} photos; {len(paths)} named",
            hint="name all photos of one burst, for example burst/*.jpg; a single photo: pooleye measure",
        )
    photos = [_loaded(path) for path in paths]
    _check_alike(photos)
    moments = [_moment(photo) for photo in photos]
    known = [moment for moment in moments if moment is not None]
    if len(set(known)) < len(photos):
        return [(photo, None) for photo in photos]
    order = sorted(range(len(photos)), key=lambda index: known[index])
    return [(photos[index], (known[index] - min(known)).total_seconds()) for index in order]


def _loaded(path: str | Path) -> Photo:
    from pooleye.photo import load_photo

    try:
        return load_photo(path, long_side_px=LONG_SIDE_PX)
    except Declined as why:
        raise Declined(why.reference, why.message, f"{path}: {why.hint} Or leave this photo out.") from why


def _moment(photo: Photo) -> timedelta | None:
    """The camera's own clock, to a fraction of a second; None where the photo does not tell so much."""
    if photo.taken_at is None or photo.taken_fraction_s is None:
        return None
    whole = photo.taken_at.replace(tzinfo=None, microsecond=0)
    return whole - whole.min + timedelta(seconds=photo.taken_fraction_s)


def _check_alike(photos: Sequence[Photo]) -> None:
    first: dict[bytes, Photo] = {}
    for photo in photos:
        same = first.setdefault(hashlib.sha256(photo.rgb.data).digest(), photo)
        if same is not photo:
            raise UsageError(
                "photo-twice",
                f"{photo.path} is the same photo as {same.path}",
                hint="name each photo of the burst once",
            )
        if photo.full_size_px != photos[0].full_size_px:
            raise UsageError(
                "burst-mixed",
                f"{photo.path} has another size than {photos[0].path}",
                hint="a burst is taken with one camera held one way; name only its photos",
            )
