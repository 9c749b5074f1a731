"""A report as a file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from pooleye import cautions
from pooleye.errors import PooleyeError


@dataclass(frozen=True)
class Written:
    """A report on disk."""

    path: Path
    bytes: int

    def said(self) -> list[str]:
        """Where it lies, and what it is for."""
        size = f"{self.bytes / 1e6:.1f} MB"
        return [
            f"Look at: {self.path.resolve()} ({size}; one file, to send, print or keep as it is)",
            cautions.DISCLAIMER,
        ]


def file_name(subject: str) -> str:
    """A plain file name for a report on a subject: letters, digits and dashes."""
    plain = re.sub(r"[^\w]+", "-", subject).strip("-")[:80]
    return f"report-{plain}.html"


def write_report(page: str, path: Path) -> Written:
    """Writes the page. Raises PooleyeError when the file cannot be written."""
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        text = f"{path} cannot be written ({error.strerror})"
        raise PooleyeError("report-unwritable", text, hint="name another file: --out FILE") from None
    return Written(path, len(page.encode("utf-8")))
