"""Parts with leads of other names, or with four: each junction judged and the whole named.

What the part may be stands in ``reference/assemblies.csv``; `junction.leads.assemblies` says what each reads.
Beside them stands the part that is none of these, so that nothing is forced: then only what was read between
two leads is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from math import isnan, log, nan

import numpy as np

from junction.base.records import split_placement
from junction.base.units import REFERENCE_TEMP_C, listed
from junction.judge.mixture import OVER, VALUE, log_total
from junction.judge.results import (
    QUALITIES,
    Alternative,
    Device,
    Finding,
    JunctionVerdict,
    PartVerdict,
    Step,
    Verdict,
    decide,
    neighbours,
    next_step,
    part_verdict,
    say,
    type_note,
)
from junction.leads.assemblies import (
    assemblies,
    least_ohm,
    log_cells,
    model,
    reading_values,
)
from junction.leads.bench import Types, over_range_V, stands_in_circuit, visible_leak_ohm
from junction.leads.entries import Prepared, asks, together
from junction.leads.explain import capital, ohm_words
from junction.leads.hypotheses import prior
from junction.leads.pairs import Cell, Pairs, with_article
from junction.shelf.tables import rule

#: Cells below this share of the whole are not looked at.
_LEAST = 1e-6


def judge_whole(ready: Sequence[Prepared], types: Types | None = None) -> list[PartVerdict]:
    """Verdict of parts whose leads are no three numbers and neither B C E nor A K.

    Parameters
    ----------
    ready : sequence of Prepared
        Parts as they are weighed, with their meter.
    types : callable, optional
        Written type -> registered type or None.
    """
    groups: dict[tuple, list[int]] = {}
    for k, one in enumerate(ready):
        leads = frozenset(name for r in one.part.readings for name in (r.red, r.black))
        groups.setdefault((one.meter, leads, any(r.kind == "ohm" for r in one.part.readings)), []).append(k)
    found: dict[int, PartVerdict] = {}
    for (meter, leads, ohms), members in groups.items():
        parts = [ready[k].part for k in members]
        maybe = assemblies(leads)
        weighed = [a for a in maybe if a.diodes or a.built_in]
        names = maybe[0].names if maybe else tuple(sorted(leads))
        least = least_ohm(parts, meter, names)
        models = [model(a, meter, least, ohms=ohms) for a in weighed]
        value, state = reading_values(parts, names, over_range_V(meter), ohms=ohms)
        by_model = [log_cells(m, names, value, state) for m in models]
        # where nothing explains the readings: any value, any mark
        count = len(names) * (len(names) - 1)
        wide = np.array([log(over_range_V(meter))] * count + [log(rule("leads_odd_ohms"))] * (count * ohms))
        odd = log(prior("odd")) - (state == VALUE) @ wide - log(2) * (state == OVER).sum(axis=1)
        total_weight = sum(a.weight for a in weighed)
        for n, (k, part) in enumerate(zip(members, parts, strict=True)):
            logs = [x[n] + log(m.of.weight / total_weight) for m, x in zip(models, by_model, strict=True)]
            logs = [x - np.inf if part.discharged and m.of.test == "leads_test_charged" else x
                    for m, x in zip(models, logs, strict=True)]  # fmt: skip
            whole = log_total(np.concatenate([np.ravel(x) for x in logs] + [odd[n : n + 1]]))
            cells = []
            for m, x in zip(models, logs, strict=True):
                p = np.exp(x - whole)
                cells += [Cell(m, m.turned[0][a], m.hypotheses[h], float(p[a, h]))
                          for a, h in np.argwhere(p > _LEAST).tolist()]  # fmt: skip
            named = maybe[0] if maybe and not weighed else None
            judged = _Judged(ready[k], names, cells, float(np.exp(odd[n] - whole)), named, value[n], state[n])
            found[k] = judged.verdict(types)
    return [found[k] for k in range(len(ready))]


class _Judged(Pairs):
    """One part weighed: its verdict with all that is said of it."""

    def verdict(self, types: Types | None) -> PartVerdict:
        """The verdict with all that is said of it."""
        part, top, asked = self.part, self.top, list(self.ready.questions)
        likely = decide(self.whole) if top or self.named else Verdict.UNDECIDED
        stands = asked[0].finding if asked else self._doubt(likely)
        doubt = together(asked) if asked else stands.says() if stands else ""
        verdict = Verdict.UNDECIDED if doubt else likely
        findings = {pair: self._finding(pair) for pair in self.pairs}
        told = {pair: f.says() if f else "" for pair, f in findings.items()}
        if not top and likely == Verdict.SHORTED:
            faults = tuple(f"{self.name(p)} shorted" for p in self.pairs if self.seen[p].short)
        else:
            faults = self._faults(top) if top and likely != Verdict.GOOD else ()
        said = self._evidence(told, likely)
        if doubt:
            said = [f"{capital(doubt)}.", *said]
        asking = stands is not None and stands.reason in ("leads_doubt_one_way", "whole_doubt_two")
        if doubt and (part.refused or asked or asking):
            said, faults = said[:1], ()
        first = self.explained[0][0] if top else None
        said_of = {name: self.named and getattr(self.named, name) or top and self._agreed(name) or ""
                   for name in ("kind", "called", "material")}  # fmt: skip
        kind, called, material = said_of.values()
        called = called or kind or say("whole_unknown")
        device = Device(kind or "unknown", "", material, self._leads() if top else {}, called)
        family = first.model.of.groups[0][0].name if top and not first.model.of.test else ""
        behind = neighbours(verdict, faults, "diode", family)[1:] if family else ()
        cannot_see = say("leads_cannot_see", ohm=ohm_words(visible_leak_ohm(self.meter)),
                         over_V=over_range_V(self.meter), gain=False)  # fmt: skip
        apart = [self.name(pair) for pair in self.pairs if top and not self.seen[pair].read]
        if apart:
            cannot_see = f"{say('whole_blind_apart', pairs=listed(apart))}, {cannot_see}"
        registered = types(part.type) if types is not None and part.type else None
        note = type_note(part.type, registered, types, reason="leads_type_unknown")
        reasons = {
            "leads_refused": part.refused, note: note,
            "leads_in_circuit": part.in_circuit, "leads_red_negative": self.meter.red_lead != "positive",
            "leads_falling": any(r.settling for r in part.readings),
        }  # fmt: skip
        words = {"names": ", ".join(part.refused), "type": part.type, "firm": "", "loose": ""}
        warnings = [reason if reason == note else say(reason, **words)
                    for reason, holds in reasons.items() if holds]  # fmt: skip
        if moved := self._moved():
            warnings.insert(0, say("leads_moved", moved=", ".join(moved)))
        same = sum(p for cell, p in self.explained if top and self._faults(cell) == self._faults(top))
        return part_verdict(
            part.part, verdict, self.whole.tolist(), device, self._junctions(findings), family, faults=faults,
            decides=stands or self._decides(verdict, findings),
            alternatives=self._alternatives(), evidence=tuple(said), neighbours=behind,
            next=asks(asked) or self._next(verdict, likely), cannot_see=cannot_see,
            warnings=(*self.ready.notes, *warnings), basis="readings", type=part.type,
            temp_known=not isnan(part.temp_C), in_circuit=part.in_circuit,
            temp_C=REFERENCE_TEMP_C if isnan(part.temp_C) else part.temp_C,
            faults_probability=same if top else 1.0 if faults else nan, doubt=doubt,
        )  # fmt: skip

    def _test(self) -> str:
        """Row with the test that has the last word, '' where diode mode has it."""
        return self.top.model.of.test if self.top else self.named.test if self.named else ""

    def _own(self) -> bool:
        """Whether what is wrong cannot be a path of the board: its leads are lifted."""
        bad = self.top.bad if self.top else {}
        return not stands_in_circuit(self.part) or bool(bad) and all(p & {*self.part.lifted} for p in bad)

    def _decides(self, verdict: Verdict, findings: Mapping[frozenset[str], Finding | None]) -> Finding | None:
        """The finding that decided: of a bad part its fault, else of the pair that is least settled."""
        if not self.part.readings:
            return Finding("", "leads_no_readings")
        bad = self.top.bad if self.top else {p: "shorted" for p in self.pairs if self.seen[p].short}
        at = QUALITIES.index(verdict) if verdict in QUALITIES else None
        known = [pair for pair in self.pairs if findings[pair]]
        faulty = [pair for pair in known if bad.get(pair) == verdict] or [p for p in known if p in bad]
        if verdict != Verdict.GOOD and at is not None and faulty:
            return findings[max(faulty, key=lambda pair: self.quality[pair][at])]
        if not self.top:
            return Finding("", "whole_none")
        least = min(known, key=lambda pair: max(self.quality[pair]), default=None)
        return findings[least] if least else None

    def _doubt(self, likely: Verdict) -> Finding | None:
        """What stands against a verdict that the probabilities alone would give; None where nothing does."""
        good, part = likely == Verdict.GOOD, self.part
        sound = likely in (Verdict.GOOD, Verdict.UNDECIDED) and not (self.top and self.top.faults)
        half, two = self._half_read() if likely == Verdict.LEAKY else [], self._two_parts()
        unread = half or (self._unread() if self.top and sound else [])
        shown = unread if len(unread) < 6 else [*unread[:4], f"{len(unread) - 4} more"]
        moving = [r.placement for r in part.readings if r.settling]
        dark = self.top.model.of.dark if self.top else ()
        against = {
            "leads_doubt_circuit": likely not in (Verdict.GOOD, Verdict.UNDECIDED) and not self._own(),
            "whole_doubt_two": two and (half or likely not in (Verdict.LEAKY, Verdict.SHORTED)),
            "leads_doubt_one_way": half,
            "leads_doubt_refused": part.refused and likely not in (Verdict.LEAKY, Verdict.SHORTED),
            "leads_doubt_marking": good and self._moved(),
            "leads_doubt_unread": unread,
            "leads_doubt_falling": good and moving,
            "whole_doubt_dark": sound and dark,
            "leads_doubt_kind": self._test() and (good or sound),
        }
        reason = next((reason for reason, holds in against.items() if holds), "")
        called = self.top.model.of.called if self.top else self.named.called if self.named else ""
        return Finding("", reason, numbers={
            "lost": listed(part.refused), "typed": ", ".join(part.refused_as),
            "many_lost": len(part.refused) > 1, "unread": listed(shown),
            "many_unread": len(unread) > 1, "moving": ", ".join(moving), "kind": with_article(called),
            "dark": self._dark(), "about": "", "names": listed(two),
        }) if reason else None  # fmt: skip

    def _junctions(self, told: Mapping[frozenset[str], Finding | None]) -> tuple[JunctionVerdict, ...]:
        """Verdict of every junction, and of every other pair of leads that was read or has a fault."""
        top, out = self.top, []
        wanted = self._wanted() if top else []
        dark = top.pair(top.model.of.dark) if top and top.model.of.dark else None
        for pair in dict.fromkeys((*wanted, *self.pairs)):
            p = self.quality[pair]
            faulty = top and (p[0] < rule("conformity_good") or pair in top.bad)
            if pair not in wanted and not faulty and (top or not self.seen[pair].read):
                continue
            word = decide(p)
            if word == Verdict.GOOD and (pair == dark or pair in wanted and self.seen[pair].unread):
                word, p = Verdict.UNDECIDED, p if pair != dark else np.full(4, 0.25)
            own = (f"{self.name(pair)} {word}",) if word in QUALITIES[1:] else ()
            said = (told[pair].says(),) if told[pair] else ()
            p, ohm = dict(zip(QUALITIES, p.tolist(), strict=True)), self._ohms(pair)
            out.append(JunctionVerdict(self.name(pair), word, p, own, said, None, ohm, finding=told[pair]))
        return tuple(out)

    def _alternatives(self) -> tuple[Alternative, ...]:
        """Other explanations, and what would tell each from the first."""
        out, first = [], self.top
        told = {(self._faults(first), first.model.of.kind)} if first else set()
        for cell, p in self.explained if first else ():
            of, faults = cell.model.of, self._faults(cell)
            if p < rule("leads_name") or len(out) == rule("leads_most_named") or (faults, of.kind) in told:
                continue
            told.add((faults, of.kind))
            tests = [c.model.of.test for c in (cell, first) if c.model.of.test]
            paths = listed(sorted({f.split()[0] for f in {*faults} ^ {*self._faults(first)}}))
            by = say("leads_decide_ohms", paths=paths) if paths else ""
            charged = "leads_test_charged" in tests
            by = say("leads_test_charged").removesuffix(".") if charged else by
            out.append(Alternative(faults, Device(of.kind, "", of.material, {}, of.called), p, by))
        return tuple(out)

    def _next(self, verdict: Verdict, likely: Verdict) -> Step:
        """What to do next: replace, read a placement, lift a lead, or the test that decides."""
        part, top, good, step = self.part, self.top, likely == Verdict.GOOD, partial(next_step, column="says")
        if verdict == Verdict.GOOD:
            kohm = visible_leak_ohm(self.meter) / 1e3
            return step("leads_next_good", kohm=kohm, transistor=False, gain=False, placed=True)
        if verdict != Verdict.UNDECIDED:
            if part.in_circuit:
                return step("leads_next_own", faults=listed(self._faults(top)) if top else "shorted")
            known = top and not top.model.of.test and verdict != Verdict.OPEN
            return step(f"leads_next_{verdict}" if known else "leads_next_small")
        if part.refused and not part.in_circuit:
            return step("leads_next_refused", names=" and ".join(part.refused),
                        why="; ".join(part.refused_why))
        if stands_in_circuit(part) and likely not in (Verdict.GOOD, Verdict.UNDECIDED):
            bad = [pair for pair in self.pairs if self.quality[pair][0] < rule("conformity_good")]
            standing = [name for name in self.names if name not in part.lifted]
            lead = max(standing, key=lambda name: sum(name in pair for pair in bad))
            return step("leads_next_lift", leads=lead, more=False, option=" ".join((*part.lifted, lead)))
        if any(r.settling for r in part.readings) and good:
            return step("leads_next_falling")
        if good and self._moved():
            return step("leads_next_marking")
        unread = (self._half_read() or self._unread()) if top else []
        if unread and self._two_parts():
            red, black = split_placement(unread[0])
            return step("whole_next_two", name=unread[0], red=red, black=black)
        if top and top.faults and not self._half_read():  # where it is least sure first
            unread.sort(key=lambda name: self.quality[frozenset(split_placement(name))][0])
        if unread:
            red, black = split_placement(unread[0])
            return step("leads_next_read", name=unread[0], red=red, black=black)
        tests = [cell.model.of.test for cell, p in self.explained if p > 1 - rule("conformity_good")]
        test = "leads_test_charged" if top and "leads_test_charged" in tests else self._test()
        if not test or test == "leads_test_charged" and part.discharged:
            return step("whole_next_unknown")
        of = top.model.of if top else None
        dark = self._dark()
        anode, cathode = (top.lead[n] for n in of.diodes[0][:2]) if dark else ("", "")
        return step(test, anode=anode, cathode=cathode, dark=dark)
