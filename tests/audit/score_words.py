"""How a tester would fare who says what is true, and one who does not: every word held against measured test photos.

    python tests/audit/score_words.py

The true word of a photo is the one whose band holds the truth. A word next to it is neither right nor wrong, since
words overlap; but "none" for what is there, or something for nothing, is wrong.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pooleye import accuracy
from pooleye.audit.claims import STATES, Claim
from pooleye.audit.compare import Evidence, Measured, Scale, compare, load_scales
from pooleye.audit.from_log import with_darkest

PHOTOS = Path(__file__).parents[1] / "photos"
Shot = Mapping[str, Any]


def true_words(shot: Shot, scales: Mapping[str, Scale]) -> dict[str, set[str]]:
    """{quantity: words that are true of a photo}; soot may be called by its mean, its darkest place or between."""
    if shot["view"] == "side":
        values = {"smoke": shot["smoke"]["strength"]} if shot.get("smoke") else {}
        values |= {"flame-height": shot["flame"]["height_mm"]} if shot["flame"].get("present") else {}
        return {quantity: {scales[quantity].state_at(value)} for quantity, value in values.items()}
    pool, wick = shot["pool"], shot["wick"]
    values = {"melt-pool": pool["coverage"] if pool["present"] else 0.0, "wick": wick["offset_mm"]}
    values |= {"carbon-ball": wick["mushroom_diameter_mm"]}
    values |= {"hang-up": shot["hangup_width_mm"]["max"]} if pool["present"] else {}
    found = {quantity: {scales[quantity].state_at(value)} for quantity, value in values.items()}
    return found | {"soot": _soot_words(shot["soot"], scales["soot"])}


def _soot_words(soot: Mapping[str, Any], scale: Scale) -> set[str]:
    if soot["arc_deg"] < 15:
        return {"none"}
    darkest = min(value for value in soot["delta_L_by_sector"] if value is not None)
    order = [*scale.bands]
    ends = [order.index(scale.state_at(value)) for value in (soot["delta_L_mean"], darkest)]
    return set(order[max(min(ends), 1) : max(*ends, 1) + 1])


def evidence_of(photos: accuracy.Annotated, shot: Shot, clean: dict[str, Any]) -> Evidence:
    """What a log would know of the photo."""
    result = accuracy.measure_shot(photos, shot, "given", clean)
    found = {name: Measured(q.value, q.u, q.unit) for name, q in result.quantities.items()}
    return with_darkest(found, result.by_clock.get("soot_delta_L") or ())


def verdicts(photos: accuracy.Annotated, shots: list[Shot]) -> Iterator[tuple[str, str, bool, str, str]]:
    """(photo, quantity, is the word true, word, verdict) for every true and every wrong word."""
    scales, clean = load_scales(), {}
    for shot in shots:
        evidence = evidence_of(photos, shot, clean)
        for quantity, words in true_words(shot, scales).items():
            order = [state for state in STATES[quantity] if state in scales[quantity].bands]
            for state in order:
                apart = min(abs(order.index(state) - order.index(word)) for word in words)
                if apart == 1 and "none" not in (state, *words):
                    continue
                found = compare(Claim(quantity, state, state, (0, len(state))), evidence, scales, 240.0)
                yield shot["file"], quantity, apart == 0, state, found.verdict


def burning(photos: accuracy.Annotated) -> list[Shot]:
    """Photos that a tester writes of: those of a candle that has been lit."""
    return [shot for shot in photos.shots if shot["measurable"] and shot["checkpoint_minutes"] is not None]


def main() -> None:
    photos = accuracy.read_annotated(PHOTOS)
    counts: Counter[tuple[str, bool, str]] = Counter()
    for file, quantity, true, state, verdict in verdicts(photos, burning(photos)):
        counts[quantity, true, verdict] += 1
        if (true, verdict) in ((True, "contradicts"), (False, "agrees")):
            print(f"{file}: {quantity} {state}, {'true' if true else 'wrong'}, {verdict}")
    for quantity in STATES:
        for true in (True, False):
            told = [f"{counts[quantity, true, one]} {one}" for one in ("agrees", "contradicts", "cannot-tell")]
            if any(counts[quantity, true, one] for one in ("agrees", "contradicts", "cannot-tell")):
                print(f"{quantity:14}{'true words ' if true else 'wrong words'}  {', '.join(told)}")


if __name__ == "__main__":
    main()
