"""`cooker compare`: designs side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from raytrace.commands import common

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.store.parts import Parts
    from raytrace.studies.designs.compare import Comparison, Plan

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
KIND = "comparison"
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
    seed: common.Seed = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="Set any key of every scenario first.", metavar="KEY=VALUE"),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Results file (.h5); parts and table go beside it. Default: in the folder "
            "results, named after the scenario.",
            metavar="FILE",
        ),
    ] = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.wanted import read_outcomes
    from raytrace.reports.common.cautions import IN_BRIEF
    from raytrace.reports.designs.compare import compare_facts, compare_tables

    results, messages = common.consoles(quiet=json_)
    folder, form = common.figure_wishes(figures or (), Path("results"))
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
        replicates=replicates,
        target=target,
        seed=seed,
        messages=messages,
    )
    _refuse_too_many(plan, len(read))
    _check_money(read, plan, wanted)
    if plan.size * len(read) < 2:
        raise typer.BadParameter("one design is no comparison: vary a key, or name more scenarios.",
                                 param_hint="--vary")  # fmt: skip
    stem = "-".join(dict.fromkeys(path.stem for path in scenarios[:3])) + "-compare"
    hands = {"workers": workers, "scheduler": scheduler}
    study, files = _run(
        read, plan, ranked_by, output, stem, hands, messages, overwrite=overwrite, no_files=no_files
    )
    with common.after_the_answer() as trouble:
        if files:
            files += _write(study, ranked_by, files[0][0])
            if not no_figures:
                from raytrace.reports.designs.compare_figures import write_compare_figures

                where, name = (folder if figures else files[0][0].parent), files[0][0].stem
                files += write_compare_figures(study, ranked_by, where, name, form)
    if json_:
        facts = compare_facts(study, ranked_by)
        facts["files"] = [str(p) for p, _ in files]
        facts["caution"] = IN_BRIEF
        common.print_json(facts)
    else:
        for part in compare_tables(study, ranked_by):
            results.print(part)
    common.report_files(messages if json_ else results, files)
    messages.print(IN_BRIEF, style="dim")
    for wrong in trouble:
        raise wrong
    if not len(study.good):
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
    replicates: int,
    target: float | None,
    seed: int | None,
    messages: Console,
) -> Plan:
    from raytrace.commands.dates import date_range
    from raytrace.commands.wanted import read_hours, read_moment, read_power
    from raytrace.studies.designs.compare import Plan, read_factors
    from raytrace.studies.designs.objectives import OUTCOMES, Asked, sized

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
    asked = Asked(
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
            asked = sized(scenario, asked, target)
    return Plan(factors, asked, sample, key)


def _refuse_too_many(plan: Plan, scenarios: int) -> None:
    """Say what a comparison would hold before anything is traced."""
    from raytrace.commands.needs import refuse_over

    asked = plan.asked
    numbers = len(asked.outcomes) * (1 + asked.replicates)
    numbers += asked.builds if "yield" in asked.outcomes else 0
    refuse_over(
        COPIES * 8.0 * numbers * plan.size * scenarios,
        "--vary",
        "fewer designs, replicates or builds",
    )


def _check_money(scenarios: list[Scenario], plan: Plan, wanted: tuple[str, ...]) -> None:
    """Refuse prices of several currencies before anything is traced."""
    from raytrace.exceptions import GeometryError
    from raytrace.studies.designs.compare import CURRENCY, check_money

    varied = [f.levels for f in plan.factors if f.key == CURRENCY]
    currencies = varied[0] if varied else [s.cost.currency for s in scenarios]
    try:
        for name in wanted:
            check_money(name, currencies)
    except GeometryError as error:
        raise typer.BadParameter(f"{error}.", param_hint="--by and --also") from None


def _run(
    scenarios: list[Scenario],
    plan: Plan,
    by: str,
    output: Path | None,
    stem: str,
    hands: dict[str, Any],
    messages: Console,
    *,
    overwrite: bool,
    no_files: bool,
) -> tuple[Comparison, list[tuple[Path, int]]]:
    """Measure the designs that are missing, and keep them."""
    from raytrace.reports.designs.compare import compare_arrays
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.parts import Parts, parts_of
    from raytrace.store.places import place_of
    from raytrace.store.variables import write_variables
    from raytrace.studies.designs.compare import put_together
    from raytrace.studies.designs.variables import file_digests

    if no_files:
        found: list[Any] = []
        _compute(scenarios, plan, found, None, hands, messages)
        return put_together(scenarios, plan, found), []
    files = file_digests(scenarios, [factor.move for factor in plan.factors])
    said = fingerprint(KIND, scenarios, plan, files=files)
    path = place_of(output, stem, said, overwrite=overwrite)
    with Parts(parts_of(path), said, overwrite=overwrite) as kept:
        found = list(kept.done.values())
        common.report_lost(messages, kept.lost)
        if found:
            count = sum(len(part["number"]) for part in found)
            messages.print(f"{kept.path} holds {count} designs; these are kept.", style="dim")
        _compute(scenarios, plan, found, kept, hands, messages)
        study = put_together(scenarios, plan, found)
        titles = " · ".join(dict.fromkeys(s.title for s in scenarios))
        size = write_variables(
            path,
            KIND,
            compare_arrays(study, by),
            {"seed": plan.asked.seed, "titles": titles, "fingerprint": said},
            scenario=scenarios[0],
            command=common.command_line(),
        )
    return study, [(path, size)]


def _compute(
    scenarios: list[Scenario],
    plan: Plan,
    found: list[Any],
    kept: Parts | None,
    hands: dict[str, Any],
    messages: Console,
) -> None:
    from raytrace.commands.ensembles import work
    from raytrace.studies.designs.compare import designs_of, iter_chunks

    done = {int(n) for part in found for n in part["number"]}
    left = len(designs_of(plan, len(scenarios))) - len(done)

    def steps(tick: Callable[[int, int], None]) -> Iterator[dict[str, NDArray[Any]]]:
        nonlocal left
        tick(0, left)
        for part in iter_chunks(scenarios, plan, done=done, **hands):
            count = len(part["number"])
            left -= count
            yield part
            tick(count, left)

    def keep(part: dict[str, NDArray[Any]]) -> None:
        if kept is not None:
            kept.add(str(part["number"][0]), part)
        found.append(part)

    path = None if kept is None else kept.path
    work(messages, "Comparing", steps, keep, path, unit="designs", part="design")


def _write(study: Comparison, by: str, path: Path) -> list[tuple[Path, int]]:
    from raytrace.reports.common.tables import write_csv
    from raytrace.reports.designs.compare import compare_rows

    table = path.with_suffix(".csv")
    return [(table, write_csv(table, compare_rows(study, by)))]


compare.__doc__ = HELP
