"""`cooker season`: when food boils, by month and by the hour at which the pot is put up."""

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
    from raytrace.store.parts import Variable
    from raytrace.studies.cooking.season import Plan, Season

__all__ = ["season"]

QUARTER = 900.0  # between starts that are tried round the best hours [s]
BEAMS_A_SECOND = 6e5  # that one processor traces here, setting up included
MOST_HOURS = 24.0  # of one processor

HELP = """Say when food boils: for each month, and each hour at which the pot is put up.

The best and the latest start, minutes to the boil, watts, litres a day, and why it never boils
where it doesn't. The best start is the quickest of those that work on nearly as many days as any:
it boils within three hours, and no food stands lukewarm for over two. Under a cloudless sky; or by
a weather file (sky.dni), and then on how many of ten days it boils.

\b
  cooker season scenarios/courtyard.toml
  cooker season scenarios/courtyard.toml --from 2026-05-01 --to 2026-09-30 --starts "8, 9:30, 11"
  cooker season scenarios/courtyard.toml --turn-every "15 min" --face ahead
  cooker season scenarios/courtyard.toml --set "kitchen.water=3 L" --set "kitchen.done_after=2 h"
  cooker season scenarios/courtyard.toml --set 'sky.dni="weather file"' \\
      --set 'sky.weather_file="oaxaca.epw"' --by 12:00

It can be stopped with Ctrl-C; the same command goes on where it stopped.
Caution: steam and glare; never leave a pot alone; food is safe by its temperature. See: cooker
cautions.
"""


def season(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    from_: Annotated[
        str | None,
        typer.Option("--from", help="First date. Default: a whole year.", metavar="DATE"),
    ] = None,
    to: common.LastDate = None,
    every: common.EveryDays = 1,
    starts: Annotated[
        str,
        typer.Option(
            help="When the pot is put up, by the clock: a range by the hour, between which quarter "
            "hours are tried where they may be better; or a list, which is kept to.",
            metavar="HOURS",
        ),
    ] = "6..17",
    by: Annotated[
        str, typer.Option(help="Clock time by which it should boil.", metavar="TIME")
    ] = "12:00",
    turn_every: common.TurnEvery = None,
    face: common.Face = None,
    step: Annotated[
        str, typer.Option(help="Between moments that are traced.", metavar="DURATION")
    ] = "10 min",
    beams: Annotated[
        int, typer.Option(help="Beams a facet in each replicate.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int, typer.Option(help="Independent repeats of each moment.", min=2, max=256, metavar="N")
    ] = 4,
    build: common.Build = None,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    results, messages = common.consoles(quiet=json_)
    folder, form = common.figure_wishes(figures or (), Path("results"))
    # what follows imports much, which takes a second or two
    with messages.status("Getting ready"):
        from raytrace.commands.dates import date_range, habit_changes, read_clock, read_clocks
        from raytrace.reports.common.cautions import COOKING
        from raytrace.reports.cooking.season import season_facts, season_rows, season_tables
        from raytrace.studies.cooking.season import Plan
        from raytrace.studies.trace.summary import weather_warnings

        hours = read_clocks(starts, "--starts")
        wanted = read_clock(by, "--by")
        seconds = round(common.quantity(step, "duration", "--step", low="1 min", high="1 h"))
        read = common.open_scenario(scenario, [*(set_ or ()), *habit_changes(turn_every, face)])
        warnings = weather_warnings(read) if read.sky.dni == "weather file" else []
        plan = Plan(
            date_range(read, from_, to, every),
            hours,
            between=QUARTER if ".." in starts else 0.0,
            step=float(seconds),
            beams=beams,
            replicates=replicates,
            seed=read.trace.seed if seed is None else seed,
            build=read.trace.build if build is None else build,
        )
        _refuse_too_much(read, plan)
    for words in warnings:
        messages.print(words, style="yellow")
    study, files = _run(read, plan, output, scenario.stem, threads, messages, overwrite, no_files)
    with common.after_the_answer() as trouble:
        if files:
            from raytrace.reports.common.tables import write_csv

            path = files[0][0]
            table = path.with_suffix(".csv")
            files.append((table, write_csv(table, season_rows(study))))
            if not no_figures:
                from raytrace.reports.cooking.season_figures import write_season_figures

                where = folder if figures else path.parent
                files += write_season_figures(study, where, path.stem, form)
    if json_:
        facts = season_facts(study, wanted)
        facts["warnings"] = warnings
        facts["files"] = [str(p) for p, _ in files]
        facts["caution"] = COOKING
        common.print_json(facts)
    else:
        for part in season_tables(study, wanted):
            results.print(part)
    common.report_files(messages if json_ else results, files)
    messages.print(COOKING, style="dim")
    for wrong in trouble:
        raise wrong


def _refuse_too_much(scenario: Scenario, plan: Plan) -> None:
    """Say what a plan would take that nobody would wait for."""
    from raytrace.studies.cooking.season_plan import beams_of

    hours = beams_of(scenario, plan) / BEAMS_A_SECOND / 3600.0
    if hours > MOST_HOURS:
        raise typer.BadParameter(
            f"{len(plan.dates)} days by {plan.step / 60.0:g} min, {plan.replicates} replicates of "
            f"{plan.beams} beams a facet would take one processor some {hours:,.0f} hours; "
            f"{MOST_HOURS:.0f} are the most. Ask for fewer days (--every), longer steps, or fewer "
            "beams: one beam and four replicates are good to a thousandth.",
            param_hint="--step, --replicates, --beams",
        )


def _run(
    scenario: Scenario,
    plan: Plan,
    output: Path | None,
    stem: str,
    threads: int | None,
    messages: Console,
    overwrite: bool,
    no_files: bool,
) -> tuple[Season, list[tuple[Path, int]]]:
    """Compute the months that are missing, and keep them."""
    from raytrace.store.parts import PartsFile, journal_of, place_of_parts, study_words
    from raytrace.studies.cooking.season import put_together

    if no_files:
        parts: dict[str, Any] = {}
        _compute(scenario, plan, parts, parts.__setitem__, None, threads, messages)
        return put_together(scenario, plan, parts), []
    words = study_words(scenario, plan)
    path = place_of_parts(output, f"{stem}-season", "season", words, overwrite=overwrite)
    journal = journal_of(path)
    with PartsFile(journal, "season", words, overwrite=overwrite) as file:
        found: dict[str, Any] = dict(file.parts())
        common.report_lost(messages, file.lost)
        if found:
            messages.print(f"{journal} holds {len(found)} parts; these are kept.", style="dim")

        def keep(name: str, part: Any) -> None:
            file.append(name, part)
            found[name] = part

        _compute(scenario, plan, found, keep, journal, threads, messages)
        study = put_together(scenario, plan, found)
        size = file.finish(
            path,
            _variables(study),
            {"seed": plan.seed},
            scenario=scenario,
            command=common.command_line(),
        )
    return study, [(path, size)]


def _compute(
    scenario: Scenario,
    plan: Plan,
    found: dict[str, Any],
    keep: Callable[[str, Any], None],
    path: Path | None,
    threads: int | None,
    messages: Console,
) -> None:
    from raytrace.commands.ensembles import work
    from raytrace.studies.cooking.season import iter_parts

    def steps(tick: Callable[[int, int], None]) -> Iterator[tuple[str, dict[str, NDArray[Any]]]]:
        left = sum(f"{d:%Y-%m}" not in found for d in plan.dates)
        tick(0, left)
        for name, part in iter_parts(scenario, plan, done=found, threads=threads):
            days = len(part["start_at"])
            # starts between the plan's come on top, on days that nobody knows before
            left = max(left - days, 0)
            tick(days, left)
            yield name, part

    work(
        messages,
        "Cooking",
        steps,
        lambda result: keep(*result),
        lambda: None,
        path,
        unit="days",
        part="month",
    )


# unit and meaning of the season's arrays, for the results file
_NAMES = {
    "start_at": ("s", "start, since 1970-01-01 UTC"),
    "followed": ("s", "time for which the pot is followed"),
    "sun_share": ("1", "share of it with the sun above the horizon profile"),
    "delivered": ("W", "on the base, mean until it boils or over the first two hours"),
    "delivered_se": ("W", "standard error of delivered"),
    "absorbed": ("W", "turned to heat in the pot, over the same time"),
    "absorbed_se": ("W", "standard error of absorbed"),
    "dni": ("W/m2", "direct normal irradiance over the same time"),
    "air": ("K", "air temperature over the same time"),
    "boils": ("s", "time from the start to the boil"),
    "boils_se": ("s", "standard error of boils"),
    "near": ("s", "time from the start to 5 K below the boil"),
    "near_se": ("s", "standard error of near"),
    "done": ("s", "time from the start until the food is done"),
    "done_se": ("s", "standard error of done"),
    "highest": ("K", "highest temperature"),
    "highest_se": ("K", "standard error of highest"),
    "settles": ("K", "temperature tended to under the watts around the highest"),
    "holds": ("1", "share of the time after boiling that the boil is kept"),
    "boiled_off": ("kg", "water lost"),
    "lukewarm": ("1", "share of the time allowed at 4 to 60 degC that its longest stretch uses up"),
    "unsure": ("1", "whether it boils is decided by noise"),
    "reason": ("1", "index into reasons"),
    "batches": ("1", "potfuls boiled on the day"),
    "batches_se": ("1", "standard error of batches"),
    "batches_start": ("1", "index of the start with most potfuls; -1 none"),
}


def _variables(study: Season) -> dict[str, Variable]:
    import numpy as np

    from raytrace.store.parts import Variable
    from raytrace.studies.cooking.never_boils import REASONS

    out = {
        "date": Variable(("date",), [d.isoformat() for d in study.dates], "", "date"),
        "start": Variable(("start",), study.starts, "s", "start after midnight by the clock"),
        "reasons": Variable(("reasons",), list(REASONS), "", "names of the values of reason"),
    }
    for name, (unit, meaning) in _NAMES.items():
        values = np.asarray(getattr(study, name))
        dims = ("date", "start") if values.ndim == 2 else ("date",)
        out[name] = Variable(dims, values, unit, meaning)
    return out


season.__doc__ = HELP
