"""The PDF, read by another library: one page size, embedded fonts, no text over another."""

import dataclasses
import importlib
import re
import sys
from io import BytesIO
from itertools import combinations

import pytest
from matplotlib import get_data_path
from matplotlib.ft2font import FT2Font, LoadFlags
from pypdf import PdfReader
from reports import EVIL, full_contents, renamed

from hybridopt import InputError
from hybridopt.base.cautions import CAUTIONS
from hybridopt.report import pdf
from hybridopt.report.contents import Contents, Entry
from hybridopt.report.words import verdict_of

A4 = 595.28, 841.89  # pt, ISO 216: 210 mm x 297 mm
FONTS = "DejaVuSans", "DejaVuSans-Bold"
LETTERS = {name: FT2Font(f"{get_data_path()}/fonts/ttf/{name}.ttf") for name in FONTS}


@pytest.fixture(scope="module")
def contents(result, driveline):
    full = full_contents(renamed(result, driveline_title="Größe → ½, 5 °C"), driveline)
    return dataclasses.replace(full, entries=full.entries[:1])


@pytest.fixture(scope="module")
def made(contents):
    return pdf.report_pdf(contents)


@pytest.fixture(scope="module")
def document(made):
    return PdfReader(BytesIO(made))


def pieces(page):
    """Return left, right, bottom, top and text of every piece of text on a page, pt."""
    found = []

    def note(text, user, place, font, size):
        if text.strip():
            letters = LETTERS[font["/BaseFont"].partition("+")[2]]
            letters.set_size(size, 72)
            letters.set_text(text.strip(), 0.0, flags=LoadFlags.NO_HINTING)
            wide = letters.get_width_height()[0] / 64
            x, y = place[4] + user[4], place[5] + user[5]
            found.append((x, x + wide, y - 0.05 * size, y + 0.6 * size, text.strip()))

    page.extract_text(visitor_text=note)
    return found


@pytest.mark.long
def test_every_page_is_a4_upright_and_numbered(document):
    for number, page in enumerate(document.pages, start=1):
        assert [float(x) for x in page.mediabox[2:]] == pytest.approx(A4, abs=0.01)
        assert f"page {number}" in page.extract_text()


def test_fonts_are_two_and_in_the_file(document):
    names = set()
    for page in document.pages:
        for font in page["/Resources"]["/Font"].values():
            names.add(font["/BaseFont"].partition("+")[2])
            assert "/FontFile2" in font["/FontDescriptor"], font["/BaseFont"]
    assert names == set(FONTS)


def test_no_text_lies_over_another_or_beyond_the_margin(document):
    for page in document.pages:
        found = pieces(page)
        assert len(found) > 3
        for one in found:
            assert one[0] > 50 and one[1] < A4[0] - 50 and one[2] > 20, one
        for one, other in combinations(found, 2):
            apart = one[1] <= other[0] + 0.5 or other[1] <= one[0] + 0.5
            assert apart or one[3] <= other[2] or other[3] <= one[2], (one, other)


def test_first_page_says_the_verdict_then_cautions_and_contents(document, contents):
    text = " ".join(document.pages[0].extract_text().split())
    verdict, caution = verdict_of(contents.entries[0].result), CAUTIONS[0]
    assert text.index(verdict) < text.index(caution) < text.index("Contents")
    heads = [entry.title for entry in document.outline]
    assert heads[-2:] == ["Controllers against the optimum", "Rule tables"]
    lines = pieces(document.pages[0])
    for entry in document.outline:
        number = str(document.get_destination_page_number(entry) + 1)
        (line,) = (piece for piece in lines if piece[4].startswith(entry.title))
        assert any(abs(p[2] - line[2]) < 1.0 and p[4].endswith(number) for p in lines)


def test_figures_are_numbered_and_have_captions(document):
    text = " ".join(page.extract_text() for page in document.pages)
    numbers = [int(n) for n in re.findall(r"Figure (\d+)\. [A-Z]", text)]
    pictures = sum(len(page.images) for page in document.pages)
    assert numbers == list(range(1, pictures + 1)) and pictures == 6 + 1


@pytest.mark.long
def test_any_text_is_shown_as_it_is(result, document):
    assert "Größe → ½, 5 °C" in " ".join(page.extract_text() for page in document.pages)
    evil = renamed(result, cycle=EVIL, driveline=EVIL, driveline_title=EVIL)
    shown = pdf.report_pdf(Contents([Entry(EVIL, evil)]))
    text = "".join(page.extract_text() for page in PdfReader(BytesIO(shown)).pages)
    assert EVIL in text.replace("\n", "")


@pytest.mark.long
def test_same_contents_give_the_same_bytes(contents, made):
    assert pdf.report_pdf(contents) == made


def test_without_its_package_it_is_one_sentence(monkeypatch):
    for name in [name for name in sys.modules if name.split(".")[0] == "reportlab"]:
        monkeypatch.setitem(sys.modules, name, None)
    monkeypatch.delitem(sys.modules, pdf.__name__)
    with pytest.raises(InputError, match=r"pip install 'hybridopt\[pdf\]', or write a page"):
        importlib.import_module(pdf.__name__)
