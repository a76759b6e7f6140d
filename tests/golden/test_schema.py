"""The schema of the JSON: what it allows is what is written, all of it, and nothing else.

That every document keeps it is seen wherever one is written in a test (`tests.documents`).
"""

import copy
import json

import jsonschema_rs
import pytest

import junction
from junction.amplifier.findings import _CAUSES, _STEPS
from junction.cli.commands import COMMANDS
from junction.judge.results import QUALITIES, Verdict
from junction.sets.results import GRADES, LAYOUTS
from junction.shelf.tables import meters, records
from junction.sweeps.results import FLAGS, LEFT_OUT, MODELS
from tests import documents
from tests.documents import SCHEMA, faults, strictly, validator
from tests.golden import reports
from tests.golden.report_cases import CASES

DEFS = SCHEMA["$defs"]


@pytest.fixture(scope="module")
def kept():
    """Every document of the kept reports, by the name of the case."""
    return {case: strictly(text) for case in (*CASES, "job")
            for name, text in reports.kept(case).items() if name.endswith(".json")}  # fmt: skip


def test_it_is_a_schema_and_the_kept_documents_keep_it(kept):
    jsonschema_rs.meta.validate(SCHEMA)
    assert {document["command"] for document in kept.values()} == {*COMMANDS} - {"demo"} | {"job"}
    assert {name: faults(document) for name, document in kept.items() if faults(document)} == {}
    bag = {"Q1": ["B-E=0.642", "E-B=OL"], "Q2": ["A-K=0.58"]}
    assert faults(junction.read(bag).to_dict()) == [] and junction.read(bag).to_dict()["parts"][1]["of"]


def _wrong(value):
    """The value as another kind of thing."""
    return 1 if isinstance(value, str | list | dict) else "one"


def _places(x, at=()):
    yield at
    for key, inner in x.items() if isinstance(x, dict) else enumerate(x[:1]) if isinstance(x, list) else ():
        yield from _places(inner, (*at, key))


def _changed(document, at, change):
    other = copy.deepcopy(document)
    holder = other
    for key in at[:-1]:
        holder = holder[key]
    change(holder, at[-1])
    return other


def test_a_document_that_is_otherwise_is_refused(kept):
    """A key dropped, a key more, a value of another kind: at every place but where keys are free."""
    taken, free = [], {"counts", "types_by_verdict", "left_out", "derived", "measured", "weights", "leads"}
    optional = {name for body in DEFS.values() for name in body.get("properties", {})
                if name not in body.get("required", ())} | free  # fmt: skip
    for name in ("check shorted", "fit", "match", "match string", "stage fitted", "substitute from drawer",
                 "resistor heat", "resistor reading", "job"):  # fmt: skip
        document = kept[name]
        for at in [at for at in _places(document) if at]:
            changes = [lambda holder, key: holder.__setitem__(key, _wrong(holder[key]))]
            if isinstance(at[-1], str) and at[-1] not in optional and not free & {*at}:
                changes.append(lambda holder, key: holder.pop(key))
                changes.append(lambda holder, key: holder.__setitem__(f"{key}_", holder[key]))
            taken += [(name, at) for change in changes
                      if validator().is_valid(_changed(document, at, change))]  # fmt: skip
    assert taken == []


def test_words_that_are_none_are_refused(kept):
    part = ("parts", 0)
    for at, word in (
        ((*part, "verdict"), "fine"), ((*part, "junctions", 0, "verdict"), "leaking"),
        ((*part, "faults", 0), "CE burnt"), ((*part, "junctions", 0, "junction"), "EB"),
        ((*part, "device", "polarity"), "npn"), ((*part, "decides", "limit_is"), "about"),
        ((*part, "probability", "good"), 1.01), (("made",), "2026-01-02 03:00"), (("rows_read",), -1),
        (("meter", "source_kind"), "battery"), (("format",), 2), (("command",), "shop"),
    ):  # fmt: skip
        other = _changed(kept["check shorted"], at, lambda holder, key, w=word: holder.__setitem__(key, w))
        assert not validator().is_valid(other), at
    for text in ('{"a": NaN}', '{"a": -Infinity}', '{"a": 1e999}', '{"a": 1, "a": 2}'):
        with pytest.raises(ValueError):
            strictly(text)


def test_every_key_of_the_schema_occurs(kept):
    """What is written nowhere any more must not stand in it."""
    texts = [json.dumps(one) for one in (*kept.values(), junction.read({"Q1": ["A-K=0.58"]}).to_dict())]
    # a transistor whose curves go far into saturation shows its collector resistance and reverse gain
    elsewhere = {"transistor_parameters.RC", "transistor_parameters.BR"}
    missing = {
        f"{body}.{name}" for body, its in DEFS.items() for name in its.get("properties", {})
        if not any(f'"{name}": ' in text for text in texts)
    }  # fmt: skip
    assert missing == elsewhere


def test_lists_of_words_are_those_of_the_tables():
    """A layout, a fault, a model or a verdict that is added gets its word in the schema."""
    def words(body, name):
        found = DEFS[body]["properties"][name]
        return found.get("enum") or found["items"]["enum"]

    assert DEFS["verdict"]["enum"] == [*Verdict] and DEFS["quality"]["enum"] == [*QUALITIES]
    assert DEFS["grade"]["enum"] == [*GRADES] and words("fit", "flags") == [*FLAGS]
    assert words("fit", "model") == [*MODELS] and words("fit", "runner_up") == ["", *MODELS]
    assert DEFS["fit"]["properties"]["left_out"]["propertyNames"]["enum"] == [*LEFT_OUT]
    transistor = {name for name, row in LAYOUTS.items() if row.of == "transistor"}
    assert {*words("match_transistor", "layout")} == transistor
    assert {*words("match_two_lead", "layout")} == LAYOUTS.keys() - transistor
    assert {*words("cause", "cause")} == {*_CAUSES, *_STEPS}
    for name in ("source_kind", "red_lead", "scale"):
        assert {getattr(meter, name) for meter in meters().values()} <= {*words("meter", name)}
    allowed = jsonschema_rs.Draft202012Validator({"$ref": "#/$defs/fault", "$defs": DEFS})
    for row in records("faults").values():
        assert all(allowed.is_valid(one) for one in row.faults.split(" + ") if one), row.name
    for row in records("assemblies").values():
        for pair in row.junctions.split(":")[0].split():
            assert allowed.is_valid(f"{pair.replace('>', '-', 1)} open") or ">" not in pair, pair


def test_what_is_written_in_a_test_is_looked_at():
    """The watch can see: a body with a key too many, or with a number that is none."""
    from junction.show.write import document

    "".join(document("resistor", {"wanted": 100.0}))
    assert any("wanted" in one for one in documents.found)
    documents.found.clear()
