"""What the workshop wrote down: pours, burns, weighings and the notes of two testers, some of them wrong on purpose.

`scenario()` is what workshop/scenario.json holds; the demo enters it into a burn log through pooleye's own functions.
"""

from __future__ import annotations

import zlib
from datetime import datetime, timedelta
from typing import Any

from . import story
from .story import BURN_MIN, LARGE, RIGHT, SMALL, TIN_WICK, Look, Specimen

TRIAL = "low glass, which wick"
STEP_G = 0.1
ABOUT = (
    "Low Bench, an invented workshop. Candles, scents, testers, lots and prices are invented, the photos are renders: "
    "they show what the tool does and are no evidence about any real candle, wick or wax."
)


def at(moment: datetime) -> str:
    return moment.isoformat(timespec="minutes")


# --- notes -----------------------------------------------------------------------------------------------------------

#: (code, burn, minutes): (words, claims that the photos contradict, what is true). Tom sees pools wider than they are;
#: Ida overlooks soot on the far side; both once take a tall flame for a right one.
PLANTED: dict[tuple[str, int, float], tuple[str, tuple[str, ...], str]] = {
    ("MAKX", 1, 240): ("Melt pool nearly full after 4 h. Small flame.", ("melt-pool",), "half of the wax"),
    ("HCC3", 1, 240): ("Pool about 54 mm across.", ("melt-pool",), "44 mm"),
    ("4AYJ", 2, 240): ("Full melt pool, burns quietly.", ("melt-pool",), "half of the wax"),
    ("MAKX", 3, 240): ("Pool about 50 mm wide.", ("melt-pool",), "41 mm"),
    ("HCC3", 3, 240): ("Nearly full pool, looks good.", ("melt-pool",), "less than half of the wax"),
    ("4AYJ", 4, 240): ("Pool about 47 mm across.", ("melt-pool",), "38 mm"),
    ("HCC3", 2, 240): ("No hang-up to speak of.", ("hang-up",), "a ring of 9 mm"),
    ("7EPF", 2, 240): ("Full melt pool. Rim clean, no soot.", ("soot",), "soot on one side"),
    ("JE44", 3, 240): ("Melt pool full to the glass, no soot anywhere.", ("soot",), "soot on one side"),
    ("YFFJ", 2, 240): ("Full pool. Flame height about 20 mm, just right.", ("flame-height",), "37 mm"),
    ("JE44", 2, 240): ("Full pool, sooty rim. Flame about 22 mm high.", ("flame-height",), "38 mm"),
    ("PEER", 4, 240): ("Nearly full. Heavy soot on the rim.", ("soot",), "a clean rim"),
    ("EFR9", 1, 240): ("Pool about 52 mm across, no soot.", ("melt-pool",), "67 mm"),
    ("RF7T", 2, 120): ("Wick nicely centred, pool growing.", ("wick",), "some 16 mm from the middle"),
}

RIGHT_NOTES: dict[str, tuple[str, ...]] = {
    SMALL.name: (
        "Heavy hang-up all round, partial pool.",
        "Partial melt pool, heavy hang-up. No smoke.",
        "Partial pool with a heavy ring of hang-up.",
    ),
    RIGHT.name: (
        "Nearly full, thin ring left at the glass. No soot.",
        "Melt pool nearly full, slight hang-up. Flame height good. No soot on the rim.",
        "Pool about {width} mm, nearly full. No soot, no smoke.",
        "Nearly full pool, about {width} mm. Flame looks right. No soot.",
    ),
    LARGE.name: (
        "Full melt pool. Tall flame, soot on the rim.",
        "Full to the glass. Sooting on one side, flame too tall.",
        "Full pool, rim sooty on one side.",
        "Pool full, flame tall, dark soot on one side of the rim.",
    ),
    TIN_WICK.name: ("Nearly full pool, no soot.", "Melt pool nearly full. Rim clean, no soot."),
    story.THIN.name: ("Full pool.", "Melt pool full, quiet flame."),
}
EARLY: dict[str, tuple[str, ...]] = {
    SMALL.name: ("Partial pool.", "Pool still small and partial."),
    RIGHT.name: ("Partial melt pool, about {width} mm across.", "Partial pool, about {width} mm, growing evenly."),
    LARGE.name: ("Pool about {width} mm already.", "Pool about {width} mm across, flame tall."),
    TIN_WICK.name: ("Partial pool, about {width} mm.",),
    story.THIN.name: ("Full pool, quiet flame.",),
}


def tester_of(one: Specimen, burn: int) -> str:
    return "Tom" if (one.number + burn) % 2 == 0 else "Ida"


def note_of(one: Specimen, look: Look) -> tuple[str, str]:
    """(tester, words) at a look; a planted one where the list says so."""
    assert look.burn is not None
    planted = PLANTED.get((one.code, look.burn, look.minutes))
    if planted:
        return tester_of(one, look.burn), planted[0]
    rng = zlib.crc32(f"{one.code} {look.burn} {look.minutes}".encode())
    choices = (RIGHT_NOTES if look.minutes >= 200 else EARLY)[one.wicking.name]
    width = round(one.state(look.burn, look.minutes).pool_mm)
    return tester_of(one, look.burn), choices[rng % len(choices)].format(width=width)


# --- the log in order of time ----------------------------------------------------------------------------------------


def weight_g(one: Specimen, burnt_g: float) -> float:
    """Vessel, wick and wax, to the scale's step; every vessel weighs a little different."""
    own = one.jar.empty_g * (1 + 0.004 * ((7 * one.number) % 5 - 2))
    return round(round((own + one.fill_g + 0.9 - burnt_g) / STEP_G) * STEP_G, 1)


def events() -> list[dict[str, Any]]:
    """What was done and seen, each with its time, in order."""
    found: list[dict[str, Any]] = []

    def add(moment: datetime, do: str, one: Specimen, **more: Any) -> None:
        found.append({"at": at(moment), "do": do, "candle": one.code} | more)

    made = story.specimens()
    for one in made:
        add(one.lit[0] - timedelta(hours=20), "weigh", one, mass_g=weight_g(one, 0.0))
        for burn, (lit, minutes) in enumerate(zip(one.lit, one.burns_min, strict=True), start=1):
            small = one.jar.kind == "tealight"
            add(lit, "light", one, trimmed_mm=None if small else 6.0, spacing_mm=120.0, room_c=20.5 + 0.5 * (burn % 2))
            end, drifted = lit + timedelta(minutes=minutes), one.drifts and burn == 2
            if not small and minutes >= BURN_MIN:
                heat = {SMALL: 41, RIGHT: 47, LARGE: 58, TIN_WICK: 52}[one.wicking] + (3 * burn + one.number) % 4
                add(end - timedelta(minutes=3), "heat", one, value=float(heat))
                add(end - timedelta(minutes=3), "throw", one, value={SMALL: 1.0}.get(one.wicking, 2.0))
                if one.wicking is RIGHT:
                    add(end - timedelta(minutes=2), "depth", one, value=8.0 + (burn + one.number) % 3)
            if drifted:
                add(end - timedelta(minutes=3), "incident", one, kind="wick-adrift", words="wick floated to the wall")
            how = "by-itself" if small else "stopped" if drifted else "snuffed"
            add(end, "snuff", one, how=how, half_width_min=4.0 if small else None)
            burnt = one.burnt_g(burn, minutes)
            add(end + timedelta(hours=5), "weigh", one, mass_g=weight_g(one, burnt))
    for look in story.looks():
        if look.burn is not None and look.view == "top" and not look.blurred:
            one = made[look.candle]
            tester, text = note_of(one, look)
            moment = one.lit[look.burn - 1] + timedelta(minutes=look.minutes)
            add(moment, "note", one, tester=tester, text=text)
    order = {
        name: k for k, name in enumerate(("weigh", "light", "heat", "throw", "depth", "note", "incident", "snuff"))
    }
    return sorted(found, key=lambda e: (datetime.fromisoformat(e["at"]), order[e["do"]]))


def how_found(look: Look) -> str:
    return "code-in-picture" if look.tag and not look.blurred else "time" if "IMG_" in look.file else "name"


def photos() -> list[dict[str, Any]]:
    """Where each file belongs, and what tells it."""
    made = story.specimens()
    return [
        {
            "file": look.file,
            "candle": made[look.candle].code,
            "phase": "new" if look.burn is None else "alight",
            "burn": look.burn,
            "checkpoint_minutes": _checkpoint(look),
            "view": look.view,
            "found_how": how_found(look),
        }
        for look in story.looks()
    ]


def _checkpoint(look: Look) -> float | None:
    return None if look.burn is None else look.minutes


def vessel_of(jar: story.Jar, material: str) -> dict[str, Any]:
    return {
        "name": jar.name,
        "rim_inner_mm": jar.rim_inner,
        "rim_outer_mm": round(jar.rim_inner + 2 * jar.wall, 2),
        "height_mm": jar.height,
        "inner_depth_mm": round(jar.depth, 1),
        "material": material,
    }


def wick_of(wicking: story.Wicking, series: str) -> dict[str, Any]:
    return {"name": wicking.name, "series": series, "size_order": wicking.order, "diameter_mm": wicking.width_mm}


def candles_of(one: Specimen, count: int, **more: Any) -> dict[str, Any]:
    return {
        "count": count,
        "vessel": one.jar.name,
        "wick": one.wicking.name,
        "fill_mass_g": one.fill_g,
        "headspace_mm": one.headspace_new(),
    } | more


def scenario() -> dict[str, Any]:
    """Everything that the demo enters, and what it should find."""
    made = story.specimens()
    return {
        "about": ABOUT,
        "settings": {"name": "Low Bench", "zone": story.ZONE, "scale_step_g": STEP_G},
        "vessels": [
            vessel_of(story.GLASS, "clear glass"),
            vessel_of(story.TIN, "tin"),
            vessel_of(story.CUP, "aluminium"),
        ],
        "waxes": [{"name": "plain soy", "family": "soy", "max_load_percent": 10.0}],
        "fragrances": [
            {"name": story.FIG, "max_load_percent": 9.0},
            {"name": story.RAIN, "max_load_percent": 8.0},
        ],
        "wicks": [wick_of(one, "plain cotton") for one in (SMALL, RIGHT, LARGE, TIN_WICK)]
        + [wick_of(story.THIN, "thin cotton")],
        "lots": [
            {"component": "wax", "label": "W-21", "of": "plain soy", "amount": 5000.0, "price": 28.5},
            {"component": "fragrance", "label": "F-07", "of": story.FIG, "amount": 250.0, "price": 19.0},
            {"component": "fragrance", "label": "F-08", "of": story.RAIN, "amount": 250.0, "price": 21.0},
            {"component": "vessel", "label": "G-3", "of": story.GLASS.name, "amount": 24.0, "price": 31.2},
            {"component": "wick", "label": "K-4", "of": TIN_WICK.name, "amount": 50.0, "price": 6.0},
            {"component": "sticker", "label": "S-7", "of": "round sticker", "amount": 100.0, "price": 4.0},
        ],
        "trial": {
            "name": TRIAL,
            "varies": "wick",
            "per_arm": 3,
            "question": "Which wick for the low glass with fig and cedar?",
        },
        "pours": [
            {
                "at": "2025-03-03T15:00+01:00",
                "recipe": {
                    "wax": "plain soy", "fragrance": story.FIG, "load_percent": 8.0, "wax_mass_g": 960.0,
                    "heated_to_c": 80.0, "fragrance_at_c": 70.0, "poured_at_c": 58.0, "room_c": 21.0,
                },
                "lots": ["W-21", "F-07"],
                "sets": [candles_of(made[k], 3, trial=TRIAL, lots=["G-3"]) for k in (0, 3, 6)],
            },
            {
                "at": "2025-03-05T15:00+01:00",
                "recipe": {
                    "wax": "plain soy", "fragrance": story.RAIN, "load_percent": 7.0, "wax_mass_g": 200.0,
                    "poured_at_c": 57.0, "room_c": 21.0,
                },
                "lots": ["W-21", "F-08"],
                "sets": [candles_of(made[9], 2, lots=["K-4", "S-7"])],
            },
            {
                "at": "2025-03-06T15:00+01:00",
                "recipe": {"wax": "plain soy", "wax_mass_g": 40.0, "poured_at_c": 62.0, "room_c": 21.0},
                "lots": ["W-21"],
                "sets": [candles_of(made[11], 1)],
            },
        ],
        "codes": [one.code for one in made],
        "events": events(),
        "photos": photos(),
        "second_looks": [
            {
                "do": "adjust", "photo": "IMG_2061.jpg", "quantity": "soot_delta_L", "value": "0", "half_width": "1",
                "who": "Ida",
            },
            {
                "do": "settle", "candle": "MAKX", "burn": 1, "checkpoint_minutes": 240.0, "quantity": "melt-pool",
                "verdict": "photo-right", "by": "Ida", "why": "looked at the photo again: half of the wax",
            },
        ],
        "planted": [
            {
                "candle": code, "burn": burn, "checkpoint_minutes": float(minutes),
                "tester": tester_of(made[story.CODES.index(code)], burn),
                "quantities": list(quantities), "words": words, "truth": truth,
            }
            for (code, burn, minutes), (words, quantities, truth) in PLANTED.items()
        ],
    }  # fmt: skip
