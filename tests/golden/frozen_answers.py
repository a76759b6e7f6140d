"""What junction answers to the frozen bags, cut down to the decisions; and how far an answer may move.

``frozen.json.gz`` holds, for every bag, a checksum of its text and the answers of its commands.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import math
import zlib
from pathlib import Path

from junction.cli.main import main
from tests.golden.frozen_bags import Bag, bags

FILE = Path(__file__).with_name("frozen.json.gz")
COMMANDS = ("sort", "fit", "match", "check", "stage", "substitute")
#: Upper ends of grades A, B and C.  The interval that earns a grade is drawn at random from a factor of the
#: covariance, which comes out otherwise on another processor: so near an end (in ln) the next grade will do.
GRADES, GRADE_ENDS, NEAR = ("A", "B", "C", "none"), (0.05, 0.10, 0.20), 0.25


def checksum(bag: Bag) -> int:
    """Checksum of everything that is put into the program."""
    return zlib.crc32(repr((bag.text, bag.calls)).encode())


def run(call: tuple[str, ...], folder: Path, text: str) -> dict:
    """Run one command line in process.

    Parameters
    ----------
    call : tuple of str
        ``BAG`` stands for the file.
    folder : Path
        For the bag and the JSON.
    text : str
        The bag.

    Returns
    -------
    dict
        The JSON, or ``{"stopped": line}`` where there is none.
    """
    bag, out = folder / "bag.csv", folder / "out.json"
    bag.write_text(text, encoding="utf-8")
    out.unlink(missing_ok=True)
    words = [str(bag) if word == "BAG" else word for word in call]
    said = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
        main([*words, "--json", str(out)])
    if not out.exists():
        return {"stopped": said.getvalue().replace(f"{folder}/", "").strip()}
    return json.loads(out.read_text(encoding="utf-8"))


def _p(x: float | None) -> float | None:
    return None if x is None else round(x, 4)


def _g(x: float | None, digits: int) -> float | None:
    return None if x is None else float(f"{x:.{digits}g}")


def _aside(data: dict) -> list[str]:
    return [f"{s['row']} {s['column']}: {s['reason']}" for s in data["set_aside"]]


def _verdicts(data: dict) -> dict:
    """Decisions of sort and check, by part in the order given."""
    out = {}
    for n, part in enumerate(data["parts"]):
        d = part["device"]
        leads = " ".join(f"{k}={v}" for k, v in sorted(d.get("leads", {}).items()))
        out[part["part"] or "part"] = {
            "place": n, "verdict": part["verdict"], "faults": part["faults"],
            "p": {k: _p(v) for k, v in part["probability"].items()},
            "device": " ".join(x for x in (d["kind"], d["polarity"], d["material"], leads) if x),
            "evidence": part["evidence"][0] if part["evidence"] else "", "next": part["next"],
        }  # fmt: skip
    return {"parts": out, "aside": _aside(data)}


def _parameters(found: dict) -> dict:
    """Values with the width of their interval, which says how far one may move and still be the same."""
    out = {}
    for name, it in found.items():
        if isinstance(it, dict) and "value" in it:
            ends = it["low"], it["high"]
            width = ends[1] - ends[0] if None not in ends else None
            out[name] = {"fitted": _g(it["value"], 6), "width": _g(width, 2)}
    return out


def _fits(data: dict) -> dict:
    """Models and parameters of fit."""
    out = {}
    for part in data["parts"]:
        for s in part["sweeps"]:
            fit = s["fit"] or {}
            out[f"{part['part']} {s['junction']}"] = {
                "model": fit.get("model"), "points": fit.get("points_used"), "why_not": s["why_not"],
                **_parameters(fit),
            }  # fmt: skip
        if part["transistor"]:
            t = part["transistor"]
            out[part["part"]] = {"polarity": t["polarity"], "why_not": t["why_not"], "held": t["held"],
                                 **_parameters(t["parameters"])}  # fmt: skip
    return {"fits": out, "aside": _aside(data)}


def _grade(s: dict) -> str:
    """Grade, with a question mark where the end of an interval lies near the end of a grade."""
    ends = [s[k]["high"] for k in ("imbalance_idle", "imbalance_peak") if s[k] and s[k]["high"]]
    near = any(abs(math.log(end / grade)) < NEAR for end in ends for grade in GRADE_ENDS)
    return s["grade"] + "?" * near


def _sets(data: dict) -> dict:
    """Matched sets with grade and imbalance, and what was left over."""
    sets = {}
    for s in data["sets"]:
        values = {k: s[f"imbalance_{k}"] for k in ("idle", "peak")}
        sets[" ".join(s["parts"])] = {
            "grade": _grade(s),
            **{f"imbalance {k}": _g(it["value"], 4) for k, it in values.items() if it},
        }
    return {"sets": sets, "left": {x["part"]: x["why"] for x in data["left_over"]},
            "proven": data["optimality_basis"].split(":")[0], "refused": data["refused"],
            "aside": _aside(data)}  # fmt: skip


def _stage(data: dict) -> dict:
    """Operating points, heat and limits of a stage, and its measured drops."""
    stage, drops = data["stage"], data["measured_drops"]
    out = {"idle": _g(stage["idle"]["total_A"], 6), "peak": _g(stage["peak"]["total_A"], 6),
           "loop gain": _g(stage["loop_gain_device"], 6), "findings": stage["findings"],
           "heat": {d["case"]: _g(d["average_W"], 6) for d in stage["dissipation"]},
           "limits": {f"{x['type']} {x['quantity']}": x["verdict"] for x in stage["limits"]}}  # fmt: skip
    if drops:
        out |= {"overall": drops["overall"], "bias": drops["bias"], "alarm": drops["alarm"]}
        out["drops"] = {
            d["position"]: {"verdict": d["verdict"], "p": _p(d["probability"]), "next": d["next"],
                            "expected": _g(d["expected_V"]["value"], 5)}
            for d in drops["drops"]
        }  # fmt: skip
    return out


def _candidates(data: dict) -> dict:
    """Replacements with their result and weakest figure."""
    out = {}
    for n, c in enumerate(data["candidates"]):
        weakest = c["weakest"] or {"figure": "", "margin": None}
        out[f"{c['tag']} {c['candidate']}".strip()] = {
            "place": n, "result": c["result"], "weakest": weakest["figure"],
            "margin": _g(weakest["margin"], 6), "lines": " ".join(line["result"][0] for line in c["lines"]),
        }  # fmt: skip
    return {"candidates": out, "aside": _aside(data)}


_DIGEST = {"sort": _verdicts, "check": _verdicts, "fit": _fits, "match": _sets, "stage": _stage,
           "substitute": _candidates}  # fmt: skip


def answers(bag: Bag, command: str, folder: Path) -> dict | None:
    """Decisions of one command on a bag; None where the bag is not for it.

    Parameters
    ----------
    bag : Bag
    command : str
        One of `COMMANDS`.
    folder : Path
        Where files may be written.

    Returns
    -------
    dict or None
    """
    for call in bag.calls:
        if call[0] == command:
            data = run(call, folder, bag.text)
            return data if "stopped" in data else _DIGEST[command](data)
    return None


def kept() -> dict:
    """The frozen answers: bag name to ``{"checksum": ..., command: answers}``."""
    return json.loads(gzip.decompress(FILE.read_bytes()))


def renewed(folder: Path) -> dict:
    """Today's answers, in the form of `kept`."""
    out = {}
    for bag in bags():
        found = {c: answers(bag, c, folder) for c in COMMANDS}
        out[bag.name] = {"checksum": checksum(bag), **{c: a for c, a in found.items() if a is not None}}
    return out


def _same_number(old: float, new: float, where: str) -> bool:
    if ".p." in where or where.endswith(".p"):
        return abs(old - new) <= 2e-4  # written with four digits
    # four digits of an imbalance, six of the rest, and a little: another processor rounds another way
    if "imbalance" in where:
        return math.isclose(old, new, rel_tol=1e-3, abs_tol=1e-5)
    return math.isclose(old, new, rel_tol=1e-5)


def _same_fit(old: dict, new: dict) -> bool:
    """Whether a fitted value is the same to six digits, or to a hundredth of its interval."""
    a, b = old["fitted"], new["fitted"]
    if a is None or b is None:
        return a == b
    room = 0.01 * (old["width"] or 0.0)
    return abs(a - b) <= max(room, 1e-5 * abs(a))


def differences(old, new, where: str = "") -> list[str]:
    """Lines ``field: old -> new`` for everything that is not the same.

    Parameters
    ----------
    old, new : JSON values
        Of `kept` and of `answers`.
    where : str, optional
        Field they stand in.

    Returns
    -------
    list of str
    """
    if isinstance(old, dict) and isinstance(new, dict):
        if "fitted" in old and "fitted" in new:
            return [] if _same_fit(old, new) else [f"{where}: {old['fitted']} -> {new['fitted']}"]
        out = []
        for key in dict.fromkeys([*old, *new]):
            inner = f"{where}.{key}" if where else key
            if key not in new or key not in old:
                what = ("gone, was", old[key]) if key in old else ("new:", new[key])
                out.append(f"{inner}: {what[0]} {json.dumps(what[1], ensure_ascii=False)}")
            else:
                out += differences(old[key], new[key], inner)
        return out
    if where.endswith(".grade") and "?" in f"{old}{new}":
        place = [GRADES.index(x.rstrip("?")) for x in (old, new)]
        return [] if abs(place[0] - place[1]) <= 1 else [f"{where}: {old} -> {new}"]
    numbers = all(isinstance(x, int | float) and not isinstance(x, bool) for x in (old, new))
    if old == new or (numbers and _same_number(old, new, where)):
        return []
    return [f"{where}: {json.dumps(old, ensure_ascii=False)} -> {json.dumps(new, ensure_ascii=False)}"]
