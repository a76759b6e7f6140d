"""Options declared once: the keyword of a public function and the long option of the command line.

An `Option` holds its name, how its value is read (with which unit, within which bounds), its default and its
help.  `job` turns a function of (input, values) into a public one whose signature and documentation come
from its options; `junction.cli.main` makes the parser from the same list.
"""

from __future__ import annotations

import functools
import inspect
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from types import SimpleNamespace

from junction.base.errors import UnitError, UsageError
from junction.base.units import QUANTITIES, parse_number, parse_quantity


@dataclass(frozen=True)
class Option:
    """One option.

    ``read`` turns what was written (text with its unit, or a plain number in the SI unit) into a value and
    raises `UsageError` or `UnitError`; None makes a flag.  ``many`` options may be given again and make a
    tuple; ``cli`` options belong to the command line alone.
    """

    name: str  # meter_current: the keyword; --meter-current: the long option
    help: str
    read: Callable | None = None
    default: object = None
    metavar: str = ""
    unit: str = ""  # SI unit of a plain number, for the documentation
    choices: tuple[str, ...] = ()
    group: str = ""
    many: bool = False
    cli: bool = False
    flags: tuple[str, ...] = ()  # other spellings, such as -o

    def value(self, given):
        """Value of what was given to the function; the default for None."""
        if given is None:
            return () if self.many and self.default is None else self.default
        if self.read is None:
            return bool(given)
        if self.choices and given not in (*self.choices, self.default):
            raise UsageError(f"{self.name}: {given!r} is not one of: {', '.join(self.choices)}")
        try:
            if self.many:
                return tuple(map(self.read, given if isinstance(given, list | tuple) else [given]))
            return self.read(given)
        except (UnitError, UsageError, TypeError) as error:
            raise UsageError(f"{self.name}: {error}") from error


def option(name: str, help_: str, read: Callable | None = None, **more) -> Option:
    """An `Option`; the unit follows from the reader where it has one."""
    return Option(name, help_, read, unit=getattr(read, "unit", ""), **more)


def physical(
    quantity: str, *, above: float | None = None, at_least: float | None = None, at_most: float | None = None
) -> Callable:
    """Reader of a value with its unit.

    Parameters
    ----------
    quantity : str
        Key of `junction.base.units.QUANTITIES`.
    above, at_least, at_most : float, optional
        Bounds in the SI unit; a value outside is refused.
    """

    def read(given) -> float:
        value = parse_quantity(given, quantity) if isinstance(given, str) else float(given)
        if not isfinite(value):
            raise UsageError(f"{given!r} is not a number")
        if above is not None and not value > above:
            raise UsageError(f"{given!r} must be above {above:g}")
        if at_least is not None and value < at_least:
            raise UsageError(f"{given!r} must be at least {at_least:g}")
        if at_most is not None and value > at_most:
            raise UsageError(f"{given!r} must be at most {at_most:g}")
        return value

    read.unit = QUANTITIES[quantity][1] or "1"
    return read


def several(item: Callable) -> Callable:
    """Reader of one value or several with commas between: ``0.22ohm,0.22ohm,0.33ohm``; a tuple."""

    def read(given) -> tuple:
        if isinstance(given, str):
            given = _items(given)
        elif not isinstance(given, Sequence) and not hasattr(given, "tolist"):
            given = [given]
        values = tuple(item(one) for one in given)
        if not values:
            raise UsageError("a value with its unit was expected")
        return values

    read.unit = getattr(item, "unit", "")
    return read


def _items(text: str) -> list[str]:
    """Parts between commas; a comma between digits that carry no unit yet is a decimal mark: ``0,22ohm``."""
    out: list[str] = []
    for piece in text.split(","):
        if out and out[-1].strip().lstrip("+-").isdigit():
            out[-1] += "," + piece
        else:
            out.append(piece)
    return [item.strip() for item in out if item.strip()]


def whole(least: int = 0, most: int | None = None) -> Callable:
    """Reader of a whole number between bounds."""

    def read(given) -> int:
        try:
            value = int(given)
        except (TypeError, ValueError) as error:
            raise UsageError(f"{given!r} is not a whole number") from error
        if isinstance(given, float) and value != given:
            raise UsageError(f"{given!r} is not a whole number")
        if value < least or most is not None and value > most:
            bound = f"at least {least}" if value < least else f"at most {most}"
            raise UsageError(f"{given!r} must be {bound}")
        return value

    return read


def plain(least: float, below: float, unit: str) -> Callable:
    """Reader of a number from `least` to below `below`, whose unit is in the help and may stand behind it."""

    def read(given) -> float:
        try:
            value = float(given.strip().removesuffix(unit) if isinstance(given, str) else given)
        except ValueError as error:
            raise UsageError(f"{given!r} is not a number of {unit}") from error
        if not least <= value < below:
            raise UsageError(f"{least:g} to below {below:g} {unit} was expected")
        return value

    read.unit = unit
    return read


def accuracy(quantity: str) -> Callable:
    """Reader of limits of error such as ``0.5%+2mV``: (fraction of reading [1], floor in the SI unit)."""

    def read(given) -> tuple[float, float]:
        if not isinstance(given, str):
            fraction, floor_ = (float(x) for x in given)
            return fraction, floor_
        parts = [p.strip() for p in given.replace("±", "").replace(" + ", "+").split("+") if p.strip()]
        fraction, floor_, seen = 0.0, 0.0, set()
        try:
            for item in parts:
                kind = "percent" if item.endswith("%") else "floor"
                if kind in seen or len(parts) > 2:
                    raise UnitError(f"{given!r}: write percent of reading and floor once each")
                seen.add(kind)
                if kind == "percent":
                    fraction = parse_number(item[:-1]) / 100
                else:
                    floor_ = parse_quantity(item, quantity)
        except UnitError as error:
            raise UsageError(f"{error} (an accuracy is written like 0.5%+2mV)") from error
        if not seen or fraction < 0 or floor_ < 0 or fraction >= 1:
            raise UsageError(f"{given!r}: an accuracy is written like 0.5%+2mV")
        return fraction, floor_

    read.unit = f"(1, {QUANTITIES[quantity][1]})"
    return read


def names(given) -> tuple[str, ...]:
    """Names with commas between, or a sequence of them."""
    items = given.split(",") if isinstance(given, str) else given
    found = tuple(str(item).strip() for item in items if str(item).strip())
    if not found:
        raise UsageError("names with commas between were expected, such as A03,A11")
    return found


#: What to take where a row states none.
TEMPERATURE = option(
    "temperature",
    "temperature of parts where the file states none, such as 23C (else 25C is taken, and said)",
    physical("temperature", at_least=-80.0, at_most=250.0), metavar="T",
)  # fmt: skip
TYPES = option(
    "types", "CSV of further type limits, in the form of the built-in tables", str, metavar="FILE"
)

_METER_GROUP = "meter in diode mode (default: the commonest kind)"
#: How the meter drives a part in diode mode.
METER = tuple(
    replace(one, group=_METER_GROUP)
    for one in (
        option("meter", "kind of meter as reference/meters.csv names it, such as 'bench, 1 mA'", str,
               metavar="KIND"),
        option("meter_current", "test current of a constant-current meter, such as 1mA",
               physical("current", above=0.0, at_most=1.0), metavar="I"),
        option("meter_open_voltage", "voltage at its open probes, such as 2.8V",
               physical("voltage", above=0.0, at_most=60.0), metavar="V"),
        option("meter_resistance", "resistance behind the open voltage, for a meter without a current source,"
               " such as 2.2kohm", physical("resistance", above=0.0, at_most=1e9), metavar="R"),
        option("meter_over_range", "reading above which it shows OL, such as 2V",
               physical("voltage", above=0.0, at_most=60.0), metavar="V"),
    )
)  # fmt: skip

_INSTRUMENT_GROUP = "instruments of the sweeps (default: found from each sweep itself)"
#: Accuracy of the instruments that logged the sweeps.
INSTRUMENT = (
    option("voltage_accuracy",
           "limits of error of the voltage, percent of reading and floor, such as 0.5%+2mV",
           accuracy("voltage"), metavar="A", group=_INSTRUMENT_GROUP),
    option("current_accuracy", "limits of error of the current, such as 1%+10nA",
           accuracy("current"), metavar="A", group=_INSTRUMENT_GROUP),
)  # fmt: skip
#: Sweeps drawn on a page unless it is said otherwise.
DEFAULT_PLOTS = 40


_STAGE_GROUP = "the stage (what is not said is assumed, and said to be)"


def _stage(name: str, help_: str, quantity: str, metavar: str) -> Option:
    reader = physical(quantity, above=0.0)
    return option(name, help_, reader, metavar=metavar, group=_STAGE_GROUP)


_OHMS = several(physical("resistance", at_least=0.0))
_DEGREES = physical("temperature", at_least=-60.0, at_most=200.0)
#: An output stage: rating, supply, resistors, currents, heat.
STAGE = (
    _stage("power", "rated power into the load, such as 80W", "power", "P"),
    _stage("load", "the load it is rated into, such as 8ohm", "resistance", "R"),
    option("load_angle", "phase angle of the reactive load to check, in degrees", plain(0.0, 90.0, "degrees"),
           metavar="DEGREES", group=_STAGE_GROUP),
    _stage("supply", "voltage of one rail, such as 42V", "voltage", "V"),
    option("parallel", "devices that share a rail's current (default 1; 2 in sets of one polarity)",
           whole(1, 12), metavar="N", group=_STAGE_GROUP),
    option("emitter_resistor", "emitter resistor; one value for all, or one a position with commas: "
           "0.22ohm,0.22ohm,0.33ohm", _OHMS, metavar="R", group=_STAGE_GROUP),
    option("base_resistor", "base resistor of each device, the same way", _OHMS, metavar="R",
           group=_STAGE_GROUP),
    _stage("idle_current", "idle current of a rail, shared by its devices", "current", "I"),
    _stage("idle_drop", "wanted drop across each emitter resistor at idle, such as 20mV, in place of the "
           "idle current", "voltage", "V"),
    _stage("peak_current", "peak current of a rail, shared by its devices", "current", "I"),
    _stage("vce", "V_CE to compare at, where no supply is given", "voltage", "V"),
    option("type", "registered types in use, with commas: their limits and R_thJC are checked; match then "
           "leaves out parts of any other type", names, metavar="NAME", group=_STAGE_GROUP),
    *(option(name, text, physical("thermal resistance", above=0.0), metavar="R", group="heat")
      for name, text in (("rth_junction_case", "junction to case of a device, such as 0.7K/W"),
                         ("rth_case_sink", "case to sink of a device, insulator included"),
                         ("rth_sink", "the sink of one channel to the air"))),
    option("ambient", "air at the sink, such as 35C", _DEGREES, metavar="T", group="heat"),
    option("junction_temperature", "junctions at idle, where the heat is not worked out", _DEGREES,
           metavar="T", group="heat"),
)  # fmt: skip


def stage_ask(o: SimpleNamespace, parallel: int = 1):
    """What the options say of a stage (`junction.stage.stage.StageAsk`); `parallel` where they do not."""
    from junction.stage.stage import StageAsk

    said = {
        "power_W": o.power, "load_ohm": o.load, "supply_V": o.supply, "parallel": o.parallel or parallel,
        "re_ohm": o.emitter_resistor, "rb_ohm": o.base_resistor, "idle_A": o.idle_current,
        "idle_drop_V": o.idle_drop, "peak_A": o.peak_current, "vce_V": o.vce,
        "temp_C": o.junction_temperature, "load_phase_deg": o.load_angle, "rth_jc": o.rth_junction_case,
        "rth_cs": o.rth_case_sink, "rth_sa": o.rth_sink, "ambient_C": o.ambient,
    }  # fmt: skip
    return StageAsk(**{name: value for name, value in said.items() if value is not None})


def stage_types(o: SimpleNamespace, find: Callable) -> tuple:
    """Registered types of the option ``type``.

    Raises
    ------
    UsageError
        A type the shelf does not hold; names the nearest ones.
    """
    for name in o.type or ():
        if find(name) is None:
            from junction.shelf.types import type_shelf

            near = type_shelf().near(name)
            hint = f"; near it: {', '.join(near)}" if near else ""
            raise UsageError(f"--type {name}: not on the shelf{hint}")
    return tuple(find(name) for name in o.type or ())


def meter_of(o: SimpleNamespace):
    """Meter that the options describe.

    Raises
    ------
    UsageError
        A kind that is not in the table, or options that no meter could have together.
    """
    from junction.shelf.rules import default_meter, meters, rule

    if o.meter is not None and o.meter not in meters():
        raise UsageError(f"--meter {o.meter!r}: there are {'; '.join(meters())}")
    meter = default_meter() if o.meter is None else meters()[o.meter]
    current, volts = o.meter_current, o.meter_open_voltage
    ohms, over = o.meter_resistance, o.meter_over_range
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


def types_of(o: SimpleNamespace) -> Callable:
    """From a marking to its registered type: the reference tables and the user's own file."""
    from junction.shelf.types import find_type, type_shelf

    if not o.types:
        return find_type
    type_shelf((o.types,))  # a fault in the user's file is said before any work
    return functools.partial(find_type, extra=(o.types,))


def noise_of(o: SimpleNamespace):
    """Noise of the instruments (`junction.fit.sense.Noise`) that the options state, or None.

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
    from junction.fit.sense import Noise

    return Noise.from_accuracy(
        v_percent=100 * volts[0], v_floor_V=volts[1], i_percent=100 * amps[0], i_floor_A=amps[1]
    )


def job(
    *options: Option, inputs: tuple[str, str, str, str] | None = None, writes: str = "", epilog: str = ""
) -> Callable:
    """Make a public function of a function of (input, values of the options).

    The options become keyword arguments, read and checked by their declaration; the signature and the
    section Parameters of the documentation are made from them.  For the command line, `inputs` is the
    positional argument (name, number, word in the help, help), `writes` what ``-o`` writes, `epilog` the end
    of the help.
    """

    def wrap(function: Callable) -> Callable:
        keywords = [one for one in options if not one.cli]
        known = {one.name: one for one in keywords}
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
            return function(*inputs, **words, o=SimpleNamespace(**values))

        only = inspect.Parameter.KEYWORD_ONLY
        kinds = [inspect.Parameter(k.name, only, default=k.default) for k in keywords]
        call.__signature__ = inspect.Signature([*given, *kinds])
        call.__doc__ = _documented(function.__doc__ or "", keywords)
        call.options, call.inputs, call.writes, call.epilog = options, inputs, writes, epilog
        return call

    return wrap


def _documented(text: str, options: Sequence[Option]) -> str:
    """Docstring with the options behind the parameters that it describes itself."""
    lines = []
    for one in options:
        kind = "bool" if one.read is None else f"str or number [{one.unit}]" if one.unit else "str"
        kind = "whole number" if isinstance(one.default, int) and one.read is not None else kind
        lines.append(f"{one.name} : {kind}, optional")
        lines += textwrap.wrap(one.help, 90, initial_indent="    ", subsequent_indent="    ")
    head, mark, tail = inspect.cleandoc(text).partition("\n\nReturns\n")
    return head + "\n" + "\n".join(lines) + mark + tail
