"""Is a trial a fair comparison? One thing varies, the rest is alike, arms are large enough, burns are alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import VARIABLES, Candle, Trial
from pooleye.judge.findings import Finding

_FAIR = "common practice, no source: change one thing at a time"
#: What a candle is made of, with its words; a difference in any but the varied one is no fair comparison.
_PARTS: Mapping[str, str] = {
    "vessel": "vessel",
    "bore_mm": "bore",
    "wick": "wick",
    "wick_count": "number of wicks",
    "wax": "wax",
    "fragrance": "fragrance",
    "load_percent": "fragrance load",
    "dye": "dye",
}
#: Loads that differ by less are the same within weighing; percent points; judged.
_LOAD_ALIKE = 0.25
#: Pouring temperatures that differ by less are the same; °C; judged.
_POUR_ALIKE_C = 3.0


@dataclass(frozen=True)
class Fairness:
    """`refusals` forbid a verdict on the wick; `cautions` stand beside it."""

    refusals: tuple[Finding, ...]
    cautions: tuple[Finding, ...]

    @property
    def fair(self) -> bool:
        """Whether the arms may be compared."""
        return not self.refusals


def check(criteria: Criteria, trial: Trial) -> Fairness:
    """Everything that stands against comparing the arms of a trial."""
    refusals = [*_arms(criteria, trial), *_parts(trial), *_within_arms(trial)]
    cautions = [*_pours(trial), *_lots(trial), *_measured(criteria, trial), *_burns(criteria, trial)]
    return Fairness(tuple(refusals), tuple(cautions))


def _refusal(rule: str, words: str, *evidence: str, source: str = _FAIR) -> Finding:
    return Finding(rule, "stop", words, source, tuple(evidence))


def _caution(rule: str, words: str, *evidence: str, source: str = _FAIR) -> Finding:
    return Finding(rule, "watch", words, source, tuple(evidence))


def _arms(criteria: Criteria, trial: Trial) -> list[Finding]:
    least = criteria["candles_per_arm"]
    found = [
        _refusal(
            "arm_too_small",
            f"Arm {name} has {len(candles)} candle{'s' * (len(candles) != 1)}; {least.least:g} are the least.",
            *(one.code for one in candles),
            source=least.cited,
        )
        for name, candles in trial.arms.items()
        if len(candles) < (least.least or 0)
    ]
    if len(trial.arms) < 2:
        found.append(_refusal("one_arm", "There is only one arm: nothing to compare it with.", *trial.arms))
    return found


def part_of(candle: Candle, field: str) -> Any:
    """A part of a candle as it is compared: a wick by its name."""
    value = getattr(candle.setup, field)
    return value.name if field == "wick" else value


def _differs(field: str, values: Sequence[Any]) -> bool:
    known = [one for one in values if one is not None]
    if field == "load_percent":
        return bool(max(known) - min(known) > _LOAD_ALIKE)
    return len(set(values)) > 1


def _parts(trial: Trial) -> list[Finding]:
    """Whatever else varies, apart from the one thing that may; and the one thing, if it does not."""
    allowed = set(VARIABLES[trial.varies]) | ({"bore_mm"} if trial.varies == "vessel" else set())
    found = []
    for field, words in _PARTS.items():
        values = [part_of(one, field) for one in trial.candles]
        if field in allowed or not values or not _differs(field, values):
            continue
        each = _by_value(trial.candles, values)
        text = (
            f"Not only the {_words(trial.varies)} varies, the {words} does too: nobody can tell which made the change."
        )
        found.append(_refusal("varies_too", text, *each))
    if trial.varies != "cure" and not found:
        found += _nothing_varies(trial)
    return found


def _words(varies: str) -> str:
    return varies.replace("-", " ")


def _nothing_varies(trial: Trial) -> list[Finding]:
    field = VARIABLES[trial.varies][0]
    values = [part_of(one, field) for one in trial.candles]
    if len(trial.arms) < 2 or len(set(values)) > 1:
        return []
    return [_refusal("nothing_varies", f"The {_words(trial.varies)} is the same in every arm.", str(values[0]))]


def _by_value(candles: Sequence[Candle], values: Sequence[Any]) -> list[str]:
    """ "wick 3: C1, C2", one text for each value."""
    groups: dict[str, list[str]] = {}
    for one, value in zip(candles, values, strict=True):
        groups.setdefault(_shown(value), []).append(one.code)
    return [f"{name}: {', '.join(codes)}" for name, codes in groups.items()]


def _shown(value: Any) -> str:
    return "not said" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _within_arms(trial: Trial) -> list[Finding]:
    """Candles of one arm must be alike in the thing that varies between the arms."""
    field = VARIABLES[trial.varies][0]
    found = []
    for name, candles in trial.arms.items():
        values = [part_of(one, field) for one in candles]
        if field == "cured_days" or not _differs(field, values):
            continue
        text = f"Arm {name} mixes candles of different {_words(trial.varies)}."
        each = _by_value(candles, values)
        found.append(_refusal("mixed_arm", text, *each))
    return found


def _pours(trial: Trial) -> list[Finding]:
    """Another pour of the same recipe is allowed, and said; arms that are each a pour of their own are worse."""
    if trial.varies not in ("wick", "vessel"):
        return []  # each arm needs a pour of its own
    arms = [{one.setup.pour for one in candles} for candles in trial.arms.values()]
    all_ = set().union(*arms) if arms else set()
    if len(all_) < 2:
        return []
    each = _by_value(trial.candles, [one.setup.pour for one in trial.candles])
    if all(len(arm) == 1 for arm in arms) and len({next(iter(arm)) for arm in arms}) == len(arms):
        text = "Every arm is a pour of its own: a difference between the pours would look like one of the wick."
        return [_caution("pour_with_arm", text, *each)]
    return [_caution("other_pour", "The candles are from several pours of the same recipe.", *each)]


def _lots(trial: Trial) -> list[Finding]:
    found = []
    components = sorted({name for one in trial.candles for name in one.setup.lots})
    for component in components:
        if component == trial.varies:
            continue
        labels = [one.setup.lots.get(component) for one in trial.candles]
        if len(set(labels)) > 1:
            each = _by_value(trial.candles, labels)
            found.append(_caution("other_lot", f"The candles hold different lots of {component}.", *each))
    return found


def _measured(criteria: Criteria, trial: Trial) -> list[Finding]:
    found = []
    if trial.varies != "cure":
        found += _apart(criteria, trial, "cure_apart", lambda one: one.setup.cured_days, relative=False)
    if trial.varies != "vessel":
        found += _apart(criteria, trial, "fill_apart", lambda one: one.setup.fill_mass_g, relative=True)
    if trial.varies != "pour-temperature":
        found += _pour_temperature(trial)
    return found


def _pour_temperature(trial: Trial) -> list[Finding]:
    known = [one.setup.poured_at_c for one in trial.candles if one.setup.poured_at_c is not None]
    if not known or max(known) - min(known) <= _POUR_ALIKE_C:
        return []
    each = _by_value(trial.candles, [one.setup.poured_at_c for one in trial.candles])
    return [_caution("poured_apart", "The candles were poured at different temperatures.", *each)]


def _apart(
    criteria: Criteria, trial: Trial, key: str, value: Callable[[Candle], float | None], *, relative: bool
) -> list[Finding]:
    """A caution when a number differs by more than its criterion; values that are not known are said too."""
    criterion = criteria[key]
    known = [(one, found) for one in trial.candles if (found := value(one)) is not None]
    if len(known) < len(trial.candles):
        unknown = [one.code for one in trial.candles if value(one) is None]
        return [Finding(key, "missing", criterion.what, criterion.cited, tuple(unknown))]
    numbers = [number for _, number in known]
    spread = max(numbers) - min(numbers)
    if relative:
        spread /= max(numbers)
    if spread <= (criterion.most or 0.0):
        return []
    each = _by_value(trial.candles, [value(one) for one in trial.candles])
    return [Finding(key, "watch", criterion.above, criterion.cited, tuple(each))]


def _burns(criteria: Criteria, trial: Trial) -> list[Finding]:
    """The same burn schedule: numbers of burns, lengths, trims and rooms, burn by burn."""
    found = []
    counts = {len(one.burns) for one in trial.candles}
    if len(counts) > 1:
        each = _by_value(trial.candles, [len(one.burns) for one in trial.candles])
        found.append(
            _caution("burns_apart", "The candles have had different numbers of burns; late burns differ.", *each)
        )
    shared = min(counts, default=0)
    for index in range(shared):
        found += _burn_apart(criteria, trial, index)
    return list({one.rule: one for one in reversed(found)}.values())[::-1]


def _burn_apart(criteria: Criteria, trial: Trial, index: int) -> list[Finding]:
    burns = [one.burns[index] for one in trial.candles]
    rows: tuple[tuple[str, list[float | None], bool], ...] = (
        ("burn_length_apart", [None if b.minutes is None else b.minutes.value for b in burns], True),
        ("trim_apart", [b.trimmed_mm for b in burns], False),
        ("room_apart", [b.room_c for b in burns], False),
    )
    found = []
    for key, values, relative in rows:
        known = [one for one in values if one is not None]
        if len(known) < 2:
            continue
        spread = (max(known) - min(known)) / (max(known) if relative and max(known) else 1.0)
        if spread > (criteria[key].most or 0.0):
            text = f"{criteria[key].above[:-1]} (burn {index + 1}: {min(known):g} to {max(known):g})."
            found.append(Finding(key, "watch", text, criteria[key].cited))
    kinds = {burn.kind for burn in burns}
    if len(kinds) > 1:
        found.append(_caution("kinds_apart", f"Burn {index + 1} was of different kinds: {', '.join(sorted(kinds))}."))
    return found
