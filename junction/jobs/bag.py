"""What the public functions take as parts: files, a DataFrame, typed readings, or what was read before."""

from __future__ import annotations

import os
from dataclasses import replace
from math import isnan

import numpy as np

from junction.base.records import Bag, PartReadings
from junction.jobs.options import job
from junction.jobs.result import Result


def bag_of(parts, temp_C: float | None = None) -> Bag:
    """Bag of whatever a public function was given, parts without a temperature taken at `temp_C`.

    Parameters
    ----------
    parts : path, sequence of paths, DataFrame, Result, Bag, or readings
        Readings are ``["B-E=0.642", ...]`` of one part or ``{"Q1": [...], "Q2": {"B-E": 0.642}}`` of many.
    temp_C : float, optional
        [degC]
    """
    bag = getattr(parts, "bag", parts)
    if not isinstance(bag, Bag):
        from junction.intake import read

        if hasattr(parts, "columns"):
            bag = read.read_frame(parts)
        elif isinstance(parts, str | os.PathLike):
            bag = read.read_paths([os.fspath(parts)])
        elif not isinstance(parts, dict | PartReadings) and all(_is_path(one) for one in parts):
            bag = read.read_paths([os.fspath(one) for one in parts])
        else:
            bag = read.read_readings(parts)
    return bag if temp_C is None else _with_temperature(bag, temp_C)


def _is_path(one) -> bool:
    return isinstance(one, os.PathLike) or isinstance(one, str) and "=" not in one


def _with_temperature(bag: Bag, temp_C: float) -> Bag:
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
    from junction.views import bag as view

    return Result("read", bag_of(parts, o.temperature), view)
