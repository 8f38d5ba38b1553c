"""`cooker search`: move keys of a scenario toward a goal."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common
from raytrace.parallel.interrupts import hold

if TYPE_CHECKING:
    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.designs.search import Book, Plan, Search, Tried

__all__ = ["search"]

HELP = """Move keys of a scenario within bounds toward a goal, or between two.

\b
  cooker search scenarios/courtyard.toml --for watts --move "design.sun_altitude=30..60 deg"
  cooker search scenarios/courtyard.toml --for "season watts" --hours 9..15 --trials 200 \\
      --move "design.sun_altitude=30..70 deg" --move "pot.place[2]=-900..-500 mm"
  cooker search scenarios/courtyard.toml --for watts --for cost --move "facets.rows=4..9" \\
      --move "facets.layout=grid, staggered"

Goals: watts, watts per cost, watts per area, season watts, season per cost, litres, boil time,
cost, yield and others. With two it shows designs of which none beats another in both. Watts are at
the sun that each design is set for; season watts and litres over --from, --to, --every and --hours;
boil time for a pot put on --at.

A move is a key and a range, with its unit last, or values to choose from; pot.place[2] is the
second value of a list, aim.zones[1].sun_altitude belongs to the first of the file's zones. Every
design is checked as a scenario is. The design found is written as a scenario with the start's
comments, which beside a moved value say what it was. Stopped with Ctrl-C, the same command goes on
where it was; the same command finds the same.

Caution: more light in one place burns and blinds sooner; see: cooker cautions.
"""

USUAL_TRIALS = 120
SUNS = 32  # of a season in each replicate: designs share them, so these are enough to rank
OURS = "# Found by a search "


def search(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    for_: Annotated[
        list[str],
        typer.Option("--for", help="Goal; twice for two that pull apart.", metavar="GOAL"),
    ],
    move: Annotated[
        list[str],
        typer.Option(help="Key and where it may go; as often as need be.", metavar="KEY=WHERE"),
    ],
    trials: Annotated[
        int, typer.Option(help="Designs to try, in all.", min=2, max=1_000_000, metavar="N")
    ] = USUAL_TRIALS,
    time_: Annotated[
        str | None,
        typer.Option(
            "--time", help="Stop trying after so long, such as 10 min.", metavar="DURATION"
        ),
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option(
            "--from", help="First date of season and litres. Default: a whole year.", metavar="DATE"
        ),
    ] = None,
    to: common.LastDate = None,
    every: common.EveryDays = 1,
    hours: Annotated[
        str, typer.Option(help="Clock hours of season and litres.", metavar="HOURS")
    ] = "9..15",
    at: Annotated[
        str | None,
        typer.Option(
            help='When the pot of boil time is put on: "2026-06-21 10:00".', metavar="MOMENT"
        ),
    ] = None,
    watts: Annotated[
        str | None,
        typer.Option(help="What a build must reach, for the goal yield.", metavar="POWER"),
    ] = None,
    beams: Annotated[
        int, typer.Option(help="Beams a facet, in each sampling.", min=1, max=4096, metavar="N")
    ] = 1,
    replicates: Annotated[
        int,
        typer.Option(help="Independent repeats of each figure.", min=2, max=1024, metavar="N"),
    ] = 8,
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="Scenario file to write (.toml); parts, table and figure go beside it. Default: "
            "in the folder results.",
            metavar="FILE",
        ),
    ] = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.dates import date_range
    from raytrace.commands.wanted import read_hours, read_moment, read_power
    from raytrace.reports.common.cautions import IN_BRIEF
    from raytrace.reports.designs.search import search_facts, search_tables
    from raytrace.store.parts import parts_of
    from raytrace.store.places import place_of
    from raytrace.studies.designs.objectives import OUTCOMES, Asked
    from raytrace.studies.designs.search import Book, Plan, conclude, fingerprint_of
    from raytrace.studies.designs.variables import read_moves

    results, messages = common.consoles(quiet=json_)
    folder, form = common.figure_wishes(figures or (), Path("results"))
    seconds = math.inf if time_ is None else common.quantity(time_, "duration", "--time", low="0 s")
    read = common.open_scenario(scenario, set_ or ())
    goals = read_goals(for_)
    needs = {OUTCOMES[goal].needs for goal in goals}
    dates = date_range(read, from_, to, every) if "dates" in needs else ()
    asked = Asked(
        outcomes=goals,
        replicates=replicates,
        beams=beams,
        suns=SUNS,
        seed=read.trace.seed if seed is None else seed,
        dates=dates,
        days=len(date_range(read, from_, to, 1)) if dates and every > 1 else None,
        hours=read_hours(hours),
        at=read_moment(at) if "at" in needs else None,
        reach=read_power(watts) if "reach" in needs else None,
    )
    plan = Plan(
        moves=tuple(read_moves(read, move)),
        asked=asked,
        seed=asked.seed,
    )
    path, files = None, []
    with messages.status("Opening the search"):
        if not no_files:
            said = fingerprint_of(read, plan)
            stem = f"{scenario.stem}-search"
            path = place_of(output, stem, said, overwrite=overwrite, text=OURS.encode())
        book = Book(read, plan, None if path is None else parts_of(path), overwrite=overwrite)
    common.report_lost(messages, book.lost)
    with book:
        tried = _try(read, plan, book, trials, seconds, threads, messages)
        with messages.status("Tracing what was found by fresh samples"):
            study = conclude(read, plan, tried, threads=threads)
        with common.after_the_answer() as trouble:
            if path is not None:
                folder = folder if figures else path.parent
                files = _write(study, path, None if no_figures else (folder, form))
    if json_:
        facts = search_facts(study)
        facts["files"] = [str(p) for p, _ in files]
        facts["caution"] = IN_BRIEF
        common.print_json(facts)
    else:
        for table in search_tables(study):
            results.print(table)
    common.report_files(messages if json_ else results, files)
    messages.print(IN_BRIEF, style="dim")
    for wrong in trouble:
        raise wrong
    if not study.found:
        raise typer.Exit(1)


def read_goals(names: list[str]) -> tuple[str, ...]:
    """Goals by their names, one or two that differ."""
    from raytrace.commands.wanted import read_outcomes

    goals = read_outcomes(names, "--for")
    if len(goals) > 2 or len(set(goals)) < len(goals):
        raise typer.BadParameter("give one goal, or two that differ.", param_hint="--for")
    return goals


def _try(
    scenario: Scenario,
    plan: Plan,
    book: Book,
    trials: int,
    seconds: float,
    threads: int | None,
    messages: Console,
) -> list[Tried]:
    """Try designs with a bar that shows the best so far and the time left; Ctrl-C keeps them."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from raytrace.studies.designs.search import iter_trials

    tried = list(book.tried)
    if tried:
        messages.print(f"{book.path} holds {len(tried)} designs; these are kept.", style="dim")
    columns = (
        TextColumn("Designs"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("left {task.fields[left]}  best {task.fields[best]}"),
    )
    begun, before = time.monotonic(), len(tried)
    try:
        with Progress(*columns, console=messages, transient=True) as bar:
            task = bar.add_task("", total=trials, completed=before, left="–", best="–")
            steps = iter_trials(
                scenario, plan, book, trials=trials, seconds=seconds, threads=threads,
                hold=hold,
            )  # fmt: skip
            for one in steps:
                tried.append(one)
                took = time.monotonic() - begun
                left = took / (len(tried) - before) * (trials - len(tried))
                bar.update(
                    task,
                    completed=len(tried),
                    left=_clock(min(left, seconds - took)),
                    best=_best_words(plan, tried),
                )
    except KeyboardInterrupt:
        if book.path is None:
            words = "Stopped; nothing is kept (--no-files)."
        else:
            words = (
                f"Stopped. What was tried is kept in {book.path}: give the same command to go on."
            )
        messages.print(words, soft_wrap=True)
        raise typer.Exit(130) from None
    return tried


def _clock(seconds: float) -> str:
    whole = max(round(seconds), 0)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _best_words(plan: Plan, tried: list[Tried]) -> str:
    from raytrace.reports.common.numbers import plain
    from raytrace.studies.designs.objectives import OUTCOMES
    from raytrace.studies.designs.search import best_of

    best = best_of(plan, tried)
    if not best:
        return "–"
    if len(plan.goals) > 1:
        return f"{len(best)} on the front"
    goal = OUTCOMES[plan.goals[0]]
    return f"{plain(goal.factor * best[0].figures[0])} {goal.unit}"


def _write(study: Search, path: Path, drawing: tuple[Path, str] | None) -> list[tuple[Path, int]]:
    """Scenarios found, table of all designs, figure."""
    from raytrace.files import refuse_strangers
    from raytrace.reports.common.tables import write_csv
    from raytrace.reports.designs.search import LETTERS, search_rows
    from raytrace.reports.designs.search_figures import write_search_figures
    from raytrace.store.parts import parts_of
    from raytrace.studies.designs.rewrite import write_scenario

    files = []
    goals = " and ".join(study.plan.goals)
    for letter, found in zip(LETTERS, study.found, strict=False):
        name = path if len(study.found) == 1 else path.with_stem(f"{path.stem}-{letter}")
        refuse_strangers(name, OURS.encode())
        note = f"{OURS[2:]}for {goals}, from {study.scenario.source}, whose comments these are."
        files.append((name, write_scenario(found.scenario, name, note=note)))
    table = path.with_suffix(".csv")
    files.append((table, write_csv(table, search_rows(study))))
    if drawing is not None:
        files += write_search_figures(study, drawing[0], path.stem, drawing[1])
    return files + common.written(parts_of(path))


search.__doc__ = HELP
