"""How pooleye says that it was called wrongly.

A photo that cannot be measured is no error but a result (see `pooleye.flags.Declined`). An error is raised for what the
person can put right at once, and it always says how.
"""

from __future__ import annotations

import re

KEBAB_CASE = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


class PooleyeError(Exception):
    """What is wrong, what was looked for, what to do; each a field, put together in one place.

    `reference` is a stable kebab-case name to search the docs for, `message` says in one sentence what is wrong and
    where, `looked_for` what would have been right, `hint` what to do now.

    Raises ValueError when built without a hint or message, or with a reference that is not kebab-case: an error that
    does not tell what to do is a fault of the program.
    """

    def __init__(self, reference: str, message: str, looked_for: str | None = None, hint: str = "") -> None:
        if not KEBAB_CASE.fullmatch(reference):
            raise ValueError(f"error reference {reference!r} is not kebab-case")
        if not message.strip():
            raise ValueError(f"error {reference!r} has no message")
        if not hint.strip():
            raise ValueError(f"error {reference!r} has no hint")
        super().__init__(message)
        self.reference = reference
        self.message = message
        self.looked_for = looked_for
        self.hint = hint

    def rendered(self) -> str:
        """The whole error as text of two or three lines, without a newline at the end."""
        lines = [f"error[{self.reference}]: {self.message}"]
        if self.looked_for:
            lines.append(f"  looked for: {self.looked_for}")
        return "\n".join([*lines, f"  try: {self.hint}"])


class UsageError(PooleyeError):
    """The command or function was given something that cannot be right; the command line exits with status 2."""
