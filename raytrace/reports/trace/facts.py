"""A run as plain values with units in the keys, for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from raytrace.optics.tally import LINE_MEANINGS
from raytrace.statistics.estimate import Estimate
from raytrace.studies.trace.daily_energy import day_sum

if TYPE_CHECKING:
    from raytrace.studies.trace.run import Moment, Run
    from raytrace.studies.trace.summary import Summary

__all__ = ["moment_facts", "run_facts", "summary_facts"]


def _pair(name: str, estimate: Estimate, unit: str = "", factor: float = 1.0) -> dict[str, Any]:
    tail = f"_{unit}" if unit else ""
    return {
        f"{name}{tail}": _number(float(estimate.value) * factor),
        f"{name}_se{tail}": _number(float(estimate.se) * factor),
    }


def _number(value: float) -> float | None:
    """JSON has no nan."""
    return float(value) if math.isfinite(value) else None


def moment_facts(moment: Moment) -> dict[str, Any]:
    """Everything that the table of one moment says, and the facets' watts.

    Parameters
    ----------
    moment : Moment

    Returns
    -------
    facts : dict
        Numbers, text and lists; a figure that does not exist is None.
    """
    tally = moment.tally
    centroid = tally.centroid
    by_facet = tally.facet_delivered
    ledger = []
    for name, line in tally.ledger().items():
        share = float(line) / tally.incoming if tally.incoming > 0.0 else math.nan
        ledger.append(
            {
                "line": name,
                "meaning": LINE_MEANINGS[name],
                **_pair("power", line, "W"),
                "share_of_incoming": _number(share),
            }
        )
    return {
        "time": None if moment.time is None else moment.time.isoformat(timespec="seconds"),
        "sun_altitude_deg": float(np.degrees(moment.alpha)),
        "sun_azimuth_deg": float(np.degrees(moment.gamma)),
        "dni_W_m2": moment.dni,
        "dni_source": moment.dni_source,
        "heading_deg": float(np.degrees(moment.pose.heading)),
        "tilt_deg": float(np.degrees(moment.pose.tilt)),
        "cross_deg": float(np.degrees(moment.pose.cross)),
        "incoming_W": tally.incoming,
        **_pair("delivered", tally.delivered, "W"),
        **_pair("absorbed", tally.absorbed, "W"),
        **_pair("absorbed_base", tally.absorbed_base, "W"),
        **_pair("intercept", tally.intercept),
        **_pair("spot_radius", tally.spot_radius, "m"),
        **_pair("centroid_x", centroid[0], "m"),
        **_pair("centroid_y", centroid[1], "m"),
        **_pair("mean_flux", tally.mean_flux, "W_m2"),
        **_pair("peak_flux", tally.peak_flux, "W_m2"),
        **_pair("concentration", tally.concentration, "suns"),
        **_pair("uniformity", tally.uniformity),
        "base_radius_m": tally.R,
        "bin_width_m": float(tally.bin_edges[1] - tally.bin_edges[0]),
        "estimator": tally.estimator,
        "n_samples": tally.n_samples,
        "n_replicates": tally.n_replicates,
        "ledger": ledger,
        "facets": [
            {
                "facet": name,
                "area_m2": float(tally.area[f]),
                **_pair("delivered", by_facet[f], "W"),
            }
            for f, name in enumerate(tally.labels)
        ],
    }


def run_facts(run: Run, plan: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A run and all its moments.

    Parameters
    ----------
    run : Run
    plan : mapping, optional
        What was asked for: `date`, `step_s` and `moments` of a day.

    Returns
    -------
    facts : dict
    """
    from raytrace.version import __version__

    site, plan = run.scenario.site, plan or {}
    facts: dict[str, Any] = {
        "raytrace": __version__,
        "run": run.kind,
        "title": run.scenario.title,
        "scenario": run.scenario.source,
        "overrides": list(run.scenario.overrides),
        "site": {
            "name": site.name,
            "latitude_deg": float(np.degrees(site.latitude)),
            "longitude_deg": float(np.degrees(site.longitude)),
            "altitude_m": float(site.altitude),
            "timezone": site.timezone,
        },
        "seed": run.settings.seed,
        "build": run.settings.build,
        "estimator_asked": run.settings.estimator,
        "samples_asked": run.settings.samples,
        "target_relative_se": run.settings.target_se,
        "mirror_area_m2": run.cooker.mirror_area,
        "delivered_means": "power that arrives on the pot's base",
        "absorbed_means": "power that base, side and lid take up, of the mirrors' light",
        "moments": [moment_facts(m) for m in run.moments],
    }
    if run.builds is not None:
        facts["builds"] = {
            "count": len(run.builds),
            "delivered_mean_W": float(run.builds.mean()),
            "delivered_spread_W": float(run.builds.std(ddof=1)),
        }
    if run.kind == "day" and run.moments:
        day = day_sum(run.moments)
        facts["day"] = {
            "date": plan.get("date"),
            "step_s": plan.get("step_s"),
            "steps": day.steps,
            "steps_planned": plan.get("moments"),
            "from_first_to_last_s": day.duration,
            "incoming_J": day.incoming,
            **_pair("delivered", day.delivered, "J"),
            **_pair("absorbed", day.absorbed, "J"),
            **_pair("delivered", day.delivered, "Wh", 1.0 / 3600.0),
            **_pair("absorbed", day.absorbed, "Wh", 1.0 / 3600.0),
        }
    return facts


def summary_facts(source: str, title: str, summary: Summary) -> dict[str, Any]:
    """What a scenario describes.

    Parameters
    ----------
    source, title : str
        Of the scenario.
    summary : Summary
    """

    def three(name: str, unit: str, values: Any, factor: float = 1.0) -> dict[str, float]:
        return {
            f"{name}_{which}_{unit}": float(v) * factor
            for which, v in zip(("least", "mean", "greatest"), values, strict=True)
        }

    degree = 180.0 / math.pi
    return {
        "scenario": source,
        "title": title,
        "facets": summary.n_facets,
        "facets_missing": summary.n_missing,
        "mirror_area_m2": summary.mirror_area,
        "platform_width_m": summary.platform_size[0],
        "platform_depth_m": summary.platform_size[1],
        **three("distance_to_aim", "m", summary.distance),
        **three("facet_tilt", "deg", summary.tilt, degree),
        **three("angle_on_base", "deg", summary.on_base, degree),
        **three("setting_error", "mrad", summary.setting, 1e3),
        "sun_altitude_deg": summary.sun_altitude * degree,
        "highest_sun_deg": summary.highest * degree,
        "highest_sun_date": summary.highest_date.isoformat(),
        "sun_at_that_altitude": [
            {
                "date": c.date.isoformat(),
                "morning": c.morning and c.morning.isoformat(timespec="seconds"),
                "evening": c.evening and c.evening.isoformat(timespec="seconds"),
            }
            for c in summary.crossings
        ],
        "warnings": list(summary.warnings),
    }
