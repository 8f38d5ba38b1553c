"""Whether learned intervals hold the truth: cookers drawn, heated, read, and learned from.

`python -m tests.record.coverage 200 256` makes the wide run.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from raytrace import load_scenario
from raytrace.heat.heating import heat_up
from raytrace.heat.vessel import Ambient
from raytrace.light.drawn import Draws, draw_cookers, powers
from raytrace.light.history import moments, seconds
from raytrace.optics.tally import BASE
from raytrace.sky.clock import site_times
from raytrace.sky.sun import sun_at
from raytrace.studies.record.learn import LearnPlan, Pots, weigh_pots
from raytrace.studies.record.light import pot_and_water
from raytrace.studies.record.readings import Record, Series
from raytrace.studies.record.synthetic import demo_start

SCENARIO = load_scenario(Path(__file__).parents[2] / "scenarios" / "courtyard.toml")
EVERY, READINGS = 300, 13
TRUTH = 4242  # seed of the cookers that are learned of


class Remembering(Pots):
    """Draws whose light is traced once for all records of the same times."""

    traced: dict
    bright = 1.0

    def light(self, drawn):
        if drawn.use not in self.traced:
            self.traced[drawn.use] = super().light(drawn)
        return self.bright * self.traced[drawn.use]


def template(scenario):
    """Times, sun and air of a record whose water nobody has read yet."""
    start = int(seconds(site_times(scenario.site, demo_start(scenario)))[0])
    time = start + EVERY * np.arange(READINGS)
    dni = sun_at(scenario, moments(time)).dni
    still = np.ones(len(time))
    return Record(
        "synthetic",
        time,
        np.full(len(time), 298.15),
        np.zeros(len(time), dtype=np.int64),
        time[:1],
        {"dni": Series(time, dni)},
        Series(time, 298.15 * still),
        Series(time, still),
    )


def stray(plan, time, rng):
    """What the model lacks, as a share of the heat: normal, fading as exp(-t/tau)."""
    fades = np.exp(-np.abs(time[:, None] - time) / plan.stray_time)
    return (
        plan.stray
        * np.linalg.cholesky(fades + 1e-9 * np.eye(len(time)))
        @ rng.standard_normal(len(time))
    )


def heated(pots, drawn, rng):
    """Readings of a drawn cooker's water, and what the instrument makes of the sun."""
    record, plan = pots.record, pots.plan
    begin, end = pots.grid[:2]
    knots = np.append(begin, end[-1])
    off = 1.0 + stray(plan, knots.astype(float), rng)
    watts = pots.light(drawn) * np.stack([off[:-1], off[1:]], axis=-1)
    vessel, water = pot_and_water(drawn.scenario)
    air, wind = record.air_at(drawn.scenario, knots)
    heating = heat_up(
        vessel,
        water,
        (knots - knots[0]).astype(float),
        watts[None],
        Ambient(air[None], wind[None], drawn.scenario.air.humidity),
        start_temperature=np.array([298.15]),
    )
    T = heating.temperature[0, np.searchsorted(knots, record.time)]
    T = T + plan.reading_error * rng.standard_normal(len(T))
    return T, 1.0 + plan.sun_error * rng.standard_normal()


def run(truths, each):
    """Share of the learned law that lies below each truth's watts; spreads learned and before.

    Returns
    -------
    below, spread : ndarray, shape (truths,)
    before : float
        Spread of the watts that were thought possible. [W]
    """
    plan = LearnPlan(each=each, rounds=1)
    record, pairs = template(SCENARIO), np.ones(READINGS - 1, dtype=bool)
    mine = draw_cookers(SCENARIO, truths, seed=TRUTH)
    watts = powers(mine, seed=TRUTH)[:, BASE]
    honest = Pots(SCENARIO, record, pairs, replace(plan, seed=TRUTH))
    rng = np.random.default_rng(TRUTH)
    traced, below, spread, known = {}, [], [], None
    for one, true in zip(mine, watts, strict=True):
        T, bright = heated(honest, one, rng)
        pots = Remembering(SCENARIO, replace(record, water=T), pairs, plan)
        pots.traced, pots.bright = traced, bright
        weight = weigh_pots(pots)[0].weight
        if known is None:
            number = np.arange(each)
            draws = Draws(SCENARIO, pots.keys, pots.values, number, number)
            known = powers(draws, seed=plan.seed)[:, BASE]
        mean = weight @ known
        below.append(weight[known <= true].sum())
        spread.append(np.sqrt(weight @ (known - mean) ** 2))
    return np.array(below), np.array(spread), float(known.std(ddof=1))


if __name__ == "__main__":
    below, spread, before = run(int(sys.argv[1]), int(sys.argv[2]))
    held = ((below >= 0.025) & (below <= 0.975)).mean()
    print(
        f"{len(below)} cookers: the 95 % interval holds {100 * held:.1f} %; "
        f"spread {before:.1f} W before, {spread.mean():.1f} W after on average"
    )
