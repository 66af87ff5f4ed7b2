"""Cycles, refill rates, drawn air and depression of a recording, in numpy.

The same work as `evenpull read`, written as one would write it for speed: no loop over
cycles, table look-ups for the orifice functions, sums along one axis. Both scripts beside this
one use it, so that they differ in how they read the file and in nothing else.
"""

import json

import numpy as np

CRITICAL = (5.0 / 6.0) ** 3.5  # critical pressure ratio of air, ratio of specific heats 7/5
CHOKED = 0.684731456377  # orifice function at and below it
CELLS = 8192  # of the tables over the pressure ratio 0 to 1

# The window of the refill, as fractions of a cycle after the dip's falling edge: the inlet
# valve is shut from its closing to its next opening.
WINDOW = (0.36, 0.84)
FULL = 0.97  # above this ratio the flow is too small to time
BINS = 240  # of the mean cycle, 3 degrees of crank each


def psi(ratio):
    """Orifice function of the pressure ratio [-], Saint-Venant and Wantzel, air."""
    x = np.clip(ratio, CRITICAL, 1.0) ** (1.0 / 7.0)
    return x**5 * np.sqrt(np.maximum(7.0 * (1.0 - x * x), 0.0))


def tables():
    """psi and F(r) = integral of dr/psi on an even grid of the pressure ratio."""
    grid = np.linspace(0.0, 1.0, CELLS + 1)
    flow = psi(grid)
    # dr = -2 u du with r = 1 - u^2 takes the root out of the end at r = 1.
    u = np.linspace(1.0, 0.0, 200_001)
    fine = 1.0 - u * u
    slope = 2.0 * u[:-1] / psi(fine[:-1])
    slope = np.append(slope, 2.0 / np.sqrt(2.0))
    area = np.concatenate(([0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) * (u[:-1] - u[1:]))))
    return flow, np.interp(grid, fine, area)


FLOW, CLOCK = tables()


def look_up(table, ratio):
    """Linear interpolation in a table on the even grid."""
    at = np.clip(ratio, 0.0, 1.0 - 1e-9) * CELLS
    cell = at.astype(np.int32)
    at -= cell
    low = table[cell]
    return low + at * (table[cell + 1] - low)


def robust(values):
    """Median and the standard deviation of the median, from the absolute deviations."""
    middle = np.median(values)
    sd = 1.4826 * np.median(np.abs(values - middle))
    return {"value": float(middle), "sd": float(1.2533 * sd / np.sqrt(len(values)))}


def falls(ratio):
    """Sample index (with fraction) at which each dip falls through the middle level."""
    low, high = np.percentile(ratio[:200_000], (2.0, 98.0))
    level = 0.5 * (low + high)
    below = ratio < level
    at = np.flatnonzero(below[1:] & ~below[:-1])
    gaps = np.diff(at)
    at = at[np.concatenate(([True], gaps > 0.5 * np.median(gaps)))]
    before = ratio[at]
    return at, at + (before - level) / (before - ratio[at + 1])


def mean_cycle(p_kpa, exact):
    """Mean and scatter [kPa] of the cycle in even bins of crank angle."""
    edges = np.ceil(exact).astype(np.int64)
    counts = np.diff(edges)
    turns = BINS / np.diff(exact)
    at = (np.arange(edges[0], edges[-1]) - np.repeat(exact[:-1], counts)) * np.repeat(turns, counts)
    cell = at.astype(np.int32)
    p = p_kpa[edges[0] : edges[-1]]
    number = np.bincount(cell, minlength=BINS)
    mean = np.bincount(cell, weights=p, minlength=BINS) / number
    square = np.bincount(cell, weights=p * p, minlength=BINS) / number
    return mean, np.sqrt(np.maximum(square - mean * mean, 0.0))


def channel(body, p_kpa, ambient_kpa, dt_s):
    ratio = p_kpa / ambient_kpa
    start, exact = falls(ratio)
    period = np.diff(exact)
    samples = int(np.median(period))
    first, last = (int(edge * samples) for edge in WINDOW)
    start = start[:-1][start[:-1] + last < len(ratio)]

    r = ratio[start[:, None] + np.arange(first, last)]
    flow = look_up(FLOW, r)
    clock = look_up(CLOCK, r)
    weight = np.where(r < FULL, flow * flow, 0.0)
    t = dt_s * np.arange(last - first)
    total = weight.sum(axis=1)
    mean_t = weight @ t / total
    mean_clock = np.einsum("ij,ij->i", weight, clock) / total
    spread = weight @ (t * t) - total * mean_t**2
    product = np.einsum("ij,ij,j->i", weight, clock, t) - total * mean_t * mean_clock
    rate = product / spread
    residual = clock - mean_clock[:, None] - rate[:, None] * (t - mean_t[:, None])
    misfit_kpa = ambient_kpa * np.sqrt(np.einsum("ij,ij,ij->i", weight, residual, residual) / (last - first))
    mean_kpa, band_kpa = mean_cycle(p_kpa, exact)

    edges = np.append(start, start[-1] + samples)
    whole = slice(edges[0], edges[-1])
    drawn = np.add.reduceat(look_up(FLOW, ratio[whole]), edges[:-1] - edges[0]) * dt_s
    return period, {
        "body": body,
        "mean_depression_kpa": float(ambient_kpa - p_kpa[whole].mean()),
        "lowest_kpa": float(np.median(np.minimum.reduceat(p_kpa[whole], edges[:-1] - edges[0]))),
        "refill_rate_per_s": robust(rate),
        "drawn_air_per_volume": robust(rate * drawn),
        "misfit_kpa": float(np.median(misfit_kpa)),
        "cycle": {"lowest_kpa": float(mean_kpa.min()), "widest_band_kpa": float(band_kpa.max())},
    }


def read(time_s, bodies, ambient_kpa):
    """Prints the reading; `bodies` maps names to absolute pressure [kPa]."""
    dt_s = (time_s[-1] - time_s[0]) / (len(time_s) - 1)
    if np.abs(np.diff(time_s) - dt_s).max() > 0.5 * dt_s:
        raise SystemExit("the samples are not evenly spaced")
    channels = []
    for body, p_kpa in bodies.items():
        period, found = channel(body, p_kpa, ambient_kpa, dt_s)
        channels.append(found)
    rpm = robust(120.0 / (period * dt_s))
    print(json.dumps({"rpm": rpm, "rpm_scatter": float(np.std(120.0 / (period * dt_s))), "cycles": len(period), "channels": channels}))
