"""Every number that crosses the physics boundary has its unit in the docstring."""

import importlib
import inspect
import pkgutil
import re

import pytest

import junction.physics
from tests.rows import every_row

MODULES = sorted(m.name for m in pkgutil.iter_modules(junction.physics.__path__))
NOT_NUMBERS = re.compile(
    r"\b(str|bool|int|mapping|dict|tuple|TemperatureLaw|callable|Source|Circuit|[A-Z][a-z]\w+)\b"
)


def public_functions():
    for module in MODULES:
        loaded = importlib.import_module(f"junction.physics.{module}")
        for name, function in inspect.getmembers(loaded, inspect.isfunction):
            if function.__module__ == loaded.__name__ and not name.startswith("_"):
                yield pytest.param(function, id=f"{module}.{name}")


def documented_parameters(doc):
    """(names, type, description) of each entry of the Parameters section."""
    match = re.search(r"Parameters\n\s*-+\n(.*?)(?:\n\s*\n\s*(?:Returns|Raises|Notes)\n|\Z)", doc, re.S)
    body = inspect.cleandoc("\n" + match.group(1)) if match else ""
    for entry in re.split(r"\n(?=\S)", body):
        head, _, text = entry.partition("\n")
        names, _, kind = head.partition(" : ")
        yield [n.strip().lstrip("*") for n in names.split(",")], kind, text


@every_row("function", list(public_functions()))
def test_every_numeric_parameter_has_a_bracketed_unit(function):
    entries = list(documented_parameters(function.__doc__ or ""))
    documented = {name for names, _, _ in entries for name in names}
    missing = set(inspect.signature(function).parameters) - documented
    assert not missing, f"not in the docstring: {missing}"
    for names, kind, text in entries:
        if NOT_NUMBERS.search(kind) or not kind:
            continue
        referred = re.search(r"As in `\w+`, same units|as in `", text)
        assert referred or re.search(r"\[[^\]]+\]", text), f"{names}: no unit in brackets: {text!r}"
