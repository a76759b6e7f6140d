"""Every figure of the shelf against a second copy, typed from the sheets in another form.

``data/sheets_bjt.csv``, ``sheets_diode.csv`` and ``remembered_bjt.csv`` have one wide row a type in SI units,
each with its source (JEDEC registrations, MIL-PRF-19500 slash sheets, makers' sheets; ``remembered``: from
memory).  The tables under reference/ hold one limit a row with prefixed units, so that a slip of the pen in
either copy, or in how units are read, shows by name.
"""

import csv
import re
from collections import Counter
from math import isclose, isnan, nan
from pathlib import Path

import numpy as np
import pytest

from junction.base.records import plain_name
from junction.shelf.limits import matched_duals
from junction.shelf.tables import records
from junction.shelf.types import packages, power_reference, type_shelf
from tests.shelf.reference import read, replaced

DATA = Path(__file__).parent / "data"
RATINGS = {
    "vcbo_v": "V_CBO", "vceo_v": "V_CEO", "vebo_v": "V_EBO", "ic_max_a": "I_C", "icm_max_a": "I_CM",
    "ptot_w": "P_tot", "rthjc_k_per_w": "R_thJC", "rthja_k_per_w": "R_thJA", "tj_max_c": "T_j",
    "vr_v": "V_R", "vrrm_v": "V_RRM", "if_max_a": "I_F", "ifsm_a": "I_FSM",
}  # fmt: skip
#: symbol -> columns of least, typical and largest value, and conditions by their field on the shelf
LIMITS = [
    *(("h_FE", f"hfe{k}_min", "", f"hfe{k}_max", {"ic_A": f"hfe{k}_ic_a", "vce_V": f"hfe{k}_vce_v"})
      for k in "1234"),
    *(("V_CE(sat)", "", "", f"vcesat{k}_max_v", {"ic_A": f"vcesat{k}_ic_a", "ib_A": f"vcesat{k}_ib_a"})
      for k in "12"),
    ("V_BE(on)", "vbeon_min_v", "", "vbeon_max_v", {"ic_A": "vbeon_ic_a", "vce_V": "vbeon_vce_v"}),
    ("V_BE(sat)", "vbesat_min_v", "", "vbesat_max_v", {"ic_A": "vbesat_ic_a", "ib_A": "vbesat_ib_a"}),
    ("I_CBO", "", "", "icbo_max_a", {"vcb_V": "icbo_vcb_v"}),
    ("I_CEO", "", "", "iceo_max_a", {"vce_V": "iceo_vce_v"}),
    ("I_CEX", "", "", "icex_max_a", {"vce_V": "icex_vce_v", "veb_V": "icex_vbe_rev_v"}),
    ("I_CES", "", "", "ices_max_a", {"vce_V": "ices_vce_v"}),
    ("I_EBO", "", "", "iebo_max_a", {"veb_V": "iebo_veb_v"}),
    ("f_T", "ft_min_hz", "", "", {"ic_A": "ft_ic_a", "vce_V": "ft_vce_v"}),
    ("C_ob", "", "", "cob_max_f", {"vcb_V": "cob_vcb_v"}),
    ("f_T", "", "ft_typ_hz", "", {}),
    ("C_ob", "", "cob_typ_f", "", {"vcb_V": "cob_typ_vcb_v"}),
    *(("V_F", "", "", f"vf{k}_max_v", {"if_A": f"vf{k}_if_a"}) for k in "12"),
    *(("I_R", "", "", f"ir{k}_max_a", {"vr_V": f"ir{k}_vr_v"}) for k in "12"),
    ("V_BR", "vbr_min_v", "", "", {"ir_A": "vbr_ir_a"}),
    ("V_Z", "vz_min_v", "vz_nom_v", "vz_max_v", {"iz_A": "izt_a"}),
    ("Z_ZT", "", "", "zzt_max_ohm", {"iz_A": "izt_a"}),
    ("Z_ZK", "", "", "zzk_max_ohm", {"iz_A": "izk_a"}),
    ("I_ZM", "", "", "izm_a", {}),
    ("C", "", "", "c_max_f", {"vr_V": "c_vr_v"}),
    ("t_rr", "", "", "trr_max_s", {}),
]  # fmt: skip
#: What the shelf has besides: type (its beginning) -> symbols of further rows read in the same documents.
MORE = {
    "BC5": ("V_BE(on)",), "BDW9": ("V_F",), "2N3903": ("V_BE(sat)",), "2N3904": ("h_FE", "V_BE(sat)"),
    "2N3906": ("h_FE", "V_BE(sat)"), "2N2222A": ("h_FE",), "2N2219A": ("h_FE",), "2N404": ("V_BE(sat)",),
    "TIP35C": ("V_BE(on)",), "TIP36C": ("V_BE(on)",), "BD249": ("V_BE(on)",), "BD250": ("V_BE(on)",),
    "2N4401": ("V_BE(sat)",), "2N4403": ("V_BE(sat)",), "2N2907A": ("V_BE(sat)",), "1N4150": ("V_F",),
}  # fmt: skip
#: What stands otherwise, and why.
OTHERWISE = {
    # the cut-off frequency of early germanium types is that of the common base, f_hfb
    "2N404": ("f_T",), "2N43A": ("f_T",), "2N44A": ("f_T",), "OC72": ("f_T",),
    # the sheet's collector-base figure is rated with a resistor from base to emitter: V_CER
    "BD249": ("V_CBO",), "BD250": ("V_CBO",),
    # the sheet gives a least forward voltage as well
    "1N4150": ("V_F",),
}  # fmt: skip


def rows(name):
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def number(row, column):
    return float(row[column]) if row.get(column) else nan


def same(a, b):
    # both are decimal figures of at most six digits; only the scaling by a prefix lies between them
    return isnan(a) and isnan(b) or isclose(a, b, rel_tol=1e-9)


def name_of(row):
    """Name on the shelf: two types of one row are found by either, a version is part of the name."""
    return row["type"].split(" / ")[0].replace(" (", " ").replace(" version)", "")


def different(row, part):
    """What of a type's row the shelf says otherwise, in words; ratings, limits with conditions, the words."""
    found = [f"{symbol} is {part.rating(symbol):g}" for column, symbol in RATINGS.items()
             if column in row and not same(number(row, column), part.rating(symbol))]  # fmt: skip
    where, at_C = power_reference(part)
    kind = row.get("rth_kind", "")
    for start, symbol in (("j-a", "R_thJA"), ("j-lead", "R_thJL"), ("j-c", "R_thJC")):
        # a typical thermal resistance is no limit: it stands in the remarks of the row
        stated = number(row, "rth_k_per_w") if kind.startswith(start) and "typical" not in kind else nan
        if "rth_kind" in row and not same(stated, part.rating(symbol)):
            found.append(f"{symbol} is {part.rating(symbol):g}")
    if row.get("ptot_ref") and (
        not row["ptot_ref"].startswith(where) or at_C != float(row.get("ptot_tref_c") or 25)
    ):
        found.append(f"P_tot holds at {where} {at_C:g}")
    for symbol in dict.fromkeys(symbol for symbol, *_ in LIMITS):
        sheet = [
            (*(number(row, column) for column in (low, typical, high)),
             {field: number(row, column) for field, column in at.items() if row.get(column)})
            for name, low, typical, high, at in LIMITS
            if name == symbol and any(row.get(column) for column in (low, typical, high))
        ]  # fmt: skip
        # a typical figure from memory stands on no sheet, and is no limit
        shelf = [(x.low, x.typical, x.high, x.at) for x in part.find(symbol)
                 if x.basis != "from memory" or not (isnan(x.low) and isnan(x.high))]  # fmt: skip
        for one in sheet:
            match = next((x for x in shelf if all(map(same, one[:3], x[:3])) and one[3].keys() == x[3].keys()
                          and all(same(one[3][k], x[3][k]) for k in one[3])), None)  # fmt: skip
            if match is None:
                found.append(f"{symbol} {one} is not there")
            else:
                shelf.remove(match)
        if shelf and symbol not in excused(MORE, part):
            found.append(f"{symbol} {shelf} stands on no sheet")
    return [one for one in found if one.split()[0] not in excused(OTHERWISE, part)]


def excused(table, part):
    return next((symbols for start, symbols in table.items() if part.name.startswith(start)), ())


def every_difference():
    shelf, found = type_shelf(), {}
    for table in ("sheets_bjt.csv", "sheets_diode.csv"):
        for row in rows(table):
            part = shelf.get(name_of(row))
            if part is None:
                found[row["type"]] = ["is not on the shelf"]
            elif wrong := different(row, part):
                found[part.name] = wrong
    return found


@pytest.mark.external
def test_every_figure_is_that_of_its_sheet():
    assert not every_difference()


@pytest.mark.external
def test_what_a_type_is_agrees_with_its_sheet():
    shelf, material = type_shelf(), {"Si": "silicon", "Ge": "germanium"}
    for row in rows("sheets_bjt.csv"):
        part = shelf.get(name_of(row))
        assert (part.polarity, part.material) == (row["polarity"], material[row["material"]]), part.name
        assert (part.kind == "darlington") == (row["darlington"] == "1"), part.name
        assert part.secondary == bool(row["secondary"]), part.name
        resistors = tuple(float(row[k]) for k in ("r1_be_ohm_typ", "r2_be_ohm_typ") if row[k])
        assert part.r_be_ohm == resistors, part.name
    for row in rows("sheets_diode.csv"):
        part = shelf.get(name_of(row))
        kind = {"zener": "Zener", "ultrafast rectifier": "fast rectifier"}.get(row["kind"], row["kind"])
        assert part.kind in kind and part.secondary == bool(row["secondary"]), part.name


def test_what_is_remembered_informs_and_is_marked():
    """Figures from memory: the same on both copies, and none of them stands as published."""
    shelf = type_shelf()
    for row in rows("remembered_bjt.csv"):
        part = shelf.get(row["type"])
        assert part.secondary and part.polarity == row["polarity"], part.name
        if part.standing != "from memory":  # three of them stand by a reference page, which is better
            assert part.name in ("2SC5200", "2SC4793", "2SC2240") and part.standing == "secondary"
            continue
        assert not different(row, part), part.name
        assert {limit.basis for limit in part.limits} == {"from memory"}
        assert part.complement == row["complement"] and part.source == "from memory"


@pytest.mark.external
def test_lead_orders_are_those_of_the_sheets():
    shelf, seen = type_shelf(), Counter()
    for row in rows("lead_orders.csv"):
        part = shelf.get(row["type"])
        if part is None:
            continue  # an order is on record, no sheet of the type
        seen[part.leads_basis] += 1
        assert part.leads == row["order"].replace("-", ""), part.name
        page = "secondary" in row["source"] or row["source"].startswith("reference")
        assert part.leads_basis == ("secondary" if page else "published"), part.name
        assert part.leads_source == row["source"] or part.name in ("2SC2910", "2SA1208", "KTA1695")
        assert records("lead_orders")[row["type"]].view == row["view"], part.name
    assert seen["published"] > 230


@pytest.mark.external
def test_pairs_that_a_maker_names_are_in_the_table_with_their_source():
    """All of them, and nothing beside them that does not stand as remembered."""
    copy = {(row["npn"], row["pnp"]): row["source"] for row in rows("complements.csv")}
    table = {(one.npn, one.pnp): one for one in records("complements").values()}
    assert {pair: one.source for pair, one in table.items() if one.basis != "from memory"} == copy


@pytest.mark.external
def test_complements_are_those_of_the_sheets():
    shelf, both = type_shelf(), 0
    twice = Counter(name for row in rows("complements.csv") for name in (row["npn"], row["pnp"]))
    for row in rows("complements.csv"):
        npn, pnp = shelf.get(row["npn"]), shelf.get(row["pnp"])
        assert npn is None or npn.polarity == "NPN" and (npn.complement == row["pnp"] or twice[npn.name] > 1)
        assert pnp is None or pnp.polarity == "PNP" and (pnp.complement == row["npn"] or twice[pnp.name] > 1)
        both += npn is not None and pnp is not None
    assert both > 100


@pytest.mark.parametrize("table", ["types_bjt", "types_diode", "limits_bjt", "limits_diode"])
def test_a_fifth_more_or_less_in_fifty_rows_is_noticed(table):
    """In a copy of the table, one figure in each of fifty rows is changed: every one of them is named."""
    _, heading, body = read(table)
    numbers = [k for k, name in enumerate(heading) if name in ("min", "typ", "max") or name.split("_")[-1] in
               ("V", "A", "W", "C") and name != "P_tot_at"]  # fmt: skip
    known = {plain_name(name_of(row)) for kind in ("bjt", "diode") for row in rows(f"sheets_{kind}.csv")}
    random = np.random.default_rng(13)
    more = {(name, symbol) for name, symbols in MORE.items() for symbol in symbols} | {("", "I_S/b")}
    able = [k for k, row in enumerate(body) if plain_name(row[0]) in known and any(row[n] for n in numbers)
            and not any(row[0].startswith(name) and row[1] == symbol for name, symbol in more)
            and "from memory" not in row]  # fmt: skip
    changed = [list(row) for row in body]
    names = set()
    for k in random.choice(able, 50, replace=False):
        stated = [n for n in numbers if body[k][n]]
        # a typical figure moved past its own bounds is refused by the shelf itself
        n = random.choice([n for n in stated if heading[n] != "typ"] or stated)
        # lower where a higher one would stand above another rating, which the shelf refuses by itself
        lower = heading[n] in ("V_CEO_V", "I_C_A", "min", "V_R_V")
        changed[k][n] = repr(float(body[k][n]) * (0.8 if lower else 1.2))
        names.add(body[k][0])
    with replaced(table, changed):
        noticed = set(every_difference())
    assert names <= noticed, sorted(names - noticed)


@pytest.mark.external
def test_limits_of_matched_duals_are_those_of_their_sheets():
    """Every row of the sheets' own columns, and no other; a ratio is the lower reading over the higher."""
    duals, names = matched_duals(), []
    for row in rows("matched_pairs.csv"):
        names.append(row["type"])
        words = ("type", "polarity", "other", "source")
        value = {column: number(row, column) for column in row if column not in words}
        gain = {"ic_A": value["hfe_ic_a"], "vce_V": value["hfe_vce_v"]}
        drift = {"ic_A": value["track_ic_a"], "vce_V": value["track_vce_v"]}
        sheet = [
            ("h_FE1/h_FE2", value["hfe_ratio_min"], value["hfe_ratio_max"], gain),
            ("h_FE match", nan, value["hfe_match_max_percent"] / 100, gain),
            *(("|V_BE1-V_BE2|", nan, value[f"dvbe{k}_max_v"],
               {"ic_A": value[f"dvbe{k}_ic_{least}a"], "ic_max_A": value[f"dvbe{k}_ic_max_a"],
                "vce_V": value[f"dvbe{k}_vce_v"]}) for k, least in ((1, ""), (2, "min_"))),
            ("|d(V_BE1-V_BE2)/dT|", nan, value["track_max_v_per_k"], drift),
            *(("|change of V_BE1-V_BE2|", nan, value[f"track_dv_{end}_v"],
               {**drift, "temp_C": value[f"track_{end}_from_c"], "temp_end_C": value[f"track_{end}_to_c"]})
              for end in ("cold", "hot")),
        ]  # fmt: skip
        if row["other"]:  # a mirror's, in words: current ratio IC1/IE2 0.7..1.3 at IE2 0.5 mA, VCE1 5 V
            low, high, ie_mA, vce_V = map(float, re.findall(r"(?<![A-Z])\d+(?:\.\d+)?", row["other"])[:4])
            sheet.append(("I_C1/I_E2", low, high, {"ie_A": ie_mA / 1000, "vce_V": vce_V}))
        sheet = [line for line in sheet if not (isnan(line[1]) and isnan(line[2]))]
        for (symbol, low, high, at), limit in zip(sheet, duals[row["type"]], strict=True):
            stated = {field: x for field, x in at.items() if not isnan(x)}
            assert limit.symbol == symbol and same(limit.low, low) and same(limit.high, high), limit
            if limit.basis == "claim, not a limit":  # its range stands in the sheet's words alone
                continue
            assert limit.at.keys() == stated.keys() and limit.basis == "published", limit
            assert all(same(limit.at[k], stated[k]) for k in stated), limit
        polarity = records("matched_duals")[row["type"]].polarity
        assert polarity == row["polarity"] and records("matched_duals")[row["type"]].source == row["source"]
    assert names == [*records("matched_duals")] == [*duals]


@pytest.mark.external
def test_an_outlines_usual_order_is_what_its_sheets_state():
    """Where the sheets of an outline agree it may be the usual one; where they do not, there is none."""
    stated, held = {}, 0
    for row in rows("lead_orders.csv"):
        stated.setdefault(row["package"], set()).add(row["order"].replace("-", ""))
    for name, outline in packages().items():
        if name in stated and outline.leads:
            assert stated[name] == {outline.leads}, name
            held += 1
    assert held >= 13 and len(stated["TO-92"]) == 4 and not packages()["TO-92"].leads
