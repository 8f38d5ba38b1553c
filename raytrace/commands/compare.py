"""`cooker compare`: designs side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.designs.compare_plan import ComparePlan

__all__ = ["compare"]

HELP = """Compare designs: keys of a scenario varied, or several scenarios side by side.

\b
  cooker compare scenarios/courtyard.toml --vary "facets.rows=4..9" --vary "facets.columns=6, 9, 12"
  cooker compare scenarios/courtyard.toml --vary "facets.width=60..120 mm step 20 mm" \\
      --vary "facets.rows=4..9" --by "watts per cost"
  cooker compare scenarios/courtyard.toml --vary "facets.rows=3..9" --sample 200 \\
      --vary "pot.diameter=18..30 cm" --vary "design.sun_altitude=30..60 deg" --by "season energy"
  cooker compare scenarios/courtyard.toml scenarios/terrace.toml --also "boil time" \\
      --at "2026-03-20 10:00"

A range without a step has five levels, or every whole number. With --sample designs are spread
evenly over the ranges instead of all combinations. Watts are at the sun that each design is set
for, averaged over what making and use get wrong; season energy is over --from, --to, --every and
--hours. All designs share their random draws, so differences are sharp, each with its standard
error.

\b
Outcomes for --by and --also: watts, watts per area, watts per cost, intercept, yield, peak flux,
season energy, season watts, season per cost, litres, boil time, cost, setup hours, mirror area,
facets, and shares of the sunlight such as missed share.

What is finished is kept beside the results (.parts). Ctrl-C, a power cut or a full disk lose
none of it; the same command goes on where it stopped. Prices are those of the section cost,
and those of different currencies are not compared.

Caution: more light in one place burns and blinds sooner; see: cooker cautions.
"""

ALWAYS = ("watts", "intercept", "watts per area", "cost", "watts per cost", "setup hours",
          "mirror area", "facets", "cosine share", "shaded share", "mirror share",
          "blocked share", "missed share", "side share", "lid share")  # fmt: skip
SEASON = ("season energy", "season watts", "season per cost")
COPIES = 4  # of the numbers: on disk, of the parts, put together, and as rows


def compare(
    *,
    scenarios: Annotated[
        list[Path], typer.Argument(help="Scenario files (.toml).", metavar="SCENARIO...")
    ],
    vary: Annotated[
        list[str] | None,
        typer.Option(
            help="Key, and a range with its unit (and step), or a list; as often as need be.",
            metavar="KEY=VALUES",
        ),
    ] = None,
    sample: Annotated[
        int | None,
        typer.Option(
            help="So many designs spread evenly over the ranges, instead of all.",
            min=1,
            max=1_000_000,
            metavar="N",
        ),
    ] = None,
    by: Annotated[
        str, typer.Option(help="Outcome that designs are ranked by.", metavar="OUTCOME")
    ] = "watts",
    also: Annotated[
        list[str] | None,
        typer.Option(help="Further outcome; as often as need be.", metavar="OUTCOME"),
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option("--from", help="First date of a season. Default: a year.", metavar="DATE"),
    ] = None,
    to: common.LastDate = None,
    every: common.EveryDays = 1,
    hours: Annotated[
        str, typer.Option(help="Clock hours of season and litres.", metavar="HOURS")
    ] = "0..24",
    at: Annotated[
        str | None,
        typer.Option(
            help='When the pot of boil time is put on: "2026-06-21 10:00".', metavar="MOMENT"
        ),
    ] = None,
    watts: Annotated[
        str | None,
        typer.Option(help="What a build must reach to count for the yield.", metavar="POWER"),
    ] = None,
    builds: Annotated[
        int,
        typer.Option(
            help="Builds that the yield is counted over.", min=2, max=100_000, metavar="N"
        ),
    ] = 200,
    target_se: Annotated[
        str | None,
        typer.Option(
            help="Choose how much to trace so that the first scenario's watts and energy get this "
            "standard error, such as 0.3 %.",
            metavar="SHARE",
        ),
    ] = None,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each design.", min=2, max=1024, metavar="N")
    ] = 8,
    workers: Annotated[
        int | None,
        typer.Option(
            help="Processes to share the work, four a processor at most. Default: one; changes no "
            "result.",
            min=1,
            metavar="N",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            help="Address of a dask.distributed scheduler that shares the work instead, such as "
            "tcp://10.0.0.5:8786 (extra: cluster).",
            metavar="ADDRESS",
        ),
    ] = None,
    draws: common.Draws = common.DRAWS,
    seed: common.Seed = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="Set any key of every scenario first.", metavar="KEY=VALUE"),
    ] = None,
    output_: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.wanted import read_outcomes
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.studies.designs import compare as study

    shown = common.Shown.of(json_, figures, no_figures)
    (ranked_by,) = read_outcomes([by], "--by")
    wanted = (ranked_by, *read_outcomes(also or (), "--also"))
    read = [common.open_scenario(path, set_ or ()) for path in scenarios]
    target = None
    if target_se is not None:
        target = common.quantity(target_se, "share", "--target-se", low="0.001 %", high="100 %")
    plan = _plan(
        read[0],
        vary or [],
        sample,
        wanted,
        when=(from_, to, every, hours),
        at=at,
        watts=watts,
        builds=builds,
        draws=draws,
        replicates=replicates,
        target=target,
        seed=seed,
        messages=shown.messages,
    )
    _refuse_too_many(plan, len(read))
    _check_money(read, plan, wanted)
    if plan.size * len(read) < 2:
        raise typer.BadParameter("one design is no comparison: vary a key, or name more scenarios.",
                                 param_hint="--vary")  # fmt: skip
    stem = "-".join(dict.fromkeys(path.stem for path in scenarios[:3])) + "-compare"
    path = None
    if not no_files:
        stamp = fingerprint("compare", **study.decides(read, plan))
        path = place_of(output_, stem, stamp, overwrite=overwrite)
        output.report_place(shown.messages, path, output_, stem)
    with output.progress_bar(shown.messages, "Comparing", "designs", path) as progress:
        found = output.answered(
            study.compare,
            read,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            workers=workers,
            scheduler=scheduler,
            command=common.command_line(),
        )
    output.present(
        found,
        "compare",
        path,
        shown,
        table=(found, "design"),
        only=found.columns,
    )
    if not len(found.good):
        raise typer.Exit(1)


def _plan(
    scenario: Scenario,
    vary: list[str],
    sample: int | None,
    wanted: tuple[str, ...],
    *,
    when: tuple[str | None, str | None, int, str],
    at: str | None,
    watts: str | None,
    builds: int,
    draws: int,
    replicates: int,
    target: float | None,
    seed: int | None,
    messages: Console,
) -> ComparePlan:
    from raytrace.commands.dates import date_range
    from raytrace.commands.wanted import read_hours, read_moment, read_power
    from raytrace.studies.designs.compare_plan import ComparePlan
    from raytrace.studies.designs.factors import read_factors
    from raytrace.studies.designs.objectives import OUTCOMES, Ask, sized

    # further figures of what is traced anyhow cost nothing
    season = SEASON if set(SEASON).intersection(wanted) else ()
    # in one order, so that ranking by another of them is the same study
    outcomes = tuple(name for name in OUTCOMES if name in {*wanted, *ALWAYS, *season})
    needs = {OUTCOMES[name].needs for name in outcomes}
    from_, to, every, hours = when
    key = scenario.trace.seed if seed is None else seed
    if sample is not None and not vary:
        raise typer.BadParameter("say what to vary.", param_hint="--vary")
    factors = read_factors(scenario, vary) if vary else ()
    dates = date_range(scenario, from_, to, every) if "dates" in needs else ()
    ask = Ask(
        outcomes=outcomes,
        replicates=replicates,
        seed=key,
        dates=dates,
        days=len(date_range(scenario, from_, to, 1)) if dates and every > 1 else None,
        hours=read_hours(hours),
        at=read_moment(at) if "at" in needs else None,
        reach=read_power(watts) if "reach" in needs else None,
        builds=builds,
    )
    if target is not None:
        with messages.status("Trying how much to trace"):
            ask = sized(scenario, ask, target)
    return ComparePlan(factors, ask, sample, key, wanted[0], draws)


def _refuse_too_many(plan: ComparePlan, scenarios: int) -> None:
    """Say what a comparison would hold before anything is traced."""
    from raytrace.commands.needs import refuse_over

    ask = plan.ask
    numbers = len(ask.outcomes) * (1 + ask.replicates)
    numbers += ask.builds if "yield" in ask.outcomes else 0
    refuse_over(
        COPIES * 8.0 * numbers * plan.size * scenarios,
        "--vary",
        "fewer designs, replicates or builds",
    )


def _check_money(scenarios: list[Scenario], plan: ComparePlan, wanted: tuple[str, ...]) -> None:
    """Refuse prices of several currencies before anything is traced."""
    from raytrace.exceptions import StudyError
    from raytrace.studies.designs.comparison import check_money, currencies_of

    try:
        for name in wanted:
            check_money(name, currencies_of(scenarios, plan))
    except StudyError as error:
        raise typer.BadParameter(f"{error}.", param_hint="--by and --also") from None


compare.__doc__ = HELP
