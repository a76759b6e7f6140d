"""The page of a sorted bag: what needs action, group by group, then the bag as a whole and part by part."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import inf, isfinite, isnan, log10, nan
from typing import TYPE_CHECKING

from junction.base.records import Reading
from junction.base.units import nominal
from junction.judge.results import Finding, PartVerdict, SortReport, Verdict, say
from junction.paper.card import part_card
from junction.paper.part import evidence_of, fault_words, sure, sweep_pictures, sweep_sources
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.show.page import Html, markup, script, tag

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Groups in the order of what to do: what a reading settles, then what a figure decides, then what is plain.
GROUPS = (Verdict.UNDECIDED, Verdict.LEAKY, Verdict.SHORTED, Verdict.OPEN, Verdict.GOOD)
#: What a group is called where its verdict is not what to do about it.
CALLED = {Verdict.UNDECIDED: "undecided: re-measure"}
#: Parts that get a card of their own; the groups and the files hold every part.
MOST_SECTIONS = 400
#: Parts above which each group has its own page, types are counted by verdict; from which a bag is drawn.
MOST_ON_A_PAGE, TYPES_ABOVE, GLANCE_FROM = 2500, 40, 6
#: Decades that a bar shows to either side of the limit; its size in pixels.
DECADES, BAR_WIDE, BAR_HIGH = 3, 132.0, 16.0


def need_action(report: SortReport) -> int:
    """Parts that are not good."""
    return sum(v.verdict != Verdict.GOOD for v in report.verdicts)


def deciding(v: PartVerdict) -> Finding | None:
    """The finding that decided a part; where none is named, that of its worst junction."""
    found = [j.finding for j in v.junctions if j.verdict == v.verdict and j.finding is not None]
    return v.decides or min(found, key=_far, default=None)


def beyond(f: Finding | None) -> tuple[float, float, float] | None:
    """Value, low and high end against the limit, above 1 where it is passed, whichever side is allowed.

    Of two limits the one that the value is nearer to, or passes.  None where there is no figure and limit.
    """
    if f is None or f.value is None:
        return None
    v = f.value
    value = v.value if not isnan(v.value) else v.low if v.low > 0 else v.high
    if not (value > 0 and isfinite(value)):
        return None
    low, high = (v.low if v.low > 0 else value), (v.high if v.high >= value else value)
    found = [(value / f.high, low / f.high, high / f.high)] if 0 < f.high < inf else []
    found += [(f.low / value, f.low / high, f.low / low)] if 0 < f.low < inf else []
    return max(found, default=None)


def _far(f: Finding | None) -> float:
    """Decades between a value and its limit."""
    ratio = beyond(f)
    return abs(log10(ratio[0])) if ratio and ratio[0] > 0 else inf


def in_order_of_detail(verdicts: Sequence[PartVerdict]) -> list[int]:
    """Indices of parts: the undecided, what lies near its limit, then group by group, the nearest first."""
    near = log10(rule("show_near"))

    def place(k: int) -> tuple:
        v, far = verdicts[k], _far(deciding(verdicts[k]))
        group = GROUPS.index(v.verdict)
        return (0 if group == 0 else 1 if far <= near else 1 + group), far, k

    return sorted(range(len(verdicts)), key=place)


def bar(f: Finding | None) -> Html | None:
    """A figure against its limit on a scale of decades: past the limit is to the right, whichever side fails.

    The upright line is the limit, the thick piece the 95 % interval, the mark the value; a triangle is off
    the scale.
    """
    ratio = beyond(f)
    if ratio is None:
        return None

    def at(x: float) -> float:
        return BAR_WIDE * (0.5 + min(max(log10(x) / (2 * DECADES) if x > 0 else -1.0, -0.5), 0.5) * 0.94)

    value, low, high = map(at, ratio)
    middle, y = BAR_WIDE / 2, BAR_HIGH / 2
    off = 5 * (1 if ratio[0] > 10**DECADES else -1 if ratio[0] < 10**-DECADES else 0)
    mark = (f"M{value:.1f} {y - 4}l{off} 4l{-off} 4z" if off
            else f"M{value:.1f} {y - 4}l3.2 4-3.2 4-3.2-4z")  # fmt: skip
    ticks = "".join(f"M{at(10.0**k):.1f} {y - 1.5}v3" for k in range(-DECADES, DECADES + 1) if k)
    paths = {
        "within": f"M{at(10.0**-DECADES):.1f} {y}H{middle}{ticks}",
        "past": f"M{middle} {y}H{at(10.0**DECADES):.1f}",
        "span": f"M{low:.1f} {y}H{high:.1f}", "limit": f"M{middle} 1V{BAR_HIGH - 1}", "mark": mark,
    }  # fmt: skip
    side = "beyond" if ratio[0] > 1 else "within"
    size = f"{ratio[0] if ratio[0] > 1 else 1 / ratio[0]:.2g}"
    words = f"{size} times {side} the limit"
    return tag("svg", *(tag("path", d=d, class_=name) for name, d in paths.items()), class_="bar", role="img",
               viewBox=f"0 0 {BAR_WIDE:g} {BAR_HIGH:g}", width=f"{BAR_WIDE:g}", height=f"{BAR_HIGH:g}",
               aria_label=words, data_x=f"{ratio[0]:.4g}")  # fmt: skip


class _Bag:
    """What the pages of one report share: where each part stands, which have a card, what is drawn."""

    def __init__(self, report: SortReport, made: str, split: bool) -> None:
        self.report, self.made, self.split = report, made, split
        self.ranked = in_order_of_detail(report.verdicts)
        self.detailed = frozenset(self.ranked[:MOST_SECTIONS])
        self.sources = sweep_sources(report.bag.sweeps)
        self.readings = {p.part: p for p in report.bag.readings}
        self.drawn = drawn(report, made)
        self.of = {g: [k for k, v in enumerate(report.verdicts) if v.verdict == g] for g in GROUPS}
        self.of = {g: found for g, found in self.of.items() if found}

    def link(self, verdict: str, anchor: str) -> str:
        """Where an anchor of a group stands."""
        return f"sort-{verdict}.html#{anchor}" if self.split else anchor

    def tag_of(self, k: int, here: bool = True) -> b.Inline:
        """A part's tag, as a link to its card, or to its row on the page of its group."""
        v = self.report.verdicts[k]
        anchor = f"p{k}" if k in self.detailed else f"r{k}"
        if here:
            return b.Link(v.part, anchor) if k in self.detailed else v.part
        return b.Link(v.part, self.link(v.verdict, anchor))

    def told(self, k: int) -> str:
        """What a part is searched by."""
        v = self.report.verdicts[k]
        return f"{v.part} {v.type}".lower()

    def headline(self) -> b.Block:
        n, whole = need_action(self.report), len(self.report.verdicts)
        said = (" needs" if n == 1 else " need", " action") if n else (" good: none needs action",)
        count = (b.count(n), " of ", b.count(whole, "")) if n else ("All ", b.count(whole, ""))
        return b.text((*count, *said), "headline")

    def strip(self) -> Html:
        """One bar cut into the groups by their size, and the groups by name and count."""
        to = {g: self.link(g, g) for g in self.of}
        hrefs = {g: at if ".html" in at else f"#{at}" for g, at in to.items()}
        counts = {g: len(found) for g, found in self.of.items()}
        cut = [tag("a", href=hrefs[g], class_=f"cut g-{g}", style=f"flex-grow:{n}", tabindex="-1")
               for g, n in counts.items()]  # fmt: skip
        named = [tag("li", tag("a", tag("i", class_=f"cut g-{g}"), " ", _number(n), f" {g}",
                               href=hrefs[g])) for g, n in counts.items()]  # fmt: skip
        return tag("nav", tag("div", cut, class_="strip", aria_hidden="true"), tag("ul", named),
                   class_="groups", aria_label="Groups of the bag")  # fmt: skip

    def group(self, verdict: Verdict) -> b.Block:
        """One group: what to do, then each part with the figure that decides."""
        inside = [b.text(say(f"group_{verdict}"), "do")]
        inside += [self.goods()] if verdict == Verdict.GOOD else [self.rows(verdict)]
        warned: dict[str, list[int]] = {}
        for k in self.of[verdict]:
            for text in self.report.verdicts[k].warnings if verdict == Verdict.GOOD else ():
                warned.setdefault(text, []).append(k)
        inside.append(b.bullets([(*self.tags(ks), ": ", text) for text, ks in warned.items()], role="soft"))
        heading = (b.Badge(verdict, CALLED.get(verdict, str(verdict))), " ", b.count(len(self.of[verdict])))
        return b.section(heading, inside, verdict, role=f"group of-{verdict}")

    def tags(self, ks: Sequence[int]) -> list[b.Inline]:
        """Tags with commas between."""
        found = [piece for k in ks for piece in (", ", self.tag_of(k))]
        return found[1:]

    def rows(self, verdict: Verdict) -> b.Block:
        """The figure that decides of each part; where one decides, as a bar, too."""
        found, verdicts = [], self.report.verdicts
        barred = verdict in (Verdict.UNDECIDED, Verdict.LEAKY)
        for k in self.of[verdict]:
            v, decides = verdicts[k], deciding(verdicts[k])
            cells = [self.tag_of(k), v.type, fault_words(v), sure(v), figure(v)]
            cells += [*([bar(decides)] if barred else []), next_words(v)]
            found.append(b.Row(cells, id=f"r{k}", data_t=self.told(k)))
        heads = ["part", "type", "fault", "sure", "figure that decides"]
        heads += ["against its limit", "next"] if barred else ["next"]
        return b.table(b.columns(*heads), found, style="parts" if barred else "parts dense")

    def goods(self) -> Html:
        """Tags by type."""
        by_type: dict[str, list[int]] = {}
        for k in self.of[Verdict.GOOD]:
            by_type.setdefault(self.report.verdicts[k].type, []).append(k)
        pairs = []
        for type_, ks in sorted(by_type.items(), key=lambda item: (not item[0], item[0])):
            pairs.append(tag("dt", type_ or "no type", " ", _number(len(ks))))
            tags = (tag("li", markup(self.tag_of(k)), id=f"r{k}", data_t=self.told(k)) for k in ks)
            pairs.append(tag("dd", tag("ul", tags)))
        return tag("dl", pairs, class_="tags")

    def cards(self, verdicts: Iterable[str], heading: str = "Part by part") -> b.Block:
        """Cards of the parts that get one, in the order of who needs it most."""
        wanted, found = frozenset(verdicts), []
        for k in self.ranked[:MOST_SECTIONS]:
            v = self.report.verdicts[k]
            if v.verdict in wanted:
                card = part_card(v, self.readings.get(v.part), self.sources.get(v.part), self.drawn, f"p{k}",
                                 "sort.html#neighbours" if self.split else "neighbours")  # fmt: skip
                back = b.text(b.Link(f"back to {v.verdict}", f"r{k}"), "back")
                found.append(replace(card, body=[*card.body, back], role=f"{card.role} of-{v.verdict}"))
        if not found:
            return b.text("")
        notes = []
        if len(self.report.verdicts) > MOST_SECTIONS:
            notes.append(("The ", b.count(MOST_SECTIONS), " parts nearest to a decision have a card; "
                          "the groups, verdicts.csv and the JSON hold every part."))  # fmt: skip
        if self.report.plots < len(self.sources):
            notes.append(("Sweeps are drawn of the first ", b.count(self.report.plots), " of ",
                          b.count(len(self.sources)), " parts with sweeps; --plots draws more."))  # fmt: skip
        notes = [b.text(note, "soft") for note in notes]
        return b.section(heading, [*notes, b.beside(found, "pile")], "cards", role="cards")

    def whole(self) -> list[b.Block]:
        """The bag as a whole: picture, and types by verdict."""
        picture = glance(self.report)
        inside = [b.pictures([picture])] if picture else []
        counts = types_by_verdict(self.report)
        if len(self.report.verdicts) > TYPES_ABOVE and len(counts) > 1:
            present = [g for g in GROUPS if g in self.of]
            rows = [[type_ or "no type", *(b.count(found[g], "") if g in found else "" for g in present)]
                    for type_, found in counts.items()]  # fmt: skip
            columns = b.columns("type", *map(str, present), right=[*map(str, present)])
            inside.append(b.table(columns, rows, "Types by verdict", "counts"))
        return [b.section("The bag as a whole", inside)] if inside else []

    def neighbours(self) -> list[b.Block]:
        """What to test before power-up, once for all parts that ask for the same, whatever the order."""
        asked: dict[frozenset, tuple[tuple[str, ...], list[int]]] = {}
        for k, v in enumerate(self.report.verdicts):
            if v.neighbours:
                asked.setdefault(frozenset(v.neighbours), (v.neighbours, []))[1].append(k)
        every = frozenset.intersection(*asked) if len(asked) > 1 else frozenset()
        inside: list[b.Block] = []
        for listed, ks in asked.values():
            tags = [piece for k in ks for piece in (", ", self.tag_of(k, not self.split))][1:]
            own = b.bullets([text for text in listed if text not in every], role="two")
            inside.append(b.section(("Beside ", *tags), [own], level=3))
        last = [text for listed, _ in [*asked.values()][:1] for text in listed if text in every]
        inside += [b.section("Then, beside every one of them", [b.bullets(last)], level=3)] if last else []
        return [b.section("Test before power-up", inside, "neighbours")]


def _number(n: int) -> Html:
    return tag("data", str(n), value=repr(float(n)))


def figure(v: PartVerdict) -> str:
    """The figure that decided a part in few words; its evidence where none is named."""
    return v.decides.brief() if v.decides is not None else next(iter(evidence_of(v)), "")


def next_words(v: PartVerdict) -> str:
    """The next step in a few words; the whole of it where none are written."""
    return v.do or v.next


def types_by_verdict(report: SortReport) -> dict[str, Counter]:
    """Number of parts of each type by verdict, types by name, those without one last."""
    found: dict[str, Counter] = {}
    for v in report.verdicts:
        found.setdefault(v.type, Counter())[v.verdict] += 1
    return dict(sorted(found.items(), key=lambda item: (not item[0], item[0])))


def pages(
    report: SortReport, made: str, lead: b.Inline, notes: Sequence[str], order: Sequence[b.Block],
) -> dict[str, tuple[str, list[b.Block]]]:  # fmt: skip
    """Title and blocks of each page by its name: one, or of a large bag the first and one a group.

    Parameters
    ----------
    report : SortReport
    made : str
        When.
    lead : str or tuple
        What was read.
    notes : sequence of str
        What a reader of the verdicts must know.
    order : sequence of Block
        What to order.
    """
    split = len(report.verdicts) > MOST_ON_A_PAGE
    bag = _Bag(report, made, split)
    title = f"Sorted bag: {b.count(len(report.verdicts), 'part')}"
    label = [b.text(report.label, "label")] if report.label else []
    notes = [note for note in notes if note != report.label]
    if not report.verdicts:
        top = [b.text("Sorted bag", "title"), *label, b.text("No part could be judged.", "headline"),
               b.cautions(report.cautions)]  # fmt: skip
        aside = b.set_aside(report.bag.set_aside)
        return {"sort": (title, [*top, aside, _rests(lead, notes), _guide(report)])}
    top = [b.text("Sorted bag", "title"), *label, bag.headline(), bag.strip(), b.cautions(report.cautions)]
    aside, work = b.set_aside(report.bag.set_aside), [*bag.neighbours(), *order]
    end = [_rests(lead, notes), _guide(report)]
    if not split:
        groups = [bag.group(g) for g in bag.of]
        whole = [*top, *groups, aside, *work, *bag.whole(), bag.cards(bag.of), *end, script("page")]
        return {"sort": (title, whole)}
    found = {"sort": (title, [*top, *bag.whole(), *work, aside, *end])}
    for g, ks in bag.of.items():
        name = f"{g}: {b.count(len(ks), '')} of {b.count(len(report.verdicts), 'part')}"
        head = [b.text(b.Link("Sorted bag", "sort.html"), "up"), b.text(name.capitalize(), "title"), *label,
                b.cautions(report.cautions)]  # fmt: skip
        found[f"sort-{g}"] = (name.capitalize(), [*head, bag.group(g), bag.cards([g]), script("page")])
    return found


def _rests(lead: b.Inline, notes: Sequence[str]) -> b.Block:
    return b.section("What this rests on", [b.text(lead, "lead"), b.bullets(notes, role="soft")], "rests")


def _guide(report: SortReport) -> b.Block:
    meter = report.meter
    drive = (nominal(meter.test_current_A, "A") if meter.source_kind == "constant current"
             else (nominal(meter.resistance_ohm, "ohm"), " in series"))  # fmt: skip
    taken = (meter.name, " (", drive, ", ", nominal(meter.open_voltage_V, "V"),
             " at open probes, OL above ", nominal(meter.over_range_V, "V"), ")")  # fmt: skip
    good = 100 * rule("conformity_good")
    return b.section("How to read this sheet", [
        b.facts([(b.Badge(word), say(f"means_{word}")) for word in Verdict]),
        b.text(say("guide_bar", decades=DECADES)),
        b.text(say("guide_sure", good=good, bad=100 - good)),
        b.text(say("guide_pictures")),
        b.text(("Meter readings were taken as those of a meter of this kind: ", taken,
                ". Say --meter-current or --meter-open-voltage if yours differs.")),
    ], role="guide")  # fmt: skip


def drawn(report: SortReport, made: str) -> dict[int, Picture]:
    """Pictures of the sweeps of the parts that need it most, by index of the sweep, each with its limit."""
    sources = sweep_sources(report.bag.sweeps)
    ranked = (report.verdicts[k] for k in in_order_of_detail(report.verdicts))
    worst = [v for v in ranked if v.part in sources][: report.plots]
    wanted = [k for v in worst for k in sources[v.part]]
    if not wanted:
        return {}
    judged = {j.sweep: j for v in worst for j in v.junctions if j.sweep is not None}
    plots = {}
    for k, plot in report.draw(wanted).items():
        found = judged[k].finding if k in judged else None
        if found is not None and "held_A" in found.numbers:
            plot = replace(plot, limit_A=found.numbers["held_A"], limit_V=found.numbers["held_V"])
        plots[k] = plot, judged[k].fit if k in judged else None
    return sweep_pictures(plots, made)


def glance(report: SortReport) -> Picture | None:
    """The whole bag in one picture; of a few parts the table is one."""
    if len(report.verdicts) < GLANCE_FROM:
        return None
    from junction.show.plots_sets import bag_picture

    readings = {p.part: {r.placement: r for r in p.readings} for p in report.bag.readings}
    places = [_place(v, readings.get(v.part, {})) for v in report.verdicts]
    known = [k for k, place in enumerate(places) if place]
    if not known:
        return None
    drops, ohms = zip(*(places[k] for k in known), strict=True)
    some = [report.verdicts[k] for k in known]
    return bag_picture("bag", [v.part for v in some], [v.verdict for v in some], drops, ohms,
                       absent=len(places) - len(known))  # fmt: skip


def _place(v: PartVerdict, readings: Mapping[str, Reading]) -> tuple[float, float] | None:
    """Forward drop [V] and resistance across the junction that decides [ohm]; None where nothing was read."""
    number = {letter: lead for lead, letter in v.device.leads.items()}
    found = []
    for j in v.junctions:
        drop, ohm = nan, j.leak_ohm.value if j.leak_ohm else nan
        if j.fit is not None:
            at = j.fit.derived.get("V at 1 mA")
            numbers = j.finding.numbers if j.finding else {}
            drop = at.value if at else numbers.get("vf", nan)
            if isnan(ohm) and numbers.get("leak", nan) > 0:
                ohm = numbers["held_V"] / numbers["leak"]
        elif len(j.junction) == 2:
            a, c = (number.get(lead, lead) for lead in j.junction)
            both = [readings[p] for p in (f"{a}-{c}", f"{c}-{a}") if p in readings]
            drop = min((r.value for r in both if r.kind == "volt"), default=nan)
            if not both or v.verdict == Verdict.UNDECIDED and isnan(drop) and isnan(ohm):
                continue  # what was not read, or not used, has no place
            if isnan(ohm) and j.leak_ohm is not None and isfinite(j.leak_ohm.high):
                ohm = j.leak_ohm.high  # a short is below it
        if isnan(drop) and ohm > 0:  # no knee: a plain resistance
            drop = 1e-3 * ohm if ohm < rule("open_above") else nan
        found.append((j.verdict != v.verdict, ohm if ohm > 0 else inf, drop))
    if not found:
        return None
    _, ohm, drop = min(found, key=lambda row: row[:2])
    return drop, ohm
