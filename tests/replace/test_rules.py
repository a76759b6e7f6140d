"""Every convention of substitution is a row of a table: change it, and an answer moves."""

from dataclasses import replace
from types import SimpleNamespace

from junction.replace import rank
from junction.replace.order import order_of
from junction.replace.substitute import compare
from junction.replace.suggest import suggest
from junction.shelf import tables
from junction.shelf.tables import Limit
from junction.shelf.types import find_type, type_shelf
from tests.replace.test_order import bad
from tests.replace.test_substitute import made


def settled(a, b):
    return lambda: (compare(a, b).result, compare(a, b).warnings)


def leveled(**changes):
    return lambda: rank.level(compare(made(), made(**changes)))


def costs(**changes):
    return lambda: compare(made(), made(**changes)).cost


def with_power(watts, where):
    part = made()
    limits = [x for x in part.limits if x.symbol not in ("P_tot", "R_thJC", "R_thJA")]
    return replace(part, limits=(*limits, Limit("P_tot", high=watts, at={where: 25.0})))


def names(type_):
    return lambda: [one.candidate for one in suggest(find_type(type_), type_shelf(), 8)]


def typical_speed():
    limits = [Limit("f_T", typical=x.low) if x.symbol == "f_T" else x for x in made(ft=5e6).limits]
    return replace(made(), limits=tuple(limits))


VIDEO = {"V_CEO": 200.0, "V_CBO": 200.0}
#: Rule -> factor on its value, and the answer that it moves.
CASES = {
    "gain_short": (1.3, settled(made(), made(hfe=((1.0, 12.0, 70.0),)))),
    "gain_informs": (0.1, lambda: compare(made(), made(hfe=((0.02, 9.0, 70.0),))).lines),
    "gain_elsewhere_counts": (0.5, costs(hfe=((0.02, 9.0, 70.0),))),
    "noise_stage_A": (0.1, settled(find_type("BC547B"), find_type("BC548B"))),
    "small_diode_A": (0.1, settled(find_type("BAT85"), find_type("1N5818"))),
    "small_diode_over": (10, settled(find_type("BAT85"), find_type("1N5818"))),
    "small_diode_counts": (2, lambda: compare(find_type("BAT85"), find_type("1N5818")).cost),
    "speed_short": (1.3, settled(made(ft=5e8), made(ft=3e8))),
    "speed_short_any": (1.3, settled(made(ft=2e7), made(ft=5e6))),
    "speed_matters": (3, settled(made(ft=2e7), made(ft=3e6))),
    "speed_rf": (1.3, settled(made(ft=5e8), made(ft=2e8))),
    "speed_video": (1.3, settled(made(ft=6e7, **VIDEO), made(ft=2e7, **VIDEO))),
    "speed_video_voltage": (1.4, settled(made(ft=6e7, **VIDEO), made(ft=2e7, **VIDEO))),
    "heat_hotter": (1.3, settled(made(), made(R_thJC=1.8))),
    "near_miss": (1.3, leveled(V_CEO=60.0)), "near_miss_current": (1.3, leveled(I_C=6.0)),
    "speed_typical": (2, lambda: compare(typical_speed(), made(ft=3e6)).lines),
    "over_much": (2, costs(I_C=80.0)), "over_counts": (2, costs(I_C=80.0)),
    "cost_clear": (2, names("2N5401")), "cost_most": (0.3, names("MJE340")),
    "power_far_less": (0.1, lambda: compare(with_power(100.0, "case_C"), with_power(20.0, "lead_C")).lines),
    "shortfall_most": (2, costs(V_EBO=0.5)),
    "shortfall_counts": (3, names("2N5551")),
    "zener_window": (0.3, names("1N5338B")),
    "order_both_W": (0.5, lambda: order_of([bad("Q1", "BD139")]).rows[0].complement),  # 12.5 W: a driver
}  # fmt: skip


def test_every_rule_moves_an_answer(monkeypatch):
    table = dict(tables.rules())
    for name, (factor, answer) in CASES.items():
        before = answer()
        with monkeypatch.context() as patch:
            value = factor * table[name].value
            patch.setattr(tables, "rules", lambda n=name, v=value: table | {n: SimpleNamespace(value=v)})
            tables.rule.cache_clear()
            after = answer()
        tables.rule.cache_clear()
        assert before != after, name


#: Pairs of types in whose comparison every weight counts somewhere.
PAIRS = (
    ("2N3055", "2N5886"), ("2N3055", "TIP41C"), ("TIP41C", "2N3055"), ("2N3904", "BC547"),
    ("BC547B", "2SC1815"), ("2N3904", "MPSA18"), ("2SC2073", "2SC5200"), ("2SC5200", "2SC3281"),
    ("2SC3281", "2SC5200"), ("BD139", "2SC4793"), ("2SC1815", "2N2222A"), ("1N4007", "1N4001"),
    ("1N4001", "UF4007"), ("UF4007", "1N4937"), ("1N4148", "1N5711"), ("1N5059", "1N4007"),
    ("1N4733A", "1N5338B"), ("1N5338B", "1N4733A"), ("1N4733A", "1N4732A"), ("1N4733A", "1N5231B"),
    ("1N5819", "1N5822"),
    ("1N5822", "1N6263"), ("MJ15003", "2N3055"), ("JAN2N3055", "2N3773"), ("TIP35C", "MJE340"),
    ("2SD1047", "BC547"), ("AC128", "AD162"),
)  # fmt: skip


def test_every_weight_counts(monkeypatch):
    pairs = [(find_type(a), find_type(b)) for a, b in PAIRS]
    assert all(a and b for a, b in pairs)
    # and what is not known, of a transistor, a rectifier and a Zener; less of everything; an insulated tab
    nothing = {"limits": (), "package": "", "leads": "", "complement": ""}
    pairs += [(a, replace(a, **nothing)) for a in (made(), *map(find_type, ("1N4148", "1N4001", "1N4733A")))]
    pairs += [(made(), made(sb=((40.0, 1.0),))), (made(case_to="none"), made())]
    large = [Limit("C", high=9e-12) if x.symbol == "C" else x for x in find_type("1N4148").limits]
    pairs += [(find_type("1N4148"), replace(find_type("1N4148"), limits=tuple(large)))]
    found = [(compare(a, b, words=False).lines, a, b) for a, b in pairs]
    found.append(((), None, made(kind="darlington")))
    before, table = [rank.cost(*one) for one in found], dict(tables.records("weights"))
    idle = []
    for name, weight in table.items():
        for side in ("short", "over", "unknown"):
            if not getattr(weight, side):
                continue
            heavier = SimpleNamespace(**vars(weight) | {side: 2 * getattr(weight, side)})
            monkeypatch.setattr(rank, "_weights", lambda n=name, w=heavier: table | {n: w})
            if all(rank.cost(*one) == was for one, was in zip(found, before, strict=True)):
                idle.append((name, side))
    assert not idle, f"weights that move no cost: {idle}"
