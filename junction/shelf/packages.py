"""Package outlines: usual lead order, and what the case is joined to (reference/packages.csv)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from junction.shelf.tables import reference_table

_COLUMNS = ("package", "leads", "fixed", "case_to", "mounting", "basis", "source")


@dataclass(frozen=True)
class Package:
    """An outline.

    ``leads`` is the usual order of leads 1, 2, 3 ('' where it differs per type); ``fixed`` says that no
    other order exists; ``case_to`` is the lead that case or tab is joined to, 'none' for an insulated
    one, '' unknown; ``mounting`` is 'bolted' or 'board'.
    """

    name: str
    leads: str
    fixed: bool
    case_to: str
    mounting: str
    basis: str
    source: str


@cache
def _all() -> dict[str, Package]:
    found: dict[str, Package] = {}
    for row in reference_table("packages.csv", _COLUMNS):
        name = row.text("package", needed=True)
        if name in found:
            raise row.fault("package", f"{name!r} stands twice")
        leads = row.text("leads")
        if leads and sorted(leads) != ["B", "C", "E"]:
            raise row.fault("leads", f"{leads!r} is not an order of B, C and E")
        fixed = row.flag("fixed")
        if fixed and not leads:
            raise row.fault("leads", "is empty though the order is fixed")
        found[name] = Package(
            name, leads, fixed, row.text("case_to", among=("B", "C", "E", "A", "K", "none")),
            row.text("mounting", needed=True, among=("bolted", "board")),
            row.text("basis", needed=True), row.text("source", needed=True),
        )  # fmt: skip
    return found


def packages() -> dict[str, Package]:
    """All outlines by name.

    Raises
    ------
    ShelfError
        A fault in the table, with line and column.
    """
    return dict(_all())
