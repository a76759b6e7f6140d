"""The same input gives the same bytes: again, elsewhere, in another zone and language, rows in any order."""

import contextlib
import io
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from junction.cli.main import main
from tests.golden.report_cases import _DRAWER, _FITTED, _READINGS, EPOCH, _frozen

#: Parts in the order of their rows; sweeps a part each, since the order of a sweep's own points is data.
FILES = {"bag.csv": _READINGS, "sweeps.csv": _frozen("sweeps 17"), "spots.csv": _FITTED,
         "drawer.csv": _DRAWER}  # fmt: skip
RUNS = (
    "sort bag.csv sweeps.csv -o out --job 1207", "fit sweeps.csv -o out --plots pdf",
    "match spots.csv --parallel 2 --emitter-resistor 0.22ohm --supply 35V --idle-drop 20mV -o out",
    "substitute 2N3055 --bag drawer.csv -o out", "resistor 0.25ohm --power 2W -o out",
    "check B-E=0.571 E-B=OL B-C=0.002 C-B=0.002 --type 2N3055 --part Q2 -o out",
    "stage --parallel 2 --emitter-resistor 0.22ohm --supply 35V --idle-drop 20mV "
    "--measured-drops 20mV,20mV,21mV,5mV -o out",
)  # fmt: skip


def laid(folder, way=1):
    """The files, in a folder of their own, their rows (of sweeps whole ones) forwards or backwards."""
    folder.mkdir()
    for name, text in FILES.items():
        head, *rows = text.splitlines()
        blocks: dict[str, list[str]] = {}
        for k, row in enumerate(rows):
            blocks.setdefault(row.split(",")[0] if name == "sweeps.csv" else str(k), []).append(row)
        text = "\n".join([head, *(row for key in [*blocks][::way] for row in blocks[key])]) + "\n"
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def written(folder):
    """Every file of the job's folder by name, after all runs; what was printed among them."""
    said = io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        for line in RUNS:
            assert main([*shlex.split(line), "--more"]) in (0, 1), line
    files = {path.relative_to(folder / "out").as_posix(): path.read_bytes()
             for path in (folder / "out").rglob("*") if path.is_file()}  # fmt: skip
    return files | {"said": said.getvalue().encode()}


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        return written(laid(tmp_path_factory.mktemp("first") / "a"))


def unlike(one, other):
    assert one.keys() == other.keys()
    return [name for name in one if one[name] != other[name]]


def test_elsewhere_with_another_hash_seed_zone_and_language(first, tmp_path):
    folder = laid(tmp_path / "another folder")
    script = f"import sys, pathlib\nfrom {__name__} import written\nwritten(pathlib.Path(sys.argv[1]))"
    env = os.environ | {"SOURCE_DATE_EPOCH": EPOCH, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo", "LC_ALL": "C",
                        "PYTHONUTF8": "0"}  # fmt: skip
    root = Path(__file__).resolve().parents[2]
    subprocess.run([sys.executable, "-c", script, str(folder)], env=env, cwd=root, check=True)
    again = {name: (folder / "out" / name).read_bytes() for name in first if name != "said"}
    assert unlike({name: text for name, text in first.items() if name != "said"}, again) == []
    made = {run["when"] for run in json.loads(first["job.json"])["entries"]}
    assert made == {"2026-01-02 03:00 +0000"}


def as_any_order(text):
    """A document without what follows the order of files and rows, as `reference/python.md` says it."""
    text = re.sub(r'"(row|first_line|last_line)": \d+', r'"\1": 0', text)
    document = json.loads(re.sub(r"\bline \d+", "line 0", text))
    for key in {"files", "set_aside"} & document.keys():
        document[key].sort(key=json.dumps)
    return json.dumps(document)


def test_rows_and_files_in_another_order(first, tmp_path, monkeypatch):
    """Byte for byte but for line numbers: of pages and tables too where no line is told."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    other = written(laid(tmp_path / "other", way=-1))
    told = {"sort.html", "fit.html", "substitute.html", "set_aside.csv", "verdicts.csv", "parameters.csv",
            "said"}  # fmt: skip
    assert {*unlike(first, other)} <= {f"{name}.json" for name in ("sort", "fit", "substitute")} | told
    for name in first:
        text, again = (files[name].decode("utf-8", "replace") for files in (first, other))
        if name.endswith(".json"):
            assert as_any_order(text) == as_any_order(again), name
        elif name in told - {"said"}:  # the same words and figures, whichever line they are on
            lines = [sorted(re.sub(r"\d+", "0", t).replace("><", ">\n<").splitlines()) for t in (text, again)]
            assert lines[0] == lines[1], name
    monkeypatch.setattr(sys.modules[__name__], "RUNS", ["sort sweeps.csv bag.csv -o out --job 1207"])
    turned = json.loads(written(laid(tmp_path / "turned"))["sort.json"])
    assert turned["files"] == ["sweeps.csv", "bag.csv"]
    assert as_any_order(json.dumps(turned)) == as_any_order(first["sort.json"].decode())
