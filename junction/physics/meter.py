r"""What a multimeter in diode mode shows of a two-terminal junction.

Two kinds of meter: a current source that gives up at its open-circuit voltage (compliance), and that
voltage behind a resistance.  Both press the same question on the junction law, so both take its
parameters by keyword, as `junction.physics.junction.voltage` does.

The accuracy a maker states, percent of reading plus counts of the last digit, is a half-width a within
which the error lies; with nothing else known its standard uncertainty is a/sqrt(3) (JCGM 100:2008, 4.3.7).
The last digit itself adds d/sqrt(12) where the counts do not already cover it (JCGM 100:2008, F.2.2.1).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from junction.physics.junction import current, voltage


class Shown(NamedTuple):
    """A display: ``value_V`` [V], nan where ``over`` (the over-range mark is on)."""

    value_V: np.ndarray
    over: np.ndarray


class Driven(NamedTuple):
    """The junction as the meter drives it: ``v_V`` [V] at the probes and ``i_A`` [A] through them."""

    v_V: np.ndarray
    i_A: np.ndarray


def driven_by_current_source(test_current_A, open_voltage_V, **junction) -> Driven:
    """Voltage across a junction under a constant-current meter with compliance.

    Parameters
    ----------
    test_current_A : array_like
        Test current [A].
    open_voltage_V : array_like
        Voltage with the probes open [V], which the source cannot exceed.
    **junction
        Parameters of `junction.physics.junction.current`, same names and units.

    Returns
    -------
    Driven
        The open-circuit voltage and the smaller current where the source ran out of voltage.
    """
    v = np.asarray(voltage(test_current_A, **junction))
    limit = np.asarray(open_voltage_V, float)
    over = ~(v < limit)
    v = np.where(over, limit, v)
    i = np.where(over, current(limit, **junction), test_current_A)
    return Driven(v, i)


def driven_through_resistance(open_voltage_V, resistance_ohm, **junction) -> Driven:
    """Voltage across a junction under a meter that is a voltage behind a resistance.

    Parameters
    ----------
    open_voltage_V : array_like
        Voltage with the probes open [V].
    resistance_ohm : array_like
        Source resistance [ohm].
    **junction
        Parameters of `junction.physics.junction.current`, same names and units.

    Returns
    -------
    Driven
    """
    series = np.asarray(junction.get("RS_ohm", 0.0)) + np.asarray(resistance_ohm, float)
    i = np.asarray(current(open_voltage_V, **junction | {"RS_ohm": series}))
    return Driven(np.asarray(open_voltage_V) - i * np.asarray(resistance_ohm), i)


def short_circuit_current(open_voltage_V, resistance_ohm):
    """Largest current a voltage-behind-resistance meter can drive.

    Parameters
    ----------
    open_voltage_V : array_like
        Voltage with the probes open [V].
    resistance_ohm : array_like
        Source resistance [ohm].

    Returns
    -------
    ndarray
        Current into a short [A].
    """
    return np.asarray(open_voltage_V, float) / np.asarray(resistance_ohm, float)


def displayed(v_V, resolution_V, over_range_V) -> Shown:
    """Round a voltage to the display, or to the over-range mark.

    Parameters
    ----------
    v_V : array_like
        Voltage at the probes [V], the meter's own error included if it is to have one.
    resolution_V : array_like
        Value of the last digit [V].
    over_range_V : array_like
        Voltage above which the mark is shown [V].

    Returns
    -------
    Shown
    """
    v, step = np.asarray(v_V, float), np.asarray(resolution_V, float)
    over = ~(v <= np.asarray(over_range_V, float))
    return Shown(np.where(over, np.nan, np.round(v / step) * step), over)


def accuracy_half_width(v_V, accuracy_percent, accuracy_counts, resolution_V):
    """Half-width of a reading's error, from the accuracy statement.

    Parameters
    ----------
    v_V : array_like
        Reading [V].
    accuracy_percent : array_like
        Percent of reading [%].
    accuracy_counts : array_like
        Counts of the last digit [1].
    resolution_V : array_like
        Value of the last digit [V].

    Returns
    -------
    ndarray
        Half-width [V].
    """
    percent = 0.01 * np.asarray(accuracy_percent, float) * np.abs(np.asarray(v_V, float))
    return percent + np.asarray(accuracy_counts, float) * np.asarray(resolution_V, float)


def standard_uncertainty(half_width_V):
    """Standard uncertainty of a quantity known to lie within a half-width (JCGM 100:2008, 4.3.7).

    Parameters
    ----------
    half_width_V : array_like
        Half-width of a rectangular distribution [V].

    Returns
    -------
    ndarray
        half_width / sqrt(3) [V].
    """
    return np.asarray(half_width_V, float) / np.sqrt(3.0)


def reading_uncertainty(v_V, accuracy_percent, accuracy_counts, resolution_V, *, counts_hold_digit=True):
    """Standard uncertainty of a diode-mode reading.

    Parameters
    ----------
    v_V : array_like
        Reading [V].
    accuracy_percent, accuracy_counts : array_like
        Accuracy statement, percent of reading [%] and counts [1].
    resolution_V : array_like
        Value of the last digit [V].
    counts_hold_digit : bool
        The counts already cover the rounding of the last digit, which is how statements are commonly
        meant (common practice, no source); where a statement has no counts the rounding is added.

    Returns
    -------
    ndarray
        Standard uncertainty [V].
    """
    a = standard_uncertainty(accuracy_half_width(v_V, accuracy_percent, accuracy_counts, resolution_V))
    digit = np.asarray(resolution_V, float) / np.sqrt(12.0)
    covered = np.asarray(counts_hold_digit) & (np.asarray(accuracy_counts, float) >= 0.5)
    return np.where(covered, a, np.hypot(a, digit))
