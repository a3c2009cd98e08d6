"""Reads a printed page back (PDFium): its text, and letters that were printed over others."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import pypdfium2 as pdfium

Box = tuple[float, float, float, float]  # left, bottom, right, top in points
MARKS = "×"  # points of a plot, which may lie as close as what they stand for
SHARED = 0.3  # of the smaller letter: accents and kerning touch less
CELL_PT = 24.0


@dataclass(frozen=True, slots=True)
class Letter:
    """One letter of a page and the box of its ink."""

    sign: str
    box: Box


@dataclass(frozen=True, slots=True)
class PrintedPage:
    """One sheet of paper."""

    size_pt: tuple[float, float]
    text: str
    letters: tuple[Letter, ...]

    def overprinted(self) -> list[tuple[str, str]]:
        """Pairs of letters that lie over each other; a letter drawn twice in one place is one."""
        cells: dict[tuple[int, int], list[Letter]] = defaultdict(list)
        found = []
        for letter in self.letters:
            for cell in _cells(letter.box):
                found += [
                    (other.sign, letter.sign)
                    for other in cells[cell]
                    if _over(other.box, letter.box) and not _again(other, letter)
                ]
                cells[cell].append(letter)
        return found

    def outside(self) -> list[str]:
        """Letters that the paper's edge cuts off."""
        width, height = self.size_pt
        return [
            one.sign
            for one in self.letters
            if one.box[0] < 0 or one.box[1] < 0 or one.box[2] > width or one.box[3] > height
        ]


def read_back(pdf: bytes) -> list[PrintedPage]:
    """Every page of a PDF."""
    document = pdfium.PdfDocument(pdf)
    try:
        return [_page(document[n]) for n in range(len(document))]
    finally:
        document.close()


def tagged(pdf: bytes) -> bool:
    """Whether the PDF says what is a heading, a table and a cell."""
    document = pdfium.PdfDocument(pdf)
    try:
        return bool(pdfium.raw.FPDFCatalog_IsTagged(document))
    finally:
        document.close()


def _page(page: pdfium.PdfPage) -> PrintedPage:
    text = page.get_textpage()
    letters = []
    for n in range(text.count_chars()):
        sign = chr(pdfium.raw.FPDFText_GetUnicode(text, n))
        box = text.get_charbox(n)
        if (
            sign.isprintable()
            and sign not in MARKS
            and not sign.isspace()
            and box[2] > box[0]
            and box[3] > box[1]
        ):
            letters.append(Letter(sign, box))
    return PrintedPage(page.get_size(), text.get_text_range(), tuple(letters))


def _cells(box: Box) -> Iterator[tuple[int, int]]:
    for x in range(int(box[0] // CELL_PT), int(box[2] // CELL_PT) + 1):
        for y in range(int(box[1] // CELL_PT), int(box[3] // CELL_PT) + 1):
            yield x, y


def _again(one: Letter, other: Letter) -> bool:
    """Whether it is one letter, drawn with a halo."""
    moved = [abs(one.box[n] + one.box[n + 2] - other.box[n] - other.box[n + 2]) for n in (0, 1)]
    return one.sign == other.sign and max(moved) < 1.0


def _over(one: Box, other: Box) -> bool:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    if wide <= 0 or high <= 0:
        return False
    return wide * high > SHARED * min(_area(one), _area(other))


def _area(box: Box) -> float:
    return (box[2] - box[0]) * (box[3] - box[1])
