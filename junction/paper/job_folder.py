"""The folder of a job: what every run into it found, kept in ``job.json``, and the names of its files.

``job.json`` is written by the program alone: the job's name and one entry a run, oldest first.  Index page
(`junction.paper.job_sheet`) and the labels of the parts are made from it.  A part's latest judgement holds,
and what a run found stands until the same job is run again over all that it was about.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from junction.base.errors import OutputError
from junction.base.records import plain_name
from junction.show.blocks import file_stem
from junction.show.write import FORMAT, document, plain

NAME, PAGE = "job.json", "index.html"
#: Stands in every index page, so that another's page of that name is never taken for one.
MARK = "junction job sheet"
#: What reads from no file that could be read again.
_NO_FILE = ("-", "DataFrame", "typed readings")

_PART = {"tag": "", "type": "", "verdict": "", "fault": "", "figure": "", "next": "", "readings": [""]}
_ORDER = {"type": "", "parts": [""], "faults": [""], "what": "", "complement": "", "notes": [""],
          "other_side_of": "", "or": [""]}  # fmt: skip
_SET = {"parts": [""], "places": [""], "grade": "", "means": "", "figures": ""}
_DROP = {"where": "", "measured_V": 0.0, "wanted_V": 0.0, "expected_V": 0.0, "verdict": "", "says": ""}
#: An entry with what stands for what it lacks; a list shows what each of its items is like.
ENTRY = {
    "command": "", "when": "", "headline": "", "about": "", "label": "", "inputs": [""], "counts": {"": 0},
    "parts": [_PART], "order": [_ORDER],
    "waiting": {name: [""] for name in ("undecided", "in_circuit", "untyped", "misread")},
    "sets": [_SET], "fitted": [""], "to_set_V": [0.0], "drops": [_DROP], "drops_state": "", "drops_say": [""],
    "chosen": [{"for": "", "take": "", "why": ""}], "cautions": [{"text": "", "short": ""}], "files": [""],
}  # fmt: skip

Files = dict[Path, str | bytes | Callable]


def _like(given: object, shape: object, where: str = "") -> object:
    """What was read, with what it lacks filled in.

    Raises
    ------
    ValueError
        It is of another kind; says where.
    """
    if isinstance(shape, Mapping) and "" in shape and isinstance(given, Mapping):  # free keys
        return {key: _like(value, shape[""], f"{where}.{key}") for key, value in given.items()}
    if isinstance(shape, Mapping) and isinstance(given, Mapping):
        none: dict[type, Callable] = {dict: dict, list: list, str: str, float: lambda: None}
        return {key: _like(given[key], inner, f"{where}.{key}") if key in given
                else _like({}, inner) if isinstance(inner, Mapping) and "" not in inner
                else none[type(inner)]() for key, inner in shape.items()}  # fmt: skip
    if isinstance(shape, list) and isinstance(given, list):
        return [_like(item, shape[0], f"{where}[{k}]") for k, item in enumerate(given)]
    number = isinstance(given, int | float) and not isinstance(given, bool)
    if number and isinstance(shape, int | float) or given is None and isinstance(shape, float):
        return given
    if isinstance(given, str) and isinstance(shape, str):
        return given
    raise ValueError(f"{where.lstrip('.') or 'it'} is not what was written there")


@dataclass(frozen=True)
class JobFolder:
    """A job as its folder holds it; `with_run` adds one more run."""

    folder: Path
    job: str = ""
    entries: tuple[dict, ...] = ()

    @classmethod
    def read(cls, folder: str | os.PathLike) -> JobFolder:
        """What the folder holds; an empty job where it holds none.

        Raises
        ------
        OutputError
            A ``job.json`` or ``index.html`` that is not of a job.
        """
        folder = Path(folder)
        path, page, keep = folder / NAME, folder / PAGE, "; write to another folder, or move it away"
        try:
            if page.exists() and MARK not in page.read_text("utf-8", "replace"):
                raise OutputError(f"{page}: is no job sheet of junction{keep}")
            if not path.exists():
                return cls(folder)
            data = json.loads(path.read_text("utf-8"))
            if not isinstance(data, Mapping) or data.get("command") != "job":
                raise ValueError("it does not say that it is one")
            if data.get("format") != FORMAT:
                raise ValueError(f"its format is {data.get('format')!r}, and this version writes {FORMAT}")
            entries = _like(data.get("entries"), [ENTRY], "entries")
            for k, entry in enumerate(entries):
                for name in entry["files"]:
                    place = PurePosixPath(name)
                    if place.is_absolute() or not name or ".." in place.parts or "\\" in name or ":" in name:
                        raise ValueError(f"entries[{k}].files names a file outside the folder")
            return cls(folder, _like(data.get("job", ""), "", "job"), tuple(entries))
        except (ValueError, RecursionError) as error:
            why = "it is no JSON" if isinstance(error, json.JSONDecodeError | UnicodeError) else str(error)
            why = "it is nested too deeply" if isinstance(error, RecursionError) else why
            raise OutputError(f"{path}: is no job of junction ({why}){keep}") from error
        except OSError as error:
            raise OutputError(f"{path}: cannot read: {error.strerror or error}") from error

    # --- what holds now ----------------------------------------------------------------------------------

    def standing(self) -> list[int]:
        """Entries, by number, that no later run of the same job over all of theirs has replaced."""
        return [k for k, old in enumerate(self.entries)
                if not any(_again(new, old) for new in self.entries[k + 1 :])]  # fmt: skip

    def parts(self) -> dict[str, tuple[int, dict]]:
        """Latest judgement of each part, with the number of its entry; a part without a tag stands alone."""
        found: dict[str, tuple[int, dict]] = {}
        for k in self.standing():
            for part in self.entries[k]["parts"]:
                key = part["tag"] or f"\0{k}"
                found.pop(key, None)  # the latest stands last
                found[key] = k, part
        return found

    def before(self) -> list[tuple[int, dict]]:
        """Earlier judgements of parts that were judged again, the latest first."""
        now = {id(part) for _, part in self.parts().values()}
        return [(k, part) for k in reversed(range(len(self.entries))) for part in self.entries[k]["parts"]
                if id(part) not in now and part["tag"]]  # fmt: skip

    def orders(self) -> list[tuple[dict, int, list[str], list[str]]]:
        """What to order over all runs: row, how many, the parts and their faults; the most first.

        A part counts where it was judged last.  Of a pair as many are taken of both sides, whichever lost
        more.
        """
        last = {key: k for key, (k, _) in self.parts().items()}
        rows: dict[str, dict] = {}
        bad: dict[str, dict[str, str]] = {}
        for k in self.standing():
            for row in self.entries[k]["order"]:
                name = plain_name(row["type"])
                both = zip(row["parts"], row["faults"], strict=False)
                mine = {tag or f"\0{k}": (tag, fault) for tag, fault in both}
                kept = {key: two for key, two in mine.items() if last.get(key) == k}
                bad.setdefault(name, {}).update(kept)
                if kept or name not in rows:
                    rows[name] = row
        found = []
        for name, row in rows.items():
            many = max(len(bad[name]), len(bad.get(plain_name(row["complement"]), ())))
            if many:
                tags, faults = zip(*bad[name].values(), strict=True) if bad[name] else ((), ())
                found.append((row, many, list(tags), list(faults)))
        return sorted(found, key=lambda one: -one[1])

    def waiting(self) -> dict[str, list[str]]:
        """Parts that are not ordered yet, by why."""
        last = {key: k for key, (k, _) in self.parts().items()}
        return {why: [tag for k in self.standing() for tag in self.entries[k]["waiting"][why]
                      if last.get(tag or f"\0{k}") == k] for why in ENTRY["waiting"]}  # fmt: skip

    def sets(self) -> list[tuple[int, int, dict]]:
        """Sets that stand: entry, number of the set in it, set; none whose part a later match has taken."""
        taken: set[str] = set()
        found = []
        for k in reversed(self.standing()):
            own = [(k, n, one) for n, one in enumerate(self.entries[k]["sets"], 1)
                   if not taken.intersection(one["parts"])]  # fmt: skip
            taken.update(part for one in self.entries[k]["sets"] for part in one["parts"])
            found = own + found
        return found

    def owner(self) -> dict[str, int]:
        """Which entry a file is of now, by its name."""
        return {name: k for k, entry in enumerate(self.entries) for name in entry["files"]}

    def page_of(self, k: int) -> str:
        """Name of an entry's page, '' where another run has taken its place."""
        pages = [name for name in self.entries[k]["files"] if name.endswith(".html")]
        return pages[0] if pages and self.owner()[pages[0]] == k else ""

    # --- one more run ------------------------------------------------------------------------------------

    def with_run(self, entry: dict, own: Mapping[str, object], job: str = "") -> tuple[JobFolder, Files]:
        """The job after one more run, and the files of the run by their places, the page first.

        Parameters
        ----------
        entry : dict
            What the run found, in the keys of `ENTRY`.
        own : mapping
            Contents of its files by name, the page first.
        job : str
            Name of the job from now on; '' leaves it.
        """
        entry = _like(plain({**entry, "inputs": [_from(self.folder, one) for one in entry["inputs"]]}), ENTRY)
        files = self._names(entry, own)
        entries, moved = (self.entries, {}) if entry["command"] == "check" else self._kept(entry)
        entry["files"] = list(files)
        now = JobFolder(self.folder, job or self.job, (*entries, entry))
        return now, {self.folder / name: content for name, content in files.items()} | moved

    def record(self) -> Iterator[str]:
        """Text of the record, piece by piece."""
        return document("job", {"job": self.job, "entries": self.entries})

    def _names(self, entry: Mapping, own: Mapping[str, object]) -> dict[str, object]:
        """The run's files under names that take no other part's page; a check's names hold the tag."""
        if entry["command"] != "check":
            return dict(own)
        taken = {name.casefold() for old in self.entries for name in old["files"]
                 if old["command"] == "check" and not _again(entry, old)}  # fmt: skip
        about, k = f"-{file_stem(entry['about'])}" if entry["about"] else "", 1

        def named(name: str) -> str:
            stem, dot, kind = name.rpartition(".")
            return f"{stem}{about}{f'-{k}' if k > 1 else ''}{dot}{kind}"

        while any(named(name).casefold() in taken for name in own):
            k += 1
        return {named(name): content for name, content in own.items()}

    def _kept(self, entry: Mapping) -> tuple[tuple[dict, ...], Files]:
        """Files of the run whose place this one takes, in a folder of their own where it was about others."""
        owner, command = self.owner(), entry["command"]
        at = owner.get(f"{command}.html")
        if at is None or _again(entry, self.entries[at]):
            return self.entries, {}
        n = 1
        while (self.folder / f"{command}-{n}").exists():
            n += 1
        moved: Files = {}
        names = []
        for name in self.entries[at]["files"]:
            place = self.folder / name
            if owner[name] == at and place.is_file():
                names.append(f"{command}-{n}/{name}")
                moved[self.folder / names[-1]] = place.read_bytes()
        old = {**self.entries[at], "files": names}
        return (*self.entries[:at], old, *self.entries[at + 1 :]), moved


def _from(folder: Path, name: str) -> str:
    """A file that was read, as seen from the job's folder."""
    if name in _NO_FILE or not os.path.exists(name):
        return name
    try:
        return Path(os.path.relpath(name, folder)).as_posix()
    except ValueError:  # another drive
        return os.path.abspath(name)


def _again(new: Mapping, old: Mapping) -> bool:
    """Whether a run is about all that an earlier one was: the same job once more."""
    if (new["command"], new["about"]) != (old["command"], old["about"]):
        return False
    if new["command"] == "check":
        return bool(new["about"])
    if old["drops"] and {*new["fitted"]} != {*old["fitted"]}:
        return False  # drops across other parts: another channel of the same stage
    if old["fitted"]:
        return True
    read = set(old["inputs"]) - {*_NO_FILE}
    if read:
        return read <= set(new["inputs"])

    def tags(entry: Mapping) -> set[str]:
        return {part["tag"] for part in entry["parts"]} | {p for one in entry["sets"] for p in one["parts"]}

    return tags(old) <= tags(new)
