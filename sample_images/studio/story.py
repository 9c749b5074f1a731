"""The workshop's story: which candles, how they burn, when they are looked at. Invented from end to end.

The life of a candle follows a few plain formulas, made up so that one wick is too small, one right and one too large.
They are no model of real candles and no evidence about any wick, wax or scent:

- mass: burnt at a constant rate; the wax level falls by what was burnt over the vessel's bore;
- pool: its width grows as D (1 - exp(-t / τ)) and is cut by the wall; D shrinks from burn to burn where it tunnels;
- flame: reaches its height within half an hour; the large wick's grows from burn to burn, and with it soot and
  carbon ball.

Lengths in mm, masses in g, times in minutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

SOY_G_MM3 = 0.90e-3  # density of the wax, the same as pooleye assumes for soy
ZONE = "+01:00"
BURN_MIN = 240.0
CLIP_FRAMES, CLIP_FPS, FLICKER_HZ = 16, 10, 1.7


@dataclass(frozen=True)
class Jar:
    """A vessel as callipers give it. `floor`: thickness of its base; `lip`: how far the lip stands above the rim."""

    name: str
    kind: str  # of studio.spec.KINDS
    rim_inner: float
    wall: float
    height: float
    lip: float
    floor: float
    empty_g: float

    @property
    def depth(self) -> float:
        """Rim plane to the inside of the base."""
        return self.height - self.lip - self.floor

    @property
    def area(self) -> float:
        return math.pi * self.rim_inner**2 / 4


# `floor` is what studio.spec.Vessel makes of the wall: 1.6 of it, 0.4 mm at least
GLASS = Jar("low glass", "clear_glass", 60.0, 2.6, 66.0, 1.2, 4.16, 148.0)
TIN = Jar("grey tin", "tin", 70.0, 0.5, 48.0, 0.9, 0.8, 31.0)
CUP = Jar("tea-light cup", "tealight", 37.0, 0.3, 17.0, 0.5, 0.48, 1.1)


@dataclass(frozen=True)
class Wicking:
    """How a wick burns in this story. `shrinks`: by how much the pool's final width falls with every burn."""

    name: str
    order: int
    width_mm: float
    rate_g_h: float
    pool_mm: float
    tau_min: float
    flame_mm: float
    shrinks_mm: float = 0.0
    flame_grows_mm: float = 0.0
    soot: float = 0.0  # opacity after the first burn, growing by 0.6 of it with each further one
    ball_mm: float = 0.0
    smoke: float = 0.0
    ring_mm: float = 0.8  # how far solid wax at the wall stands above the pool


SMALL = Wicking("wick 3", 3, 1.6, 3.3, 46.0, 78, 12.5, shrinks_mm=1.7, ring_mm=2.4)
RIGHT = Wicking("wick 4", 4, 1.9, 4.0, 60.2, 74, 20.5, ball_mm=0.0, ring_mm=0.8)
LARGE = Wicking("wick 5", 5, 2.3, 4.7, 84.0, 52, 34.0, flame_grows_mm=3.0, soot=0.30, ball_mm=3.6, smoke=0.30)
TIN_WICK = Wicking("wick 6", 6, 2.5, 5.0, 71.0, 80, 22.0, ring_mm=1.0)
THIN = Wicking("tea-light wick", 1, 1.2, 3.6, 60.0, 20, 17.5)


@dataclass(frozen=True)
class Specimen:
    """One candle; `number` counts the candles of the log, so that it has the code of that number."""

    number: int
    code: str
    jar: Jar
    wicking: Wicking
    fill_g: float
    wick_at: tuple[float, float]
    lit: tuple[datetime, ...]
    burns_min: tuple[float, ...]
    factor: float = 1.0  # of its own: how much faster or slower it burns than its wick's rate
    drifts: bool = False
    scent: str = ""

    def burnt_g(self, burn: int, minutes: float) -> float:
        """Wax burnt from new until so long into a burn (1, 2, …)."""
        hours = (sum(self.burns_min[: burn - 1]) + minutes) / 60
        return self.wicking.rate_g_h * self.factor * hours

    def headspace_new(self) -> float:
        return round(self.jar.depth - self.fill_g / (SOY_G_MM3 * self.jar.area), 1)

    def state(self, burn: int | None, minutes: float = 0.0) -> State:
        if burn is None:
            return State(self.headspace_new(), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, self.wick_at)
        w = self.wicking
        bore = self.jar.rim_inner
        final = (w.pool_mm - w.shrinks_mm * (burn - 1)) * (1 + 0.5 * (self.factor - 1))
        wide = min(final * (1 - math.exp(-minutes / w.tau_min)), bore)
        covered = (wide / bore) ** 2
        ring = 0.0 if wide >= bore else w.ring_mm * (1 + 0.35 * (burn - 1) * (w.shrinks_mm > 0))
        fallen = self.burnt_g(burn, minutes) / (SOY_G_MM3 * self.jar.area) + 0.7 * ring * (1 - covered)
        grown = 1 - math.exp(-minutes / 12)
        flame = (w.flame_mm + w.flame_grows_mm * (burn - 1)) * self.factor * grown
        soot = min(w.soot * (0.35 + 0.65 * min(minutes / BURN_MIN, 1) + 0.6 * (burn - 1)), 0.92)
        ball = w.ball_mm * (1 + 0.12 * (burn - 1)) * min(minutes / BURN_MIN, 1) * self.factor
        smoke = min(w.smoke * (1 + 0.3 * (burn - 1)), 0.7) if minutes >= 200 else 0.0
        return State(
            self.headspace_new() + fallen, wide, ring, flame, soot, ball, smoke, self._wick_place(burn, minutes)
        )

    def _wick_place(self, burn: int, minutes: float) -> tuple[float, float]:
        """The loose wick stays until its second burn, then floats off."""
        if not self.drifts or burn < 2:
            return self.wick_at
        away = 0.155 * minutes
        return (self.wick_at[0] + 0.8 * away, self.wick_at[1] + 0.6 * away)


@dataclass(frozen=True)
class State:
    """What a candle is like at a moment; `pool_mm` is 0 before it was lit, the bore when full."""

    headspace_mm: float
    pool_mm: float
    ring_mm: float
    flame_mm: float
    soot: float
    ball_mm: float
    smoke: float
    wick_at: tuple[float, float]


def _days(day: str, first: str, after_min: float, count: int) -> tuple[datetime, ...]:
    start = datetime.fromisoformat(f"{day}T{first}:00{ZONE}") + timedelta(minutes=after_min)
    return tuple(start + timedelta(days=k) for k in range(count))


CODES = ("MAKX", "4AYJ", "HCC3", "XCMM", "CC3C", "PEER", "7EPF", "JE44", "YFFJ", "EFR9", "RF7T", "9HHC")
FACTORS = (1.0, 0.975, 1.02, 1.0, 1.025, 0.985, 1.0, 1.02, 0.98)
PLACES = (
    (0.5, -0.4),
    (-0.9, 0.6),
    (0.3, 0.8),
    (0.6, 0.3),
    (-0.7, -0.5),
    (1.1, 0.2),
    (-0.4, 0.9),
    (0.9, -0.8),
    (0.2, 0.5),
)
FIG, RAIN = "fig and cedar", "rain on slate"


def specimens() -> tuple[Specimen, ...]:
    """Nine jars of the trial, two tins, a tea light."""
    made = []
    for k in range(9):
        wicking = (SMALL, RIGHT, LARGE)[k // 3]
        lit = _days("2025-03-18", "10:00", 3 * k, 4)
        made.append(
            Specimen(k + 1, CODES[k], GLASS, wicking, 112.0, PLACES[k], lit, (BURN_MIN + 4,) * 4, FACTORS[k], scent=FIG)
        )
    tin = _days("2025-03-23", "13:00", 0, 2)
    made.append(Specimen(10, CODES[9], TIN, TIN_WICK, 98.0, (0.8, -0.6), tin, (BURN_MIN + 4,) * 2, 1.0, scent=RAIN))
    other = tuple(one + timedelta(minutes=4) for one in tin)
    made.append(
        Specimen(11, CODES[10], TIN, TIN_WICK, 98.0, (-0.6, 0.9), other, (244.0, 127.0), 1.0, drifts=True, scent=RAIN)
    )
    light = _days("2025-03-25", "17:00", 0, 1)
    made.append(Specimen(12, CODES[11], CUP, THIN, 13.6, (0.2, 0.1), light, (226.0,), 1.0, scent="unscented"))
    return tuple(made)


@dataclass(frozen=True)
class Look:
    """One photo or clip: `file` under workshop/photos, `candle` an index into `specimens()`, `burn` None when new."""

    file: str
    candle: int
    burn: int | None
    minutes: float
    view: str
    taken: datetime
    tag: bool = True  # the candle's label lies in the picture
    exif: bool = True
    orientation: int = 1
    blurred: bool = False
    clip: bool = False


def _taken(one: Specimen, burn: int | None, minutes: float, late_s: float) -> datetime:
    if burn is None:
        return one.lit[0] - timedelta(hours=20, minutes=-one.number) + timedelta(seconds=late_s)
    return one.lit[burn - 1] + timedelta(minutes=minutes, seconds=late_s)


def looks() -> tuple[Look, ...]:
    """Every photo that was kept, in the order taken; the phone counts the others too."""
    found: list[Look] = []
    made = specimens()

    def top(candle: int, burn: int | None, minutes: float, late_s: float = 40, **more: object) -> None:
        found.append(Look("", candle, burn, minutes, "top", _taken(made[candle], burn, minutes, late_s), **more))  # type: ignore[arg-type]

    def side(candle: int, burn: int, minutes: float, **more: object) -> None:
        one = made[candle]
        name = f"{one.code}/burn{burn}_{minutes:.0f}min_side.jpg"
        found.append(
            Look(name, candle, burn, minutes, "side", _taken(one, burn, minutes, 85), tag=False, **more)  # type: ignore[arg-type]
        )

    for candle in range(9):
        top(candle, None, 0)
        for burn in (1, 2, 3, 4):
            first_of_arm = candle % 3 == 0
            for minutes in (60.0, 120.0) if first_of_arm and burn in (1, 3) else ():
                top(candle, burn, minutes)
            top(candle, burn, 240.0)
            if first_of_arm or burn in (2, 4):
                side(candle, burn, 240.0)
    for candle in (9, 10):
        top(candle, None, 0)
        top(candle, 1, 240.0)
    side(9, 1, 240.0)
    top(9, 2, 240.0)
    top(10, 2, 60.0)
    top(10, 2, 120.0)
    top(11, None, 0)
    for minutes in (60.0, 120.0, 215.0):
        top(11, 1, minutes, tag=False)
    side(11, 1, 120.0)
    found.append(
        Look("XCMM/burn1_120min_top.jpg", 3, 1, 120.0, "top", _taken(made[3], 1, 120, 22), tag=True, blurred=True)
    )
    found.append(Look("XCMM/burn3_240min_side_again.jpg", 3, 3, 240.0, "side", _taken(made[3], 3, 240, 110), tag=False))
    kept = [one for one in _named(found) if _kept(one, made[one.candle])]
    kept.append(
        Look("XCMM/burn2_240min_side.mp4", 3, 2, 240.0, "side", _taken(made[3], 2, 240, 110), tag=False, clip=True)
    )
    return tuple(sorted(kept, key=lambda look: look.taken))


#: From the side: every jar in its second burn, one of each arm more often.
SIDE_BURNS = {"MAKX": (1, 2, 3, 4), "7EPF": (2, 4)}


def _kept(look: Look, one: Specimen) -> bool:
    if look.view == "top":
        return (one.code, look.burn, look.minutes) != ("RF7T", 1, 240.0)
    wanted = one.jar is CUP or (one.jar is GLASS and look.burn in SIDE_BURNS.get(one.code, (2,)))
    return wanted and not look.file.endswith("_again.jpg")


def _named(found: list[Look]) -> list[Look]:
    """File names as a phone gives them, in folders by evening; the odd ones out renamed by hand."""
    from dataclasses import replace

    made, out = specimens(), []
    for number, one in enumerate(sorted(found, key=lambda look: look.taken), start=2041):
        code = made[one.candle].code
        where = (code, one.burn, one.minutes, one.view)
        if one.file:
            out.append(one)
        elif where == ("4AYJ", 2, 240.0, "top"):  # sent through a messenger: no EXIF, so its name says what it is
            out.append(replace(one, file="4AYJ_b2_240min_top.jpg", exif=False, tag=False))
        else:
            ending = "heic" if where == ("EFR9", 2, 240.0, "top") else "jpg"
            turned = 6 if where == ("CC3C", 2, 240.0, "top") else 1
            day = f"{one.taken:%Y-%m-%d}"
            out.append(replace(one, file=f"{day}/IMG_{number}.{ending}", orientation=turned))
    return out
