"""The command line as a user meets it: what it prints, writes and refuses."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import pytest
from stored import parts_in
from typer.testing import CliRunner

import raytrace
from raytrace.cli import app
from raytrace.commands.new import STARTER
from raytrace.scenario.schema import describe_schema
from raytrace.store.locks import Lock
from raytrace.store.parts import parts_of
from raytrace.studies.trace import run as one_run

ROOT = Path(__file__).parents[2]
COURTYARD = str(ROOT / "scenarios" / "courtyard.toml")
FEW = ["--samples", "2000", "--replicates", "4", "--bins", "12"]
DAY = ["--day", "2026-03-20", "--step", "2 h"]


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


def cooker(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def refused(*arguments):
    """Message of a call that must end with exit code 2 and no traceback."""
    result = cooker(*arguments)
    assert result.exit_code == 2, result.output
    assert isinstance(result.exception, SystemExit)
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    return result.stderr


def test_help_starts_fast_and_imports_nothing_heavy():
    code = (
        "import sys\nfrom raytrace.cli import app\n"
        "try:\n    app(['--help'], prog_name='cooker')\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'numba', 'pandas', 'pvlib', 'matplotlib', 'pint', 'pydantic', 'h5py'}\n"
        "sys.exit(' '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False
    )
    took = time.perf_counter() - start
    assert done.returncode == 0, f"imported: {done.stderr}"
    assert "cooker trace mine.toml" in done.stdout
    assert took < 3.0, "0.6 s on an idle machine"


def test_version():
    assert cooker("--version").stdout == f"cooker-raytrace {raytrace.__version__}\n"


def test_every_command_explains_itself_by_example():
    for command in ("trace", "check", "show"):
        text = cooker(command, "--help").stdout
        assert f"  cooker {command} " in text, "an example"
    for option in ("--at", "--day", "--step", "--target-se", "--set", "--output", "--overwrite",
                   "--no-files", "--figures", "--json", "--seed", "--threads"):  # fmt: skip
        assert option in cooker("trace", "--help").stdout


def test_trace_prints_and_writes_and_says_where(folder):
    result = cooker("trace", COURTYARD, *FEW)
    assert result.exit_code == 0, result.output
    assert "delivered (arrives on the base)" in result.stdout
    names = sorted(p.name for p in (folder / "results").iterdir())
    assert names == [
        f"courtyard{tail}"
        for tail in (
            "-encircled.png",
            "-facets.png",
            "-flux.png",
            "-ledger.png",
            "-side.png",
            "-solid.png",
            ".h5",
        )
    ]
    for name in names:
        line = next(x for x in result.stdout.splitlines() if f"{os.sep}{name} " in x)
        assert line.endswith("B"), "size"
    assert "Cover the mirrors" in result.stderr


def test_json_alone_on_the_standard_output(folder):
    result = cooker("trace", COURTYARD, *FEW, "--json", "--no-figures", "--seed", 5)
    facts = json.loads(result.stdout)
    run = raytrace.read_result(folder / "results" / "courtyard.h5")
    assert facts["moments"][0]["tally"]["delivered_W"] == float(run.moments[0].tally.delivered)
    assert facts["plan"]["seed"] == run.plan.seed == 5
    assert facts["files"] == [str(Path("results") / "courtyard.h5")]
    assert "Written:" in result.stderr


def test_no_files_means_none(folder):
    result = cooker("trace", COURTYARD, *FEW, "--no-files")
    assert result.exit_code == 0
    assert list(folder.iterdir()) == []


def test_any_key_can_be_set(folder):
    cooker("trace", COURTYARD, *FEW, "--set", "pot.diameter=30 cm", "--set", "title=Wide",
           "--no-figures")  # fmt: skip
    run = raytrace.read_result(folder / "results" / "courtyard.h5")
    assert run.moments[0].tally.base_radius == 0.15
    assert run.scenario.title == "Wide"


def test_figures_go_where_and_how_they_are_wanted(folder):
    cooker("trace", COURTYARD, *FEW, "--figures", "svg", "--figures", "pics")
    assert sorted(p.suffix for p in (folder / "pics").iterdir()) == [".svg"] * 6
    assert "png, svg, pdf" in refused("trace", COURTYARD, "--figures", "a.gif")


def test_at_a_moment(folder):
    result = cooker("trace", COURTYARD, *FEW, "--at", "2026-03-20T10:30", "--json", "--no-figures")
    assert json.loads(result.stdout)["moments"][0]["time"] == "2026-03-20T10:30:00-06:00"
    assert (folder / "results" / "courtyard-2026-03-20T1030.h5").exists()


@pytest.mark.parametrize("target", ["0.1 %", "0.001", "1e-3"])
def test_a_target_is_reached(target):
    result = cooker("trace", COURTYARD, "--target-se", target, "--samples", 500, "--no-files",
                    "--json")  # fmt: skip
    facts = json.loads(result.stdout)
    moment = facts["moments"][0]["tally"]
    assert facts["plan"]["target_se"] == pytest.approx(1e-3)
    assert 0.0 < moment["delivered_se_W"] < 1e-3 * moment["delivered_W"]


def test_no_other_run_is_lost_by_tinkering(folder):
    first = cooker("trace", COURTYARD, *FEW, "--no-figures")
    assert first.exit_code == 0
    before = (folder / "results" / "courtyard.h5").read_bytes()
    again = cooker("trace", COURTYARD, *FEW, "--no-figures", "--seed", 2)
    assert "holds another study" in again.stderr
    assert (folder / "results" / "courtyard.h5").read_bytes() == before
    assert raytrace.read_result(folder / "results" / "courtyard-run2.h5").plan.seed == 2
    cooker("trace", COURTYARD, *FEW, "--no-figures", "--seed", 2)
    assert len(list((folder / "results").iterdir())) == 2, "the same run keeps its name"

    message = refused("trace", COURTYARD, *FEW, "-o", "results/courtyard.h5", "--seed", 3)
    assert "seed: 1 there, 3 now" in message
    assert "--overwrite" in message
    assert (folder / "results" / "courtyard.h5").read_bytes() == before
    cooker("trace", COURTYARD, *FEW, "--no-figures", "-o", "results/courtyard.h5", "--seed", 3,
           "--overwrite")  # fmt: skip
    assert raytrace.read_result(folder / "results" / "courtyard.h5").plan.seed == 3


def test_files_of_others_are_never_replaced(folder):
    (folder / "notes.h5").write_text("mine")
    assert "not a results file" in refused(
        "trace", COURTYARD, *FEW, "-o", "notes.h5", "--overwrite", "--no-figures"
    )
    assert (folder / "notes.h5").read_text() == "mine"


def test_ctrl_c_keeps_what_is_done_and_the_day_goes_on(folder, monkeypatch):
    whole = cooker("trace", COURTYARD, *FEW, *DAY, "--json", "--no-files")
    really = one_run.moment_under
    traced = []

    def stopping(*arguments, **options):
        if len(traced) == 3:
            raise KeyboardInterrupt
        return counting(*arguments, **options)

    def counting(*arguments, **options):
        traced.append(f"{arguments[1].time:%H}")
        return really(*arguments, **options)

    with monkeypatch.context() as patch:
        patch.setattr(one_run, "moment_under", stopping)
        stopped = cooker("trace", COURTYARD, *FEW, *DAY, "--no-figures")
    assert stopped.exit_code == 130
    path = folder / "results" / "courtyard-2026-03-20.h5"
    kept = parts_of(path.relative_to(folder))
    assert f"kept in {kept}: give the same command to go on" in stopped.stderr
    assert f"is kept in {kept}; give the same command again" in " ".join(
        refused("show", path.relative_to(folder)).split()
    )

    monkeypatch.setattr(one_run, "moment_under", counting)
    rest = cooker("trace", COURTYARD, *FEW, *DAY, "--no-figures", "--json")
    assert traced == ["08", "10", "12", "14", "16", "18"]
    assert json.loads(rest.stdout)["moments"] == json.loads(whole.stdout)["moments"]
    assert json.loads(rest.stdout)["day"] == json.loads(whole.stdout)["day"]

    traced.clear()
    cooker("trace", COURTYARD, *FEW, *DAY, "--no-figures", "--overwrite")
    assert len(traced) == 6


def long_day(folder, path, *more):
    return subprocess.Popen(
        [sys.executable, "-m", "raytrace.cli", "trace", COURTYARD, "--day", "2026-03-20",
         "--samples", "2000", "--bins", "12", "--no-figures", "-o", str(path), *more],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip


@pytest.mark.skipif(os.name != "posix", reason="Windows has no SIGINT for another process")
def test_a_real_ctrl_c(folder):
    """A day far too long is stopped from outside once its first step is on disk."""
    path = folder / "long.h5"
    child = long_day(folder, path, "--step", "1 min")
    try:
        for _ in range(600):
            kept = parts_in(parts_of(path))
            if kept > 0 or child.poll() is not None:
                break
            time.sleep(0.1)
        child.send_signal(signal.SIGINT)
        _, errors = child.communicate(timeout=60)
    finally:
        child.kill()
    assert child.returncode == 130, errors
    assert "Traceback" not in errors
    assert parts_in(parts_of(path)) >= kept >= 1
    assert "What was done is kept" in errors
    assert [p.name for p in folder.iterdir()] == ["long.parts"]


@pytest.mark.skipif(os.name != "posix", reason="Windows has no SIGKILL")
def test_a_killed_day_goes_on_from_every_step_that_was_done(folder):
    """Killed in the middle; no step is lost, and the bits are those of an unbroken day."""
    path, step = folder / "a.h5", ("--step", "30 min")
    with long_day(folder, path, *step) as child:
        while child.poll() is None and parts_in(parts_of(path)) < 3:
            time.sleep(0.002)
        assert child.poll() is None, "done before it could be killed"
        child.kill()
    reached = parts_in(parts_of(path))
    assert not path.exists()
    arguments = ["trace", COURTYARD, "--day", "2026-03-20", "--samples", "2000", "--bins", "12",
                 "--no-figures", *step]  # fmt: skip
    done = cooker(*arguments, "-o", path)
    assert f"holds {reached} finished parts" in " ".join(done.stderr.split())
    cooker(*arguments, "-o", "b.h5")
    for one, other in zip(
        raytrace.read_result(path).moments, raytrace.read_result("b.h5").moments, strict=True
    ):
        assert one.time == other.time
        assert one.tally.power.tobytes() == other.tally.power.tobytes()
        assert one.tally.base_power.tobytes() == other.tally.base_power.tobytes()
    assert {p.name for p in folder.iterdir()} == {"a.h5", "b.h5"}


WRITERS = [
    ["trace", COURTYARD],
    ["trace", COURTYARD, *DAY],
    ["tolerance", COURTYARD],
    ["blame", COURTYARD],
    ["season", COURTYARD],
    ["compare", COURTYARD, "--vary", "facets.rows=4..9"],
]


@pytest.mark.parametrize("arguments", WRITERS)
def test_two_at_once_on_one_output_do_not_overwrite_each_other(folder, arguments):
    with Lock(folder / "a.h5"):
        assert "another process is writing to it" in refused(*arguments, "-o", "a.h5")
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("arguments", WRITERS)
def test_starting_over_never_replaces_somebody_elses_file(folder, arguments):
    with h5py.File(folder / "a.h5", "w") as file:
        file["theirs"] = [1, 2, 3]
    before = (folder / "a.h5").read_bytes()
    for overwrite in ([], ["--overwrite"]):
        assert "a.h5: not a results file of this program" in refused(
            *arguments, "-o", "a.h5", *overwrite
        )
    assert (folder / "a.h5").read_bytes() == before
    assert [p.name for p in folder.iterdir()] == ["a.h5"]


def test_show_repeats_trace_without_tracing(folder, monkeypatch):
    first = cooker("trace", COURTYARD, *FEW, "--no-figures", "--json")

    def never(*_, **__):
        raise AssertionError("traced")

    monkeypatch.setattr(one_run, "trace", never)
    shown = cooker("show", "results/courtyard.h5", "--json")
    want, have = json.loads(first.stdout), json.loads(shown.stdout)
    assert have["moments"] == want["moments"]
    assert "delivered (arrives on the base)" in cooker("show", "results/courtyard.h5").stdout
    text = cooker("show", "results/courtyard.h5", "--scenario").stdout
    # after a few comments that say how to repeat the run
    assert text.endswith("\n" + Path(COURTYARD).read_text(encoding="utf-8"))
    cooker("show", "results/courtyard.h5", "--figures", "pdf")
    assert len(list((folder / "results").glob("*.pdf"))) == 6


def test_check_describes_a_scenario():
    result = cooker("check", COURTYARD, "--json")
    facts = json.loads(result.stdout)
    assert facts["n_facets"] == 54
    assert facts["mirror_area_m2"] == pytest.approx(54 * 0.1**2)
    assert facts["sun_altitude_deg"] == pytest.approx(42.0)
    least, mean, greatest = facts["setting_error_mrad"]
    assert 0.0 < least < mean < greatest < 10.0
    text = cooker("check", COURTYARD).stdout
    assert "0.54 m²" in text
    assert "setting error per axis (σ)" in text
    warned = cooker("check", COURTYARD, "--set", "design.sun_altitude=89.9 deg", "--set",
                    "site.latitude=60 deg")  # fmt: skip
    assert "never stands" in warned.stdout
    assert "1 thing may be wrong" in warned.stdout


def test_check_lists_every_key():
    keys = json.loads(cooker("check", "--keys", "--json").stdout)["keys"]
    assert [row["key"] for row in keys] == [key.key for key in describe_schema()]
    text = cooker("check", "--keys").stdout
    assert all(key.key in text for key in describe_schema())


def test_new_writes_a_scenario_that_works(folder):
    assert cooker("new", "mine").exit_code == 0
    assert (folder / "mine.toml").read_text(encoding="utf-8") == STARTER
    assert cooker("trace", "mine.toml", *FEW, "--no-files").exit_code == 0
    assert "left alone" in refused("new", "mine.toml")


def test_cautions_are_printed():
    text = cooker("cautions").stdout
    assert "Sunglasses are no protection" in " ".join(text.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([COURTYARD, "--set", "pot.diametr=3 cm"], ["pot.diametr", "pot.diameter"]),
        ([COURTYARD, "--set", "facets.width=100"], ["facets.width = 100", "no unit", "100 mm"]),
        ([COURTYARD, "--set", "facets.width"], ["key=value"]),
        ([COURTYARD, "--at", "noon"], ['"noon"', "2026-06-21T10:30"]),
        ([COURTYARD, "--at", "2026-03-20T22:00"], ["below the horizon"]),
        ([COURTYARD, "--day", "20.3.2026"], ["20.3.2026", "2026-06-21"]),
        ([COURTYARD, "--day", "2026-12-21", "--set", "site.latitude=80 deg"], ["does not rise"]),
        ([COURTYARD, *DAY[:2], "--step", "30"], ["--step", "no unit", "10 min"]),
        ([COURTYARD, *DAY[:2], "--step", "-5 min"], ["--step", "1 s to 6 h"]),
        ([COURTYARD, *DAY[:2], "--step", "9 h"], ["--step", "1 s to 6 h"]),
        ([COURTYARD, *FEW, "--figures", "gif"], ["--figures", "png, svg, pdf"]),
        ([COURTYARD, "--step", "5 min"], ["--day"]),
        ([COURTYARD, *DAY, "--at", "2026-03-20T10:30"], ["not both"]),
        ([COURTYARD, "--target-se", "1 mm"], ["--target-se", "share"]),
        ([COURTYARD, "--target-se", "200 %"], ["--target-se", "between 0 and 1"]),
        ([COURTYARD, "--estimator", "guess"], ["--estimator", "beams or rays"]),
        ([COURTYARD, "--replicates", "2"], ["--replicates"]),
        ([str(ROOT / "scenarios" / "courtyrd.toml")], ["no such file", "Nearest: courtyard.toml"]),
        ([str(ROOT / "scenarios")], ["is a folder", "rim-ring.toml"]),
        (["nothing.toml"], ["nothing.toml", "cooker new"]),
        ([COURTYARD, *FEW, "--no-figures", "-o", COURTYARD], ["name a file that ends in .h5"]),
    ],
)
def test_mistakes_are_told_in_plain_words(arguments, words):
    message = " ".join(refused("trace", *arguments).split())
    for word in words:
        assert word in message


def test_a_place_that_takes_no_file_is_told_before_anything_is_traced(folder, monkeypatch):
    (folder / "wall").write_text("a file, not a folder")
    monkeypatch.setattr(one_run, "moment_under", None)
    result = cooker("trace", COURTYARD, *FEW, "--no-figures", "-o", "wall/run.h5")
    assert result.exit_code == 1, "understood, but it can't be kept"
    assert f"{Path('wall') / 'run.parts'}: can't be written" in result.stderr


def test_show_refuses_what_is_no_result(folder):
    (folder / "x.h5").write_text("x")
    assert "not a results file" in refused("show", "x.h5")
    assert "no such file" in refused("show", "y.h5")
