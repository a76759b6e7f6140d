"""What every job has: parts as they may be given, options declared once, the result it returns.

Each row of reference/options.csv is an `Option`: its name, how its value is read (with which unit, within
which bounds), its default and its help.  `job` turns a function of (input, values) into a public one whose
signature and documentation come from its rows; `junction.cli.commands` makes the parser from the same rows.
"""

from __future__ import annotations

import functools
import gc
import importlib
import inspect
import os
import re
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import isnan
from numbers import Real
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from junction.base.errors import UnitError, UsageError
from junction.base.records import Bag, PartReadings
from junction.base.units import QUANTITIES, nominal, parse_swing, shown, si
from junction.shelf.reach import accuracy, held, physical, several, whole
from junction.shelf.tables import records, reference_rows


@contextmanager
def collector_off():
    """Look for no garbage: a job's records stay, and walking those of 10,000 sweeps is a tenth of all."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


#: What an option of a quantity may be given where its help names nothing.
_USUAL = {"voltage": "12V", "current": "10mA", "resistance": "8ohm", "power": "80W", "temperature": "25C",
          "thermal resistance": "1K/W", "frequency": "1MHz", "ratio": "5%", "degrees": "30", "K": "0.5"}


@dataclass(frozen=True)
class Option:
    """One row of reference/options.csv, whose columns are the fields.

    Options given ``again`` make a tuple; ``cli`` options belong to the command line alone.
    """

    jobs: str
    option: str  # meter_current: the keyword; --meter-current: the long option
    kind: str
    quantity: str
    above: float
    least: float
    most: float
    below: float
    usual_low: float
    usual_high: float
    default: str | int | None
    choices: tuple[str, ...]
    group: str
    again: bool
    cli: bool
    metavar: str
    help: str
    own: Callable | None = None  # reader of the kind 'own'

    @property
    def unit(self) -> str:
        """SI unit of a plain number, for the documentation; '' where it is none."""
        unit = QUANTITIES[self.quantity][1] or "1" if self.quantity in QUANTITIES else self.quantity
        return f"(1, {unit})" if self.kind == "accuracy" else unit

    @property
    def example(self) -> str:
        """What may be written for it: that of its help, else one by its kind; '' where its help must do."""
        found = re.search(r"such as ([^\s;)]*[^\s;:),.])", self.help)
        if found or self.choices:
            return found[1] if found else self.choices[0]
        if self.kind == "accuracy":
            return f"0.5%+2m{QUANTITIES[self.quantity][1]}"
        return f"{max(self.least, 2):g}" if self.kind == "whole" else _USUAL.get(self.quantity, "")

    def refused(self, fault: Exception) -> str:
        """What is wrong with a value, and what to write instead."""
        minus = re.match(r"'-\s*(.+)' must be (?:above|at least) 0(?: |$)", str(fault))
        example = f"it without the minus: {minus[1]}" if minus else self.example
        told = not example or re.search(r"[Ww]rit|\?", str(fault))
        return str(fault) if told else f"{str(fault).rstrip('.')}. Write {example}."

    def read(self, given):
        """Value of what was written: text with its unit, or a plain number in the SI unit.

        Raises
        ------
        UsageError, UnitError
            It is of another kind, or outside the bounds.
        """
        match self.kind:
            case "own":
                return self.own(given)
            case "names":
                items = given.split(",") if isinstance(given, str) else given
                found = tuple(filter(None, (str(item).strip() for item in items)))
                if not found:
                    raise UsageError("names with commas between were expected")
                return found
            case "whole":
                return whole(given, self.least, self.most)
            case "pictures":
                from junction.show.canvas import asked_for

                return asked_for(given, self.default)
            case "accuracy":
                return accuracy(given, self.quantity, self.most)
            case "quantity" | "plain":
                return self._number(given)
            case "quantities":
                return several(given, self._number)
            case "swing":
                held(given, parse_swing(given), self.quantity, self.above, self.least, self.most, self.below)
        if isinstance(given, bool) or not isinstance(given, str | os.PathLike | int | float):
            raise UsageError(f"{given!r} is no text")
        return str(given)

    def _number(self, given) -> float:
        if isinstance(given, bool):
            raise UsageError(f"{given!r} is not a number")
        return physical(given, self.quantity, self.above, self.least, self.most, self.below,
                        plain=self.kind == "plain", usual=(self.usual_low, self.usual_high))  # fmt: skip

    def value(self, given):
        """Value of what was given to the function; the default for None."""
        if given is None and self.kind in ("quantity", "plain") and self.default:
            given = self.default
        if self.kind == "flag":
            if not isinstance(given, bool | np.bool_ | None):
                raise UsageError(f"{self.option}: {shown(str(given))} is neither True nor False")
            return bool(given)
        if given is None:
            return () if self.again else self.default
        if self.choices and given not in (*self.choices, self.default):
            raise UsageError(f"{self.option}: {shown(str(given))} is not one of: {', '.join(self.choices)}")
        try:
            if self.again:
                return tuple(map(self.read, given if isinstance(given, list | tuple) else [given]))
            return self.read(given)
        except (UnitError, UsageError, TypeError) as error:
            raise UsageError(f"{self.option}: {self.refused(error)}") from error


def options_of(
    job_name: str, readers: Mapping[str, Callable], words: Mapping[str, object]
) -> tuple[Option, ...]:
    """Options of one job in the order of the table.

    Parameters
    ----------
    job_name : str
    readers : mapping of str to callable
        What reads the options of the kind 'own'.
    words : mapping
        What fills the help where neither the row nor a rule does.
    """
    found = []
    for row in reference_rows("options"):
        if job_name not in row.cells["jobs"].split():
            continue
        values = row.values("options")
        written, kind = values["default"], values["kind"]
        default = int(written) if written.isdigit() else written or ("" if kind == "text" else None)
        words_of = values["choices"]  # a table's name stands for the words in its first column
        listed = words_of.endswith(".csv")
        values["choices"] = tuple(records(words_of.removesuffix(".csv")) if listed
                                  else filter(None, words_of.split(" | ")))  # fmt: skip
        values |= {"default": default, "help": values["help"].format(default=default, **words)}
        found.append(Option(**values, own=readers.get(values["option"])))
    return tuple(found)


def entered(o: SimpleNamespace, options: Sequence[Option]) -> tuple[tuple[str, str], ...]:
    """What was entered, as words and text, for a sheet that goes into the job folder; defaults left out."""

    def text(one: Option, value) -> str:
        if one.kind in ("quantity", "plain", "quantities"):
            many = value if isinstance(value, tuple) else (value,)
            unit = QUANTITIES[one.quantity][1] if one.quantity in QUANTITIES else one.quantity
            return ", ".join(nominal(v, unit) for v in many)
        if one.kind == "accuracy":
            return f"{100 * value[0]:g} % + {nominal(value[1], QUANTITIES[one.quantity][1])}"
        if isinstance(value, tuple):  # sets fixed by hand are several lists
            lists = [",".join(v) if isinstance(v, tuple) else v for v in value]
            return ("; " if isinstance(value[0], tuple) else ", ").join(lists)
        return "yes" if value is True else str(value)

    given = ((one, getattr(o, one.option)) for one in options if not one.cli)
    return tuple((one.option.replace("_", " "), text(one, value)) for one, value in given
                 if value not in (None, (), "", False, one.default))  # fmt: skip


def meter_of(o: SimpleNamespace):
    """Meter that the options describe.

    Raises
    ------
    UsageError
        A kind that is not in the table, or options that no meter could have together.
    """
    from junction.shelf.tables import default_meter, meters, rule

    if o.meter and o.meter not in meters():
        raise UsageError(f"--meter {shown(o.meter)}: there are {'; '.join(meters())}")
    meter = meters()[o.meter] if o.meter else default_meter()
    current, volts = o.meter_current, o.meter_open_voltage
    ohms, over = o.meter_resistance, o.meter_over_range
    if o.ohms_accuracy is not None:
        meter = replace(meter, ohms_accuracy=o.ohms_accuracy)
    if current is None and volts is None and ohms is None and over is None:
        return meter
    if current is not None and ohms is not None:
        raise UsageError("--meter-current or --meter-resistance, not both: the meter has one kind of source")
    if ohms is not None and volts is None:
        raise UsageError("--meter-resistance also needs --meter-open-voltage: the voltage behind it")
    changes: dict = {"basis": "given by the user", "source": "options of this call"}
    if current is not None:
        changes.update(name="constant current as given", source_kind="constant current",
                       test_current_A=current,
                       current_spread=min(meter.current_spread, rule("meter_stated_spread")))  # fmt: skip
    if ohms is not None:
        rows = (row.values("options") for row in reference_rows("options"))
        most = next(row["most"] for row in rows if row["option"] == "meter_current")
        if volts / ohms > most:
            drives = f"{si(volts, 'V')} behind {si(ohms, 'ohm')} drives {si(volts / ohms, 'A')}"
            raise UsageError(f"--meter-resistance: {drives}; no meter drives more than {si(most, 'A')}")
        changes.update(name="resistance source as given", source_kind="resistance", resistance_ohm=ohms,
                       test_current_A=volts / ohms)  # fmt: skip
    if volts is not None:
        changes["open_voltage_V"] = volts
        # a meter cannot show more than it can drive
        changes["over_range_V"] = min(meter.over_range_V, volts)
    if over is not None:
        if over > changes.get("open_voltage_V", meter.open_voltage_V):
            raise UsageError("--meter-over-range is above the open voltage: no reading gets there")
        changes["over_range_V"] = over
    return replace(meter, **changes)


def noise_of(o: SimpleNamespace):
    """Noise of the instruments (`junction.sweeps.sense.Noise`) that the options state, or None.

    Raises
    ------
    UsageError
        One of the two is missing.
    """
    volts, amps = o.voltage_accuracy, o.current_accuracy
    if volts is None and amps is None:
        return None
    if volts is None or amps is None:
        raise UsageError("--voltage-accuracy and --current-accuracy belong together: state both or neither")
    from junction.sweeps.sense import Noise

    return Noise.from_accuracy(
        v_percent=100 * volts[0], v_floor_V=volts[1], i_percent=100 * amps[0], i_floor_A=amps[1]
    )


def job(
    *, inputs: tuple[str, str, str, str] | None = None, writes: str = "", epilog: str = "",
    readers: Mapping[str, Callable] | None = None, words: Mapping[str, object] | None = None,
) -> Callable:  # fmt: skip
    """Make a public function of a function of (input, values of the options).

    The rows of its name in reference/options.csv become keyword arguments, read and checked by their
    declaration; the signature and the section Parameters of the documentation are made from them.  For the
    command line, `inputs` is the positional argument (name, number, word in the help, help), `writes` what
    ``-o`` writes, `epilog` the end of the help; `readers` and `words` are those of `options_of`.
    """

    def wrap(function: Callable) -> Callable:
        options = options_of(function.__name__, readers or {}, words or {})
        known = {one.option: one for one in options if not one.cli}
        given = list(inspect.signature(function).parameters.values())[:-1]

        @functools.wraps(function)
        def call(*inputs, **words):
            for name in words:
                if name not in known and name not in {p.name for p in given}:
                    import difflib

                    near = difflib.get_close_matches(name, known, n=1)
                    hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(known)}"
                    raise UsageError(f"{function.__name__} has no option {name!r}{hint}")
            values = {name: one.value(words.pop(name, None)) for name, one in known.items()}
            form = ""
            if "plots" in values:
                values["plots"], form = known["plots"].read(values["plots"])
            about = inputs[0] if inputs else words.get(given[0].name, "") if given else ""
            if given and given[0].name in ("parts", "readings", "value", "types_named"):
                _refuse_nothing(function.__name__, about)
            with collector_off():
                result = function(*inputs, **words, o=SimpleNamespace(**values))
            if form:
                result.picture_form = form
            return result

        only = inspect.Parameter.KEYWORD_ONLY
        kinds = [inspect.Parameter(name, only, default=one.default) for name, one in known.items()]
        call.__signature__ = inspect.Signature([*given, *kinds])
        # the options stand behind the parameters that the docstring describes itself
        lines = []
        for one in known.values():
            kind = "bool" if one.kind == "flag" else f"str or number [{one.unit}]" if one.unit else "str"
            kind = "whole number" if one.kind == "whole" else kind
            lines.append(f"{one.option} : {kind}, optional")
            lines += textwrap.wrap(one.help, 90, initial_indent="    ", subsequent_indent="    ")
        head, mark, tail = inspect.cleandoc(function.__doc__ or "").partition("\n\nReturns\n")
        call.__doc__ = head + "\n" + "\n".join(lines) + mark + tail
        call.options, call.inputs, call.writes, call.epilog = options, inputs, writes, epilog
        return call

    return wrap


def _refuse_nothing(name: str, about: object) -> None:
    """Say what to give where something can be no part, value or type at all."""
    kinds = (str, Real) if name == "resistor" else (Iterable, os.PathLike, Bag, PartReadings)
    if isinstance(about, bool) or not (isinstance(about, kinds) or hasattr(about, "bag")):
        such = {"resistor": "'4k7' or 4700", "substitute": "'2N3055'"}.get(
            name, "a path, a DataFrame, or readings such as ['B-E=0.642', 'E-B=OL']")  # fmt: skip
        raise UsageError(f"{name} of {about!r}: what is it about? Give {such}")


class Result:
    """A job's report and the ways to look at it.

    Parameters
    ----------
    command : str
        Name of the job; its page is ``command.html``, its JSON ``command.json``.
    report : record
        What the job found; its fields are attributes of the result as well.

    Notes
    -----
    The module of `junction.views` with the command's name, or the report's ``view``, shows it:
    ``summary(report)``, ``short(report, everything)`` and ``terminal(report, everything)``, the answer and
    the whole on a terminal, ``page(report)`` and ``tables(report)``; optionally also ``pages(report, made)``
    where there may be several, ``pictures(report, made)``, ``document(report)``, the body of the JSON where
    it is not the report's record, ``display(report)``, ``files(report, made, job)`` and ``sheet(report)``,
    what the job's sheet keeps.
    ``print(result)`` gives what the command line prints.
    """

    #: Kind of files that pictures are written as beside the page, '' for none.
    picture_form = ""

    def __init__(self, command: str, report: object) -> None:
        self.command, self.report = command, report
        self._view = importlib.import_module(f"junction.views.{getattr(report, 'view', command)}")
        # SOURCE_DATE_EPOCH [s]: the date of what is made once more (reproducible-builds.org), in UTC
        stated = os.environ.get("SOURCE_DATE_EPOCH", "")
        if stated and not (stated.isdecimal() and len(stated) < 12):
            raise UsageError(f"SOURCE_DATE_EPOCH is {shown(stated)}: write seconds since 1970, as 1700000000")
        when = time.gmtime(int(stated)) if stated else time.localtime()
        self.made = time.strftime("%Y-%m-%d %H:%M %z", when)

    def __getattr__(self, name: str):
        if name.startswith("_") or "report" not in self.__dict__:
            raise AttributeError(name)
        # what a report does not hold, as the rows set aside, is of what was read for it
        return getattr(self.report if hasattr(self.report, name) else self.bag, name)

    @property
    def bag(self):
        """What was read (a `Bag`), to give to another function; None where nothing was."""
        return self.report if self.command == "read" else getattr(self.report, "bag", None)

    def __dir__(self):
        return [*super().__dir__(), *(n for n in dir(self.report) + dir(self.bag) if not n.startswith("_"))]

    def to_frame(self, table: str = ""):
        """One of the result's tables as a DataFrame, the main one unless another is named.

        Parameters
        ----------
        table : str, optional
            Name of a table, such as ``set_aside``; `tables` lists them.

        Returns
        -------
        pandas.DataFrame
            Numbers in SI units, None or nan where nothing is known.
        """
        import pandas as pd

        found = self._view.tables(self.report)
        name = table or next(iter(found))
        if name not in found:
            raise KeyError(f"no table {table!r}; there are {', '.join(found)}")
        headings, rows = found[name]
        return pd.DataFrame([list(row) for row in rows], columns=list(headings))

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the tables that `to_frame` gives and `save` writes as CSV."""
        return tuple(self._view.tables(self.report))

    def to_dict(self) -> dict:
        """The JSON of the command line as dicts and lists: SI units, None for what is not known."""
        from junction.show.write import FORMAT, plain

        return {"format": FORMAT, "command": self.command, **plain(self._document())}

    def _document(self) -> Mapping[str, object]:
        from junction.show.write import record

        bag, own = self.bag, getattr(self._view, "document", record)(self.report)
        read = {"files": bag.files, "rows_read": bag.rows_read, "set_aside": self.set_aside} if bag else {}
        before = [c.text for c in getattr(self.report, "cautions", ())]
        return {**own, **read, "cautions": before, "made": self.made}

    def to_json(self) -> str:
        """The JSON of the command line as text."""
        return "".join(self.json_pieces())

    def json_pieces(self, *, ascii_only: bool = False) -> Iterator[str]:
        """The same in pieces; where asked for, characters above ASCII as escapes (RFC 8259, section 7)."""
        from junction.show.write import document

        return document(self.command, self._document(), ascii_only=ascii_only)

    def contents(self, job: str = "") -> dict[str, str | bytes]:
        """Every file of the result by its name: page, CSV files and whatever the job adds; not the JSON.

        Parameters
        ----------
        job : str, optional
            Name of the job, for its labels.
        """
        from junction.show.page import page
        from junction.show.write import csv_text

        of = getattr(self._view, "pages", lambda *given: {self.command: self._view.page(*given)})
        files = {f"{name}.html": page(*told, self.made) for name, told in of(self.report, self.made).items()}
        for name, (headings, rows) in self._view.tables(self.report).items():
            files[f"{name}.csv"] = csv_text(headings, rows)
        if hasattr(self._view, "files"):
            files |= self._view.files(self.report, self.made, job)
        if form := self.picture_form:
            files |= {f"plots/{name}.{form}": one.content(form) for name, one in self.pictures.items()}
        return files

    @property
    def pictures(self) -> Mapping[str, object]:
        """Pictures (`junction.show.canvas.Picture`) by name, as ``--plots png`` writes them."""
        return getattr(self._view, "pictures", lambda report, made: {})(self.report, self.made)

    def plot(self, picture: str = ""):
        """One of the result's pictures, the first unless another is named; a notebook shows it.

        Parameters
        ----------
        picture : str, optional
            Its name in `pictures` or the beginning of it.

        Returns
        -------
        junction.show.canvas.Picture
            ``save("name.png")`` writes it as PNG, SVG or PDF.

        Raises
        ------
        UsageError
            There is no such picture.
        """
        found = self.pictures
        for name, one in found.items():
            if name.startswith(picture):
                return one
        raise UsageError(f"there is no picture {picture!r}; there are {', '.join(found) or 'none'}")

    def written(self, folder: str | os.PathLike, job: str = "") -> dict[Path, object]:
        """Every file that `save` writes, by its place, the page first; with the job's sheet and record."""
        from junction.paper.job_sheet import run_files

        return run_files(folder, self, self._view, job)

    def save(self, folder: str | os.PathLike, job: str = "") -> list[Path]:
        """Write the page, the CSV files and the JSON into the folder of a job: all of them or none.

        What stands there of other runs stays: ``index.html`` gathers them all.

        Parameters
        ----------
        folder : path
            Made if it does not exist.
        job : str, optional
            What the job is about, for the head of its sheet and its labels; the folder keeps it.

        Returns
        -------
        list of Path
            What was written, the page first.

        Raises
        ------
        OutputError
            A file or folder cannot be written, or the folder's ``job.json`` or ``index.html`` is not of a
            job; nothing was.
        """
        from junction.show.files import alone_with, write_files

        if not isinstance(folder, str | os.PathLike) or "\0" in os.fspath(folder):
            raise UsageError(f"{folder!r} is no folder. Give its path")
        with alone_with(Path(folder)):
            write_files(files := self.written(folder, job))
        return list(files)

    def text(self, width: int = 80, *, more: bool = False, everything: bool = False, paint=None) -> str:
        """What the command line prints, for so many columns.

        ``more`` gives the whole: all evidence, assumptions and cautions (``--more``); ``everything`` lists
        what would only be counted (``--all``).
        """
        from junction.show.blocks import terminal_text

        blocks = getattr(self._view, "terminal" if more else "short")(self.report, everything)
        return terminal_text(blocks, min(width, getattr(self._view, "MOST_COLUMNS", width)), paint)

    def __str__(self) -> str:
        return self.text()

    def __repr__(self) -> str:
        return f"<junction {self.command}: {self._view.summary(self.report)}>"

    def _repr_html_(self) -> str:
        from junction.show.page import fragment

        shown = getattr(self._view, "display", None) or (lambda report: self._view.page(report, "")[1])
        return fragment(shown(self.report))


def bag_of(parts, temp_C: float | None = None) -> Bag:
    """Bag of whatever a public function was given, parts without a temperature taken at `temp_C`.

    Parameters
    ----------
    parts : path, sequence of paths, DataFrame, Result, Bag, or readings
        Readings are ``["B-E=0.642", ...]`` of one part or ``{"Q1": [...], "Q2": {"B-E": 0.642}}`` of many.
    temp_C : float, optional
        [degC]
    """
    def is_path(one) -> bool:
        return isinstance(one, os.PathLike) or isinstance(one, str) and "=" not in one

    bag = getattr(parts, "bag", parts)
    if not isinstance(bag, Bag):
        from junction.intake import read

        if hasattr(parts, "columns"):
            bag = read.read_frame(parts)
        elif isinstance(parts, str | os.PathLike):
            bag = read.read_paths([os.fspath(parts)])
        elif not isinstance(parts, dict | PartReadings) and all(map(is_path, parts)):
            bag = read.read_paths([os.fspath(one) for one in parts])
        else:
            bag = read.read_readings(parts)
    if temp_C is None:
        return bag

    def stated(r: PartReadings) -> PartReadings:
        spots = tuple(replace(s, temp_C=temp_C) if isnan(s.temp_C) else s for s in r.spots)
        return replace(r, temp_C=temp_C if isnan(r.temp_C) else r.temp_C, spots=spots)

    sweeps, curves = bag.sweeps, bag.curves
    return replace(
        bag,
        readings=tuple(stated(r) for r in bag.readings),
        sweeps=replace(sweeps, temp_C=np.where(np.isnan(sweeps.temp_C), temp_C, sweeps.temp_C)),
        curves=replace(curves, temp_C=np.where(np.isnan(curves.temp_C), temp_C, curves.temp_C)),
    )


@job()
def read(parts, o) -> Result:
    """Read parts without judging them: meter readings, spot readings, sweeps and curves.

    Parameters
    ----------
    parts : path, list of paths, DataFrame or readings
        CSV files, folders and patterns; a DataFrame with the same headings; or typed readings, a list for one
        part and a dict for many.

    Returns
    -------
    Result
        Can be given to every other function; ``set_aside`` lists what could not be used, and why.

    Raises
    ------
    InputError
        Nothing in it can be read.

    Examples
    --------
    >>> import junction
    >>> junction.read({"Q1": {"B-E": 0.642, "E-B": "OL"}, "Q2": ["B-E=0.648", "E-B=OL"]})
    <junction read: 2 parts with readings from 2 rows>
    """
    return Result("read", bag_of(parts, o.temperature))
