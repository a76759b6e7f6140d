"""The card of a part: the line that decides, its leads as drawn, and every quantity beside its limit.

A drawing without its readings, a mark at another path, a table without its limits or with a word that
contradicts the verdict would show.
"""

import html
import json
import re
from functools import cache

import junction
from junction.demo.bag import demo_files
from junction.judge.results import Finding
from junction.paper.card import FAILS, KEPT, NOT_KNOWN, limit_words, part_card, quantity_rows
from junction.paper.leads import leads_picture
from junction.paper.part import deciding_line, is_known
from junction.show.blocks import visible, words
from junction.show.page import page
from tests.rows import every_row
from tests.show.trace import Page, untraced

SOUND = "B-E=0.670 E-B=OL B-C=0.663 C-B=OL C-E=OL E-C=OL"
BRIDGE = ("~1-+=0.002 +-~1=0.002 ~2-+=0.551 +-~2=OL --~1=0.553 ~1--=OL --~2=0.548 ~2--=OL ~1-~2=OL "
          "~2-~1=0.55")  # fmt: skip
ALL_SHORTED = "1-2=0.002 2-1=0.002 2-3=0.002 3-2=0.002 1-3=0.003 3-1=0.003"

#: Readings, options; verdict; the marked lines with their word; the line that decides.
CASES = [
    ("B-E=0.654 E-B=OL B-C=0.642 C-B=1.203 C-E=0.633 E-C=OL", {"type": "BC547B"}, "leaky",
     {"B-C": "leaky"}, "B-C leaky: 1.2 kΩ across, sound over 2 GΩ"),
    ("B-E=0.532 E-B=OL B-C=0.533 C-B=OL C-E=0.000 E-C=0.000", {"type": "2N3055"}, "shorted",
     {"C-E": "shorted"}, "C-E shorted: under 6.5 Ω, short under 50 Ω"),
    (SOUND.replace("0.670", "OL"), {"type": "BC547B"}, "open", {"E-B": "open"}, "B-E open: OL both ways"),
    (SOUND, {"type": "BC547B"}, "good", {}, "Nearest its limit: B-E 0.670 V, 0.52 to 0.80 V"),
    ("A-K=0.33 K-A=0.33", {"type": "1N5404"}, "leaky", {"A-K": "leaky"}, "A-K leaky: 330 Ω across"),
    (BRIDGE, {}, "shorted", {"~1-+": "shorted"}, "~1-+ shorted: under 8.5 Ω, short under 50 Ω"),
    (ALL_SHORTED, {}, "shorted", {"1-2": "shorted", "2-3": "shorted", "3-1": "shorted"}, "all three leads"),
    (SOUND.removesuffix(" E-C=OL"), {}, "undecided", {"C-E": "not known"}, "E-C not read"),
    ("B-E=0.65 E-B=OL B-C=0.02 C-B=0.02 C-E=0.65 E-C=OL", {"in_circuit": True}, "undecided",
     {"B-C": "not known"}, "B-C 0.020 V, C-B 0.020 V"),
]  # fmt: skip


@cache
def checked(typed, *options):
    return junction.check(typed.split(), **dict(options))


def svg_of(result):
    v = result.verdicts[0]
    picture = leads_picture(v, result.bag.readings[0].readings)
    ((alt, svg),) = picture.svgs()
    return svg, alt


@every_row("typed, options, verdict, marked, line", CASES)
def test_the_drawing_shows_every_reading_and_marks_the_fault(typed, options, verdict, marked, line):
    result = checked(typed, *options.items())
    v, readings = result.verdicts[0], result.bag.readings[0].readings
    svg, alt = svg_of(result)
    said = words(deciding_line(v))
    assert v.verdict == verdict and line in said, said
    texts = [html.unescape(t) for t in re.findall(r"<text[^>]*>([^<]*)", svg)]
    arrows = re.findall(r'id="arrow-([^"]*)"', svg)
    silent = {r.placement for r in readings if r.kind == "over"}
    twice = {r.placement for r in readings if {f"{r.red}-{r.black}", f"{r.black}-{r.red}"} <= silent}
    # an arrow from red to black for each reading, one with two heads where neither way conducts
    assert sorted(a for a in arrows if not a.endswith("-both")) == sorted(
        r.placement for r in readings if r.placement not in twice)  # fmt: skip
    assert {a.removesuffix("-both") for a in arrows if a.endswith("-both")} <= twice
    assert texts.count("OL") == len(silent) - len(twice) / 2
    for r in readings:
        if r.kind == "volt":
            assert f"{r.value:.3f} V" in texts and f"{r.placement} {r.value:.3f} V" in alt, r
        else:
            assert f"{r.placement} OL" in alt or f"{r.black}-{r.red} OL both ways" in alt, r
    found = re.findall(r'id="line-([^"]*)" class="[^"]*" stroke-width="([\d.]+)', svg)
    drawn = {name: float(width) for name, width in found}
    thick = {name.removesuffix("-on") for name, width in drawn.items() if width > 2}
    assert thick == set(marked) and len(drawn) >= len(thick)
    assert [name for name in drawn if name.endswith("-on")] == [
        f"{name}-on" for name, word in marked.items() if word == "open"]  # fmt: skip
    for name, word in marked.items():
        assert word in texts and alt.count(f"marked {word}") >= 1, name
    assert min(map(float, re.findall(r'font-size="([\d.]+)"', svg))) >= 7


@every_row("typed, options, verdict, marked, line", CASES)
def test_every_quantity_stands_beside_its_limit(typed, options, verdict, marked, line):
    v = checked(typed, *options.items()).verdicts[0]
    rows = [[words(cell) for cell in row] for row in quantity_rows(v)]
    held = [f for j in v.junctions for f in j.quantities() if is_known(f.value)]
    assert len(rows) >= len(held) and len(rows) >= len(v.junctions)
    limits = {words(limit_words(f)) for f in held} - {""}
    assert limits == {row[2] for row in rows if row[1] and row[2] and row[2] in limits}
    if v.decides.limit[0] == v.decides.limit[0] and v.decides.where:
        assert any(row[2] == words(limit_words(v.decides)) and row[3] for row in rows), rows
    assert not [row for row in rows if row[1].startswith((",", ":", " "))], rows
    said = [re.sub("<[^>]*>", "", row[4]) for row in rows]
    assert set(said) <= {KEPT, FAILS, NOT_KNOWN}
    # what fails says so, and nothing fails of a part that is good
    assert (FAILS in said) == any(j.verdict in ("leaky", "shorted", "open") for j in v.junctions)
    assert verdict != "good" or KEPT in said


def test_a_limit_is_the_most_the_least_or_a_window():
    it = junction.base.records.Interval(1.0, 0.9, 1.1, "V")
    assert words(limit_words(Finding("BE", "x", "drop_V", it, 0.52, 0.8))) == "0.520 V to 0.800 V"
    assert words(limit_words(Finding("BE", "x", "path_ohm", low=5e4))) == "at least 50 kΩ"
    assert words(limit_words(Finding("BE", "x", "leak_A", high=1e-4))) == "at most 100 µA"
    assert words(limit_words(Finding("BE", "x"))) == ""


def test_the_page_of_a_check_leads_with_the_answer():
    result = checked(CASES[0][0], ("type", "BC547B"), ("part", "Q02"))
    text = result.contents()["check.html"]
    assert re.search(r"<h1>Q02 <span class=\"v v-leaky\">leaky</span>", text)
    places = [text.index(x) for x in ("<h1>", "B-C leaky: 1.2", 'class="next"', "<img", "<table", "Also")
              if x in text]  # fmt: skip
    assert places == sorted(places) and len(places) == 5
    assert text.count("Power up through a current-limited supply") == 1
    assert 'href="#neighbours"' in text and 'id="neighbours"' in text
    alt = Page(text).images[0]["alt"]
    assert alt.startswith("Leads B, C and E of Q02. B-C 0.642 V, C-B 1.203 V, marked leaky")
    assert untraced(text, result.to_json(), visible) == []


def test_sweeps_and_curves_have_their_card(tmp_path):
    files = demo_files(20)
    for name in ("sweeps.csv", "output-devices.csv", "transistors.csv"):
        lines = files[name].splitlines()
        kept = [x for x in lines if x[:1] == "#" or x.startswith(("part", "Q09", "N01"))]
        (tmp_path / name).write_text("\n".join(kept) + "\n")
    result = junction.sort(tmp_path)
    verdicts = {v.part: v for v in result.verdicts}
    readings = {p.part: p for p in result.bag.readings}
    leaky, curved = verdicts["Q09"], verdicts["N01"]
    text = page("x", [part_card(leaky, readings["Q09"])])
    assert "B-C leaky: 333 µA at 5 V, limit 100 µA, <" in text and "at most <" in text
    rows = [[words(cell) for cell in row] for row in quantity_rows(leaky)]
    assert [row[2] for row in rows if "fails" in row[4]] == ["at most 100 µA"]
    svg = leads_picture(leaky, readings["Q09"].readings).svgs()[0][1]
    assert re.findall(r'id="line-([^"]*)"[^>]*stroke-width="3.2"', svg) == ["B-C"]
    told = html.unescape(leads_picture(curved).svgs()[0][1])
    quantities = {words(row[0]).split()[0] for row in quantity_rows(curved)}
    assert "µA" in told and quantities >= {"B-E", "C-E", "h_FE", "V_BE"}
    assert json.loads(result.to_json())["parts"][0]["decides"]["says"]
    assert untraced(result.contents()["sort.html"], result.to_json(), visible) == []
