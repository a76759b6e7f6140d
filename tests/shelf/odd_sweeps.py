"""Sweeps of all kinds, sound and spoilt, each drawn from its seed, that the rules of a verdict meet."""

import numpy as np


def odd_sweep(seed):
    """CSV of one sweep."""
    rng = np.random.default_rng(seed)

    def one(*of):
        return of[int(rng.integers(len(of)))]

    is_A, n, rs_ohm = 10.0 ** rng.uniform(-16, -6), one(1, 1, 1.2, 1.8), one(0, 0, 1, 5, 30)
    shunt_ohm = one(np.inf, np.inf, 1e8, 1e7, 1e6, 1e5, 1e4, 5e3, 1e3, 300, 120, 60, 40, 10)
    low_V = one(-5, -5, -1, -0.3, -20, -60, 0)
    top_A, points = 10.0 ** rng.uniform(-6, -0.5), one(4, 6, 10, 25, 40)
    breaks_V = one(*[np.inf] * 6, 6.5, 9, 20, 40, 47, 70, 100)
    noise_V, noise = one(0, 0, 1e-4, 2e-3, 2e-2), one(0, 0, 0, 1e-3, 0.05, 0.3)
    junction = one("BE", "BC", "CE", "AK", "AK")
    type_ = one("", "", "", "2N3055", "1N4007", "BC547B", "AC128", "TIP122", "BD139", "1N4742A", "1N4148")
    type_ = type_ if (junction == "AK") == type_.startswith("1N") else ""
    temp, light_A, offset_V = one("", 25, 25, 40), one(0, 0, 0, 1e-6, 1e-4), one(0, 0, 0, 2e-5, 5e-4, 5e-3)
    kind = one(*["junction"] * 10, "resistor", "open", "limited", "swapped", "reverse", "step")
    i = np.geomspace(1e-8, top_A, points)
    v = n * 0.0257 * np.log1p(i / is_A) + rs_ohm * i
    i = i + (v - rs_ohm * i) / shunt_ohm
    if low_V:
        back = np.linspace(low_V, -0.02, max(3, points // 3))
        leak = back / shunt_ohm - is_A - np.where(-back > breaks_V, 1e-3 * (-back - breaks_V + 0.05), 0)
        v, i = np.append(back, v), np.append(leak, i)
    match kind:
        case "resistor":
            v = np.linspace(-2, 2, points)
            i = v / one(5, 30, 48, 55, 100, 1e3, 1e5, 9e5, 1.2e6, 1e7)
        case "open":
            v = np.linspace(-5, 5, points)
            i = v / 10.0 ** rng.uniform(5.5, 10)
        case "limited":
            i = np.minimum(i, top_A * 0.3)
        case "swapped":
            v, i = -v, -i
        case "reverse" if (v <= 0).sum() > 2:
            v, i = v[v <= 0], i[v <= 0]
        case "step":
            v = np.where(np.arange(v.size) > 0.6 * v.size, v + one(5e-3, 2e-2), v)
    v = v + noise_V * rng.standard_normal(v.size) + offset_V * one(1, 1, 0)
    i = i * (1 + noise * rng.standard_normal(v.size)) - light_A
    i = i + one(0, 0, 1e-9, 1e-6) * rng.standard_normal(v.size)
    if rng.random() < 0.1:
        order = rng.permutation(v.size)
        v, i = v[order], i[order]
    if rng.random() < 0.15:
        v, i = np.append(v, v[::-1]), np.append(i, i[::-1] * one(1, 1.02, 1.2))
    rows = "".join(f"P{seed},{junction},{a:.6g},{b:.6g},{type_},{temp}\n" for a, b in zip(v, i, strict=True))
    return "part,junction,v_V,i_A,type,temp_C\n" + rows
