"""How a run lies in an HDF5 file: names, units and dimensions of everything in it.

One root, one group `cooker`, one group a moment (``moments/0000`` …), one group `files`. A moment
counts only once its attribute `done` is set, which is written last. Groups open in xarray::

    xarray.open_dataset("courtyard.h5", engine="h5netcdf", group="moments/0000")
"""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from raytrace.cooker.geometry import Cooker, build_cooker
from raytrace.cooker.pose import Pose
from raytrace.optics.tally import LINES, Tally
from raytrace.statistics.estimate import Estimate
from raytrace.store.sealed import add_array
from raytrace.studies.trace.run import Moment

if TYPE_CHECKING:
    import pandas as pd

    from raytrace.scenario.schema import Scenario

__all__ = [
    "KIND",
    "read_cooker",
    "read_moment",
    "read_time",
    "write_cooker",
    "write_moment",
]

KIND = "one run"

_ANGLES = ("sun_altitude", "sun_azimuth", "heading", "tilt", "cross")
_FACET_ARRAYS = {
    "mount": ("turning centre, platform frame", "m"),
    "n": ("normal of the front, platform frame", "1"),
    "u": ("axis of the half-width, platform frame", "1"),
    "v": ("axis of the half-height, platform frame", "1"),
}


def _put(
    group: Any, name: str, data: Any, long_name: str, units: str, dims: tuple[str, ...] = ()
) -> Any:
    """Add a dataset that says what it is; its dimensions are scales that are there already."""
    dataset = add_array(group, name, data, long_name, units)
    for axis, dim in enumerate(dims):
        dataset.dims[axis].attach_scale(group[dim])
    return dataset


def _scale(group: Any, name: str, data: Any, long_name: str, units: str) -> None:
    _put(group, name, data, long_name, units).make_scale(name)


def write_builds(image: io.BytesIO, builds: NDArray[np.float64]) -> None:
    """Add what other builds of the scenario deliver to the file of a run."""
    import h5py

    with h5py.File(image, "r+") as file:
        _scale(file, "build", np.arange(len(builds)), "number of the build", "1")
        _put(file, "builds_delivered", builds, "delivered by other builds", "W", ("build",))


def write_cooker(group: Any, cooker: Cooker) -> None:
    """Write where the facets and the pot stand in this build."""
    f = cooker.facets
    _scale(group, "facet", f.label, "facet", "1")
    _scale(group, "axis", ["x", "y", "z"], "platform axis", "1")
    for name, (long_name, units) in _FACET_ARRAYS.items():
        _put(group, name, getattr(f, name), long_name, units, ("facet", "axis"))
    _put(group, "centre", f.c, "centre of the front, platform frame", "m", ("facet", "axis"))
    _put(group, "area", f.area, "mirror area, 0 where missing", "m2", ("facet",))
    _put(group, "base", cooker.pot.base, "centre of the pot's base at zero tilt", "m", ("axis",))


def read_cooker(group: Any, scenario: Scenario) -> Cooker:
    """Rebuild the cooker from its scenario, its facets and pot where they stood."""
    cooker = build_cooker(scenario)
    placed = {name: group[name][()] for name in _FACET_ARRAYS}
    facets = replace(cooker.facets, **placed)
    return replace(cooker, facets=facets, pot=replace(cooker.pot, base=group["base"][()]))


def write_moment(group: Any, moment: Moment) -> None:
    """Write one moment; the caller sets `done`."""
    tally = moment.tally
    angles = (moment.alpha, moment.gamma, moment.pose.heading, moment.pose.tilt, moment.pose.cross)
    for name, angle in zip(_ANGLES, angles, strict=True):
        group.attrs[f"{name}_deg"] = float(np.degrees(angle))
        group.attrs[f"{name}_rad"] = float(angle)
    group.attrs["time"] = "" if moment.time is None else moment.time.isoformat()
    group.attrs["dni_W_m2"] = tally.dni
    group.attrs["dni_source"] = moment.dni_source
    group.attrs["incoming_W"] = tally.incoming
    group.attrs["sun_direction"] = tally.sun
    group.attrs["base_radius_m"] = tally.R
    group.attrs["absorptance_base_side_lid"] = np.array(tally.absorptance)
    for name in ("estimator", "samples_per_facet", "seed", "stream", "n_samples", "n_replicates"):
        group.attrs[name] = getattr(tally, name)

    middle = 0.5 * (tally.bin_edges[1:] + tally.bin_edges[:-1])
    _scale(group, "x", middle, "to the platform's right, pot's frame", "m")
    _scale(group, "y", middle, "toward the sun's side, pot's frame", "m")
    _scale(group, "line", LINES, "line of the energy ledger", "1")
    _scale(group, "facet", tally.labels, "facet", "1")
    _scale(group, "replicate", np.arange(tally.n_replicates), "independent replicate", "1")

    total = Estimate.from_replicates(tally.power.sum(axis=1))
    by_facet = Estimate.from_replicates(tally.power)
    flux = tally.flux()
    for name, estimate, what, units, dims in (
        ("ledger", total, "where the sunlight on the mirrors goes", "W", ("line",)),
        ("facet_ledger", by_facet, "the same by facet", "W", ("facet", "line")),
        ("flux", flux, "flux on the base", "W/m2", ("y", "x")),
    ):
        _put(group, name, estimate.value, what, units, dims)
        _put(group, f"{name}_se", estimate.se, f"standard error of {name}", units, dims)
    _put(group, "bin_area", tally.bin_area, "area of the bin within the rim", "m2", ("y", "x"))
    _put(group, "facet_area", tally.area, "mirror area, 0 where missing", "m2", ("facet",))
    _put(
        group, "power", tally.power, "ledger of each replicate", "W", ("replicate", "facet", "line")
    )
    _put(
        group,
        "base_power",
        tally.base_power,
        "power on each bin of the base, each replicate",
        "W",
        ("replicate", "y", "x"),
    )


def read_time(group: Any, timezone: str) -> pd.Timestamp | None:
    """When a moment is, in the site's zone; None where the sun never stands there."""
    import pandas as pd

    said = group.attrs["time"]
    return pd.Timestamp(said).tz_convert(timezone) if said else None


def read_moment(group: Any, timezone: str) -> Moment:
    """Read one moment; its tally holds the same bits as the one that was written."""
    said = group.attrs
    alpha, gamma, heading, tilt, cross = (float(said[f"{name}_rad"]) for name in _ANGLES)
    dni = float(said["dni_W_m2"])
    base, side, lid = (float(a) for a in said["absorptance_base_side_lid"])
    return Moment(
        time=read_time(group, timezone),
        alpha=alpha,
        gamma=gamma,
        dni=dni,
        dni_source=str(said["dni_source"]),
        pose=Pose(heading, tilt, cross),
        tally=Tally(
            power=group["power"][()],
            base_power=group["base_power"][()],
            incoming=float(said["incoming_W"]),
            dni=dni,
            sun=np.asarray(said["sun_direction"]),
            R=float(said["base_radius_m"]),
            area=group["facet_area"][()],
            labels=tuple(group["facet"].asstr()[()]),
            absorptance=(base, side, lid),
            estimator=str(said["estimator"]),
            samples_per_facet=int(said["samples_per_facet"]),
            seed=int(said["seed"]),
            stream=int(said["stream"]),
        ),
    )
