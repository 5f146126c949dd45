"""The printed board: its page and scale, checked through another library's PDF rasteriser."""

import cv2
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from server.sheet import PAPERS_MM, RULER_MM, Sheet, SheetError, draw_sheet, save_sheet
from vision.board import Charuco, find_board

MM_PER_POINT = 25.4 / 72  # ISO 32000-1, 8.3.2.3: a unit is 1/72 inch
DPI = 200


def rasterised(file) -> tuple[np.ndarray, tuple[float, float]]:
    with pypdfium2.PdfDocument(file) as document:
        assert len(document) == 1
        page = document[0]
        size_mm = tuple(side * MM_PER_POINT for side in page.get_size())
        bitmap = page.render(scale=DPI / 72, grayscale=True)
        picture = np.array(bitmap.to_numpy()).reshape(bitmap.height, bitmap.width)
        bitmap.close()
        page.close()
    return picture, size_mm


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_the_pdf_has_the_papers_size_and_squares_of_25_mm(tmp_path, paper):
    save_sheet(tmp_path / "board.pdf", paper)
    picture, size_mm = rasterised(tmp_path / "board.pdf")
    assert size_mm == pytest.approx(PAPERS_MM[paper], abs=0.05)
    found = find_board(picture, Charuco())
    assert found is not None and len(found.px) == 48
    # Pixels of the raster to mm by the page's own size, corners to the board's by least squares.
    mm = (found.px + 0.5) * np.array(size_mm) / picture.shape[::-1]
    design = np.column_stack([found.board_m[:, :2], np.ones(48)])
    fit, *_ = np.linalg.lstsq(design, mm, rcond=None)
    assert fit[:2] == pytest.approx(1000 * np.eye(2), abs=0.5)
    assert np.abs(design @ fit - mm).max() < 0.1


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_both_rulers_are_as_long_as_they_say(paper):
    sheet = Sheet(paper)
    page = np.asarray(draw_sheet(sheet).convert("L")) < 128
    per_mm = 600 / 25.4
    left, top = sheet.corner_mm
    width, height = sheet.board_mm
    across = page[round((top + height + 3.5) * per_mm)]
    along = page[:, round((left + width + 3.5) * per_mm)]
    for line in (across, along):
        starts = np.flatnonzero(np.diff(line.astype(int)) == 1)
        ends = np.flatnonzero(np.diff(line.astype(int)) == -1)
        middles = (starts + 1 + ends) / 2
        assert len(middles) == RULER_MM + 1
        assert (middles[-1] - middles[0]) / per_mm == pytest.approx(RULER_MM, abs=0.05)


def test_the_page_keeps_clear_of_what_printers_cannot_print():
    for paper in PAPERS_MM:
        page = np.asarray(draw_sheet(Sheet(paper)).convert("L")) < 128
        rows, columns = np.flatnonzero(page.any(axis=1)), np.flatnonzero(page.any(axis=0))
        margin = 6 * 600 / 25.4
        height, width = page.shape
        assert rows[0] > margin and columns[0] > margin
        assert rows[-1] < height - margin and columns[-1] < width - margin


def test_the_png_knows_its_scale(tmp_path):
    save_sheet(tmp_path / "board.png", "letter")
    with Image.open(tmp_path / "board.png") as picture:
        assert picture.info["dpi"] == pytest.approx((600, 600), abs=0.1)
        assert picture.size == (5100, 6600)  # 8.5 x 11 inches
    assert cv2.imread(str(tmp_path / "board.png")) is not None


def test_what_cannot_be_written_is_said(tmp_path):
    with pytest.raises(SheetError, match=r"neither a PDF nor a PNG"):
        save_sheet(tmp_path / "board.doc")
    with pytest.raises(SheetError, match="cannot be written"):
        save_sheet(tmp_path / "no" / "board.pdf")
