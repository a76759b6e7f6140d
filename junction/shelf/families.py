"""Families of junctions and the limits a healthy one keeps at 25 degC (reference/families.csv)."""

from __future__ import annotations

from functools import cache

from junction.shelf.results import Family
from junction.shelf.tables import reference_table

_COLUMNS = (
    "family", "device", "material", "vf_low_V", "vf_high_V", "vf_at_A", "n_low", "n_high", "rs_high_ohm",
    "leak_max_A", "leak_at_V", "eg_eV", "xti", "basis", "source",
)  # fmt: skip

# column -> range that a value in the right unit lies in
_RANGES = {
    "vf_low_V": (0.02, 6), "vf_high_V": (0.02, 6), "vf_at_A": (1e-6, 10), "n_low": (0.8, 8),
    "n_high": (0.8, 8), "rs_high_ohm": (1e-3, 1e4), "leak_max_A": (1e-12, 0.1), "leak_at_V": (0.1, 2000),
    "eg_eV": (0.3, 4), "xti": (0, 6),
}  # fmt: skip


@cache
def _all() -> dict[str, Family]:
    found: dict[str, Family] = {}
    for row in reference_table("families.csv", _COLUMNS):
        name = row.text("family", needed=True)
        if name in found:
            raise row.fault("family", f"{name!r} stands twice")
        numbers = {
            column: row.number(column, low=low, high=high, needed=True)
            for column, (low, high) in _RANGES.items()
        }
        for low, high in (("vf_low_V", "vf_high_V"), ("n_low", "n_high")):
            if numbers[low] >= numbers[high]:
                raise row.fault(high, f"must be larger than {low}")
        found[name] = Family(
            name=name,
            device=row.text("device", needed=True, among=("bjt", "diode")),
            material=row.text("material", needed=True),
            basis=row.text("basis", needed=True),
            source=row.text("source", needed=True),
            **numbers,
        )
    return found


def families() -> dict[str, Family]:
    """All families by name.

    Returns
    -------
    dict of str to Family
        In the order of the table.

    Raises
    ------
    ShelfError
        A fault in the table, with line and column.
    """
    return dict(_all())
