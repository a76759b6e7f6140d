"""Tables of sweeps and of curves from lists of arrays, one a sweep or part; parts of one spot reading."""

from math import nan

import numpy as np

from junction.base.records import CurveTable, PartReadings, Spot, SweepTable


def _flat(lists):
    return np.concatenate([*lists, []])


def sweep_table(part, junction, v_V, i_A, temp_C=None, type=None):
    starts = np.append(0, np.cumsum([len(v) for v in v_V]))
    return SweepTable(
        tuple(part), tuple(junction), tuple(type or ()), (), temp_C, starts, _flat(v_V), _flat(i_A),
        np.arange(starts[-1]), np.zeros(len(part), bool),
    )  # fmt: skip


def curve_table(part, vce_V, vbe_V, ib_A, ic_A, temp_C=None, polarity=None, type=None):
    starts = np.append(0, np.cumsum([len(v) for v in vce_V]))
    return CurveTable(
        tuple(part), tuple(type or ()), tuple(polarity or ()), (), temp_C, starts,
        *(_flat(x) for x in (vce_V, vbe_V, ib_A, ic_A)), np.arange(starts[-1]),
    )  # fmt: skip


def spot_part(part, ic_A=nan, vbe_V=nan, hfe=nan, temp_C=nan, **more):
    return PartReadings(part, spots=(Spot(ic_A, vbe_V, hfe, temp_C),), temp_C=temp_C, **more)
