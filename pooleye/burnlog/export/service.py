"""Exports as a person asks for them: which kind, into which file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pooleye.burnlog.export import pack, table_files, whole_log
from pooleye.burnlog.export.files import checked_target, written_whole
from pooleye.burnlog.export.rows import TABLES
from pooleye.burnlog.export.schema import schema_text
from pooleye.burnlog.store import Workspace


@dataclass(frozen=True)
class Exported:
    """A file that was written, and how much it holds of what."""

    file: str
    holds: tuple[tuple[str, int], ...]

    def said(self) -> list[str]:
        """One line."""
        return [f"{self.file}: {', '.join(f'{count} {what}' for what, count in self.holds) or 'written'}"]


def export_csv(workspace: Workspace, out: Path | None = None, *, table: str = "measurements") -> Exported:
    """One of ``TABLES``: every measurement that counts, one row each; or burns, candles, notes."""
    path = checked_target(out or Path(f"{table}.csv"), ".csv")
    with written_whole(path) as temporary, workspace.read() as session:
        count = table_files.write_csv(session, workspace.zone, temporary, TABLES[table])
    return Exported(str(path), ((table, count),))


def export_xlsx(workspace: Workspace, out: Path | None = None) -> Exported:
    """A workbook: measurements, burns, candles, notes, and what the columns mean."""
    path = checked_target(out or Path("burnlog.xlsx"), ".xlsx")
    name, zone = workspace.settings.name, workspace.settings.zone
    about = (f"Burn log of {name}, {workspace.now().astimezone(workspace.zone):%Y-%m-%d %H:%M}. Clock: {zone}.",)
    with written_whole(path) as temporary, workspace.read() as session:
        count = table_files.write_xlsx(session, workspace.zone, temporary, about)
    return Exported(str(path), (("measurements", count),))


def export_json(workspace: Workspace, out: Path | None = None) -> Exported:
    """The whole log; photos are named by their SHA-256."""
    path = checked_target(out or Path("burnlog.json"), ".json")
    with (
        written_whole(path) as temporary,
        temporary.open("w", encoding="utf-8", newline="\n") as target,
        workspace.read() as session,
    ):
        count = whole_log.write(workspace, session, target)
    return Exported(str(path), (("records", count),))


def export_pack(workspace: Workspace, out: Path | None = None) -> Exported:
    """The whole log and its photos, in one zip."""
    path = checked_target(out or Path("burnlog.zip"), ".zip")
    with written_whole(path) as temporary, workspace.read() as session:
        records, photos = pack.write(workspace, session, temporary)
    return Exported(str(path), (("records", records), ("photos", photos)))


def export_schema(out: Path | None = None) -> Exported:
    """JSON Schema of the whole log."""
    path = checked_target(out or Path("log.schema.json"), ".json")
    with written_whole(path) as temporary:
        temporary.write_text(schema_text(), "utf-8")
    return Exported(str(path), ())
