"""The cautions that stand wherever the work can hurt: command line, pages, reports. One place, so that they agree.

Sources, all read in public advice or summaries and not in the standards' own texts: 12 in (30 cm) clear of what burns,
NFPA advice to the public; flame height 3 in (75 mm), ASTM F2417 and EN 15493; no water on burning wax, no moving while
lit, snuffing, discarding a cracked vessel, safety rules of the candle industry's associations in the US and Europe;
smothering, a district fire service's leaflet on wax fires. "Leave, close the door" and "not over a flame" are common
practice, no source.
"""

from __future__ import annotations

#: Shown before any work with a burning candle.
WHILE_BURNING = (
    "Never leave a burning candle alone, and never burn one while you sleep.",
    "Keep 30 cm (12 in) clear of anything that burns; keep children and pets away; no draughts.",
    "Never hold phone, hand, hair or sleeve over a flame: take the photo from beside the plume, or after snuffing.",
    "Do not move or touch a vessel while it is lit or its wax is liquid.",
)
#: Shown where something may go wrong.
IN_AN_EMERGENCY = (
    "Never pour water on burning or hot wax. Smother the flame with a lid or a fire blanket.",
    "If a vessel cracks, pings or leaks, if the flame stands higher than 75 mm (3 in), touches the wall, or wax burns"
    " beside the wick: put it out, let it cool, do not light it again.",
    "If it is not out at once: leave, close the door, call the fire service.",
)
DISCLAIMER = (
    "pooleye is an aid for testing. It certifies nothing. Standards, local codes and an accredited laboratory decide"
    " whether a candle is safe to sell."
)
SHORT = "Never leave a burning candle alone. Never hold phone, hand or sleeve over a flame. " + DISCLAIMER


def as_text() -> str:
    """All cautions as plain lines."""
    return "\n".join([*(f"- {line}" for line in (*WHILE_BURNING, *IN_AN_EMERGENCY)), DISCLAIMER])
