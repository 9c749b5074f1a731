"""Tables as files: CSV for programs and spreadsheets, XLSX with real numbers and dates."""

from __future__ import annotations

import csv
import unicodedata
from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from pooleye import cautions
from pooleye.burnlog.export.rows import TABLES, Table
from pooleye.errors import PooleyeError

# Characters with which a spreadsheet takes a text for a formula; full-width forms count as the plain ones.
# Source: OWASP, "CSV Injection".
_STARTS_A_FORMULA = "=+-@\t\r\n"
# Limits of XLSX as spreadsheets keep them: rows of a sheet, UTF-16 units in a cell.
_MOST_ROWS = 1_048_576
_MOST_CHARACTERS = 32_767


def _on_clock(name: str, value: Any, zone: tzinfo) -> Any:
    """A moment as the wall clock shows it: spreadsheets know no zones."""
    if not isinstance(value, datetime):
        return value
    moment = value if name.endswith("_utc") else value.astimezone(zone)
    return moment.replace(tzinfo=None)


def _rows(session: Session, table: Table, zone: tzinfo) -> Iterator[list[Any]]:
    for row in table.rows(session):
        yield [_on_clock(name, value, zone) for name, value in zip(table.columns, row, strict=True)]


def harmless(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe goes before what would start one."""
    return f"'{text}" if unicodedata.normalize("NFKC", text[:1]) in tuple(_STARTS_A_FORMULA) else text


def _csv_cell(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat(" ", "seconds")
    return harmless(value) if isinstance(value, str) else value


def write_csv(session: Session, zone: tzinfo, path: Path, table: Table) -> int:
    """One table as CSV; returns the number of rows.

    UTF-8 with a byte order mark, since spreadsheets take a file without one for the computer's old code page and garble
    every letter beyond ASCII. Comma, decimal point, CR LF (RFC 4180); numbers as the shortest text that reads back the
    same.
    """
    count = 0
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(table.columns)
        for row in _rows(session, table, zone):
            writer.writerow([_csv_cell(value) for value in row])
            count += 1
    return count


def write_xlsx(session: Session, zone: tzinfo, path: Path, about: Iterable[str]) -> int:
    """A sheet for each table, then one that says what the columns mean; returns the number of measurements."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    counts = [_fill(book.create_sheet(name), table, _rows(session, table, zone)) for name, table in TABLES.items()]
    _explain(book.create_sheet("about"), about)
    book.save(path)
    return counts[0]


def _fill(sheet: Any, table: Table, rows: Iterable[list[Any]]) -> int:
    from openpyxl.utils import get_column_letter

    for number, name in enumerate(table.columns, 1):
        sheet.column_dimensions[get_column_letter(number)].width = max(10, len(name) + 2)
    sheet.freeze_panes = "B2"
    sheet.append([_xlsx_cell(sheet, name, bold=True) for name in table.columns])
    count = 0
    for row in rows:
        count += 1
        if count >= _MOST_ROWS:
            raise PooleyeError("too-many-rows", "a sheet holds a million rows, not more", hint="use pooleye export csv")
        sheet.append([_xlsx_cell(sheet, value) for value in row])
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(table.columns))}{count + 1}"
    return count


def _explain(sheet: Any, about: Iterable[str]) -> None:
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 16, 22
    for line in (*about, cautions.DISCLAIMER):
        sheet.append([_xlsx_cell(sheet, line)])
    for name, table in TABLES.items():
        sheet.append([])
        sheet.append([_xlsx_cell(sheet, one, bold=True) for one in (name, f"one row: {table.words}")])
        for column, meaning in table.columns.items():
            sheet.append([_xlsx_cell(sheet, one) for one in (None, column, meaning.words)])


def _cut(text: str) -> str:
    return text.encode("utf-16-le")[: 2 * _MOST_CHARACTERS].decode("utf-16-le", "ignore")


def _xlsx_cell(sheet: Any, value: Any, *, bold: bool = False) -> Any:
    """A cell of the value's own kind; a text is always text, whatever it starts with."""
    if not value or not isinstance(value, str | datetime):
        return None if value == "" else value
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Font

    if isinstance(value, datetime):
        cell = WriteOnlyCell(sheet, value)
        cell.number_format = "yyyy-mm-dd hh:mm:ss"
        return cell
    cell = WriteOnlyCell(sheet, _cut(ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", value)))
    # openpyxl takes “=…” for a formula and “#N/A” for an error; the mark keeps it a text when it is edited.
    cell.data_type = "s"
    if value.startswith(tuple(_STARTS_A_FORMULA)):
        cell.quotePrefix = True
    if bold:
        cell.font = Font(bold=True)
    return cell
