"""What else to test before power comes on, after a power device has failed.

A shorted or leaky output device seldom dies alone: it pulls its partner across the rails, drives base
current back into its driver, and burns the small resistors that carry its fault current.  The list names
the stage's parts generically.  Common practice of the repair trade, no source.
"""

from __future__ import annotations

from junction.judge.results import PartVerdict

_PARTNER = "its partner of the other polarity in the same channel: the short put the rails across it"
_PARALLEL = "every device in parallel with it: they shared the fault current"
_EMITTER = "its emitter resistor: burnt open it reads kilohms in circuit, through what lies beside it"
_BASE = "its base resistor or base stopper, and the resistor from base to emitter beside it"
_DRIVER = "the driver transistor of its half, and the one before it"
_BIAS = "the bias transistor and its trimmer: an open one overdrives the new parts"
_SENSE = "the protection-sense transistor and diodes across the emitter resistor"
_FLYBACK = "the flyback or damper diode and the tuning capacitor across it: an open one let the voltage rise"
_SNUBBER = "the snubber resistor and capacitor at the output"
_SUPPLY = "fuse, rectifier and reservoir capacitors of its supply; never fit a larger fuse"

#: Families of diodes that rectify a supply; others have no list.
RECTIFIERS = ("silicon rectifier", "Schottky")

POWER_UP = (
    "Power up through a current-limited supply or a series lamp, loudspeaker or load disconnected; watch the "
    "idle current and the output offset before the load goes on. Mains work by your local rules, and by "
    "licensed hands where the law asks for them."
)


_FED_BY = "what feeds its base and what it feeds: the stage before and the stage after"
_BIAS_RESISTORS = "its bias resistors and the emitter resistor, against their marking"
_COUPLING = "the coupling capacitors at its base and collector: a leaking one shifts the bias"

_BRIDGE = "the other diodes of its bridge or pair: they carried the same fault current"
_RESERVOIR = "the reservoir capacitor behind it: a shorted one kills the next diode too"
_FUSE = "the fuse before it, and what the supply feeds; never fit a larger fuse"


def neighbours(verdict: PartVerdict, family: str = "") -> tuple[str, ...]:
    """What to test before power-up beside a shorted or leaky part.

    Parameters
    ----------
    verdict : PartVerdict
    family : str
        Family of its registered type, '' where it is not known.

    Returns
    -------
    tuple of str
        In the order to test, power-up advice last; empty unless the part is shorted or leaky. A
        small-signal type and a diode have short lists of their own; a type that is not known is taken for
        a power device, whose fault costs most.
    """
    if verdict.verdict not in ("shorted", "leaky"):
        return ()
    if verdict.device.kind == "diode":
        return (_BRIDGE, _RESERVOIR, _FUSE, POWER_UP) if family in RECTIFIERS else ()
    if "small-signal" in family:
        return (_FED_BY, _BIAS_RESISTORS, _COUPLING, POWER_UP)
    words = " ".join(verdict.faults)
    into_base = "BC" in words or ("BE" in words and "CE" in words) or "CE" not in words
    found = [_PARTNER, _PARALLEL, _EMITTER]
    if into_base:  # collector fault current found its way into the base circuit
        found = [_PARTNER, _DRIVER, _BASE, _EMITTER, _PARALLEL]
    else:
        found += [_BASE, _DRIVER]
    if verdict.device.kind == "bjt with damper diode":
        found.insert(1, _FLYBACK)
    found += [_BIAS, _SENSE, _SNUBBER, _SUPPLY, POWER_UP]
    return tuple(found)
