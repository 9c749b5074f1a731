"""Which candle, burn and checkpoint a photo belongs to. What is not certain is listed with its reason, not guessed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from pathlib import PurePath

import numpy as np

from pooleye.burnlog import bench
from pooleye.burnlog.bench import Place
from pooleye.burnlog.look import Seen
from pooleye.burnlog.names import NameSays, read_name
from pooleye.burnlog.records import Candle
from pooleye.burnlog.times import say_minutes

# A name's minutes and the clock's may differ by this much: the look was due then and taken a little later.
_NAME_AGREES_MIN = 20.0
# A photo counts for a burn, by time alone, up to this long after its end: the last look is often taken after snuffing.
_AFTER_END = timedelta(minutes=10)
# Looks are taken within this of their time when a camera's clock is judged by them.
_ON_TIME_S = 10 * 60.0
_BIN_S = 120.0
_LEAST_VOTES = 3


@dataclass(frozen=True)
class Decided:
    """A photo's place, how it was found, and the view its name says."""

    place: Place
    found_how: str
    view: str
    taken_at: datetime | None


@dataclass(frozen=True)
class Undecided:
    """Why a photo has no place, and what to do."""

    why: str
    hint: str


@dataclass(frozen=True)
class Offset:
    """What to add to the camera's clock, s, and how it was found: given, none, from-session, unclear."""

    seconds: float = 0.0
    how: str = "none"


def utc_of(seen: Seen, zone: tzinfo, offset_s: float) -> datetime | None:
    """A photo's time in UTC; a camera without a zone is on the workshop's clock."""
    if seen.taken_at is None:
        return None
    moment = seen.taken_at if seen.taken_at.tzinfo else seen.taken_at.replace(tzinfo=zone)
    return bench_utc(moment) + timedelta(seconds=offset_s)


def bench_utc(moment: datetime) -> datetime:
    """UTC of a moment with zone."""
    from pooleye.burnlog.times import require_zone

    return require_zone(moment)


def _codes(seen: Seen, says: NameSays, candles: Mapping[str, Candle]) -> tuple[str, str] | Undecided | None:
    """(code, how) from picture and name together; None when both are silent."""
    pictured = [code for code in seen.codes if code in candles]
    strangers = [code for code in seen.codes if code not in candles]
    if strangers and not pictured:
        return Undecided(
            f"its label says {', '.join(strangers)}, which the log does not know", "is this the right log?"
        )
    if len(says.codes) > 1:
        return Undecided(f"its name says {' and '.join(says.codes)}", "rename it, or: pooleye snap PHOTO --candle CODE")
    if len(pictured) > 1 and not (says.codes and says.codes[0] in pictured):
        text = f"it shows the labels of {' and '.join(pictured)}"
        return Undecided(text, "say which is meant: pooleye snap PHOTO --candle CODE")
    if pictured and says.codes and says.codes[0] not in pictured:
        text = f"its label says {pictured[0]}, its name says {says.codes[0]}"
        return Undecided(text, "look at the photo, then: pooleye snap PHOTO --candle CODE")
    if pictured:
        return (says.codes[0] if says.codes else pictured[0]), "code-in-picture"
    return (says.codes[0], "name") if says.codes else None


def _named_place(candle: Candle, says: NameSays) -> Place | Undecided:
    """The place from the name alone, for a photo without a usable time."""
    hint = "put it in the name, for instance CODE_b2_120min_top.jpg, or: pooleye snap PHOTO --candle CODE --at TIME"
    if says.new or (not candle.burns and says.burn is None):
        return Place(candle.code, "new")
    number = says.burn or (1 if len(candle.burns) == 1 else None)
    burn = bench.numbered_burn(candle, number)
    if number is not None and burn is None:
        return Undecided(f"its name says burn {number}, which {candle.code} has not had", "check the name")
    if burn is None or says.minutes is None:
        missing = "burn and minutes" if burn is None else "minutes"
        return Undecided(f"it says no time, and its name no {missing}", hint)
    return Place(candle.code, "alight", burn.number, says.minutes, bench.checkpoint_minutes(burn, says.minutes))


def _contradiction(place: Place, says: NameSays) -> str | None:
    if says.new and place.phase != "new":
        return f"its name says new, its time says {place.said()}"
    if says.burn is not None and place.burn_number != says.burn:
        return f"its name says burn {says.burn}, its time says {place.said()}"
    said, timed = says.minutes, place.minutes_alight
    if said is not None and timed is not None and abs(timed - said) > _NAME_AGREES_MIN:
        return f"its name says {say_minutes(said)}, its time says {say_minutes(timed)}"
    return None


def _timed_place(candle: Candle, moment: datetime, says: NameSays) -> Place | Undecided:
    """The place by a time that must make sense and agree with the name."""
    clock_hint = _CLOCK_HINT
    place = bench.place_at(candle, moment)
    burn = bench.numbered_burn(candle, place.burn_number)
    if place.phase == "after" and burn is not None and burn.out_at is not None:
        if moment - burn.out_at <= _AFTER_END and says.minutes is not None and says.burn in (None, burn.number):
            return _named_place(candle, NameSays(says.codes, burn.number, says.minutes, says.new, says.view))
        if moment - burn.out_at > bench.AFTER_BURN and says.burn is None:
            return Undecided(f"it was taken long after burn {burn.number} of {candle.code}", clock_hint)
    wrong = _contradiction(place, says)
    return Undecided(wrong, clock_hint) if wrong else place


def _by_time(candles: Mapping[str, Candle], moment: datetime, says: NameSays) -> Place | Undecided:
    """The only candle alight at ``moment``."""
    alight = []
    for candle in candles.values():
        burn = bench.burn_at(candle, moment)
        if burn is not None and (burn.out_at is None or moment <= burn.out_at + _AFTER_END):
            alight.append(candle)
    if len(alight) == 1:
        return _timed_place(alight[0], moment, says)
    hint = "put the label in the picture, or say which: pooleye snap PHOTO --candle CODE"
    if not alight:
        return Undecided("no candle was alight when it was taken, and it shows no label", hint)
    codes = ", ".join(candle.code for candle in alight)
    return Undecided(f"{len(alight)} candles were alight when it was taken ({codes}), and it shows no label", hint)


_CLOCK_HINT = "if the camera's clock was wrong, give --clock-offset, for instance +1h or -12min"
# A camera may run a little ahead of this computer.
_AHEAD = timedelta(minutes=10)


def _impossible(candle: Candle, moment: datetime, now: datetime) -> str | None:
    """Why a photo of this candle cannot have been taken at ``moment``."""
    if moment > now + _AHEAD:
        return "its clock says a time that has not come yet"
    if moment < candle.pour.poured_at - timedelta(hours=1):
        return f"its clock says a time before {candle.code} was poured"
    return None


def _known_place(candle: Candle, moment: datetime | None, says: NameSays, now: datetime) -> Place | Undecided:
    """The place of a photo whose candle is known. A clock that cannot be right says nothing: then the name decides."""
    if moment is None:
        return _named_place(candle, says)
    wrong = _impossible(candle, moment, now)
    if wrong is None:
        return _timed_place(candle, moment, says)
    named = _named_place(candle, says) if says.new or says.minutes is not None else None
    return named if isinstance(named, Place) else Undecided(wrong, _CLOCK_HINT)


def decide(
    seen: Seen, name: PurePath, candles: Mapping[str, Candle], zone: tzinfo, offset: Offset, now: datetime
) -> Decided | Undecided:
    """Where a photo belongs. ``name``: its path from the folder that was given; ``candles``: the log's, by code."""
    says = read_name(name, candles)
    named = _codes(seen, says, candles)
    if isinstance(named, Undecided):
        return named
    moment = None if offset.how == "unclear" else utc_of(seen, zone, offset.seconds)
    if named is not None:
        candle, how = candles[named[0]], named[1]
        place = _known_place(candle, moment, says, now)
        if moment is not None and _impossible(candle, moment, now):
            moment = None
    elif moment is not None and moment <= now + _AHEAD:
        how, place = "time", _by_time(candles, moment, says)
    else:
        text = "it says neither time nor candle" if seen.taken_at is None else "the camera's clock cannot be trusted"
        return Undecided(text, "put the label in the picture, or: pooleye snap PHOTO --candle CODE")
    if isinstance(place, Undecided):
        return place
    return Decided(place, how, says.view or "auto", moment)


def _looks_s(candle: Candle) -> list[float]:
    """Times of a candle's planned checkpoints, s since the epoch."""
    return [
        burn.lit_at.timestamp() + 60 * point.minutes
        for burn in candle.burns
        for point in burn.checkpoints
        if point.planned
    ]


def _on_time(differences: Sequence[np.ndarray], offset_s: float) -> int:
    """How many photos fall within ten minutes of a planned look of their own candle."""
    return sum(bool(np.any(np.abs(one - offset_s) <= _ON_TIME_S)) for one in differences)


def session_offset(
    seen: Sequence[Seen], names: Sequence[PurePath], candles: Mapping[str, Candle], zone: tzinfo, now: datetime
) -> Offset:
    """The camera-clock offset, found from photos whose candle is known by label or name.

    Each such photo votes for the offsets that would put it at a planned look of its candle; the true offset gets a vote
    from every look. The clock is trusted when half of the looks are on time as it stands. Another offset is taken only
    if at least three looks and half of all agree on it and no other does nearly as well. Where none stands out, the
    clock is trusted as long as it puts most photos inside burns; else nothing is filed by time (``unclear``).
    """
    differences, outside, shown = [], 0, set()
    for one, name in zip(seen, names, strict=True):
        code = _codes(one, read_name(name, candles), candles)
        moment = utc_of(one, zone, 0.0)
        if isinstance(code, tuple) and moment is not None and (looks := _looks_s(candles[code[0]])):
            differences.append(np.asarray(looks) - moment.timestamp())
            outside += moment > now + _AHEAD or not _in_a_burn(candles[code[0]], moment)
            shown.add(code[0])
    found = _best_offset(differences)
    # Two photos of each new candle are usual; more outside all burns than inside mean that the clock was wrong.
    doubtful = 2 * outside > len(differences) and outside > 2 * len(shown)
    return Offset(0.0, "unclear") if found.how == "none" and doubtful else found


def _in_a_burn(candle: Candle, moment: datetime) -> bool:
    burn = bench.burn_at(candle, moment)
    return burn is not None and (burn.out_at is None or moment <= burn.out_at + 3 * _AFTER_END)


def _best_offset(differences: Sequence[np.ndarray]) -> Offset:
    as_it_stands = _on_time(differences, 0.0)
    if not differences or 2 * as_it_stands >= len(differences):
        return Offset()
    bins = np.unique(np.round(np.concatenate(differences) / _BIN_S) * _BIN_S)
    votes = np.array([_on_time(differences, offset_s) for offset_s in bins])
    best = float(np.median(bins[votes == votes.max()]))
    rivals = votes[np.abs(bins - best) > 2 * _ON_TIME_S]
    clear = rivals.size == 0 or rivals.max() <= 0.7 * votes.max()
    if votes.max() < _LEAST_VOTES or 2 * votes.max() < len(differences) or votes.max() <= as_it_stands:
        return Offset()
    if not clear:
        return Offset()
    near = [one[np.argmin(np.abs(one - best))] for one in differences if np.any(np.abs(one - best) <= _ON_TIME_S)]
    return Offset(float(np.median(near)), "from-session")
