"""Writing results: all of a command's files or none of them, and plain words on the terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from junction.base.errors import OutputError
from junction.base.records import SetAside
from junction.show.blocks import count, set_aside_words, visible
from junction.show.terminal import Paint, width_for

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
        self._files: dict[Path, str | bytes] = {}
        self._stdout_json = ""
        if not self.wanted:
            return
        from junction.show.write import must_be_writable

        if self.folder is not None:
            must_be_writable(self.folder)
        if self.json_path is not None:
            if self.json_path.is_dir():
                raise OutputError(f"{self.json_path}: is a folder; --json wants a file name or -")
            inside = self.folder is not None and self.folder.absolute() in self.json_path.absolute().parents
            must_be_writable(self.json_path.parent, make=inside)
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
        self._files[self.folder / name] = content

    def add_json(self, text: str, name: str) -> None:
        """Put the JSON wherever it was asked for; in the folder it is called `name`."""
        if self.json_path is not None:
            self._files[self.json_path] = text
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
        if self._files:
            from junction.show.write import write_files

            write_files(self._files)

    def commit_stdout(self) -> None:
        """Write the JSON to standard output, if it was asked for there."""
        if self._stdout_json:
            text = self._stdout_json
            sys.stdout.write(text if _can_encode(text) else _ascii(text))
            sys.stdout.flush()

    def finish(self, result, *, everything: bool = False) -> int:
        """Write what was asked for of a result and print it; the exit status.

        0 when every row was used, 1 when some were set aside.
        """
        left = getattr(result, "set_aside", ())
        self.keep_off(getattr(getattr(result, "bag", None), "files", ()))
        if self.folder is not None:
            for name, content in result.contents().items():
                self.add(name, content)
        if self.wanted:
            self.add_json(result.to_json(), f"{result.command}.json")
        self.commit_files()
        stream = self.text_stream
        text = result.text(width_for(stream), everything=everything, paint=Paint.for_stream(stream))
        say(text, stream)
        report_set_aside(left)
        pages = [path.name for path in self._files if path.suffix == ".html"]
        if self.folder is not None and pages:
            more = f"; with it {', '.join(pages[1:])}" if len(pages) > 1 else ""
            say(f"page: {self.folder / pages[0]}{more}", stream)
        self.commit_stdout()
        return 1 if left else 0


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
