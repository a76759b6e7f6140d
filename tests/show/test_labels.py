"""Labels: everything a part is known by, in three sizes, to scale, and no letter cut off."""

import re
from html import unescape

import pytest

from junction.paper.labels import PAPERS, SIZES, Label, label_pages
from tests.show.trace import Page

ONE = Label("Q1", "set 2, upper rail, position 1", "grade A: within 5 %", "Q5, Q6", "NPN MJ15003",
            "V_BE 612 mV at 100 mA", "2026-01-02 03:04 +0000")  # fmt: skip
HARD = ["Q1", "drawer 17, second row, the one with the bent emitter lead, read twice on Tuesday", "W" * 60,
        "電力増幅管の左側第三號" * 5, "<b>&'\"", "tag\u202ewith\x1bmarks"]  # fmt: skip


def labels_of(text, size):
    """Texts of the labels of one size, in the order they are cut."""
    sheets = re.findall(rf'<section class="sheet {size}">.*?</section>', text, re.S)
    found = [one for sheet in sheets for one in re.split(r'<div class="label">', sheet)[1:]]
    return [re.sub(r"<[^>]*>", " ", one) for one in found]


@pytest.mark.parametrize("paper", PAPERS)
def test_each_part_once_a_size_with_all_it_is_known_by(paper):
    many = [Label(f"Q{k}", *list(vars(ONE).values())[1:]) for k in range(100)]
    text = label_pages(many, "Receiver 12")[f"labels-{paper.lower()}.html"]
    for size in SIZES:
        found = labels_of(text, size)
        assert [one.split()[0] for one in found] == [f"Q{k}" for k in range(100)]
        for said in ("set 2, upper rail, position 1", "with Q5, Q6", "grade A: within 5 %", "Receiver 12",
                     "2026-01-02"):  # fmt: skip
            assert all(said in one for one in found), (size, said)
    assert Page(text).links == []


@pytest.mark.parametrize("paper", PAPERS)
def test_sheets_fit_the_paper_and_carry_a_ruler_of_50_mm(paper):
    text = label_pages([ONE] * 200)[f"labels-{paper.lower()}.html"]
    _, width, height = PAPERS[paper]
    sheets = re.findall(r'<section class="sheet (\w+)">(.*?)</section>', text, re.S)
    assert {size for size, _ in sheets} == {*SIZES}
    for size, sheet in sheets:
        across, down, beside, _ = SIZES[size]
        rows = -(-sheet.count('class="label"') // beside)
        assert 22 + beside * across <= width and 22 + 13 + rows * down <= height
        # user units of the drawing are millimetres; its first and last line are 50 apart
        drawn = re.search(r'width="([\d.]+)mm" height="[\d.]+mm" viewBox="0 0 ([\d.]+) [\d.]+"', sheet)
        lines = [float(x) for x in re.findall(r"M([\d.]+) [02]V4", sheet)]
        assert drawn[1] == drawn[2] and lines[-1] - lines[0] == pytest.approx(50) and len(lines) == 6


@pytest.mark.parametrize("tag", HARD)
@pytest.mark.parametrize("size", SIZES)
def test_long_tags_and_wide_letters_are_set_smaller_not_cut(size, tag):
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    one = Label(tag, ONE.place, "no grade: past 20 %", ", ".join(f"PART-{k:02d}" for k in range(11)))
    text = label_pages([one])["labels-a4.html"]
    (label,) = re.findall(rf'<section class="sheet {size}">.*?</section>', text, re.S)
    lines = re.findall(r'font-size:([\d.]+)pt">([^<]*)<', label)
    shown = " ".join(text for _, text in lines)
    assert "\u202e" not in shown and "\x1b" not in shown and "<b>" not in shown
    # height of what is set, by the outlines of a font wider than most
    across, down, *_ = SIZES[size]
    sides = [lines] if size != "flag" else [lines[:2], lines[2:]]
    across = (across if size != "flag" else (across - 8) / 2) - 3.0 + 1.5 * (size == "flag")
    for side in sides:
        tall = 0.0
        for points, said in side:
            bold = FontProperties(family="DejaVu Sans", weight="bold" if (points, said) == lines[0] else 400)
            letters = unescape(said)
            wide = (TextPath((0, 0), letters, prop=bold, size=1).get_extents().width if letters.isascii()
                    else 1.0 * len(letters))  # fmt: skip
            size_mm = float(points) * 25.4 / 72
            tall += max(1, -(-wide * size_mm // across)) * size_mm * 1.18
        assert tall <= down - 1.2
        assert size == "flag" or tag != "Q1" or tall > 0.5 * down
