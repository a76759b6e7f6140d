"""The index page of a job's folder: what a customer or a colleague gets, the latest state first.

Everything on it stands in the entries of the job (`junction.paper.job_folder`), which the commands' reports
wrote; nothing is worked out here but which judgement is the latest.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Mapping
from types import SimpleNamespace

from junction.base.records import spelled
from junction.judge.results import WORST_FIRST, say
from junction.paper.job_folder import MARK, NAME, PAGE, Files, JobFolder
from junction.paper.labels import PAPERS, Label, label_pages
from junction.show import blocks as b
from junction.show.page import Html, page

#: Stem of the names of the labels of parts; those of sets are the match's own.
PART_LABELS = "labels-parts"
_UNTAGGED = "one part"


def run_files(folder: str | os.PathLike, result, view, job: str = "") -> Files:
    """Every file of one more run into a job's folder, to be written all or none, the run's page first.

    Parameters
    ----------
    folder : path
    result : junction.jobs.job.Result
    view : module
        What shows it; ``view.sheet(report)`` gives what is kept of it, in the keys of `ENTRY`.
    job : str
        Name of the job from now on; '' leaves the one it has.

    Raises
    ------
    OutputError
        The folder's ``job.json`` or ``index.html`` is not of a job.
    """
    before, report = JobFolder.read(folder), result.report
    entry = {
        **getattr(view, "sheet", lambda report: {})(report), "command": result.command, "when": result.made,
        "headline": view.summary(report), "inputs": getattr(result.bag, "files", ()),
        "cautions": [{"text": c.text, "short": c.short} for c in getattr(report, "cautions", ())],
    }  # fmt: skip
    own = {**result.contents(job or before.job), f"{result.command}.json": result.json_pieces}
    now, files = before.with_run(entry, own, job)
    own = {PAGE: sheet(now), **(part_labels(now) if now.entries[-1]["parts"] else {}), NAME: now.record}
    return files | {now.folder / name: content for name, content in own.items()}


def part_labels(job: JobFolder) -> dict[str, str]:
    """Labels of every part as it was judged last: file name to page."""
    def verdict(part: Mapping) -> str:
        word, fault = part["verdict"], part["fault"]
        return fault if word in fault else f"{word}: {fault}" if fault else word

    labels = [Label(part["tag"] or _UNTAGGED, grade=verdict(part), what=part["type"],
                    made=job.entries[k]["when"]) for k, part in job.parts().values()]  # fmt: skip
    return label_pages(labels, job.job, PART_LABELS)


def sheet(job: JobFolder) -> str:
    """The page."""
    title = job.job or "Job sheet"
    first, last = job.entries[0]["when"], job.entries[-1]["when"]
    runs = b.count(len(job.entries), "run")
    lead = ("Job sheet: ", runs, f" from {first} to {last}." if first != last else f", {last}.")
    labels = dict.fromkeys(entry["label"] for entry in job.entries if entry["label"])
    cautions = {one["text"]: one for k in job.standing() for one in job.entries[k]["cautions"]}
    parts = job.parts()
    counts = Counter(part["verdict"] for _, part in parts.values())
    act = [(k, part) for k, part in parts.values() if part["verdict"] != "good"]
    need = f" need{'s' if len(act) == 1 else ''} action."
    state = b.text((b.count(len(act), ""), " of ", b.count(len(parts), "part"), need), "headline")
    blocks = [
        Html(f"<!-- {MARK} -->"), b.text(title, "title"), b.text(lead, "lead"),
        *(b.text(text, "next") for text in labels),
        state if parts else "", _stands(job, act),
        b.text(_joined([(b.count(counts[word], ""), " ", b.Badge(word)) for word in WORST_FIRST
                        if counts[word]])),
        b.cautions([SimpleNamespace(**one) for one in cautions.values()]),
        *_parts(job, parts, act), *_order(job), *_sets(job), *_drops(job), *_chosen(job),
        *_before(job, parts), *_labels(job, bool(parts)), _history(job),
    ]  # fmt: skip
    return page(title, blocks, last)


def _stands(job: JobFolder, act: list) -> b.Block:
    """In a line what the drops say and what is next."""
    runs = [job.entries[stage[-1]] for _, stage in _stages(job)]
    drops = dict.fromkeys(one["drops_state"] for one in runs if one["drops_state"])
    again = [part["tag"] or _UNTAGGED for _, part in act if part["verdict"] == "undecided"]
    ordered = sum(many for _, many, *_ in job.orders())
    following = [f"order {b.words(b.count(ordered, 'part'))}"] if ordered else []
    following += [f"measure {', '.join(again)} again"] if again else []
    following += ["what the drops call for, below"] if {*drops} - {"as predicted"} else []
    told = [f"Drops: {'; '.join(drops)}."] if drops else []
    return b.text(" ".join([*told, *([f"Next: {'; '.join(following)}."] if following else [])]))


def _shown(job: JobFolder, k: int, text: str) -> b.Inline:
    """Text that leads to an entry's page, where that is there."""
    name = job.page_of(k)
    return b.Link(text, name) if name else text


def _when(job: JobFolder, k: int) -> b.Inline:
    """Date and time of a run; the zone stands in the head of the page."""
    return _joined([b.Num((text, None)) for text in job.entries[k]["when"].split(" ")[:2]], " ")


def _readings(part: Mapping) -> b.Inline:
    """Readings, none of them broken over two lines."""
    return _joined([b.Num((text, None)) for text in part["readings"]])


def _parts(job: JobFolder, parts: Mapping, act: list) -> list[b.Block]:
    rank = {word: n for n, word in enumerate(WORST_FIRST)}
    rows = [
        [_shown(job, k, part["tag"] or _UNTAGGED), b.Badge(part["verdict"]), part["type"], part["fault"],
         part["figure"], part["next"], _readings(part), _when(job, k)]
        for k, part in sorted(act, key=lambda one: rank.get(one[1]["verdict"], 0))
    ]  # fmt: skip
    heads = ("part", "verdict", "type", "fault", "what decides", "next", "read", "judged")
    found = [b.section("Parts that need action", [b.table(b.columns(*heads), rows)])] if rows else []
    good = [part["tag"] or _UNTAGGED for _, part in parts.values() if part["verdict"] == "good"]
    if good:
        blind = b.text(say("sheet_good"), "soft")
        found.append(b.section(("Good: ", b.count(len(good), "part")), [b.text(", ".join(good)), blind]))
    return found


def _order(job: JobFolder) -> list[b.Block]:
    rows = []
    for row, many, tags, faults in job.orders():
        said = "; ".join(filter(None, (row["what"], *row["notes"])))
        whose = ", ".join(tag or _UNTAGGED for tag in tags) or f"other side of {row['complement']}"
        rows.append([b.count(many, ""), row["type"], whose,
                     spelled(*dict.fromkeys(faults)), said, ", ".join(row["or"])])  # fmt: skip
    if not rows:
        return []
    waiting = job.waiting()
    told = [say(f"order_{why}", n=len(tags)) for why, tags in waiting.items() if tags and why != "misread"]
    told += [say("order_misread", parts=", ".join(waiting["misread"]))] if waiting["misread"] else []
    heads = ("order", "type", "for", "fault", "what it is", "or")
    left = [b.text(say("order_waiting", waiting="; ".join(told)), "soft")] if told else []
    return [b.section("Parts to order", [b.table(b.columns(*heads), rows), *left])]


def _sets(job: JobFolder) -> list[b.Block]:
    found: dict[int, list] = {}
    for k, number, one in job.sets():
        placed = zip(one["parts"], one["places"], strict=False)
        where = "; ".join(f"{part}: {place.removeprefix(f'set {number}, ')}" for part, place in placed)
        grade = b.Badge(one["grade"], one["means"])
        found.setdefault(k, []).append([_shown(job, k, str(number)), where, grade, one["figures"]])
    heads, inner = b.columns("set", "parts and their places", "grade", "imbalance"), []
    for k, rows in found.items():
        about = ", ".join(filter(None, (job.entries[k]["about"], *job.entries[k]["inputs"][:2])))
        inner += [b.text((f"{about}; matched ", *_when(job, k)), "strong"), b.table(heads, rows)]
    return [b.section("Matched sets", inner)] if inner else []


def _millivolts(x: float | None) -> b.Inline:
    return "" if x is None else b.Num((f"{1000 * x:.1f}", x), (" mV", None))


def _drops(job: JobFolder) -> list[b.Block]:
    """Each stage: the drop to set, and what was measured first and last."""
    found = []
    for name, runs in _stages(job):
        measured = [k for k in runs if job.entries[k]["drops"]]
        latest = job.entries[runs[-1]]
        inner: list[b.Block] = []
        if latest["to_set_V"]:
            wanted = [piece for x in latest["to_set_V"] for piece in (" / ", _millivolts(x))][1:]
            inner.append(b.text(("To set across each emitter resistor at idle: ", *wanted, " (",
                                 _shown(job, runs[-1], b.words(_when(job, runs[-1]))), ").")))  # fmt: skip
        if measured:
            first, last = job.entries[measured[0]], job.entries[measured[-1]]
            earlier = {one["where"]: one["measured_V"] for one in first["drops"]} if first is not last else {}
            state = last["drops_state"]
            at = [b.words(_when(job, k)) for k in measured]
            when = f"before, {at[0]}", f"{'after' if earlier else 'measured'}, {at[-1]}"
            rows = [[one["where"], _millivolts(one["wanted_V"]), _millivolts(one["expected_V"]),
                     *([_millivolts(earlier.get(one["where"]))] if earlier else []),
                     _millivolts(one["measured_V"]), b.Badge(one["verdict"]), one["says"]]
                    for one in last["drops"]]  # fmt: skip
            heads = ("position", "predicted", "by the others", *when[not earlier :], "", "why")
            inner += [b.text(f"{state[:1].upper()}{state[1:]}.", "next") if state else "",
                      b.table(b.columns(*heads), rows), b.bullets(last["drops_say"]),
                      b.text(_shown(job, measured[-1], "The page of this measurement"))]  # fmt: skip
        if inner:
            found.append(b.section(f"Emitter-resistor drops{': ' if name else ''}{name}", inner))
    return found


def _stages(job: JobFolder) -> list[tuple[str, list[int]]]:
    """Runs about each stage under its name: only those across the same parts are before and after."""
    found: dict[tuple[str, frozenset], list[int]] = {}
    plans: dict[str, list[int]] = {}
    for k, entry in enumerate(job.entries):
        if entry["command"] == "stage" and (entry["drops"] or entry["fitted"]):
            found.setdefault((entry["about"], frozenset(entry["fitted"])), []).append(k)
        elif entry["command"] == "stage":
            plans.setdefault(entry["about"], []).append(k)
    named = []
    for (about, _), runs in found.items():
        parts = job.entries[runs[-1]]["fitted"]
        named.append((", ".join(filter(None, (about, ", ".join(parts)))), runs))
    measured = {about for about, _ in found}
    return [*named, *((about, runs) for about, runs in plans.items() if about not in measured)]


def _chosen(job: JobFolder) -> list[b.Block]:
    rows = [[_shown(job, k, one["for"]), one["take"], one["why"], _when(job, k)]
            for k in job.standing() for one in job.entries[k]["chosen"]]  # fmt: skip
    heads = ("in place of", "take", "why", "found")
    return [b.section("Substitutes and resistors", [b.table(b.columns(*heads), rows)])] if rows else []


def _before(job: JobFolder, parts: Mapping) -> list[b.Block]:
    """Earlier judgements that said something else than the latest; of the others the number."""
    rows, same = [], 0
    for k, part in job.before():
        now = parts[part["tag"]][1] if part["tag"] in parts else None
        if now and (now["verdict"], now["fault"]) == (part["verdict"], part["fault"]):
            same += 1
            continue
        rows.append([part["tag"], _when(job, k), b.Badge(part["verdict"]), part["fault"],
                     b.Badge(now["verdict"]) if now else "no longer in the job"])  # fmt: skip
    heads = ("part", "judged", "then", "fault", "now")
    told = [b.text((b.count(same, "earlier judgement"), " said the same as the latest."), "soft")]
    return [b.section("Judged before", [b.table(b.columns(*heads), rows), *(told if same else [])])]


def _labels(job: JobFolder, parts: bool) -> list[b.Block]:
    own: dict[str, list[str]] = {}
    if parts:
        own["parts"] = [f"{PART_LABELS}-{paper.lower()}.html" for paper in PAPERS]
    for k in dict.fromkeys(k for k, *_ in job.sets()):
        named = [name for name in job.entries[k]["files"] if "labels-" in name]
        own[f"sets of {b.words(_when(job, k))}"] = named
    links = []
    for word, names in own.items():
        papers = [b.Link(paper, name) for paper, name in zip(PAPERS, names, strict=False)]
        links.append((f"{word}: ", *_joined(papers)))
    return [b.section("Labels to print and cut out", [b.bullets(links)])] if links else []


def _joined(items: Iterable[b.Inline], between: str = ", ") -> tuple[b.Inline, ...]:
    return tuple(piece for item in items for piece in (between, item))[1:]


def _history(job: JobFolder) -> b.Block:
    """Every run, the latest first."""
    rows = []
    for k in reversed(range(len(job.entries))):
        entry = job.entries[k]
        found: dict[str, list[str]] = {}
        for part in entry["parts"]:
            found.setdefault(part["verdict"], []).append(part["tag"] or _UNTAGGED)
        told = [f"{word}: {', '.join(tags)}" for word in WORST_FIRST if word != "good"
                if (tags := found.get(word))]  # fmt: skip
        drops = ", ".join(b.words(_millivolts(one["measured_V"])) for one in entry["drops"])
        told += [f"measured {drops}"] if drops else []
        if entry["command"] == "check":
            told += [f"read {', '.join(entry['parts'][0]['readings'])}"] if entry["parts"] else []
        about = ", ".join(filter(None, (entry["about"], *entry["inputs"][:6])))
        about += " and others" if len(entry["inputs"]) > 6 else ""
        name = job.page_of(k)
        page_ = b.Link(entry["command"], name) if name else (entry["command"], " (page replaced)")
        rows.append([_when(job, k), page_, about, "; ".join([entry["headline"], *told])])
    heads = ("when", "run", "about", "result")
    return b.section("History, the latest first", [b.table(b.columns(*heads), rows)])
