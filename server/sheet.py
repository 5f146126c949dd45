"""The calibration board as a page to print, with rulers that check the print's scale."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from vision.board import Charuco, pattern
from vision.errors import TeesquareError

MM_PER_INCH = 25.4
DOTS_PER_INCH = 600
RULER_MM = 150
_UNIT = MM_PER_INCH / DOTS_PER_INCH  # mm of one dot

# Width and height in mm: ISO 216 A4; ANSI/ASME Y14.1 A, the "Letter" of 8.5 x 11 inches.
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
TOP_MM = 14.0
ASIDE_MM = 4.0  # left of the middle, so that the ruler beside it is clear of printers' margins
RULER_GAP_MM = 3.0


class SheetError(TeesquareError):
    """A board that cannot be written."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page: where the board and the rulers lie (mm from the upper left corner)."""

    paper: str
    board: Charuco = field(default_factory=Charuco)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the paper."""
        return PAPERS_MM[self.paper]

    @property
    def board_mm(self) -> tuple[float, float]:
        """Width and height of the board."""
        across, along = self.board.square_m
        return self.board.columns * across * 1e3, self.board.rows * along * 1e3

    @property
    def corner_mm(self) -> tuple[float, float]:
        """The board's upper left corner."""
        return (self.size_mm[0] - self.board_mm[0]) / 2 - ASIDE_MM, TOP_MM


def save_sheet(path: Path, paper: str = "a4") -> None:
    """Write the page; the ending says whether as PDF or PNG. Raises SheetError."""
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise SheetError(f"{path.name} is neither a PDF nor a PNG: end its name in .pdf or .png")
    page = draw_sheet(Sheet(paper))
    try:
        if kind == ".png":
            page.save(path, dpi=(DOTS_PER_INCH, DOTS_PER_INCH), optimize=True)
        else:
            page.save(path, resolution=DOTS_PER_INCH, title="teesquare calibration board")
    except OSError as wrong:
        raise SheetError(f"{path} cannot be written ({wrong.strerror or wrong})") from wrong


def draw_sheet(sheet: Sheet) -> Image.Image:
    """The page, black on white, DOTS_PER_INCH to the inch."""
    page = Image.new("1", (_dots(sheet.size_mm[0]), _dots(sheet.size_mm[1])), 1)
    width, height = (_dots(side) for side in sheet.board_mm)
    board = pattern(sheet.board).generateImage((width, height))
    page.paste(
        Image.fromarray(board).convert("1"), (_dots(sheet.corner_mm[0]), _dots(sheet.corner_mm[1]))
    )
    left, top = sheet.corner_mm
    pen = ImageDraw.Draw(page)
    _ruler(page, left, top + sheet.board_mm[1] + RULER_GAP_MM, upright=False)
    _ruler(page, left + sheet.board_mm[0] + RULER_GAP_MM, top, upright=True)
    square_mm = sheet.board.square_m[0] * 1e3
    pen.text(
        (_dots(left), _dots(top + sheet.board_mm[1] + 15.0)),
        f'Print at 100 %, without "fit to page". Both rulers must be {RULER_MM} mm long: if not,\n'
        f"state what they measure (--ruler-mm ACROSS,ALONG). Squares: {square_mm:g} mm. Glue the\n"
        "sheet to something flat and stiff, or show this page on a flat screen.",
        fill=0,
        font=_font(3.4),
        spacing=_dots(1.2),
    )
    return page


def _ruler(page: Image.Image, x_mm: float, y_mm: float, *, upright: bool) -> None:
    """RULER_MM long from (x, y), a tick each mm, numbers each cm."""
    pen = ImageDraw.Draw(page)
    for mm in range(RULER_MM + 1):
        length = 4.0 if mm % 10 == 0 else 3.0 if mm % 5 == 0 else 1.8
        start = (x_mm, y_mm + mm) if upright else (x_mm + mm, y_mm)
        end = (start[0] + length, start[1]) if upright else (start[0], start[1] + length)
        pen.line([*map(_dots, start), *map(_dots, end)], fill=0, width=3)
        if mm % 10 == 0 and not upright:
            at = (_dots(start[0]), _dots(end[1] + 0.5))
            pen.text(at, f"{mm}" if mm < RULER_MM else f"{mm} mm", 0, _font(2.8), anchor="ma")
        elif mm % 10 == 0:
            at = (_dots(end[0] + 0.8), _dots(start[1]))
            pen.text(at, f"{mm}", 0, _font(2.8), anchor="lm")


def _font(height_mm: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(_dots(height_mm))


def _dots(mm: float) -> int:
    return round(mm / _UNIT)
