"""Would the tests notice a bug?  ``nice -n 15 python -m tests.benchmarks.mutants SCRATCH [--rooms ...]``.

Deliberate bugs are drawn, seeded, over all rooms of junction/: an operator flipped, a constant changed, a
term or a factor dropped, a condition negated, a body skipped, an entry of a list or a keyword dropped ...
Each is put into a copy of the tree (never into the checkout) and the tests that execute its statement are
run, fastest first, until one fails.  ``--record`` first finds, once, which test executes which statements (in
a copy with a probe before every statement) and how long each takes; ``--record tests/sets`` renews some.

Results are appended to ``SCRATCH/results.jsonl``, so a run can be stopped and goes on where it was;
``--again`` runs the survivors once more; ``--report`` only prints.  Mutants that change nothing a user could
see are listed in ``mutants_equivalent.csv`` beside this file, each with its reason, and are counted apart.
"""

from __future__ import annotations

import argparse
import ast
import base64
import csv
import functools
import gc
import hashlib
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import types
import zlib
from collections import Counter, defaultdict
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
# share of the mutants that a test must notice; and the fewest drawn in a room, for a percentage to mean much
HIGH = ("physics", "sweeps", "transistor", "judge", "leads", "verdict", "sets", "amplifier")
TARGET = {True: 0.85, False: 0.75}
FEWEST = {True: 17, False: 10}
# tests of speed, of packaging, of the source's text: under load, or by a changed line, they fail for no bug
NOT_ASKED = ("tests/test_packaging.py", "tests/test_notebooks.py", "tests/test_layers.py", "tests/benchmarks",
             "tests/intake/test_speed.py", "tests/test_readme.py")
SLOW_S = 20.0  # a test above this comes last
MEMORY = 8 << 30  # bytes of address space of a run


class Statement(NamedTuple):
    """A statement of the tree: where it stands, and a key that lives through edits elsewhere."""

    key: str
    file: str
    line: int
    where: str  # function or class, empty at the top of a module
    static: bool  # run at import
    node: ast.stmt


class Mutant(NamedTuple):
    """One deliberate bug: a span of bytes of a file and what is written there instead."""

    key: str
    statement: Statement
    kind: str
    span: tuple[int, int]
    new: str
    change: str  # in words: old -> new

    @property
    def file(self) -> str:
        return self.statement.file

    @property
    def room(self) -> str:
        parts = Path(self.file).parts
        return parts[1] if len(parts) > 2 else "cli"


# ---------------------------------------------------------------- statements and what may be done to them


def statements(file: str, source: bytes) -> list[Statement]:
    """Every statement of a file."""
    lines, count, found = source.decode().splitlines(), Counter(), []

    def walk(body, where, static):
        for node in body:
            text = lines[node.lineno - 1].strip()
            count[where, text] += 1
            found.append(Statement(f"{file}|{where}|{text}|{count[where, text]}", file, node.lineno, where,
                                   static, node))
            inside = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            here = f"{where}.{node.name}".lstrip(".") if inside else where
            at_import = static and not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            for inner in bodies(node):
                walk(inner, here, at_import)

    walk(ast.parse(source).body, "", True)
    return found


def bodies(node: ast.AST) -> list[list[ast.stmt]]:
    """The blocks of statements of a compound statement."""
    out = [getattr(node, name, None) for name in ("body", "orelse", "finalbody")]
    out = [block for block in out if isinstance(block, list)]
    out += [h.body for h in getattr(node, "handlers", ())] + [c.body for c in getattr(node, "cases", ())]
    return [b for b in out if b]


FLIPPED = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"), ast.Pow: ("**", "*"),
    ast.FloorDiv: ("//", "*"), ast.Mod: ("%", "*"), ast.Lt: ("<", ">"), ast.Gt: (">", "<"),
    ast.LtE: ("<=", ">"), ast.GtE: (">=", "<"), ast.Eq: ("==", "!="), ast.NotEq: ("!=", "=="),
    ast.In: ("in", "not in"), ast.And: ("and", "or"), ast.Or: ("or", "and"),
}
_ENDS = ("min max", "minimum maximum", "fmin fmax", "argmin argmax", "nanmin nanmax", "any all", "floor ceil")
OTHER_END = {a: b for pair in _ENDS for a, b in (pair.split(), pair.split()[::-1])}
SYMMETRIC = {*OTHER_END, "hypot", "isinstance", "getattr", "hasattr", "array_equal", "isclose", "logaddexp"}
NOT_CHANGED = {"axis", "indent", "ndmin", "maxsplit", "stacklevel"}  # keywords whose number is an index
EMPTY = {"str": '""', "float": "0.0", "int": "0", "bool": "False", "list": "[]", "dict": "{}", "tuple": "()"}


def candidates(statement: Statement, source: bytes) -> list[Mutant]:
    """Every bug that can be put into one statement."""
    node, found = statement.node, []
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Global | ast.Nonlocal):
        return []
    starts = [0, *np.cumsum([len(line) for line in source.splitlines(keepends=True)])]

    def span(n, last=None):
        last = last or n
        end = int(starts[last.end_lineno - 1]) + last.end_col_offset
        return int(starts[n.lineno - 1]) + n.col_offset, end

    def text(n):
        return source[slice(*span(n))].decode()

    def put(kind, n, new, at=None):
        at = at or span(n)
        old, shown = source[slice(*at)].decode(), new
        if kind == "constant":  # with what stands before it, to tell one 0 of a line from the next
            before = source[max(at[0] - 20, int(starts[n.lineno - 1])):at[0]].decode().lstrip()
            old, shown = before + old, before + new
        change = " -> ".join(" ".join(x.split())[:90] for x in (old, shown))
        found.append(Mutant(f"{statement.key}|{kind}|{change}", statement, kind, at, new, change))

    def between(left, right, op, new, whole):
        at = span(left)[1], span(right)[0]
        gap = re.sub(rf"(?<!\w){re.escape(op)}(?!\w)|{re.escape(op)}" if op.isalpha() else re.escape(op),
                     f" {new} ", source[slice(*at)].decode(), count=1)
        a, b = span(whole)
        put("operator", whole, f"({source[a:at[0]].decode()}{gap}{source[at[1]:b].decode()})")

    def negate(test):
        put("negated", test, f"(not ({text(test)}))")

    def expression(n, parent):
        if isinstance(n, ast.JoinedStr):
            return  # positions inside are not told before Python 3.12
        if isinstance(n, ast.BinOp) and type(n.op) in FLIPPED and not any(
                isinstance(x, ast.JoinedStr | ast.List | ast.Tuple) or isinstance(getattr(x, "value", 0), str)
                for x in (n.left, n.right)):
            between(n.left, n.right, *FLIPPED[type(n.op)], n)
            if isinstance(n.op, ast.Add | ast.Sub | ast.Mult | ast.Div):
                kind = "term dropped" if isinstance(n.op, ast.Add | ast.Sub) else "factor dropped"
                put(kind, n, f"({text(n.left)})")
                if isinstance(n.op, ast.Add | ast.Mult):
                    put(kind, n, f"({text(n.right)})")
        elif isinstance(n, ast.Compare):
            sides = [n.left, *n.comparators]
            for a, b, op in zip(sides, sides[1:], n.ops, strict=False):
                if type(op) in FLIPPED:
                    between(a, b, *FLIPPED[type(op)], n)
                if isinstance(op, ast.Lt | ast.Gt | ast.LtE | ast.GtE) and any(
                        isinstance(x, ast.Constant) and isinstance(x.value, int)
                        or isinstance(x, ast.Call) and text(x.func) == "len" for x in (a, b)):
                    sign = FLIPPED[type(op)][0]
                    between(a, b, sign, sign[0] if len(sign) == 2 else f"{sign}=", n)
        elif isinstance(n, ast.BoolOp):
            op, new = FLIPPED[type(n.op)]
            gaps = zip(n.values, n.values[1:], strict=False)
            out, at = "", span(n)[0]
            for a, b in gaps:
                gap = source[span(a)[1]:span(b)[0]].decode()
                out += source[at:span(a)[1]].decode() + re.sub(rf"\b{op}\b", new, gap, count=1)
                at = span(b)[0]
            put("operator", n, f"({out}{source[at:span(n)[1]].decode()})")
        elif isinstance(n, ast.UnaryOp) and not isinstance(n.operand, ast.Constant):
            put("not removed" if isinstance(n.op, ast.Not) else "sign removed", n, f"({text(n.operand)})")
        elif isinstance(n, ast.IfExp):
            negate(n.test)
        elif isinstance(n, ast.comprehension):
            for test in n.ifs:
                negate(test)
        elif isinstance(n, ast.Constant):
            v = n.value
            if isinstance(v, bool):
                put("constant", n, str(not v))
            elif isinstance(v, int) and abs(v) < 1000 and not (
                    isinstance(parent, ast.Subscript | ast.Slice)
                    or isinstance(parent, ast.keyword) and parent.arg in NOT_CHANGED):
                put("constant", n, str(v + 1))
            elif isinstance(v, float) and 1e-6 < abs(v) < 1e20:
                put("constant", n, repr(v * 1.05))
        elif isinstance(n, ast.List | ast.Set | ast.Tuple):
            loose = isinstance(parent, ast.Compare | ast.For | ast.comprehension | ast.Assign | ast.Dict)
            if not isinstance(getattr(n, "ctx", None), ast.Store) and (
                    len(n.elts) > 1 and not isinstance(n, ast.Tuple) or len(n.elts) > 2 and loose):
                ends = {ast.List: "[]", ast.Set: "{}", ast.Tuple: "()"}[type(n)]
                for e in n.elts:
                    rest = ", ".join(text(x) for x in n.elts if x is not e)
                    put("entry dropped", n, f"{ends[0]}{rest}{ends[1]}")
        elif isinstance(n, ast.Dict) and len(n.values) > 1:
            both = zip(n.keys, n.values, strict=True)
            pairs = [f"{text(k)}: {text(v)}" if k else f"**{text(v)}" for k, v in both]
            for i in range(len(pairs)):
                put("entry dropped", n, "{" + ", ".join(pairs[:i] + pairs[i + 1:]) + "}")
        elif isinstance(n, ast.Call):
            name = text(n.func).rsplit(".", 1)[-1]
            if name in OTHER_END:
                a, b = span(n.func)
                put("other end", n.func, OTHER_END[name], (b - len(name), b))
            plain = not any(isinstance(a, ast.Starred | ast.GeneratorExp) for a in n.args)
            for a, b in zip(n.args, n.args[1:], strict=False) if plain and name not in SYMMETRIC else ():
                if text(a) != text(b) and isinstance(a, ast.Constant) == isinstance(b, ast.Constant) \
                        and isinstance(a, ast.List | ast.Tuple) == isinstance(b, ast.List | ast.Tuple):
                    between_ = source[span(a)[1]:span(b)[0]].decode()
                    put("arguments swapped", n, f"{text(b)}{between_}{text(a)}", (span(a)[0], span(b)[1]))
            for k in n.keywords if not any(isinstance(a, ast.GeneratorExp) for a in n.args) else ():
                if k.arg:
                    rest = ", ".join(text(x) for x in [*n.args, *n.keywords] if x is not k)
                    put("keyword dropped", n, f"{text(n.func)}({rest})")
        for child in ast.iter_child_nodes(n):
            expression(child, n)

    if isinstance(node, ast.If | ast.While):
        negate(node.test)
    if isinstance(node, ast.If):
        put("body skipped", node, "pass", span(node.body[0], node.body[-1]))
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call | ast.Yield | ast.YieldFrom) \
            or isinstance(node, ast.AugAssign | ast.Raise | ast.Continue | ast.Break):
        put("statement dropped", node, "pass")
    if isinstance(node, ast.AugAssign) and type(node.op) in FLIPPED:
        old, new = FLIPPED[type(node.op)]
        put("operator", node, text(node).replace(f"{old}=", f"{new}=", 1))
    if isinstance(node, ast.Return) and node.value is not None:
        empty = EMPTY.get(returns_of(statement).split("[")[0], "None")
        if text(node.value) == "False":
            empty = "True"
        put("return", node.value, empty)
    if isinstance(node, ast.FunctionDef):
        for default in [*node.args.defaults, *filter(None, node.args.kw_defaults)]:
            expression(default, node.args)
    elif isinstance(node, ast.AnnAssign) and node.value:
        expression(node.value, node)
    elif not isinstance(node, ast.ClassDef):
        for child in ast.iter_child_nodes(node):
            if not isinstance(child, ast.stmt | ast.ExceptHandler | ast.match_case):
                expression(child, node)
    return found


_RETURNS: dict[str, str] = {}


def returns_of(statement: Statement) -> str:
    """The annotation of what the function around a statement returns."""
    return _RETURNS.get(f"{statement.file}|{statement.where}", "")


def applied(mutant: Mutant, source: bytes) -> bytes:
    """The file with the bug in it."""
    a, b = mutant.span
    return source[:a] + mutant.new.encode() + source[b:]


def rank(*words: object) -> str:
    return hashlib.sha256("|".join(map(str, words)).encode()).hexdigest()


class Tree:
    """The modules of junction as they stand: statements, and which of them name what."""

    def __init__(self, root: Path):
        paths = sorted(root.glob("junction/**/*.py"))
        self.sources = {str(p.relative_to(root)): p.read_bytes() for p in paths}
        self.statements: dict[str, Statement] = {}
        self.names: dict[str, set[str]] = defaultdict(set)  # name -> keys of the statements that use it
        for file, source in self.sources.items():
            for s in statements(file, source):
                self.statements[s.key] = s
                if isinstance(s.node, ast.FunctionDef):
                    where = f"{s.where}.{s.node.name}".lstrip(".")
                    _RETURNS[f"{file}|{where}"] = ast.unparse(s.node.returns) if s.node.returns else ""
                for n in ast.walk(s.node):
                    if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load):
                        self.names[n.id].add(s.key)
                    elif isinstance(n, ast.Attribute):
                        self.names[n.attr].add(s.key)

    def drawn(self, number: int, seed: int) -> list[Mutant]:
        """Mutants over all rooms by their statements, every prefix of the list spread over the rooms."""
        rooms = defaultdict(list)
        for s in self.statements.values():
            rooms[Mutant("", s, "", (0, 0), "", "").room].append(s)
        out, total = [], len(self.statements)
        dumps = {file: ast.dump(ast.parse(source)) for file, source in self.sources.items()}
        for room, found in rooms.items():
            want = max(FEWEST[room in HIGH], round(number * 0.9 * len(found) / total))
            mine = []
            for s in sorted(found, key=lambda s: rank(seed, s.key)):
                if len(mine) == want:
                    break
                source = self.sources[s.file]
                may = sorted(candidates(s, source), key=lambda m: rank(seed, m.key))
                kinds = sorted({m.kind for m in may}, key=lambda k: rank(seed, s.key, k))
                for m in [m for k in kinds for m in may if m.kind == k]:
                    try:
                        changed = ast.dump(ast.parse(applied(m, source))) != dumps[s.file]
                    except SyntaxError:
                        continue
                    if changed:
                        mine.append(m)
                        break
            out += [((i + 0.5) / len(mine), room, m) for i, m in enumerate(mine)]
        return [m for _, _, m in sorted(out, key=lambda t: t[:2])]

    def users(self, s: Statement) -> set[str]:
        """Statements inside functions that one run at import can reach: those that name what it binds."""
        inside, seen, names = set(), set(), bound(s)
        for _ in range(3):
            keys = {k for n in names - seen for k in self.names.get(n, ())}
            seen |= names
            inside |= {k for k in keys if not self.statements[k].static}
            names = {n for k in keys if self.statements[k].static for n in bound(self.statements[k])}
        if isinstance(s.node, ast.FunctionDef):
            inner = f"{s.where}.{s.node.name}".lstrip(".")
            inside |= {k for k, t in self.statements.items() if t.file == s.file and t.where == inner}
        return inside or {k for k, t in self.statements.items() if t.file == s.file and not t.static}


def bound(s: Statement) -> set[str]:
    """Names that a statement at the top of a module or a class gives a value."""
    out = {n.id for n in ast.walk(s.node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    if isinstance(s.node, ast.ClassDef | ast.FunctionDef):
        out = {s.node.name}
    return out | ({s.where.split(".")[0]} if s.where and not isinstance(s.node, ast.FunctionDef) else set())


# ---------------------------------------------------------------------- a copy of the tree, a run of pytest


def copied(target: Path) -> Path:
    """A copy of the checkout's files, changes that are not committed with them."""
    git = ["git", "ls-files", "-co", "--exclude-standard", "-z"]
    names = subprocess.run(git, cwd=ROOT, capture_output=True, check=True, text=True).stdout
    for name in filter(None, names.split("\0")):
        if (ROOT / name).is_file():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, target / name)
    return target


def warmed() -> None:
    """Import what every run needs, once, before it is forked."""
    import hypothesis
    import matplotlib.figure
    import mpmath
    import networkx
    import pandas
    import scipy.integrate
    import scipy.optimize
    import scipy.special
    import scipy.stats

    return (hypothesis, matplotlib, mpmath, networkx, pandas, scipy)


def forked(work, log: Path, wall_s: float) -> dict:
    """Call `work` in a fork of this process; what it returns, else ``{"end": "hang" or "crash"}``."""
    answer = Path(tempfile.mkstemp(prefix="mutant-")[1])
    pid = os.fork()
    if pid == 0:
        try:
            os.setpgid(0, 0)  # no session of its own: a terminal that a test opens must not become ours
            said = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            for stream in (1, 2):
                os.dup2(said, stream)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
            answer.write_text(json.dumps(work()))
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(0)
    end = time.monotonic() + wall_s
    status = None
    while status is None and time.monotonic() < end:
        done, how = os.waitpid(pid, os.WNOHANG)
        status = how if done else time.sleep(0.02)
    for kill in (lambda: os.killpg(pid, signal.SIGKILL), lambda: status is None and os.waitpid(pid, 0)):
        try:
            kill()
        except (ProcessLookupError, PermissionError):
            pass
    said = answer.read_text()
    answer.unlink()
    over = status is None or os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGPROF
    return json.loads(said) if said else {"end": "hang" if over else "crash"}


def pytest_in(tree: Path, files: list[str], plugin, stops: bool = True, cache: bool = False) -> dict:
    """Run pytest on some files of a copy, with its junction and its tests; what the plugin says of it."""
    os.chdir(tree)
    for name in [n for n in sys.modules if n.split(".")[0] in ("tests", "junction")]:
        del sys.modules[name]
    sys.path[:] = [str(tree), *(p for p in sys.path if p not in ("", str(ROOT), str(tree)))]
    os.environ["PYTHONPATH"] = str(tree)
    keep_bytecode(cache)
    if hasattr(plugin, "begin"):
        plugin.begin()
    words = ["-q", "-W", "ignore::pytest.PytestAssertRewriteWarning",  # of what is imported already
             "--basetemp", tempfile.mkdtemp(dir=tree.parent), *["-x"][:stops]]  # fmt: skip
    pytest.main([*files, *words], plugins=[plugin])
    return plugin.answer()


def keep_bytecode(yes: bool) -> None:
    """Whether this process and its children may write it: never that of a mutant."""
    sys.dont_write_bytecode = not yes
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    if not yes:
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"


# ---------------------------------------------------------------------- which test executes what


PROBE = """import atexit, os
H = bytearray(int(os.environ["PROBES"]))
_ME = os.getpid()
@atexit.register
def _tell():
    if os.environ.get("PROBED_BY") not in (None, str(os.getpid())):
        with open(os.path.join(os.environ["PROBED"], str(os.getpid())), "wb") as file:
            file.write(H)
"""


class Recorder:
    """A plugin that notes each test's statements and its time, those of shared fixtures and caches too."""

    def __init__(self, size: int, folder: Path):
        self.size, self.folder = size, folder
        self.fixtures, self.tests, self.failed = {}, {}, set()
        self.seen = [set()]

    def begin(self):
        os.environ.update(PROBES=str(self.size), PROBED=str(self.folder), PROBED_BY=str(os.getpid()))
        import functools

        import junction_probe

        self.h = np.frombuffer(junction_probe.H, dtype=np.uint8)
        plain = functools.lru_cache

        def lru_cache(maxsize=128, typed=False):
            if callable(maxsize):
                return self.remembering(maxsize, plain(maxsize))
            return lambda f: self.remembering(f, plain(maxsize, typed))

        functools.lru_cache = lru_cache
        functools.cache = lambda f: self.remembering(f, plain(None)(f))

    def remembering(self, f, cached):
        """A cache that hands out the statements of the call it saves."""
        import functools

        if not (f.__module__ or "").startswith(("junction", "tests")):
            return cached if hasattr(cached, "cache_info") else cached(f)
        hits, kept = {}, {}

        @functools.wraps(f)
        def call(*a, **k):
            key = (a, tuple(sorted(k.items()))) if k else a
            if key not in kept:
                before = self.h.copy()
                self.h[:] = 0
                self.seen.append(set())
                try:
                    kept[key] = f(*a, **k)
                finally:
                    self.seen.pop()
                    hits[key] = np.packbits(self.h)
                    np.maximum(self.h, before, out=self.h)
            elif (id(hits), key) not in self.seen[-1]:
                self.seen[-1].add((id(hits), key))
                np.maximum(self.h, np.unpackbits(hits[key], count=self.size), out=self.h)
            return kept[key]

        call.cache_clear = lambda: kept.clear() or hits.clear()
        call.cache_info = lambda: (0, 0, None, len(kept))
        return call

    def pytest_collection_finish(self):
        self.at_import = self.h.copy()

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef, request):
        if fixturedef.scope == "function":
            return (yield)
        before, shared, t0 = self.h.copy(), self.shared, clock()
        self.h[:] = 0
        try:
            return (yield)
        finally:
            own = clock() - t0 - (self.shared - shared)  # without the fixtures that it asked for
            self.fixtures[fixturedef] = np.packbits(self.h), own
            self.shared += own
            np.maximum(self.h, before, out=self.h)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item, nextitem):
        self.h[:] = 0
        self.seen[:] = [set()]
        self.shared, t0 = 0.0, clock()
        try:
            return (yield)
        finally:
            used = {id(d): d for ds in item._fixtureinfo.name2fixturedefs.values() for d in ds}.values()
            seconds = clock() - t0 - self.shared  # each test is told what its fixtures cost
            for hits, cost in (self.fixtures[d] for d in used if d in self.fixtures):
                seconds += cost
                np.maximum(self.h, np.unpackbits(hits, count=self.size), out=self.h)
            for told in self.folder.iterdir():  # of the processes that the test started
                child = np.frombuffer(told.read_bytes(), dtype=np.uint8)
                if child.size == self.size:
                    np.maximum(self.h, child, out=self.h)
                told.unlink()
            self.tests[item.nodeid] = seconds, packed(self.h)

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.add(report.nodeid)

    def answer(self):
        return {"import": packed(self.at_import),
                "tests": [{"id": i, "s": round(s, 3), "ok": i not in self.failed, "hits": h}
                          for i, (s, h) in self.tests.items()]}


def packed(hits) -> str:
    return base64.b64encode(zlib.compress(np.packbits(hits).tobytes())).decode()


def clock() -> float:
    """Processor time of this process and its children [s]."""
    t = os.times()
    return t.user + t.system + t.children_user + t.children_system


class Map:
    """Which test executes which statements, kept in the scratch folder, a line for each test file."""

    def __init__(self, scratch: Path):
        self.path, self.keys_path = scratch / "map.jsonl", scratch / "statements.json"
        self.keys: dict[str, int] = json.loads(self.keys_path.read_text()) if self.keys_path.exists() else {}
        self.tests: dict[str, tuple[float, np.ndarray]] = {}
        files = {}
        if self.path.exists():
            for line in self.path.read_text().splitlines():
                record = json.loads(line)
                files[record["file"]] = record  # the last one counts
        self.files = files
        for record in files.values():
            for t in record["tests"]:
                if t["ok"]:
                    bits = np.frombuffer(zlib.decompress(base64.b64decode(t["hits"])), dtype=np.uint8)
                    self.tests[t["id"]] = t["s"], bits

    def record(self, scratch: Path, wanted: list[str]) -> None:
        """Run test files in a copy with a probe before every statement."""
        with tempfile.TemporaryDirectory(dir=scratch) as work:
            copy, plain = copied(Path(work, "probed")), copied(Path(work, "plain"))
            tree = Tree(plain)
            for key in tree.statements:
                self.keys.setdefault(key, len(self.keys))
            self.keys_path.write_text(json.dumps(self.keys))
            Path(copy, "junction_probe.py").write_text(PROBE)
            for file, source in tree.sources.items():
                (copy / file).write_text(self._probed(file, source))
            files = sorted(str(p.relative_to(plain)) for p in plain.glob("tests/**/test_*.py"))
            files = [f for f in files if not f.startswith(NOT_ASKED)]
            if wanted:
                files = [f for f in files if f.startswith(tuple(wanted))]
            else:
                files = [f for f in files if f not in self.files]
            for file in files:
                hits = Path(tempfile.mkdtemp(dir=work))
                probed = partial(pytest_in, copy, [file], Recorder(len(self.keys), hits), False, True)
                said = forked(probed, scratch / "last.log", 3600)
                bad = [t["id"] for t in said.get("tests", ()) if not t["ok"]]
                if bad:  # for the probes, or for themselves?
                    again = forked(partial(pytest_in, plain, [file], Chosen(bad, {}, 900), False, True),
                                   scratch / "last.log", 3600)
                    for t in said["tests"]:
                        t["ok"] = t["id"] not in again.get("failed", bad)
                bad = [t["id"] for t in said.get("tests", ()) if not t["ok"]]
                print(f"{file}: {len(said.get('tests', ()))} tests", said.get("end", ""), *bad, flush=True)
                with self.path.open("a") as out:
                    out.write(json.dumps({"file": file, "tests": [], **said}) + "\n")

    def _probed(self, file: str, source: bytes) -> str:
        module = ast.parse(source)
        numbers = iter([self.keys[s.key] for s in statements(file, source)])

        def probe(body, top):
            out = []
            for i, node in enumerate(body):
                number = next(numbers)
                doc = i == 0 and isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
                future = isinstance(node, ast.ImportFrom) and node.module == "__future__"
                for inner in bodies(node):
                    inner[:] = probe(inner, False)
                if not (doc or future) and not top:
                    out.append(ast.parse(f"_H[{number}] = 1").body[0])
                out.append(node)
            return out

        module.body = probe(module.body, True)
        first = [isinstance(n, ast.Expr) or isinstance(n, ast.ImportFrom) and n.module == "__future__"
                 for n in module.body]
        at = [*first, False].index(False)
        module.body.insert(at, ast.parse("from junction_probe import H as _H").body[0])
        return ast.unparse(ast.fix_missing_locations(module))

    def tests_of(self, mutant: Mutant, tree: Tree) -> list[list[str]]:
        """Tests that execute a mutant's statement: a few quick ones of few files, then the others."""
        s = mutant.statement
        keys = tree.users(s) if s.static else {s.key}
        numbers = [self.keys[k] for k in keys if k in self.keys]
        if not numbers:  # the statement is newer than the map: whatever runs its function, else its module
            near = [k for k in self.keys if k.startswith(f"{s.file}|{s.where}|")] or [
                k for k in self.keys if k.startswith(f"{s.file}|")]
            numbers = [self.keys[k] for k in near]
        found, home = defaultdict(list), f"tests/{mutant.room}/"
        for i, (seconds, bits) in self.tests.items():
            if any(n >> 3 < bits.size and bits[n >> 3] >> (7 - (n & 7)) & 1 for n in numbers):
                found[i.split("::")[0]].append((seconds > SLOW_S, seconds, i))

        def dear(tests):
            share = 5 if tests[0][2].startswith(home) else 1
            return any(slow for slow, *_ in tests), sum(seconds for _, seconds, _ in tests) / share

        quick, rest, spent, files = [], [], 0.0, 0
        for tests in sorted(found.values(), key=dear):
            functions, before = set(), len(quick)
            for _, seconds, i in sorted(tests):
                few = seconds < 1 and i.split("[")[0] not in functions and spent < 8 and files < 6
                functions.add(i.split("[")[0])
                (quick if few else rest).append(i)
                spent += seconds * few
            files += len(quick) > before
        return [batch for batch in (quick, rest) if batch]


# ---------------------------------------------------------------------- a mutant against its tests


class Chosen:
    """A plugin that runs given tests in the given order, within a budget of processor time."""

    def __init__(self, order: list[str], seconds: dict[str, float], budget: float):
        self.place = {i: n for n, i in enumerate(order)}
        self.seconds, self.budget = seconds, budget
        self.ran, self.failed, self.broken, self.spent, self.why = 0, [], "", False, ""

    def pytest_collection_modifyitems(self, items):
        items[:] = sorted((i for i in items if i.nodeid in self.place), key=lambda i: self.place[i.nodeid])

    def pytest_runtest_logstart(self, nodeid):
        # a loop without end dies by the timer's signal, whose default is to end the process
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, 60 + 10 * self.seconds.get(nodeid, 5))

    def pytest_runtest_logfinish(self, nodeid):
        self.ran += 1

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.append(report.nodeid)
            self.why = self.why or report.longreprtext.strip()[-300:]

    def pytest_collectreport(self, report):
        if report.failed:
            self.broken = report.nodeid or "collection"

    def pytest_runtest_teardown(self, item, nextitem):
        if clock() > self.budget + 5 and nextitem is not None:
            self.spent = True
            item.session.shouldstop = "the budget is spent"

    def answer(self):
        return {"ran": self.ran, "failed": self.failed, "broken": self.broken, "spent": self.spent,
                "why": self.why}


class Collected:
    """A plugin whose session collects every test once and then, instead of running them, calls `work`."""

    def __init__(self, work):
        self.work = work

    def pytest_runtestloop(self, session):
        keep_bytecode(False)
        self.items = {item.nodeid: item for item in session.items}
        self.work(self)
        return True

    def answer(self):
        return {}

    def run(self, chosen: Chosen, bug) -> dict:
        """In a fork: put the bug into the functions that are loaded, run the chosen tests till one fails."""
        bug()
        items = [self.items[i] for i in chosen.place if i in self.items]
        if items:
            plugins = items[0].config.pluginmanager
            plugins.register(chosen)
            plugins.unregister(name="terminalreporter")
        for item, after in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
            chosen.spent = clock() > chosen.budget and after is not None
            if chosen.failed or chosen.spent:
                break
        return chosen.answer()


def changed_functions(path: Path, old: bytes, new: bytes) -> None:
    """Give the functions that are loaded the code of the changed file, and empty what they have cached."""

    def codes(source):
        found, open_ = {}, [compile(source, str(path), "exec", dont_inherit=True)]
        while open_:
            code = open_.pop()
            found[code.co_qualname, code.co_firstlineno] = code
            open_ += [c for c in code.co_consts if isinstance(c, types.CodeType)]
        return found

    before, after = codes(old), codes(new)
    for thing in gc.get_objects():
        if isinstance(thing, types.FunctionType) and thing.__code__.co_filename == str(path):
            key = thing.__code__.co_qualname, thing.__code__.co_firstlineno
            if key in after and after[key] != before.get(key):
                thing.__code__ = after[key]
        elif isinstance(thing, functools._lru_cache_wrapper) and (
                getattr(thing, "__module__", None) or "").startswith(("junction", "tests")):
            thing.cache_clear()


def tried(mutant: Mutant, tree: Tree, tests: Map, session: Collected, copy: Path, budget: float) -> dict:
    """Put one mutant into the copy, run what could notice, take it out again."""
    batches = tests.tests_of(mutant, tree)
    seconds = {i: s for i, (s, _) in tests.tests.items()}
    by, ran, spent, said, t0 = "", 0, False, {}, time.monotonic()
    path, old = copy / mutant.file, tree.sources[mutant.file]
    new = applied(mutant, old)
    kept = path.stat()
    path.write_bytes(new)
    os.utime(path, (kept.st_atime, kept.st_mtime + 60))  # bytecode of the unchanged file does not count
    try:
        for order in batches:
            chosen = Chosen(order, seconds, budget)
            if mutant.statement.static:  # run at import: everything is imported again
                files = list(dict.fromkeys(i.split("::")[0] for i in order))
                work = partial(pytest_in, copy, files, chosen)
            else:
                work = partial(session.run, chosen, partial(changed_functions, path, old, new))
            # by the clock on the wall only what waits for ever, for other work may share the machine
            said = forked(work, copy.parents[1] / "last.log", 30 * budget)
            ran += said.get("ran", 0)
            spent |= said.get("spent", False)
            by = said.get("end") or said.get("broken") or ", ".join(said["failed"][:1])
            if by:
                break
    finally:
        path.write_bytes(old)
        os.utime(path, (kept.st_atime, kept.st_mtime))
    return {"key": mutant.key, "room": mutant.room, "at": f"{mutant.file}:{mutant.statement.line}",
            "where": mutant.statement.where, "kind": mutant.kind, "change": mutant.change,
            "end": "killed" if by else "survived", "by": by, "tests": sum(map(len, batches)), "ran": ran,
            "budget_spent": spent, "why": said.get("why", ""), "s": round(time.monotonic() - t0, 1)}


def equivalents() -> dict[tuple[str, str, str], str]:
    """Mutants that no user could tell from the program: file, function, change -> why."""
    with Path(__file__).with_name("mutants_equivalent.csv").open(newline="") as file:
        return {(r["file"], r["where"], r["change"]): r["why"] for r in csv.DictReader(file)}


def reported(mutants: list[Mutant], results: dict[str, dict]) -> bool:
    """Print killed and survived for each room against the target, and the survivors; whether all meet it."""
    equal, rooms, left = equivalents(), defaultdict(Counter), []
    for m in mutants:
        why = equal.get((m.file, m.statement.where, m.change))
        r = results.get(m.key)
        end = "equivalent" if why else r["end"] if r else "not run"
        rooms[m.room][end] += 1
        if end in ("survived", "equivalent"):
            left.append((end, m, why or f"{r['ran']} of {r['tests']} tests ran"))
    for end, m, why in sorted(left, key=lambda t: (t[0] != "equivalent", t[1].file, t[1].statement.line)):
        print(f"{end:10} {m.file}:{m.statement.line} {m.statement.where} [{m.kind}] {m.change}  ({why})")
    good = True
    print(f"\n{'room':12}{'killed':>8}{'survived':>9}{'equal':>7}{'not run':>8}{'share':>8}  target")
    for room, n in sorted(rooms.items(), key=lambda t: (t[0] not in HIGH, t[0])):
        counted = n["killed"] + n["survived"]
        share = n["killed"] / counted if counted else float("nan")
        good &= share >= TARGET[room in HIGH]
        print(f"{room:12}{n['killed']:8}{n['survived']:9}{n['equivalent']:7}{n['not run']:8}{share:8.0%}  "
              f"{TARGET[room in HIGH]:.0%}{'' if share >= TARGET[room in HIGH] else '  MISSED'}")
    total = sum(rooms.values(), Counter())
    print(f"all: {total['killed']} killed, {total['survived']} survived, {total['equivalent']} equivalent, "
          f"{total['not run']} not run")
    return good


def main(argv: list[str] | None = None) -> int:
    """Record, run or report; 0 where every room meets its target."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("scratch", type=Path, help="folder for the map, the copies and the results")
    p.add_argument("--record", nargs="*", metavar="TESTS",
                   help="record these test files; without one, those not yet recorded")
    p.add_argument("--rooms", default="", help="only these, separated by commas")
    p.add_argument("--number", type=int, default=300)
    p.add_argument("--first", type=int, help="only so many of them")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--budget", type=float, default=60.0, help="processor seconds for one mutant")
    p.add_argument("--again", action="store_true", help="run the survivors once more")
    p.add_argument("--report", action="store_true", help="only print what is known")
    o = p.parse_args(argv)
    o.scratch = o.scratch.resolve()
    o.scratch.mkdir(parents=True, exist_ok=True)
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", MPLBACKEND="Agg")
    if o.record is not None:
        warmed()
        Map(o.scratch).record(o.scratch, o.record)
        return 0
    with tempfile.TemporaryDirectory(dir=o.scratch) as work:
        return not run(o, copied(Path(work, "tree")), o.scratch / "results.jsonl")


def run(o: argparse.Namespace, copy: Path, path: Path) -> bool:
    """Draw the mutants of a copy, run those not yet known, report; whether every room meets its target."""
    tree, rooms = Tree(copy), o.rooms.split(",")
    mutants = [m for m in tree.drawn(o.number, o.seed) if not o.rooms or m.room in rooms][:o.first]
    known = (json.loads(line) for line in path.read_text().splitlines()) if path.exists() else ()
    results = {r["key"]: r for r in known}
    equal, screen = equivalents(), os.fdopen(os.dup(1), "w")
    todo = [m for m in mutants if (m.file, m.statement.where, m.change) not in equal
            and (m.key not in results or o.again and results[m.key]["end"] == "survived")]

    def each(session):
        for m in todo:
            results[m.key] = r = tried(m, tree, tests, session, copy, o.budget)
            by = r["by"] or f"{r['ran']} of {r['tests']} tests"
            print(f"{r['end']:9} {r['at']} [{r['kind']}] {r['change']} ({by}, {r['s']} s)", file=screen)
            screen.flush()
            with path.open("a") as out:
                out.write(json.dumps(r) + "\n")

    if todo and not o.report:
        warmed()
        tests = Map(o.scratch)
        files = sorted(f for f in {i.split("::")[0] for i in tests.tests} if (copy / f).exists())
        pytest_in(copy, files, Collected(each), cache=True)
    return reported(mutants, results)


if __name__ == "__main__":
    sys.exit(main())
