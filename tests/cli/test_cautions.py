"""Each caution stands where the act is that it guards, and nowhere else.

Typed a second time here: what each caution has to say, which acts each command line reaches, and which line
the hand reads first.  So a caution that is removed, said of another act or no longer shown is named.
"""

import html
import json
import re

import numpy as np
import pytest

from junction.cli.main import main
from junction.shelf.tables import cautions, reference_folder

#: Act -> a phrase of each of its cautions, in order; with it what its short form says ('' none).
ACTS = {
    "meter": (("only on a dead, discharged circuit", "dead and discharged"),
              ("through a resistor, never with a screwdriver", ""), ("doubles for about every 10 K", ""),
              ("the black probe is the positive one in the ohms ranges", "")),
    "in circuit": (("Unplug the apparatus, wait, and measure the capacitors down to under a volt", "dead"),
                   ("lift a lead before a part is condemned", "")),
    "sweep": (("full collector voltage on the case of a TO-3 part: cover on, hands off, start from zero",
               "a case may stand at full voltage"), ("Stay below the registered V_EBO, V_CEO and P_tot", ""),
              ("do not touch the case", "")),
    "drops": (("with the power off and the capacitors discharged; then power on, hands off", "power off"),),
    "power-up": (("Mains voltage kills. Work on live apparatus only if you are trained", "mains kills"),
                 ("through a series lamp or a current-limited supply with the load off", ""),
                 ("TO-3 cases may stand at the full rail voltage", "a case may stand at full voltage")),
    "fitting": (("beryllia: whole they are safe, their dust is poison. Never file, break, sand or scrape one",
                 "never break a ceramic insulator"), ("measure case to sink for no path before power-up", ""),
                ("check which one the original was before the mica is left out", ""),
                ("check with the meter before soldering", "")),
    "resistor": (("hot enough to burn and to char the board", "hot enough to burn"),
                 ("fusible or flame-proof resistor only by one of the same kind", "")),
    "substitute": (("live work only if trained and allowed. Power up through a series lamp. Ceramic "
                    "insulators hold beryllia: never break one", ""),),
}  # fmt: skip
#: The one line of a terminal, by its act: what must stand in it.
LINES = {
    "check": "mains and charged capacitors kill. Unplug, discharge, measure under 1 V; a case may be live. "
             "Live work: licensed hands, local codes.",
    "good": "read only what is dead, discharged and measured under 1 V.",
    "sweep": "A curve tracer makes the case live.",
    "drops": "unplug, discharge, clip the probes on; power on through a series lamp, hands off: sinks may be "
             "live. Live work: licensed hands, local codes.",
    "power-up": "first power-up through a series lamp, load off; sinks and cases may be live. Live work: "
                "licensed hands, local codes.",
    "fitting": "unplug, discharge, measure under 1 V; sinks may be live; never break a ceramic insulator "
               "(beryllia). Live work: licensed hands, local codes.",
    "match": "fit unplugged, discharged; first power-up through a series lamp, cases live.",
    "resistor": "a resistor in service burns skin and board; replace a fusible one only by its kind.",
}  # fmt: skip

GOOD = "B-E=0.655 E-B=OL B-C=0.648 C-B=OL C-E=OL E-C=OL"
DEAD = "B-E=0.655 E-B=OL B-C=0.648 C-B=OL C-E=0.003 E-C=0.003"
STAGE = "--power 30W --load 8ohm --supply 30V --parallel 2 --emitter-resistor 0.47ohm"
DROPS = f"{STAGE} --idle-drop 20mV --measured-drops"
HEAD = "part,B-E,E-B,B-C,C-B,C-E,E-C,in_circuit\n"
_I = np.geomspace(1e-8, 1e-2, 25)


def _swept(leak_A):
    v = np.append(-np.linspace(5, 1, 5), 0.02569 * np.log1p(_I / 1e-14))
    i = np.append(-leak_A * np.linspace(1, 0.2, 5), _I)
    return "part,junction,v_V,i_A\n" + "".join(f"A,BE,{a:.5g},{b:.5g}\n" for a, b in zip(v, i, strict=True))


FILES = {
    "good.csv": f"{HEAD}A1,0.655,OL,0.648,OL,OL,OL,\n",
    "placed.csv": f"{HEAD}A1,0.655,OL,0.648,OL,OL,OL,yes\n",
    "dead.csv": f"{HEAD}A1,0.655,OL,0.648,OL,0.003,0.003,\n",
    "swept.csv": _swept(1e-11), "leaky.csv": _swept(1e-3),
    "spots.csv": "part,polarity,ic_A,vce_V,vbe_V,hFE,temp_C\n" + "".join(
        f"Q{k},NPN,0.1,5,{0.6 + k / 1000},{80 + k},25\n" for k in range(4)),
    "diodes.csv": "part,A-K,K-A\n" + "".join(f"D{k},{0.6 + k / 1000},OL\n" for k in range(4)),
}  # fmt: skip
#: Command line -> the acts of its page and JSON, those of --more where they are others, and its lines.
CALLS = {
    f"check {GOOD}": ("meter", None, "good"),
    f"check {DEAD}": ("meter, power-up", None, "check"),
    f"check {GOOD} --in-circuit": ("meter, in circuit", None, "check"),
    "sort good.csv": ("meter, power-up", None, "good"),
    "sort dead.csv": ("meter, power-up", None, "check"),
    "sort placed.csv": ("meter, in circuit, power-up", None, "check"),
    "sort swept.csv": ("sweep, power-up", None, "good"),
    "sort leaky.csv": ("sweep, power-up", None, "check sweep"),
    "sort good.csv swept.csv": ("meter, sweep, power-up", None, "good"),
    "fit swept.csv": ("sweep", None, ""),
    f"match spots.csv {STAGE}": ("fitting, power-up", None, "match"),
    "match spots.csv --layout differential": ("fitting, power-up", None, "match"),
    "match diodes.csv --layout string --current 1mA": ("power-up", None, "match"),
    "substitute 2N3055": ("fitting, power-up", "substitute", "fitting"),
    "substitute BC547": ("power-up", "substitute", "fitting"),
    "substitute 2N3055 MJ15003": ("fitting, power-up", "substitute", "fitting"),
    f"stage {STAGE}": ("fitting, power-up", None, "power-up"),
    f"stage {DROPS} 19.5mV,21.2mV,20mV,20mV": ("fitting, power-up, drops", None, "drops"),
    # switch off now: the act alone
    f"stage {DROPS} 100mV,102mV,99mV,101mV": ("fitting, power-up, drops", "", "drops"),
    "resistor 8ohm --power 50W": ("resistor", None, "resistor"),
    "resistor 100ohm --power 1W --reading 101ohm": ("resistor, meter 1", None, "resistor"),
    "resistor 100ohm --power 1W --reading 90ohm --in-circuit":
        ("resistor, in circuit", None, "check resistor"),
}  # fmt: skip


def flat(text):
    """Words of a terminal or of a page, without breaks and marks; V_BE as the table has it."""
    text = re.sub(r"<(style|script).*?</\1>", "", text, flags=re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]+>", "", re.sub(r"</?su[bp]>", "", text.replace("<li>", " <li>"))))
    return " ".join(re.sub(r"(?m)^ *(- |\d+\. )", " ", text).split()).replace("_", "")


def rows_of(acts):
    """(act, k) of every caution that belongs to such acts; ``meter 1``: the first alone."""
    for act in filter(None, (acts or "").split(", ")):
        name, _, most = act.rpartition(" ") if act[-1].isdigit() else (act, "", "")
        yield from ((name, k) for k in range(len(ACTS[name])) if not most or k < int(most))


def told(text):
    """Cautions of the list above that stand in a text."""
    return {(act, k) for act, rows in ACTS.items() for k, (phrase, _) in enumerate(rows)
            if phrase.replace("_", "") in text}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("acts")
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("line", CALLS)
def test_a_caution_stands_where_its_act_is(line, folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    acts, whole, first = CALLS[line]
    wanted = set(rows_of(acts))

    def said(*more):
        assert main([*line.split(" "), *more]) == 0
        return capsys.readouterr().out

    short = flat(said())
    assert {act for act, line in LINES.items() if flat(line) in short} == {*first.split()}
    # the curve tracer's stands on the line of what is done now
    assert short.count("DANGER: ") == len([*filter(None, first.replace(" sweep", "").split())])
    out = str(folder / f"out{len([*folder.iterdir()])}")
    more = flat(said("--more", "-o", out))
    assert told(more) == (wanted if whole is None else set(rows_of(whole)))
    command = line.split()[0]
    document = json.loads((folder / out / f"{command}.json").read_text(encoding="utf-8"))
    assert told(flat("\n".join(document["cautions"]))) == wanted and len(document["cautions"]) == len(wanted)
    name = "index" if command in ("sort", "fit") else command
    page = (folder / out / f"{name}.html").read_text(encoding="utf-8")
    aside = re.search(r'<aside class="caution".*?</aside>', page, flags=re.DOTALL)[0]
    assert told(flat(aside)) == wanted
    summary = flat(re.search(r"<summary>(.*?)</summary>", aside)[1])
    assert summary.startswith("DANGER: ")
    assert all(ACTS[act][k][1].replace("_", "") in summary for act, k in wanted)


def test_every_caution_of_the_table_is_held_to_an_act():
    """Each row is one of those above, in its act and at its place; each act is reached, and also is not."""
    table = {}
    for one in cautions():
        table.setdefault(one.where, []).append(one)
    lines = {
        where.removeprefix("danger "): rows for where, rows in table.items() if where.startswith("danger ")
    }
    assert {act: [row.text for row in rows] for act, rows in lines.items()} == {
        a: [t] for a, t in LINES.items()
    }
    acts = {where: rows for where, rows in table.items() if where not in {f"danger {act}" for act in LINES}}
    assert {act: len(rows) for act, rows in acts.items()} == {act: len(rows) for act, rows in ACTS.items()}
    for act, rows in acts.items():
        for row, (phrase, short) in zip(rows, ACTS[act], strict=True):
            assert phrase in row.text and short in row.short and bool(short) == bool(row.short), row
    reached = [
        {act for act, _ in rows_of(f"{acts}, {whole}" if whole else acts)}
        for acts, whole, _ in CALLS.values()
    ]
    assert all(any(act in one for one in reached) and any(act not in one for one in reached) for act in ACTS)
    assert {act for *_, first in CALLS.values() for act in first.split()} == {*LINES}


#: What the page on safety must say, heading by heading.
SAFETY = {
    "Before a meter or tracer": (
        "only on a dead, discharged circuit", "through a resistor, never with a screwdriver", "under a volt",
        "full voltage on the metal case of a part: cover on, hands off, start from zero volt",
        "below the registered V_EBO, V_CEO and P_tot", "doubles for about every 10 K"),
    "Before power comes back": (
        "Mains voltage kills", "licensed practice", "One hand, and a second person near",
        "series lamp or a current-limited supply with the load off", "full rail voltage",
        "clip the meter on with the power off and the capacitors discharged, then power on and hands off"),
    "When parts are fitted": (
        "their dust is poison: never file, break, sand or scrape one", "measure case to sink for no path",
        "another lead order in the same package: check with the meter", "burn the hand and char the board",
        "fusible or flame-proof resistor only by one of the same kind"),
}  # fmt: skip


def test_the_page_on_safety_and_the_readme_say_it_too():
    page = (reference_folder() / "safety.md").read_text(encoding="utf-8")
    for heading, phrases in SAFETY.items():
        part = flat(page.partition(f"**{heading}")[2].partition("\n**")[0])
        for phrase in phrases:
            assert phrase.replace("_", "") in part, (heading, phrase)
    readme = flat((reference_folder().parent / "README.md").read_text(encoding="utf-8"))
    assert "reference/safety.md" in readme and "DANGER:" in readme
