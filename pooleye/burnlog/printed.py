"""What is printed and then photographed: the label sheet and the bench card, as PDF at exact size.

All lengths in mm. Positions on the card have their origin at its lower left corner, x to the right, y up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from pooleye.burnlog import find
from pooleye.burnlog.picture_codes import text_for
from pooleye.burnlog.records import Candle
from pooleye.burnlog.states import cured_until
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

if TYPE_CHECKING:
    from numpy.typing import NDArray

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
LABEL_MM = (64.0, 34.0)
# Most printers cannot print nearer to the edge of the sheet.
_LEAST_MARGIN_MM = 6.0
# 21 modules and a quiet zone of 4 on each side (ISO/IEC 18004, version 1); at 0.8 mm a module, a phone half a metre
# away still gives each module more than two pixels of the reduced picture that is searched first.
_QR_MODULE_MM = 0.8
RULER_MM = 100.0

CARD_MM = (150.0, 62.0)
MARKER_MM = 18.0
# Markers 0 to 3 of the 4x4 dictionary: lower left, lower right, upper right, upper left; their outer corners stand 4 mm
# inside the card's.
_INSET_MM = 4.0
# sRGB levels of the grey patches, dark to light; a printer keeps their neutrality, not their exact lightness.
GREYS = (48, 96, 144, 192, 255)
PATCH_MM = 13.0
_CARD_QR_MODULE_MM = 0.9

# Spelling alphabet of ICAO Annex 10, volume II, 5.2.1.3 (from memory): for reading a code out loud across the bench.
_SPELLED = {
    "A": "Alfa", "C": "Charlie", "E": "Echo", "F": "Foxtrot", "H": "Hotel", "J": "Juliett", "K": "Kilo", "M": "Mike",
    "P": "Papa", "R": "Romeo", "T": "Tango", "X": "X-ray", "Y": "Yankee", "3": "three", "4": "four", "7": "seven",
    "9": "nine",
}  # fmt: skip


def spelled(code: str) -> str:
    """``K7CX`` -> ``Kilo seven Charlie X-ray``."""
    return " ".join(_SPELLED[character] for character in code)


@dataclass(frozen=True)
class Printed:
    """A PDF that was written."""

    path: str
    pages: int
    codes: tuple[str, ...]

    def said(self) -> list[str]:
        """Where it is, and how to print it."""
        return [
            f"{self.path}: {self.pages} page{'s' * (self.pages != 1)}, {', '.join(self.codes) or 'no code'}",
            "print at 100 % (“actual size”), then lay a ruler on the printed line: it must be 100 mm long",
        ]


@dataclass(frozen=True)
class LabelText:
    """What stands on a label besides the code."""

    code: str
    lines: tuple[str, ...]


def marker_corners_mm(number: int) -> tuple[tuple[float, float], ...]:
    """Corners of a marker on the card as it is read: upper left, upper right, lower right, lower left (mm, y up)."""
    left = _INSET_MM if number in (0, 3) else CARD_MM[0] - _INSET_MM - MARKER_MM
    low = _INSET_MM if number in (0, 1) else CARD_MM[1] - _INSET_MM - MARKER_MM
    right, high = left + MARKER_MM, low + MARKER_MM
    return ((left, high), (right, high), (right, low), (left, low))


def patch_centres_mm() -> tuple[tuple[float, float], ...]:
    """Centres of the grey patches, in the order of ``GREYS``."""
    first = CARD_MM[0] / 2 - PATCH_MM * (len(GREYS) - 1) / 2
    return tuple((first + PATCH_MM * index, 13.0) for index in range(len(GREYS)))


def _marker_bits(number: int) -> NDArray[Any]:
    """A marker's 6 x 6 cells with its black border, 0 black, 255 white."""
    import cv2

    bits: NDArray[Any] = cv2.aruco.generateImageMarker(marker_dictionary(), number, 6)
    return bits


def marker_dictionary() -> Any:
    """The dictionary that the card's markers are from."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


class _Sheet:
    """A PDF page in mm, on a thin layer over the library's canvas."""

    def __init__(self, path: Path, paper: str, title: str) -> None:
        from reportlab.lib.units import mm
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont
        from reportlab.pdfgen.canvas import Canvas

        if paper not in PAPERS_MM:
            raise PooleyeError("unknown-paper", f"no paper “{paper}”", hint=f"one of: {', '.join(PAPERS_MM)}")
        for name in ("Vera", "VeraBd"):
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
        self.mm = mm
        self.size_mm = PAPERS_MM[paper]
        self.pages = 1
        self.canvas = Canvas(str(path), pagesize=(self.size_mm[0] * mm, self.size_mm[1] * mm))
        self.canvas.setTitle(title)

    def box(self, x: float, y: float, width: float, height: float, grey: float = 0.0) -> None:
        """A filled rectangle without outline; ``grey`` 0 black to 1 white (sRGB level / 255)."""
        self.canvas.setFillGray(grey)
        self.canvas.rect(x * self.mm, y * self.mm, width * self.mm, height * self.mm, stroke=0, fill=1)

    def line(self, x1: float, y1: float, x2: float, y2: float, width: float = 0.2, grey: float = 0.0) -> None:
        """A line."""
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(width * self.mm)
        self.canvas.line(x1 * self.mm, y1 * self.mm, x2 * self.mm, y2 * self.mm)

    def text(self, x: float, y: float, text: str, size_mm: float, *, bold: bool = False, most_mm: float = 0.0) -> None:
        """A line of text, made smaller until it is at most ``most_mm`` wide (0: any)."""
        font, points = "VeraBd" if bold else "Vera", size_mm * self.mm
        wide = self.canvas.stringWidth(text, font, points)
        if most_mm and wide > most_mm * self.mm:
            points *= most_mm * self.mm / wide
        self.canvas.setFillGray(0)
        self.canvas.setFont(font, points)
        self.canvas.drawString(x * self.mm, y * self.mm, text)

    def cells(self, x: float, y: float, dark: Sequence[Sequence[bool]], cell_mm: float) -> None:
        """A grid of dark cells, first row on top, lower left corner at (x, y)."""
        rows = len(dark)
        for row, line in enumerate(dark):
            for column, filled in enumerate(line):
                if filled:
                    # A hair wider than the cell: neighbours must not show a light seam between them.
                    self.box(x + column * cell_mm, y + (rows - 1 - row) * cell_mm, cell_mm * 1.01, cell_mm * 1.01)

    def ruler(self, x: float, y: float) -> None:
        """A line of exactly 100 mm with end marks."""
        self.line(x, y, x + RULER_MM, y, 0.3)
        for end in (x, x + RULER_MM):
            self.line(end, y - 1.5, end, y + 1.5, 0.3)
        self.text(x + 2, y + 1, "this line must be 100 mm long: print at 100 %", 2.2)

    def next_page(self) -> None:
        """Begin another page."""
        self.canvas.showPage()
        self.pages += 1

    def save(self) -> None:
        """Write the file."""
        self.canvas.save()


def qr_cells(code: str) -> list[list[bool]]:
    """The dark cells of a candle's QR, without quiet zone; version 1, a quarter of it may be smudged (level Q)."""
    import segno

    return [[bool(cell) for cell in row] for row in segno.make(text_for(code), version=1, error="q").matrix]


def _label(sheet: _Sheet, x: float, y: float, text: LabelText) -> None:
    """One label, lower left corner at (x, y)."""
    cells = qr_cells(text.code)
    side = len(cells) * _QR_MODULE_MM
    quiet = 4 * _QR_MODULE_MM
    sheet.cells(x + quiet + 1, y + (LABEL_MM[1] - side) / 2, cells, _QR_MODULE_MM)
    column = x + side + 2 * quiet + 2
    room = LABEL_MM[0] - (column - x) - 2
    sheet.text(column, y + 22, text.code, 8.5, bold=True, most_mm=room)
    # The line under the code says which way is up.
    sheet.line(column, y + 19.8, column + room, y + 19.8, 0.5)
    sheet.text(column, y + 16.6, spelled(text.code), 2.4, most_mm=room)
    for number, line in enumerate(text.lines[:4]):
        sheet.text(column, y + 12.8 - 3.3 * number, line, 2.5, most_mm=room)


def _grid(size_mm: tuple[float, float]) -> list[tuple[float, float]]:
    """Lower left corners of the labels of a page, row by row from the top; the ruler's strip is left free below."""
    columns = int((size_mm[0] - 2 * _LEAST_MARGIN_MM) // LABEL_MM[0])
    rows = int((size_mm[1] - 2 * _LEAST_MARGIN_MM - 8) // LABEL_MM[1])
    left = (size_mm[0] - columns * LABEL_MM[0]) / 2
    top = size_mm[1] - _LEAST_MARGIN_MM
    return [(left + c * LABEL_MM[0], top - (r + 1) * LABEL_MM[1]) for r in range(rows) for c in range(columns)]


def _cut_marks(sheet: _Sheet, x: float, y: float, size_mm: tuple[float, float], reach: float) -> None:
    """Grey crosses at the corners of a piece to cut out."""
    for corner_x in (x, x + size_mm[0]):
        for corner_y in (y, y + size_mm[1]):
            sheet.line(corner_x - reach, corner_y, corner_x + reach, corner_y, 0.1, 0.6)
            sheet.line(corner_x, corner_y - reach, corner_x, corner_y + reach, 0.1, 0.6)


def draw_labels(texts: Sequence[LabelText], path: Path, *, paper: str = "A4", skip: int = 0) -> int:
    """Write a label sheet; ``skip`` leaves labels of a begun sheet free. Returns the number of pages."""
    sheet = _Sheet(path, paper, "candle labels")
    places = _grid(sheet.size_mm)
    for number, text in enumerate(texts, start=skip % len(places)):
        if number and number % len(places) == 0:
            sheet.next_page()
        x, y = places[number % len(places)]
        if number % len(places) == 0 or text is texts[0]:
            sheet.ruler((sheet.size_mm[0] - RULER_MM) / 2, _LEAST_MARGIN_MM + 2)
        _cut_marks(sheet, x, y, LABEL_MM, 1)
        _label(sheet, x, y, text)
    sheet.save()
    return sheet.pages


def draw_cards(codes: Sequence[str], path: Path, *, paper: str = "A4") -> int:
    """Write bench cards, one for each code; without a code one card without QR. Returns the number of pages."""
    sheet = _Sheet(path, paper, "bench cards")
    a_page = int((sheet.size_mm[1] - 30) // (CARD_MM[1] + 6))
    left = (sheet.size_mm[0] - CARD_MM[0]) / 2
    for number, code in enumerate(list(codes) or [""]):
        if number and number % a_page == 0:
            sheet.next_page()
        if number % a_page == 0:
            sheet.ruler((sheet.size_mm[0] - RULER_MM) / 2, 12)
        _card(sheet, left, sheet.size_mm[1] - 10 - (number % a_page + 1) * (CARD_MM[1] + 6), code)
    sheet.save()
    return sheet.pages


def _card(sheet: _Sheet, x: float, y: float, code: str) -> None:
    """One card, lower left corner at (x, y)."""
    width, height = CARD_MM
    _cut_marks(sheet, x, y, CARD_MM, 2)
    for number in range(4):
        _, _, _, (left, low) = marker_corners_mm(number)
        dark = [[cell == 0 for cell in row] for row in _marker_bits(number)]
        sheet.cells(x + left, y + low, dark, MARKER_MM / 6)
    for (centre_x, centre_y), grey in zip(patch_centres_mm(), GREYS, strict=True):
        half = PATCH_MM / 2 - 0.5
        sheet.box(x + centre_x - half, y + centre_y - half, 2 * half, 2 * half, grey / 255)
    # 12 o'clock: an arrow at the long edge that points away from the person.
    sheet.line(x + width / 2, y + height - 9, x + width / 2, y + height - 2, 0.6)
    sheet.line(x + width / 2, y + height - 2, x + width / 2 - 2, y + height - 5, 0.6)
    sheet.line(x + width / 2, y + height - 2, x + width / 2 + 2, y + height - 5, 0.6)
    sheet.text(x + width / 2 + 3, y + height - 7, "12", 4, bold=True)
    sheet.text(x + 30, y + 2, "lay flat beside the vessel, arrow away from you, all four corners in the picture", 2.4)
    if code:
        cells = qr_cells(code)
        sheet.cells(x + 40, y + 25, cells, _CARD_QR_MODULE_MM)
        sheet.text(x + 68, y + 33, code, 10, bold=True, most_mm=46)
        sheet.line(x + 68, y + 30, x + 112, y + 30, 0.5)
        sheet.text(x + 68, y + 26, spelled(code), 2.6, most_mm=44)


def _label_text(candle: Candle, local: Any) -> LabelText:
    until: datetime = local(cured_until(candle))
    poured: datetime = local(candle.pour.poured_at)
    scent = f", {candle.pour.fragrance.name}" if candle.pour.fragrance else ""
    lines = (
        f"{candle.vessel.name} · {candle.wick.name}",
        f"{candle.pour.wax.name}{scent}",
        f"{candle.pour.name} of {poured:%Y-%m-%d}",
        f"cured {until:%Y-%m-%d}",
    )
    return LabelText(candle.code, lines)


def _chosen(workspace: Workspace, codes: Sequence[str], pour: str | None) -> list[LabelText]:
    from pooleye.burnlog.records import Pour

    with workspace.read() as session:
        if pour is not None:
            found = list(find.named(session, Pour, pour).candles)
        elif codes:
            found = find.candles(session, codes)
        else:
            found = list(session.scalars(select(Candle).where(Candle.finished_at.is_(None)).order_by(Candle.id)))
        return [_label_text(one, lambda moment: moment.astimezone(workspace.zone)) for one in found]


def _refuse_folder(path: Path) -> None:
    if path.is_dir() or not path.parent.is_dir():
        raise PooleyeError(
            "cannot-write", f"{path} cannot be written", hint="give the name of a PDF file: --out labels.pdf"
        )


def label_sheet(
    workspace: Workspace,
    path: Path,
    codes: Sequence[str] = (),
    *,
    pour: str | None = None,
    paper: str = "A4",
    skip: int = 0,
) -> Printed:
    """Labels of candles: those named, those of a pour, else all that are not used up."""
    _refuse_folder(path)
    texts = _chosen(workspace, codes, pour)
    if not texts:
        raise PooleyeError("no-candle", "there are no candles to label", hint="pour some first: pooleye pour")
    pages = draw_labels(texts, path, paper=paper, skip=skip)
    return Printed(str(path), pages, tuple(one.code for one in texts))


def bench_cards(workspace: Workspace, path: Path, codes: Sequence[str] = (), *, paper: str = "A4") -> Printed:
    """Bench cards with the codes of candles; without codes one card for all, without QR."""
    _refuse_folder(path)
    chosen = tuple(one.code for one in _chosen(workspace, codes, None)) if codes else ()
    return Printed(str(path), draw_cards(chosen, path, paper=paper), chosen)
