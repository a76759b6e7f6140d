"""Every JSON that is made in a test is held to reference/junction.schema.json, as any reader of it would be.

``watch`` puts itself around the one writer of documents; ``tests/conftest.py`` asks after each test what it
found.  Validation takes about 1 ms for 100 kB, so nothing is sampled but the longest lists.
"""

from __future__ import annotations

import json
from functools import cache
from math import isinf
from pathlib import Path

import jsonschema_rs

FILE = Path(__file__).resolve().parents[1] / "reference" / "junction.schema.json"
SCHEMA = json.loads(FILE.read_text("utf-8"))
#: Characters after which further entries of a list are left out of what is validated.
LONG = 3_000_000
#: What was wrong with the documents of the test that runs.
found: list[str] = []


@cache
def validator() -> jsonschema_rs.Draft202012Validator:
    return jsonschema_rs.Draft202012Validator(SCHEMA)


def strictly(text: str):
    """A JSON text as RFC 8259 has it: no nan, no infinity, no key twice, no number beyond a double."""

    def refuse(word):
        raise ValueError(f"{word} is no JSON")

    def number(word):
        value = float(word)
        return refuse(word) if isinf(value) else value

    def once(pairs):
        keys = dict(pairs)
        return keys if len(keys) == len(pairs) else refuse(f"a key twice among {[k for k, _ in pairs]}")

    return json.loads(text, parse_constant=refuse, parse_float=number, object_pairs_hook=once)


def faults(document) -> list[str]:
    """What the schema says against a document, by place."""
    return [f"{document.get('command')}: {'/'.join(map(str, e.instance_path))}: {e.message[-300:]}"
            for e in validator().iter_errors(document)]  # fmt: skip


def watch(module) -> None:
    """Hold what ``module.document`` writes to the schema; what is wrong is added to `found`."""
    write = module.document

    def document(command, body, *, ascii_only=False):
        kept, long = [], 0
        for piece in write(command, body, ascii_only=ascii_only):
            yield piece
            if long < LONG or not piece.startswith(",\n  "):  # no further entry of a list
                kept.append(piece)
                long += len(piece)
        try:
            found.extend(faults(strictly("".join(kept))))
        except ValueError as error:
            found.append(f"{command}: {error}")

    module.document = document
