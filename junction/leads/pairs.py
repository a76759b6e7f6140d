"""What is told of parts with leads of other names, pair by pair: what was read, and what it is taken for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isnan, nan

import numpy as np

from junction.base.records import Interval
from junction.base.units import listed
from junction.judge.results import QUALITIES, Finding, Verdict, say
from junction.leads.assemblies import Faults, Model, order_of, path_ohms
from junction.leads.bench import lead_set, stands_in_circuit
from junction.leads.explain import between, ohm_words, value_words
from junction.leads.held import drop_of, hold_short
from junction.leads.hypotheses import prior, quality_of
from junction.shelf.tables import rule


@dataclass(frozen=True, eq=False)
class Cell:
    """One explanation: an assembly turned one way, with what is wrong between which leads."""

    model: Model
    lead: tuple[str, ...]  # of every node
    faults: Faults
    p: float

    def pair(self, nodes: Sequence[int]) -> frozenset[str]:
        """Leads of some nodes."""
        return frozenset(self.lead[node] for node in nodes)

    @property
    def bad(self) -> dict[frozenset[str], str]:
        """What is wrong by pair of leads."""
        return {self.pair(nodes): word for nodes, word in self.faults}

    @property
    def build(self) -> tuple:
        """Its junctions between leads as they are called: the same for orders that cannot be told apart."""
        diodes = frozenset((self.lead[a], self.lead[k], group) for a, k, group in self.model.of.diodes)
        return diodes, frozenset(self.pair(nodes) for nodes, _ in self.model.of.built_in)


def settled(weights: Mapping[str, float]) -> str:
    """The name that has enough of the weight to be said, else ''."""
    best = max(weights, key=weights.__getitem__, default="")
    return best if best and weights[best] >= rule("conformity_good") * sum(weights.values()) else ""


class Pairs:
    """One part weighed: what its cells say of every pair of leads."""

    def __init__(self, ready, names, cells, odd, named, value, state) -> None:
        self.ready, self.part, self.meter = ready, ready.part, ready.meter
        self.names, self.odd, self.named, self.value, self.state = names, odd, named, value, state
        self.pairs = [frozenset(pair) for pair in combinations(names, 2)]
        merged: dict[tuple, list[Cell]] = {}
        for cell in cells:
            of = cell.model.of
            key = frozenset(cell.bad.items()), of.kind, of.material, of.test
            merged.setdefault(key, []).append(cell)
        ranked = sorted(merged.values(), key=lambda some: -sum(c.p for c in some))
        self.explained = [(max(some, key=lambda c: c.p), sum(c.p for c in some)) for some in ranked]
        self.cells = cells
        self.top = self.explained[0][0] if self.explained and odd <= 0.5 else None
        self.seen = {pair: between(self.part.readings, *self._ends(pair)) for pair in self.pairs}
        #: Probability of every quality, by pair; where nothing fits, what the readings of a pair show alone.
        self.quality = {pair: np.zeros(4) for pair in self.pairs}
        for pair in self.pairs:
            for cell in cells:
                self.quality[pair][QUALITIES.index(cell.bad.get(pair, "good"))] += cell.p
            self.quality[pair] += odd * self._alone(pair)
        self.whole = sum((c.p * quality_of([f"x {w}" for w in c.bad.values()]) for c in cells), np.zeros(4))
        shorts = [pair for pair in self.pairs if self.seen[pair].short]
        self.whole = self.whole + odd * (self._alone(shorts[0]) if named and shorts else np.full(4, 0.25))

    def _ends(self, pair: frozenset[str]) -> tuple[str, str]:
        """Leads of a pair: anode and cathode of a junction, else in the order of the names."""
        of = self.top.model.of if self.top else None
        for a, k, *_ in (*([of.dark] if of.dark else ()), *of.diodes) if of else ():
            if self.top.pair((a, k)) == pair:
                return self.top.lead[a], self.top.lead[k]
        return tuple(sorted(pair, key=self.names.index))

    def name(self, pair: frozenset[str]) -> str:
        """``~1-+``: as its placement is written that shows the junction forward."""
        seen = self.seen[pair] if not self.top else None
        if seen and seen.junction and not seen.unread:
            return seen.volts[0].placement
        return "-".join(self._ends(pair))

    def _alone(self, pair: frozenset[str]) -> np.ndarray:
        """Quality of a pair by its own readings: a short is one, and what conducts one way is a junction."""
        seen, rest = self.seen[pair], prior("mislabelled")
        word = "shorted" if seen.short else "good" if seen.junction and not seen.unread else ""
        if not word:
            return np.full(4, 0.25)
        return np.array([1 - rest if q == word else rest / 3 for q in QUALITIES])

    def _wanted(self) -> list[frozenset[str]]:
        """Pairs that a sound part must have been read across, both ways."""
        of, pair = self.top.model.of, self.top.pair
        own = [pair(nodes) for nodes in (*(d[:2] for d in of.diodes), *(n for n, _ in of.built_in))]
        own += [pair(of.dark)] if of.dark else []
        return list(dict.fromkeys([*own, *(self.pairs if len(self.names) == 3 else ())]))

    def _unread(self) -> list[str]:
        """Placements that a sound part must have been read in, and was not; then where a fault may hide."""
        hidden = [pair for pair in self.pairs if not self.seen[pair].read
                  and self.quality[pair][0] < 1 - rule("leads_name")]  # fmt: skip
        hidden = hidden if self.whole[0] < rule("conformity_good") else []
        pairs = dict.fromkeys([*self._wanted(), *hidden])
        return [name for pair in pairs for name in self.seen[pair].unread]

    def _half_read(self) -> list[str]:
        """Reverse placements that a leak stands or falls with, where every such pair reads as a junction.

        As `junction.leads.ask.half_read`.
        """
        bad = [self.seen[pair] for pair, word in self.top.bad.items() if word == "leaky"] if self.top else []
        unread = [name for seen in bad if seen.junction for name in seen.unread]
        return unread if all(seen.junction and seen.unread for seen in bad) else []

    def _two_parts(self) -> list[str]:
        """Placements read, where each is of one known part and none joins them, and a lead was never read."""
        read = [r for r in self.part.readings if r.placement]
        used = {lead for r in read for lead in (r.red, r.black)}
        sets = {lead_set([r]) for r in read}
        alone = "" not in sets and len(sets) > 1 and used < {*self.names}
        return [r.placement for r in read] if alone else []

    def _agreed(self, name: str) -> str:
        """What most of the weight agrees on of an assembly's ``kind``, ``called`` or ``material``."""
        weights: dict[str, float] = {}
        for cell in self.cells:
            said = getattr(cell.model.of, name)
            weights[said] = weights.get(said, 0.0) + cell.p
        return settled(weights)

    def _faults(self, cell: Cell) -> tuple[str, ...]:
        return tuple(f"{self.name(pair)} {cell.bad[pair]}" for pair in self.pairs if pair in cell.bad)

    def _dark(self) -> str:
        """Placement that shows nothing without light, '' where there is none."""
        return "-".join(self.top.lead[n] for n in self.top.model.of.dark) if self.top else ""

    def _leads(self) -> dict[str, str]:
        """What each numbered lead is, as far as that is settled; alike ones lose their numbers."""
        if self.top.model.of.named:
            return {}
        found = {}
        for lead in self.names:
            weights: dict[str, float] = {}
            for c in self.cells:
                if c.model.of.kind == self.top.model.of.kind:
                    role = c.model.of.namings[0][c.lead.index(lead)].rstrip("123")
                    weights[role] = weights.get(role, 0.0) + c.p
            if role := settled(weights):
                found[lead] = role
        return found

    def _finding(self, pair: frozenset[str]) -> Finding | None:
        """What was read between two leads, and what it is taken for; None where nothing is to be said."""
        seen, top = self.seen[pair], self.top
        one, other = self._ends(pair)
        values = {"seen": seen.seen, "one": one, "other": other, "leads": listed((one, other)),
                  "where": self.name(pair), "between": f"leads {one} and {other}",
                  "unread": next(iter(seen.unread), ""), "ohm": "", "about": "", "junction": "",
                  "drop": "", "least": "", "most": nan, "ends": (one, other)}  # fmt: skip
        if not top:
            reason = (
                "leads_pair_shorted" if seen.short else "leads_half_read" if seen.unread
                else "whole_one_way" if seen.junction else "leads_silent" if seen.silent
                else "whole_both_ways"
            )  # fmt: skip
            found = Finding(values["where"], reason, numbers=values)
            return (hold_short(found, None) if seen.short else found) if seen.read else None
        of, word = top.model.of, top.bad.get(pair, "good")
        own = pair in [top.pair(d[:2]) for d in of.diodes]
        built = pair in [top.pair(nodes) for nodes, _ in of.built_in]
        dark = of.dark and pair == top.pair(of.dark)
        values["faults"] = faults = listed(self._faults(top))
        values["explanation"] = with_article(of.called) + (f", {faults}" if faults else "")
        ohm = self._ohms(pair)
        values["ohm"] = ohm_words(ohm.high if isnan(ohm.value) else ohm.value) if ohm else ""
        values["about"] = f"{'under ' if ohm and isnan(ohm.value) else ''}{values['ohm']}"
        if not seen.read:
            reason = "leads_unread" if (own or built) and word == "good" else ""
        elif word == "shorted":
            small = ohm and isnan(ohm.value)
            about = ohm and ohm.value >= 1
            reason = "leads_short_under" if small else "leads_short_about" if about else "leads_short"
        elif word == "leaky":
            reason = "leads_leak_leads"
        elif word == "open":
            reason = "whole_open_beside" if seen.conducts else "whole_open"
        elif dark and seen.silent:
            reason = "whole_dark"
        elif seen.unread:
            reason = "leads_half_read" if own or built or dark else ""
        elif own and not built and seen.junction:
            group = next(g for a, k, g in of.diodes if top.pair((a, k)) == pair)
            values["junction"] = f"{'an' if 'LED' in of.groups[group][0].name else 'a'} " + (
                "LED" if "LED" in of.groups[group][0].name else of.groups[group][0].material)
            reason = "leads_junction"
        elif seen.silent:
            reason = ""
        else:
            reason = "leads_goes_with" if top.faults else "leads_as"
        if not reason:
            return None
        found = Finding(values["where"], reason, kept=float(self.quality[pair][0]), numbers=values)
        if word == "shorted":
            return hold_short(found, ohm)
        if word == "leaky":
            found.quantity, found.value = "path_ohm", ohm
        elif own and (seen.volts or seen.read):
            found.quantity = "drop_V"
            found.value = drop_of(seen.volts[0] if seen.volts else seen.read[0], self.meter)
        return found

    def _evidence(self, told: Mapping[frozenset[str], str], likely: Verdict) -> list[str]:
        """Sentences: what is wrong first, then what is odd or missing, then what is sound."""
        top = self.top
        if not top:
            called = with_article(self.named.called) if self.named else ""
            known = say("whole_by_name" if called else "whole_none", called=called)
            return [known, *filter(None, told.values())]
        own = [top.pair(d[:2]) for d in top.model.of.diodes]
        wanted = self._wanted()
        alike = all(self.seen[p].junction and not self.seen[p].unread for p in own)
        said = []
        if len(own) > 2 and alike and not top.faults:  # one sentence instead of four alike
            forward = [self.seen[pair].volts[0] for pair in own]
            drops = listed([f"{r.placement} {value_words(r)}" for r in forward])
            said = [say("whole_sound", drops=drops, count=len(own), called=with_article(top.model.of.called))]
            wanted = [pair for pair in wanted if pair not in own]
        bad = [pair for pair in self.pairs if pair in top.bad]
        silent = [pair for pair in self.pairs if self.seen[pair].silent and not told[pair]]
        rest = [pair for pair in (*wanted, *self.pairs) if pair not in bad and (pair not in own or not said)]
        out = [told[pair] for pair in (*bad, *dict.fromkeys(rest)) if told[pair]]
        if silent:
            out.append(say("whole_silent", pairs=listed([self.name(pair) for pair in silent])))
        return [*said, *out] if not bad else [*out, *said]

    def _ohms(self, pair: frozenset[str]) -> Interval | None:
        """Resistance of a short or leak of the likeliest explanation, with its 95 % interval."""
        top = self.top
        if not top or top.bad.get(pair) not in ("shorted", "leaky") or stands_in_circuit(self.part):
            return None
        m, at = top.model, next(k for k, nodes in enumerate(top.model.pairs) if top.pair(nodes) == pair)
        order = order_of(m, top.lead, self.names, len(self.value))
        volts = min((r.value for r in self.seen[pair].volts), default=nan)
        return path_ohms(m, top.faults, at, self.value[order], self.state[order], self.meter, volts)

    def _moved(self) -> list[str]:
        """Leads that are named otherwise than they read."""
        if not self.top or not self.top.model.of.named:
            return []
        names = self.top.model.of.names
        as_named = sum(c.p for c in self.cells if c.build == Cell(c.model, names, (), 0.0).build)
        if as_named > 0.5 * sum(c.p for c in self.cells):
            return []
        roles = zip(self.top.lead, names, strict=True)
        return [say("leads_moved_one", lead=lead, role=role) for lead, role in roles if lead != role]


def with_article(words: str) -> str:
    """With its article: ``a bridge rectifier``, ``an N-channel MOSFET``."""
    return f"{'an' if words[:1] in 'aeioN' else 'a'} {words}" if words else ""
