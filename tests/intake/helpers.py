"""Shortcuts of the intake tests."""

from junction.base.errors import InputError
from junction.intake.read import read_tables
from junction.intake.table import open_text


def read_texts(items):
    """Bag of named contents, without a file."""
    return read_tables((name, open_text, data) for name, data in items)


def bag_of(*texts, encoding="utf-8"):
    """Bag of contents given as text or bytes, with the row sum checked on the way."""
    items = [
        (f"f{k}.csv", text if isinstance(text, bytes) else text.encode(encoding)) for k,
        text in enumerate(texts)
    ]
    bag = read_texts(items)
    check_sum(bag)
    return bag


def check_sum(bag):
    assert bag.rows_used + sum(s.rows for s in bag.set_aside) == bag.rows_read
    assert bag.rows_used >= 0
    assert all(s.reason and s.file and "\n" not in s.reason for s in bag.set_aside)


def refusal(*texts):
    """The one message when nothing can be used, and the set-aside list it carries."""
    try:
        bag = bag_of(*texts)
    except InputError as error:
        assert "\n" not in str(error)
        return error
    raise AssertionError(f"used {bag.rows_used} rows of what nothing can be made of")


def readings(bag, part):
    """Placement to (kind, value) of a part."""
    found = [p for p in bag.readings if p.part == part]
    assert len(found) == 1, f"{part} is there {len(found)} times"
    return {r.placement: (r.kind, r.value) for r in found[0].readings}
