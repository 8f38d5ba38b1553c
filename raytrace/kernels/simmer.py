"""One lump of pot and contents through a day: heating, boiling, cooling; scalars of SI units.

The state is the heat in the pot, counted from the temperature at the start, and its water: what
goes in, out and stays then sums to zero but for rounding, however coarse the steps. Below the
boiling point steps are Bogacki and Shampine's, of third order with an error of second (Applied
Mathematics Letters 2 (1989) 321-325); at it the surplus boils off, in closed form.
"""

# ruff: noqa: SIM300  # T is a temperature, no constant

from math import sqrt
from typing import NamedTuple

import numpy as np

from raytrace.kernels.compiled import inlined, inner, kernel

# columns of `energy`
ABSORBED, ADDED, CONVECTION, RADIATION, EVAPORATION, STORED, DISCARDED = range(7)
# columns of `marks`
BOILS, NEAR, DONE, DRY, HIGHEST, SETTLES, HOLDS, BOILED_OFF, BATCHES = range(9)

TOLERANCE = 2e-4  # of a step [K]
LONGEST = 150.0  # step; in longer ones the error's estimate may vanish by chance [s]
AT = 1e-6  # how near counts as being there [K]
MOMENT = 1e-6  # [s]
HOUR = 3600.0  # for which holding the boil is looked at [s]
N_CORNERS = 8


class Weather(NamedTuple):
    """Air in each interval, each (C or 1, n − 1 or 1)."""

    temperature: np.ndarray
    root_wind: np.ndarray
    humidity: np.ndarray


class Pots(NamedTuple):
    """C pots alike, as they are put on."""

    start: np.ndarray  # (C,) int64, index of the time at which each is put on
    cold: np.ndarray  # (C,) its temperature then
    solid: float  # heat capacity of pot and food
    filled: float  # water put in
    boiling: float  # infinite without water


class Tables(NamedTuple):
    """What the pot loses and holds, over its own temperature and the state of the air."""

    grid: np.ndarray  # (2,) first of the pot's temperatures, and their step
    liquid: np.ndarray  # (K,) heat in liquid water
    latent: np.ndarray  # (K,) and in turning it to vapour
    axes: np.ndarray  # (3, 3) of the cells: first, step, count
    values: np.ndarray  # (cells, K, 3) convection, radiation, vapour


class Use(NamedTuple):
    """What the cook does, and when food counts as done."""

    top_ups: np.ndarray  # (n, 3) time since the start, mass, temperature
    refill: bool
    over: float  # at least so warm
    after: float  # for so long
    wrapped: float  # so long after the boil, out of the sun from then on; infinite for never
    wrap_loss: float  # and what it loses then for each degree over the air


class Outcome(NamedTuple):
    """Filled here."""

    temperature: np.ndarray  # (C, n), comes full of NaN
    water: np.ndarray  # (C, n), comes full of NaN
    marks: np.ndarray  # (C, 9)
    energy: np.ndarray  # (C, 7)


class Step(NamedTuple):
    """One step in time, and the pot's temperature at both its ends with its slope per step."""

    t: float
    h: float
    T0: float
    T1: float
    d0: float
    d1: float


@inlined
def cell(axis, x):
    """Knot below x on an axis (first, step, count), and how far x is past it, in steps."""
    count = int(axis[2])
    if count == 1:
        return 0, 0.0
    at = (x - axis[0]) / axis[1]
    at = min(max(at, 0.0), count - 1.0)
    low = min(int(at), count - 2)
    return low, at - low


@inner
def find_corners(axes, air, root_wind, humidity, corner, weight):
    """Cells of the table round a state of the air, with their weights; how many there are."""
    a, fa = cell(axes[0], air)
    w, fw = cell(axes[1], root_wind)
    u, fu = cell(axes[2], humidity)
    n_w, n_u = int(axes[1, 2]), int(axes[2, 2])
    n = 0
    for i in range(2):
        for j in range(2):
            for k in range(2):
                share = (fa if i else 1.0 - fa) * (fw if j else 1.0 - fw) * (fu if k else 1.0 - fu)
                if share > 0.0:
                    corner[n] = ((a + i) * n_w + w + j) * n_u + u + k
                    weight[n] = share
                    n += 1
    return n


@inner
def rates(values, grid, corner, weight, n, T):
    """Convection [W], radiation [W] and vapour [kg/s] at the pot's temperature."""
    at = (T - grid[0]) / grid[1]
    low = min(max(int(at), 0), values.shape[1] - 2)
    f = at - low
    convection = radiation = vapour = 0.0
    for i in range(n):
        row, w = corner[i], weight[i]
        convection += w * ((1.0 - f) * values[row, low, 0] + f * values[row, low + 1, 0])
        radiation += w * ((1.0 - f) * values[row, low, 1] + f * values[row, low + 1, 1])
        vapour += w * ((1.0 - f) * values[row, low, 2] + f * values[row, low + 1, 2])
    return convection, radiation, max(vapour, 0.0)


@inlined
def follow(table, grid, T):
    """Value and slope of a table over the pot's temperature."""
    low = min(max(int((T - grid[0]) / grid[1]), 0), table.shape[0] - 2)
    slope = (table[low + 1] - table[low]) / grid[1]
    return table[low] + slope * (T - grid[0] - low * grid[1]), slope


@inner
def temperature(heat, water, solid, cold, liquid, grid, T):
    """Temperature of a pot that holds so much heat above the cold start, from a guess T."""
    zero, _ = follow(liquid, grid, cold)
    for _ in range(20):
        h, c = follow(liquid, grid, T)
        step = (heat - solid * (T - cold) - water * (h - zero)) / (solid + water * c)
        T += step
        if abs(step) < 1e-10:
            break
    return T


@inlined
def hermite(s, T0, T1, d0, d1):
    """Cubic through two ends with their slopes (per step), at a share s of the step."""
    r = 1.0 - s
    return r * r * (1.0 + 2.0 * s) * T0 + s * s * (3.0 - 2.0 * s) * T1 + s * r * (r * d0 - s * d1)


@inner
def crossing(level, T0, T1, d0, d1):
    """Share of a step after which the temperature passes a level between its ends."""
    low, high = 0.0, 1.0
    rises = T1 > T0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if (hermite(middle, T0, T1, d0, d1) >= level) == rises:
            high = middle
        else:
            low = middle
    return high


@inlined
def above(level, T0, T1, d0, d1):
    """Shares of a step between which the temperature is at or over a level."""
    if T0 >= level and T1 >= level:
        return 0.0, 1.0
    if T0 < level and T1 < level:
        return 1.0, 1.0
    s = crossing(level, T0, T1, d0, d1)
    return (0.0, s) if T0 >= level else (s, 1.0)


@inner
def mark(marks, sums, step, sat, over, after):
    """Note what happened within a step; `sums`: seconds warm without a break, and on the boil."""
    t, h, T0, T1, d0, d1 = step
    if np.isnan(marks[NEAR]):
        first, last = above(sat - 5.0, T0, T1, d0, d1)
        if last > first or T1 >= sat - 5.0:
            marks[NEAR] = t + first * h
    first, last = above(sat - 1.0, T0, T1, d0, d1)
    if np.isnan(marks[BOILS]) and (last > first or T1 >= sat - 1.0):
        marks[BOILS] = t + first * h
    if not np.isnan(marks[BOILS]):
        end = min(t + last * h, marks[BOILS] + HOUR)
        sums[1] += max(end - (t + first * h), 0.0)
    if np.isnan(marks[DONE]):
        first, last = above(over, T0, T1, d0, d1)
        if first > 0.0:  # it was cooler before
            sums[0] = 0.0
        if last > first or T1 >= over:
            if sums[0] + (last - first) * h >= after:
                marks[DONE] = t + first * h + (after - sums[0])
            sums[0] += (last - first) * h
    top = max(T0, T1)
    if d0 > 0.0 and d1 < 0.0:
        top = max(top, hermite(d0 / (d0 - d1), T0, T1, d0, d1))
    if top > marks[HIGHEST]:
        marks[HIGHEST] = top


class Wrap(NamedTuple):
    """What a pot is wrapped up in."""

    loss: float  # for each degree over the air; negative while it stands in the open
    air: float


@inner
def flows(tables, corner, weight, n, zero, wrap, T):
    """Convection [W], radiation [W], vapour [kg/s] and the heat in it above the start's [W]."""
    if wrap.loss >= 0.0:
        return wrap.loss * (T - wrap.air), 0.0, 0.0, 0.0
    grid, liquid, latent, _, values = tables
    convection, radiation, vapour = rates(values, grid, corner, weight, n, T)
    per_kg = follow(liquid, grid, T)[0] - zero + follow(latent, grid, T)[0]
    return convection, radiation, vapour, vapour * per_kg


@inlined
def slope(liquid, grid, T, watts, solid, water):
    """Rate at which so many watts warm pot, food and water [K/s]."""
    return watts / (solid + water * follow(liquid, grid, T)[1])


@inlined
def third(x1, x2, x3):
    """Mean over a step of third order from three stages."""
    return (2.0 * x1 + 3.0 * x2 + 4.0 * x3) / 9.0


@inner
def steady(values, grid, corner, weight, n, watts, latent, top):
    """Temperature at which losses eat up the watts, or the top of the table."""
    low, high = grid[0], top
    for _ in range(50):
        T = 0.5 * (low + high)
        convection, radiation, vapour = rates(values, grid, corner, weight, n, T)
        if convection + radiation + vapour * follow(latent, grid, T)[0] < watts:
            low = T
        else:
            high = T
    return high


@kernel
def simmer(time, watts, weather, pots, tables, use, out):
    """Take C pots through the times; `watts` (C, n − 1, 2) at both ends of each interval.

    One function, because some twenty scalars of a pot's state change at every step.
    """
    air, root_wind, humidity = weather
    start, cold, solid, filled, sat = pots
    grid, liquid, latent, axes, values = tables
    top_ups, refill, over, after, wrapped, wrap_loss = use
    T_out, m_out, marks, energy = out
    corner = np.zeros(N_CORNERS, np.int64)
    weight = np.zeros(N_CORNERS)
    sums = np.zeros(2)
    n_times = time.shape[0]
    dried = min(1e-3, 1e-3 * filled)
    ceiling = sat - 1.0 if refill else sat
    for c in range(watts.shape[0]):
        T0 = cold[c]
        zero, _ = follow(liquid, grid, T0)
        heat, m, T = 0.0, filled, T0
        put_in = filled
        e = energy[c]
        e[:] = 0.0
        note = marks[c]
        note[:] = np.nan
        note[HIGHEST] = T
        sums[:] = 0.0
        batches = 0
        next_up = 0
        h = 60.0
        best = -np.inf
        dry = False
        loss = -1.0
        first = start[c]
        T_out[c, first] = T
        m_out[c, first] = m
        for k in range(first, n_times - 1):
            col = (
                min(k, air.shape[1] - 1),
                min(k, root_wind.shape[1] - 1),
                min(k, humidity.shape[1] - 1),
            )
            n = find_corners(
                axes,
                air[min(c, air.shape[0] - 1), col[0]],
                root_wind[min(c, root_wind.shape[0] - 1), col[1]],
                humidity[min(c, humidity.shape[0] - 1), col[2]],
                corner,
                weight,
            )
            wrap = Wrap(loss, air[min(c, air.shape[0] - 1), col[0]])
            t, end = time[k], time[k + 1]
            W0 = watts[c, k, 0]
            dW = (watts[c, k, 1] - W0) / (end - t)
            begin = t
            mean = 0.5 * (W0 + watts[c, k, 1])
            if loss >= 0.0:
                W0 = dW = 0.0
            elif mean > best:
                best = mean
                top = min(sat, grid[0] + grid[1] * (liquid.shape[0] - 1))
                note[SETTLES] = steady(values, grid, corner, weight, n, mean, latent, top)
            while t < end - MOMENT:
                stop = end
                if loss < 0.0 and not np.isnan(note[BOILS]):
                    leaves = note[BOILS] + wrapped
                    if leaves <= t + MOMENT:
                        loss, W0, dW = wrap_loss, 0.0, 0.0
                        wrap = Wrap(loss, wrap.air)
                    else:
                        stop = min(stop, leaves)
                if next_up < top_ups.shape[0]:
                    due = time[first] + top_ups[next_up, 0]
                    if due <= t + MOMENT:
                        kg = top_ups[next_up, 1]
                        more = kg * (follow(liquid, grid, top_ups[next_up, 2])[0] - zero)
                        heat += more
                        m += kg
                        put_in += kg
                        e[ADDED] += more
                        T = temperature(heat, m, solid, T0, liquid, grid, T)
                        next_up += 1
                        continue
                    stop = min(stop, due)
                W = W0 + dW * (t - begin)
                c1, r1, v1, e1 = flows(tables, corner, weight, n, zero, wrap, T)
                L1 = follow(latent, grid, T)[0]
                if T >= sat - AT and not refill:
                    # all that is left over boils off, at least what evaporates anyway
                    surplus = W - c1 - r1
                    spare = surplus - v1 * L1
                    if spare > max(1e-9, -dW * MOMENT) or (spare >= 0.0 and dW >= 0.0):
                        dt = stop - t
                        if spare + dW * dt < 0.0:
                            dt = spare / -dW
                        a, b = surplus / L1, dW / L1
                        gone = (a + 0.5 * b * dt) * dt
                        if gone >= m - dried:
                            gone = max(m - dried, 0.0)
                            root = sqrt(max(a * a + 2.0 * b * gone, 0.0))
                            dt = min(2.0 * gone / (a + root), dt)
                            dry = True
                        per_kg = follow(liquid, grid, T)[0] - zero + L1
                        e[ABSORBED] += (W + 0.5 * dW * dt) * dt
                        e[CONVECTION] += c1 * dt
                        e[RADIATION] += r1 * dt
                        e[EVAPORATION] += gone * per_kg
                        heat += (surplus + 0.5 * dW * dt) * dt - gone * per_kg
                        m -= gone
                        mark(note, sums, Step(t, dt, T, T, 0.0, 0.0), sat, over, after)
                        t += dt
                        if dry:
                            break
                        continue
                h = min(max(h, MOMENT), LONGEST, stop - t)
                if v1 > 0.0:
                    h = min(h, 0.5 * m / v1)
                d0 = slope(liquid, grid, T, W - c1 - r1 - v1 * L1, solid, m)
                while True:
                    q1 = W - c1 - r1 - e1
                    T2 = temperature(
                        heat + 0.5 * h * q1, m - 0.5 * h * v1, solid, T0, liquid, grid, T
                    )
                    c2, r2, v2, e2 = flows(tables, corner, weight, n, zero, wrap, T2)
                    q2 = W + 0.5 * h * dW - c2 - r2 - e2
                    T3 = temperature(
                        heat + 0.75 * h * q2, m - 0.75 * h * v2, solid, T0, liquid, grid, T2
                    )
                    c3, r3, v3, e3 = flows(tables, corner, weight, n, zero, wrap, T3)
                    q3 = W + 0.75 * h * dW - c3 - r3 - e3
                    new_heat = heat + h * third(q1, q2, q3)
                    new_m = m - h * third(v1, v2, v3)
                    T4 = temperature(new_heat, new_m, solid, T0, liquid, grid, T3)
                    c4, r4, v4, e4 = flows(tables, corner, weight, n, zero, wrap, T4)
                    W4 = W + h * dW
                    q4 = W4 - c4 - r4 - e4
                    off = slope(
                        liquid, grid, T4, q2 / 12.0 + q3 / 9.0 - q1 / 14.4 - q4 / 8.0, solid, new_m
                    )
                    grow = 0.9 * (TOLERANCE / max(h * abs(off), 1e-12)) ** (1.0 / 3.0)
                    if grow < 0.9 and h > MOMENT:
                        h *= max(grow, 0.2)
                        continue
                    lost = c4 + r4 + v4 * follow(latent, grid, T4)[0]
                    d1 = slope(liquid, grid, T4, W4 - lost, solid, new_m)
                    if T4 > ceiling + AT and h > MOMENT:
                        # land on the ceiling instead
                        h *= min(crossing(ceiling, T, T4, h * d0, h * d1), 1.0 - 1e-9)
                        continue
                    break
                e[ABSORBED] += (W + 0.5 * h * dW) * h
                e[CONVECTION] += h * third(c1, c2, c3)
                e[RADIATION] += h * third(r1, r2, r3)
                e[EVAPORATION] += h * third(e1, e2, e3)
                mark(note, sums, Step(t, h, T, T4, h * d0, h * d1), sat, over, after)
                was = m
                heat, m, T = new_heat, new_m, T4
                if filled > 0.0 and m <= dried:
                    t += h * min((was - dried) / max(was - m, 1e-300), 1.0)
                    dry = True
                    break
                t += h
                h *= min(grow, 5.0)
                if refill and T >= ceiling - AT:
                    batches += 1
                    e[DISCARDED] += heat
                    put_in += filled - m
                    heat, m, T = 0.0, filled, T0
            if dry:
                note[DRY] = t
                break
            T_out[c, k + 1] = T
            m_out[c, k + 1] = m
        if dry:
            for j in range(k + 1, n_times):
                m_out[c, j] = 0.0
        e[STORED] = heat
        note[BOILED_OFF] = put_in - m
        if not np.isnan(note[BOILS]) and not refill:
            span = min(HOUR, time[n_times - 1] - note[BOILS])
            note[HOLDS] = min(sums[1] / span, 1.0) if span > MOMENT else 1.0
        if refill:
            full = solid * (ceiling - T0) + m * (follow(liquid, grid, ceiling)[0] - zero)
            note[BATCHES] = batches + min(max(heat / full, 0.0), 1.0)
