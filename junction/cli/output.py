"""Writing results: all of a command's files or none of them, and plain words on the terminal.

Every file is first written in full beside its place and only then moved there (`os.replace` is atomic
within a file system, POSIX.1-2017 rename).  When a later move fails, the earlier ones are taken back.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from junction.base.errors import OutputError
from junction.base.records import SetAside
from junction.show.text import count, set_aside_words, visible

#: Stand-ins for a terminal that cannot show these characters.
_PLAIN = str.maketrans({"µ": "u", "±": "+/-", "°": "", "Ω": "ohm", "–": "-", "×": "x", "²": "2"})


def say(text: str = "", stream=None) -> None:
    """Print a line; characters the stream cannot encode get a plain stand-in, never an error."""
    stream = sys.stdout if stream is None else stream
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_PLAIN).encode(encoding, "backslashreplace").decode(encoding)
    print(text, file=stream)


def _why(error: OSError) -> str:
    return error.strerror or str(error)


class Outputs:
    """The files one command is to write, held until all of them are ready.

    Parameters
    ----------
    folder : str or None
        Folder of ``-o``; made when it does not exist.
    json_to : str or None
        File of ``--json``; ``-`` is standard output.
    inputs : iterable of str
        Files that were read: none of them is ever overwritten.

    Raises
    ------
    OutputError
        At once, before any work, when a place cannot be written.
    """

    def __init__(
        self, folder: str | None = None, json_to: str | None = None, inputs: Iterable[str] = ()
    ) -> None:
        self.folder = Path(folder) if folder else None
        self.json_path = Path(json_to) if json_to and json_to != "-" else None
        self.json_on_stdout = json_to == "-"
        self._inputs = {os.path.realpath(p) for p in inputs if p != "-"}
        self._files: list[tuple[Path, bytes]] = []
        self._stdout_json = ""
        if self.folder is not None:
            _must_be_writable(self.folder)
        if self.json_path is not None:
            if self.json_path.is_dir():
                raise OutputError(f"{self.json_path}: is a folder; --json wants a file name or -")
            inside = self.folder is not None and self.folder.absolute() in self.json_path.absolute().parents
            _must_be_writable(self.json_path.parent, make=inside)
            self._not_an_input(self.json_path)

    @property
    def text_stream(self):
        """Where people's text goes: standard error while standard output carries the JSON."""
        return sys.stderr if self.json_on_stdout else sys.stdout

    @property
    def wanted(self) -> bool:
        """Whether anything beside the text is asked for."""
        return self.json_on_stdout or self.json_path is not None or self.folder is not None

    def keep_off(self, files: Iterable[str]) -> None:
        """Name files that were read, so that none of them is ever overwritten.

        Raises
        ------
        OutputError
            The JSON was to go into one of them.
        """
        self._inputs.update(os.path.realpath(p) for p in files if p != "-")
        if self.json_path is not None:
            self._not_an_input(self.json_path)

    def _not_an_input(self, path: Path) -> None:
        if os.path.realpath(path) in self._inputs:
            raise OutputError(f"{path}: is one of the files read; choose another place for the results")

    def add(self, name: str, content: str | bytes) -> None:
        """Put a file into the folder (sub-folders in `name` with ``/``); nothing is written yet."""
        if self.folder is None:
            raise OutputError(f"no folder was given for {name}")
        self._not_an_input(self.folder / name)
        self._files.append((self.folder / name, _bytes(content)))

    def add_json(self, text: str, name: str) -> None:
        """Put the JSON wherever it was asked for; in the folder it is called `name`."""
        if self.json_path is not None:
            self._files.append((self.json_path, _bytes(text)))
        if self.folder is not None and (
            self.json_path is None or os.path.realpath(self.folder / name) != os.path.realpath(self.json_path)
        ):
            self.add(name, text)
        if self.json_on_stdout:
            self._stdout_json = text

    def commit(self) -> None:
        """Write everything, or nothing.

        Raises
        ------
        OutputError
            A file or folder cannot be written; what stood there before stands there still.
        """
        self.commit_files()
        self.commit_stdout()

    def commit_files(self) -> None:
        """Write the files; the JSON for standard output is still held back."""
        _write_all(self._files, self.folder)

    def commit_stdout(self) -> None:
        """Write the JSON to standard output, if it was asked for there."""
        if self._stdout_json:
            text = self._stdout_json
            sys.stdout.write(text if _can_encode(text) else _ascii(text))
            sys.stdout.flush()


def _bytes(content: str | bytes) -> bytes:
    return content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content


def _can_encode(text: str) -> bool:
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _ascii(text: str) -> str:
    """JSON text with every character above ASCII as an escape (UTF-16 units, RFC 8259 section 7)."""
    units = text.encode("utf-16-be", "surrogatepass")
    codes = (int.from_bytes(units[k : k + 2], "big") for k in range(0, len(units), 2))
    return "".join(chr(c) if c < 128 else f"\\u{c:04x}" for c in codes)


def _must_be_writable(folder: Path, *, make: bool = True) -> None:
    """Try the folder, or the nearest one above it that exists, with a real temporary file."""
    place = folder
    while make and not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        reason = "is not a folder" if place.exists() else "no such folder"
        raise OutputError(f"{place}: {reason}; cannot write there")
    try:
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as error:
        raise OutputError(f"{place}: cannot write there: {_why(error)}") from error


def _write_all(files: Sequence[tuple[Path, bytes]], folder: Path | None) -> None:
    """Stage every file beside its place, then move them all; undo on failure."""
    staged: list[tuple[Path, Path]] = []  # (temporary, place)
    moved: list[tuple[Path, Path | None]] = []  # (place, copy of what stood there)
    made: list[Path] = []
    try:
        for place in dict.fromkeys(path.parent for path, _ in files):
            made += _make_folders(place)
        for path, content in files:
            handle, name = tempfile.mkstemp(prefix=".junction-", dir=path.parent)
            staged.append((Path(name), path))
            with os.fdopen(handle, "wb") as out:
                out.write(content)
            os.chmod(name, 0o666 & ~_umask())
        for temporary, path in staged:
            moved.append((path, _keep_old(path)))
            os.replace(temporary, path)
    except OSError as error:
        for path, old in reversed(moved):
            if old is not None:
                os.replace(old, path)
            else:
                path.unlink(missing_ok=True)
        for temporary, _ in staged:
            temporary.unlink(missing_ok=True)
        for place in reversed(made):
            shutil.rmtree(place, ignore_errors=True)
        where = error.filename2 or error.filename or folder or ""
        raise OutputError(f"{where}: cannot write: {_why(error)}; nothing was written") from error
    for _, old in moved:
        if old is not None:
            old.unlink(missing_ok=True)


def _make_folders(folder: Path) -> list[Path]:
    """Make a folder and those above it; the ones made, outermost first."""
    missing = []
    while not folder.exists():
        missing.append(folder)
        folder = folder.parent
    for place in reversed(missing):
        place.mkdir()
    return missing[::-1]


def _keep_old(path: Path) -> Path | None:
    """Hard-link or copy what stands at `path` to a temporary name, so that it can come back."""
    if not path.exists():
        return None
    handle, name = tempfile.mkstemp(prefix=".junction-", dir=path.parent)
    os.close(handle)
    shutil.copy2(path, name)
    return Path(name)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def report_set_aside(items: Sequence[SetAside], *, most: int = 40) -> None:
    """List the rows that were not used on standard error, with place and reason."""
    if not items:
        return
    say(f"set aside, not used: {set_aside_words(items)}", sys.stderr)
    for item in items[:most]:
        place = visible(item.file) if item.file else "given"
        if item.row is not None:
            place += f", line {item.row}"
        if item.column:
            place += f", column {visible(item.column)!r}"
        value = f" {visible(item.value)[:40]!r}" if item.value else ""
        say(f"  {place}:{value} {visible(item.reason)}", sys.stderr)
    if len(items) > most:
        more = count(len(items) - most, "more entry", "more entries")
        say(f"  and {more}; all of them are in set_aside.csv (-o FOLDER) and in the JSON", sys.stderr)


def exit_status(set_aside: Sequence[SetAside]) -> int:
    """0 when every row was used, 1 when some were set aside."""
    return 1 if set_aside else 0
