"""A clock that tests set by hand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass
class Clock:
    """A bench clock that stands where it is put."""

    moment: datetime

    def __call__(self) -> datetime:
        return self.moment

    def forward(self, **step: float) -> datetime:
        self.moment += timedelta(**step)
        return self.moment
