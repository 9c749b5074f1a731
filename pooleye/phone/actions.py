"""Forms of the page, each turned into one call of the function that the command of the same name calls."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from pooleye.burnlog.results import Result
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

# A form kept on a phone without network is filed at the moment of its tap, this long ago at most.
LONGEST_DELAY = timedelta(hours=48)


class Form:
    """The fields of a form, read in a maker's units."""

    def __init__(self, fields: Mapping[str, str], workspace: Workspace, who: str | None) -> None:
        self.fields, self.workspace, self.who = fields, workspace, who

    def text(self, name: str) -> str | None:
        """A field, or None where it was left empty."""
        return self.fields.get(name, "").strip() or None

    def need(self, name: str, words: str) -> str:
        """A field that must be filled in. Raises PooleyeError."""
        if (found := self.text(name)) is None:
            raise PooleyeError("field-empty", f"{words} is missing", hint="fill it in and send again")
        return found

    @property
    def code(self) -> str:
        """The candle meant."""
        return self.need("code", "the candle")

    def measure(self, name: str) -> str | None:
        """A number with the unit chosen beside it, unless the text has its own unit."""
        number, unit = self.text(name), self.text(f"{name}_unit") or ""
        return number if number is None or number[-1:].isalpha() or number[-1:] in '"”' else f"{number}{unit}"

    def mm(self, name: str, words: str) -> float | None:
        """A length in mm."""
        from pooleye.units import parse_length_mm

        return None if (text := self.measure(name)) is None else parse_length_mm(text, words)

    def minutes(self, name: str) -> float | None:
        """A length of time in minutes."""
        from pooleye.burnlog.times import parse_duration_minutes

        return None if (text := self.text(name)) is None else parse_duration_minutes(text)

    def when(self) -> datetime | None:
        """The time typed; else the moment of the tap, for a form that had to wait for the network; else None: now."""
        from pooleye.burnlog.times import parse_when

        if (text := self.text("at")) is not None:
            return parse_when(text, self.workspace.now(), self.workspace.zone)
        return moment_of_tap(self.workspace, self.fields.get("age_s", ""))


def moment_of_tap(workspace: Workspace, age_s: str) -> datetime | None:
    """When something was done on a phone that could send it only so many seconds later; None: just now."""
    try:
        age = timedelta(seconds=float(age_s or 0))
    except (ValueError, OverflowError):
        return None
    return workspace.now() - age if timedelta(seconds=30) <= age <= LONGEST_DELAY else None


def _light(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog import burns

    how = burns.Lighting(
        kind=form.text("kind"),
        trimmed_mm=form.mm("trim", "trim"),
        spacing_mm=form.mm("spacing", "spacing"),
        planned_minutes=form.minutes("plan"),
        despite=form.text("anyway"),
    )
    return burns.light(workspace, [form.code], at=form.when(), how=how)


def _snuff(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog import burns

    return burns.snuff(workspace, [form.code], at=form.when(), how=form.text("how") or "snuffed")


def _trim(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog import burns

    form.need("trim", "the length")
    return burns.trim(workspace, form.code, form.mm("trim", "trim") or 0.0)


def _weigh(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog.weighing import weigh
    from pooleye.units import parse_mass_g

    form.need("mass", "the mass")
    mass_g = parse_mass_g(form.measure("mass") or "", "mass")
    return weigh(workspace, form.code, mass_g, at=form.when(), despite=form.text("anyway"))


def _heat(workspace: Workspace, form: Form) -> Result:
    from pooleye.units import parse_temperature_c

    form.need("heat", "the temperature")
    return _by_hand(workspace, form, "heat", parse_temperature_c(form.measure("heat") or "", "vessel temperature"))


def _throw(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog.looks import parse_throw

    return _by_hand(workspace, form, "throw", parse_throw(form.need("throw", "the grade")))


def _headspace(workspace: Workspace, form: Form) -> Result:
    form.need("headspace", "the headspace")
    return _by_hand(workspace, form, "headspace", form.mm("headspace", "headspace") or 0.0)


def _by_hand(workspace: Workspace, form: Form, what: str, value: float) -> Result:
    from pooleye.burnlog.looks import measure_by_hand

    return measure_by_hand(
        workspace, form.code, what, value, at=form.when(), minutes=form.minutes("minutes"), who=form.who
    )


def _note(workspace: Workspace, form: Form) -> Result:
    from pooleye.audit.note_filing import file_note

    text = form.need("text", "the note")
    return file_note(
        workspace, form.code, text, at=form.when(), minutes=form.minutes("minutes"), tester=form.who
    )  # fmt: skip


def _incident(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog.looks import incident

    kind = form.need("what", "what happened")
    return incident(workspace, form.code, kind, at=form.when(), words=form.text("words"))


def _correct(workspace: Workspace, form: Form) -> Result:
    """The times of a burn; ``which``: CODE/NUMBER."""
    from pooleye.burnlog.corrections import correct

    field = form.need("field", "which time")
    if field not in ("lit_at", "out_at"):
        raise PooleyeError("not-here", "only times of a burn are corrected here", hint="use the computer for the rest")
    which, text = form.need("which", "the burn"), form.need("time", "the time")
    return correct(workspace, "burn", which, field, text, who=form.who, why=form.text("why"))


def _strike(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog.corrections import strike

    return strike(workspace, "photo", form.need("photo", "the photo"), form.need("why", "the reason"))


def _refile(workspace: Workspace, form: Form) -> Result:
    from pooleye.burnlog.corrections import refile

    return refile(workspace, form.need("photo", "the photo"), form.code)


def _settle(workspace: Workspace, form: Form) -> Result:
    from pooleye.audit.service import settle

    which, verdict = form.need("which", "the contradiction"), form.need("verdict", "how it was")
    return settle(workspace, which, verdict, by=form.who, why=form.text("why"))


#: Name in the address -> what it does.
ACTIONS: Mapping[str, Callable[[Workspace, Form], Any]] = {
    "light": _light, "snuff": _snuff, "trim": _trim, "weigh": _weigh, "heat": _heat, "throw": _throw,
    "headspace": _headspace, "note": _note, "incident": _incident, "correct": _correct, "strike": _strike,
    "refile": _refile, "settle": _settle,
}  # fmt: skip
