"""`cooker record`: what a measured heating says, beside what the scenario predicts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raytrace.commands import common, output
from raytrace.commands.learned import learned_places, write_learned
from raytrace.commands.streams import say

if TYPE_CHECKING:
    import datetime as dt

    from rich.console import Console

    from raytrace.scenario.schema import Scenario
    from raytrace.studies.record.implied import FieldRecord
    from raytrace.studies.record.light import RecordPlan
    from raytrace.studies.record.readings import Record

__all__ = ["record"]

HELP = """Say what a measured heating implies, and how far the scenario is from it.

From clock times and water temperatures: the watts of the mirrors' light on the base, with an
interval; what the scenario predicts for those very times; what would explain the difference; and
the standardised cooking power of ASAE S580.1.

\b
  cooker record scenarios/courtyard.toml --demo-record seen.csv     invented, to try it with
  cooker record scenarios/courtyard.toml seen.csv
  cooker record scenarios/courtyard.toml seen.csv --set kitchen.water="1.5 L"
  cooker record scenarios/courtyard.toml noon.csv --date 2026-03-20
  cooker record scenarios/courtyard.toml seen.csv --learn known.toml  narrow what isn't known

Without a record: the cooking power that the standard's heating test would find, simulated.

\b
  cooker record scenarios/courtyard.toml

The record is CSV, a row a reading, units in the header. Times are by the site's clock, in full or,
with --date, as 10:30 alone.

\b
  time,water_temperature_degC,air_temperature_degC,gni_W/m^2,wind_m/s,turned
  2026-03-20T10:30,24.5,23.0,930,0.6,yes
  2026-03-20T10:40,31.2,23.1,941,0.8,

Loggers' tables of any dialect are read: semicolons, decimal commas, °F, 2:05 pm, 20.3.2026, rows in
any order, two thermometers (their mean counts), lines above the header. Days such as 3/4/2026 need
--date.

Only the first two columns are needed. Sun: dni_W/m^2 (direct normal), gni_W/m^2 (global, the
instrument turned to the sun) or ghi_W/m^2 (global, level). turned: yes where the cooker was turned
to the sun; without any yes the scenario's habit counts. What was in the pot stands in the
scenario's [kitchen].

Caution: cover the mirrors before you reach for the pot or the thermometer; steam scalds, and the
spot blinds and burns. See: cooker cautions.
"""


def record(
    *,
    scenario: Annotated[Path, typer.Argument(help="Scenario file (.toml).", metavar="SCENARIO")],
    measured: Annotated[
        Path | None, typer.Argument(help="What was measured (.csv).", metavar="RECORD")
    ] = None,
    date: Annotated[
        str | None, typer.Option(help="Day of times such as 10:30.", metavar="DATE")
    ] = None,
    reading_error: Annotated[
        str,
        typer.Option(help="Standard deviation of a reading of the water.", metavar="TEMPERATURE"),
    ] = "0.5 K",
    loss_error: Annotated[
        str,
        typer.Option(
            help="The same of the computed losses, as a share of them; common practice, no source.",
            metavar="SHARE",
        ),
    ] = "15 %",
    draws: Annotated[
        int,
        typer.Option(
            help="Cookers and operators drawn with the scenario's tolerances.",
            min=2,
            max=1000,
            metavar="N",
        ),
    ] = 16,
    beams: Annotated[
        int,
        typer.Option(
            help="Beams a facet, at each moment of each draw.", min=1, max=4096, metavar="N"
        ),
    ] = 2,
    build: common.Build = None,
    demo_record: Annotated[
        Path | None,
        typer.Option("--demo-record", help="Write an invented record, and stop.", metavar="FILE"),
    ] = None,
    start: Annotated[
        str | None,
        typer.Option(
            help="When the invented pot is put on. Default: half an hour before the sun suits the "
            "mirrors.",
            metavar="CLOCK",
        ),
    ] = None,
    learn: Annotated[
        Path | None,
        typer.Option(
            help="Narrow what isn't known of the scenario by the record, and write it so.",
            metavar="SCENARIO",
        ),
    ] = None,
    sun_error: Annotated[
        str,
        typer.Option(
            help="Of the irradiance instrument, one factor throughout; --learn. Common practice.",
            metavar="SHARE",
        ),
    ] = "3 %",
    seed: common.Seed = None,
    threads: common.Threads = None,
    set_: common.Changes = None,
    output_: common.ResultsFile = None,
    overwrite: common.Overwrite = False,
    no_files: common.NoFiles = False,
    figures: common.Figures = None,
    no_figures: common.NoFigures = False,
    json_: common.Json = False,
) -> None:
    from raytrace.commands.dates import read_clock, read_day
    from raytrace.reports.common.cautions import COOKING
    from raytrace.reports.record.record import (
        cause_words,
        doubt_sentences,
    )
    from raytrace.store.fingerprint import fingerprint
    from raytrace.store.places import place_of
    from raytrace.store.plain import plain
    from raytrace.studies.record import record as study
    from raytrace.studies.record.light import RecordPlan

    shown = common.Shown.of(json_, figures, no_figures)
    results, messages = shown.results, shown.messages
    day = None if date is None else read_day(date, "--date")
    begin = None if start is None else read_clock(start, "--start")
    if begin is not None and demo_record is None:
        raise typer.BadParameter("goes with --demo-record.", param_hint="--start")
    if measured is not None and demo_record is not None:
        raise typer.BadParameter("does not go with a record.", param_hint="--demo-record")
    if learn is not None:
        if measured is None:
            raise typer.BadParameter("goes with a record.", param_hint="--learn")
        learned_places(learn)
    error = _kelvin(reading_error)
    instrument = common.quantity(sun_error, "share", "--sun-error", low="0 %", high="50 %")
    loss = common.quantity(loss_error, "share", "--loss-error", low="0 %", high="100 %")
    read = common.open_scenario(scenario, set_ or ())
    keys = {
        "seed": read.trace.seed if seed is None else seed,
        "build": read.trace.build if build is None else build,
    }
    if demo_record is not None:
        _invent(read, demo_record, day, begin, error, keys, scenario)
        messages.print(COOKING, style="dim")
        return
    if measured is None:
        _standard_test(read, keys, threads, json_, results, messages)
        messages.print(COOKING, style="dim")
        return
    plan = RecordPlan(error, loss, draws, beams=beams, **keys)
    readings = _read(read, measured, day, plan)
    stamp = fingerprint("record", [read], plan, record=plain(readings))
    stem = f"{measured.stem}-implied"
    path = None if no_files else place_of(output_, stem, stamp, overwrite=overwrite)
    table = None if path is None else path.with_suffix(".csv")
    if table is not None and table.exists() and table.samefile(measured):
        raise typer.BadParameter(f"{table}: that is the record itself.", param_hint="-o")
    with output.progress_bar(messages, "Tracing", "%", path) as progress:
        found = output.answered(
            study.record,
            read,
            readings,
            plan,
            path=path,
            overwrite=overwrite,
            progress=progress,
            threads=threads,
            command=common.command_line(),
        )
    taught: list[str] = []
    if learn is not None:
        taught = _learn(found, learn, error, instrument, keys["seed"], threads, shown)
    output.present(
        found,
        "record",
        path,
        shown,
        table=(found.rows, "interval"),
        doubts=doubt_sentences(found),
        causes_in_words=[cause_words(found, cause) for cause in found.causes],
        learned=taught,
    )


def _learn(
    found: FieldRecord,
    file: Path,
    error: float,
    instrument: float,
    seed: int,
    threads: int | None,
    shown: common.Shown,
) -> list[str]:
    """Learn from a record, write the scenario, and say what was learned first."""
    from raytrace.reports.record.learned import taught_sentences
    from raytrace.studies.record.learn import LearnPlan, learn_record
    from raytrace.studies.trace.narrowed import narrowed

    plan = LearnPlan(reading_error=error, sun_error=instrument, seed=seed, threads=threads)
    with output.progress_bar(shown.messages, "Learning", "%", None) as progress:
        taught = learn_record(
            found.scenario,
            found.record,
            found.counts,
            plan,
            progress=lambda share: progress(100.0 * share, 100.0),
        )
    learned = write_learned(found.scenario, taught.joint, file, source=found.record.name)
    with shown.messages.status("Drawing watts"):
        left = narrowed(found.scenario, learned, seed=seed, threads=threads)
    sentences = taught_sentences(taught, left, sun=bool(found.record.sun))
    sentences.append(
        f"Written: {file} and {file.stem}-learned.csv beside it. "
        f"{common.next_command('trace', file)}"
    )
    if not shown.json:
        for sentence in sentences:
            shown.results.print(sentence, markup=False, highlight=False)
    return sentences


def _kelvin(text: str) -> float:
    """Difference of temperature, such as "0.5 K", "0.5 degC" or "1 degF"."""
    from raytrace.scenario.units import UnitError, read_number, read_quantity

    try:
        value, unit = read_number(text)
    except UnitError as error:
        raise typer.BadParameter(f'"{text}": {error}.', param_hint="--reading-error") from None
    try:
        zero, value = (read_quantity(f"{x} {unit}", "temperature")[0] for x in (0, value))
    except UnitError:
        zero, value = 0.0, -1.0
    value -= zero
    if not 0.0 <= value <= 20.0:
        raise typer.BadParameter(
            f'"{text}": write a difference from 0 K to 20 K, such as "0.5 K".',
            param_hint="--reading-error",
        )
    return value


def _read(scenario: Scenario, file: Path, day: dt.date | None, plan: RecordPlan) -> Record:
    import numpy as np

    from raytrace.commands.needs import refuse_over
    from raytrace.scenario.values import table_text
    from raytrace.studies.record.readings import from_table

    read = from_table(
        scenario, table_text(file), name=file.name, date=day, reading_error=plan.reading_error
    )
    hours = sum(int(np.ptp(read.time[which])) for which in read.runs) / 3600.0
    # each draw's watts at both ends of each stretch, and the temperatures that they bring
    refuse_over(
        150.0 * plan.draws * (len(read.time) + 12.0 * hours),
        "--draws",
        "fewer draws, or a record with fewer readings",
    )
    return read


def _invent(
    scenario: Scenario,
    file: Path,
    day: dt.date | None,
    begin: float | None,
    error: float,
    keys: dict[str, int],
    path: Path,
) -> None:
    import datetime as dt

    from raytrace.files import write_whole
    from raytrace.studies.record.synthetic import (
        DIRT,
        Invention,
        demo_start,
        invent_record,
        record_text,
    )

    start = demo_start(scenario, day)
    if begin is not None:
        start = dt.datetime(start.year, start.month, start.day) + dt.timedelta(seconds=begin)
    found, _ = invent_record(scenario, start, Invention(reading_error=error), **keys)
    notes = (
        "An invented record, to try the command with: nobody measured it.",
        f"{scenario.title}: build {keys['build']} of seed {keys['seed']}, its mirrors dirtier than "
        f"the scenario says ({100.0 * DIRT:.0f} % of that cleanliness);",
        f"the water read to {error:g} K, one standard deviation.",
    )
    text = record_text(scenario, found, notes)
    write_whole(file, text, new=True, option="")
    say(f"Written: {file}, an invented record. {common.next_command('record', path, file)}")


def _standard_test(
    scenario: Scenario,
    keys: dict[str, int],
    threads: int | None,
    json_: bool,
    results: Console,
    messages: Console,
) -> None:
    from raytrace.light.setup import LightSettings
    from raytrace.reports.common.cautions import COOKING
    from raytrace.reports.cooking.cooking_power import heating_tables
    from raytrace.studies.cooking.heating_test import heating_test

    settings = LightSettings.of(scenario, beams=2, replicates=8, threads=threads, **keys)
    with messages.status("Testing"):
        test = heating_test(scenario, settings=settings)
    if json_:
        output.json_of(test, [], caution=COOKING)
        return
    for part in heating_tables(test):
        results.print(part)


record.__doc__ = HELP
