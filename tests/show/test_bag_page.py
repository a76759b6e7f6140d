"""The page of a sorted bag: what it counts, shows and links, read back from it and laid beside the JSON."""

import json
import re
from html.parser import HTMLParser
from math import log10

import pytest

from junction.base.records import Bag, Interval, SetAside
from junction.judge.results import Finding, PartVerdict, SortReport
from junction.paper import bag as paper
from junction.shelf.tables import cautions
from tests.show import samples

ORDER = ["undecided", "leaky", "shorted", "open", "good"]
VOID = ("meta", "img", "input", "source", "br", "hr", "col")


class Element:
    """One element of a page read back: its name, attributes, children and all of its text."""

    def __init__(self, name="", told=(), up=None):
        self.name, self.told, self.up, self.inside = name, dict(told), up, []

    @property
    def text(self):
        return "".join(x if isinstance(x, str) else x.text for x in self.inside)

    def all(self, name="", **told):
        """Elements under this one, in order, by name and attributes; of a class, that it is among them."""
        for x in self.inside:
            if isinstance(x, Element):
                mine = {**x.told, "class": (x.told.get("class") or "").split()}
                if name in ("", x.name) and all(
                        v in mine["class"] if k == "class_" else mine.get(k) == v for k, v in told.items()):
                    yield x  # fmt: skip
                yield from x.all(name, **told)

    def one(self, name="", **told):
        (found,) = self.all(name, **told)
        return found


class Tree(HTMLParser):
    """A page as elements; what is not closed in order is an error."""

    def __init__(self, text):
        super().__init__()
        self.at = self.top = Element()
        self.feed(text)
        assert self.at is self.top, f"left open: {self.at.name}"

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute twice in <{tag}>"
        new = Element(tag, attrs, self.at)
        self.at.inside.append(new)
        self.at = self.at if tag in VOID else new

    def handle_endtag(self, tag):
        assert self.at.name == tag, f"</{tag}> closes <{self.at.name}>"
        self.at = self.at.up

    def handle_data(self, data):
        self.at.inside.append(data)


def part(name, verdict, value=None, low=None, high=None, type_="", most=None, least=None, **more):
    """A part decided by one figure: its value and interval [A or ohm] against the most or least allowed."""
    decides = None
    if value is not None:
        unit = "A" if most is not None else "ohm"
        decides = Finding(
            "BE", "group_open", "leak_A", Interval(value, low or value, high or value, unit),
            -float("inf") if least is None else least, float("inf") if most is None else most,
        )  # fmt: skip
    p = samples.probability(**{"good": 0.5, "leaky": 0.5} if verdict == "undecided" else {verdict: 1.0})
    if verdict in ("shorted", "leaky"):
        more.setdefault("neighbours", ("the driver", f"what {verdict} parts ask for", "power up last"))
    return PartVerdict(name, verdict, p, samples.NPN, type=type_, decides=decides, evidence=(f"of {name}",),
                       next=f"do {name}", cannot_see="gain.", **more)  # fmt: skip


def parts():
    return (
        part("S1", "shorted", 4.0, least=50.0, type_="2N3055"), part("S2", "shorted", 30.0, least=50.0),
        part("O1", "open", type_="2N3055"),
        part("L1", "leaky", 3.33e-4, 3.2e-4, 3.5e-4, most=1e-4, type_="BC547B"),
        part("L2", "leaky", 9.0, 8.0, 11.0, most=1e-6), part("L3", "leaky", 1.5e-4, most=1e-4),
        part("U1", "undecided", 0.9e-4, 0.7e-4, 1.2e-4, most=1e-4), part("U2", "undecided", type_="2N3055"),
        part("G1", "good", 1e-9, most=1e-4, type_="2N3055"), part("G2", "good", 0.8e-4, most=1e-4),
        part("G3", "good", type_="BC547B", warnings=("temperature not given",)), part("G4", "good"),
    )  # fmt: skip


def report(verdicts=None, **more):
    bag = Bag(files=("a.csv",), rows_read=30, set_aside=(SetAside("a.csv", 3, "B-E", "x", "no number"),))
    return SortReport(parts() if verdicts is None else tuple(verdicts), samples.METER, bag,
                      cautions("meter", "sweep", "power-up"), **more)  # fmt: skip


def pages(one):
    found = samples.sort_result(one).contents()
    return {name: Tree(text).top for name, text in found.items() if name.endswith(".html")}


def page(one=None):
    return pages(one or report())["sort.html"]


def shows(group):
    """Tags of the parts of a group, in order."""
    return [next(row.all("th")).text if row.name == "tr" else row.text for row in group.all()
            if "data-t" in row.told]  # fmt: skip


def test_the_headline_and_the_strip_count_the_verdicts():
    found = page()
    assert found.one("p", class_="headline").text == "8 of 12 need action"
    nav = found.one("nav")
    told = {g: sum(v.verdict == g for v in parts()) for g in ORDER}
    cut = nav.one("div", class_="strip").inside
    assert [(c.told["href"], c.told["style"]) for c in cut] == [
        (f"#{g}", f"flex-grow:{told[g]}") for g in ORDER]  # fmt: skip
    names = [li.text.split() for li in nav.all("li")]
    assert names == [[str(told[g]), g] for g in ORDER]
    for g in ORDER:
        assert len(shows(found.one("section", id=g))) == told[g]
    good = [part(f"G{k}", "good") for k in range(3)]
    assert page(report(good)).one("p", class_="headline").text == "All 3 good: none needs action"
    assert page(report(good[:2] + [part("L", "leaky")])).one(
        "p", class_="headline").text == "1 of 3 needs action"  # fmt: skip


def test_every_part_of_the_json_is_once_in_its_group_and_has_its_card():
    one = report()
    found, read = page(one), json.loads(samples.sort_result(one).to_json())
    groups = [s for s in found.all("section", class_="group")]
    assert [g.told["id"] for g in groups] == ORDER
    in_groups = {tag: g.told["id"] for g in groups for tag in shows(g)}
    assert in_groups == {p["part"]: p["verdict"] for p in read["parts"]}
    assert sum(len(shows(g)) for g in groups) == len(read["parts"]) == 12 and read["need_action"] == 8
    for card in found.all("article"):  # its verdict stands on it; it leads back to its row
        tag, badge = card.one("h3").text.split()[:2]
        assert in_groups[tag] == badge
        row = found.one(id=card.one("p", class_="back").one("a").told["href"][1:])
        assert tag in row.text and f"#{card.told['id']}" in [a.told["href"] for a in row.all("a")]
    assert len([*found.all("article")]) == 12


def test_what_a_group_says_of_a_part():
    found = page()
    cells = {row.one("th").text: [c.text for c in row.inside] for g in ORDER[:4]
             for row in found.one("section", id=g).one("tbody").all("tr")}  # fmt: skip
    assert cells["L1"][1] == "BC547B" and cells["L1"][-1] == "do L1" and cells["O1"][-1] == "do O1"
    assert cells["U2"][4] == "of U2"  # no figure decided: the evidence stands
    good = found.one("section", id="good")
    types = [dt.text for dt in good.all("dt")]
    tags = [[li.text for li in dd.all("li")] for dd in good.all("dd")]
    assert types == ["2N3055 1", "BC547B 1", "no type 2"] and tags == [["G1"], ["G3"], ["G2", "G4"]]
    assert "G3: temperature not given" in good.text  # no warning is lost in the grid
    assert "no number" in found.text


def test_details_begin_with_the_undecided_and_what_is_near_its_limit():
    tags = [a.one("h3").text.split()[0] for a in page().all("article")]
    # near: within a factor of two of the limit, whatever the verdict; then by group, the nearest first
    assert tags == ["U1", "U2", "G2", "L3", "S2", "L1", "L2", "S1", "O1", "G1", "G3", "G4"]


def test_only_so_many_cards_and_no_link_to_one_that_is_not_there(monkeypatch):
    monkeypatch.setattr(paper, "MOST_SECTIONS", 3)
    found = page()
    assert [a.one("h3").text.split()[0] for a in found.all("article")] == ["U1", "U2", "G2"]
    assert found.one("section", id="cards").text.count("3 parts nearest to a decision") == 1
    assert not [*found.one("section", id="open").one("tbody").all("a")] and "O1" in found.text
    links_land({"sort.html": found})


def links_land(found):
    ids = {name: [e.told["id"] for e in top.all() if "id" in e.told] for name, top in found.items()}
    assert all(len(x) == len(set(x)) for x in ids.values()), "an id twice"
    many = 0
    for name, top in found.items():
        for a in top.all("a"):
            there, _, anchor = a.told["href"].partition("#")
            assert (there or name) in ids and (not anchor or anchor in ids[there or name]), a.told
            many += 1
    return many


def test_links_land():
    assert links_land(pages(report())) > 40
    assert links_land(pages(samples.sort_report())) > 10


@pytest.mark.parametrize("tag", ["L1", "L2", "U1"])
def test_a_bar_shows_the_figure_the_interval_and_the_limit(tag):
    row = next(r for r in page().all("tr") if r.told.get("data-t", "").startswith(tag.lower()))
    f = next(v.decides for v in parts() if v.part == tag)
    paths = {p.told["class"]: [float(z) for z in re.findall(r"-?[\d.]+", p.told["d"])]
             for p in row.one("svg").all("path")}  # fmt: skip
    ends = paths["within"][0], paths["past"][2]  # 1/1000 of the limit, and 1000 times it
    middle = paths["limit"][0]
    assert middle == pytest.approx(sum(ends) / 2) == paths["past"][0]

    def place(x):
        share = min(max(log10(x / f.high), -3.0), 3.0)
        return middle + share / 3 * (ends[1] - middle)

    assert paths["mark"][0] == pytest.approx(place(f.value.value), abs=0.06)
    assert [paths["span"][0], paths["span"][2]] == pytest.approx(
        [place(f.value.low), place(f.value.high)], abs=0.06)  # fmt: skip
    past = f.value.value > f.high
    assert ("beyond" if past else "within") in row.one("svg").told["aria-label"]


def test_a_path_under_the_least_allowed_is_past_the_limit_too():
    f = Finding("BE", "", "path_ohm", Interval(15e3, 14e3, 16e3, "ohm"), low=50e3)
    assert paper.beyond(f) == pytest.approx((50 / 15, 50 / 16, 50 / 14))
    window = Finding("BE", "", "vf_V", Interval(0.5, 0.49, 0.51, "V"), low=0.55, high=0.75)
    assert paper.beyond(window)[0] == pytest.approx(0.55 / 0.5)
    unseen = Finding("BE", "", "leak_A", Interval(float("nan"), 0.0, 1e-9, "A"), high=1e-6)
    assert paper.beyond(unseen)[0] == pytest.approx(1e-3)
    assert paper.beyond(Finding("BE", "")) is None and paper.bar(None) is None


def test_neighbours_stand_once():
    section = page().one("section", id="neighbours")
    text = section.text
    assert text.count("power up last") == text.count("the driver") == text.count("what leaky parts") == 1
    heads = [[a.text for a in h.all("a")] for h in section.all("h3")]
    assert heads == [["S1", "S2"], ["L1", "L2", "L3"], []]
    # what all ask for comes last, as powering up does
    assert text.index("what leaky parts") < text.index("every one of them") < text.index("power up last")


def test_cautions_are_one_line_that_opens_and_whole_in_print():
    aside = page().one("aside")
    line = aside.one("details").one("summary").text
    assert line == "DANGER: dead and discharged first; a case may stand at full voltage; mains kills."
    listed = [li.text for li in aside.one("ul").all("li")]
    # V_BE is V with a subscript on a page
    assert listed == [c.text.replace("_", "") for c in report().cautions] and len(listed) > 8
    style = page().one("style").text
    rule = "@media screen{.caution details:not([open])+ul{display:none}}"
    assert rule in style  # only a screen folds


def test_types_are_counted_by_verdict_in_a_large_bag():
    many = [part(f"G{k}", "good", type_="BC547B" if k % 2 else "") for k in range(40)]
    assert not [*page(report(many)).all("table", class_="counts")]
    many += [part("L", "leaky", type_="BC547B")]
    table = page(report(many)).one("table", class_="counts")
    rows = [[c.text for c in tr.inside] for tr in table.all("tr")]
    assert rows == [["type", "leaky", "good"], ["BC547B", "1", "20"], ["no type", "", "20"]]
    assert table.one("caption").text == "Types by verdict"


def test_a_large_bag_has_a_page_for_each_group(monkeypatch):
    monkeypatch.setattr(paper, "MOST_ON_A_PAGE", 11)
    found = pages(report())
    assert list(found) == ["sort.html", *(f"sort-{g}.html" for g in ORDER)]
    assert links_land(found) > 40
    first = found["sort.html"]
    assert [c.told["href"] for c in first.one("div", class_="strip").inside] == [
        f"sort-{g}.html#{g}" for g in ORDER]  # fmt: skip
    assert not [*first.all("article")] and "no number" in first.text
    for g in ORDER:
        top = found[f"sort-{g}.html"]
        assert sorted(shows(top.one("section", id=g))) == sorted(v.part for v in parts() if v.verdict == g)
        assert len([*top.all("article")]) == sum(v.verdict == g for v in parts())
        assert [*top.all("summary")]  # cautions stand on each


def test_rows_and_tables_have_headings():
    found = page(samples.sort_report())
    for table in found.all("table"):
        assert table.told.get("aria-label") or [*table.all("caption")]
        for row in table.one("tbody").all("tr"):
            first = row.inside[0]
            assert first.name == "th" and first.told["scope"] == "row" or not first.text
    assert all(img.told["alt"] for img in found.all("img"))
    skip = next(found.all("a"))
    assert skip.told["class"] == "skip" and found.one("main").told["id"] == skip.told["href"][1:]


def test_sheets_say_what_when_and_which_of_how_many():
    style = page().one("style").text
    assert '@top-left{content:"Sorted bag: 12 parts"}' in style
    assert '@top-right{content:"2026-01-02 03:04 +0000"}' in style
    assert 'content:"page " counter(page) " of " counter(pages)' in style
    import junction

    evil = junction.check({"B-E": 0.6, "E-B": "OL"}, part='Q"}</style><b>')
    text = evil.contents()["check.html"]
    assert text.count("</style>") == 1 and r"Q\22 \7d \3c " in text
