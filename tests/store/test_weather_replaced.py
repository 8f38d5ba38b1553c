"""A weather file that is another one when a study is continued: refused, and it is named."""

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from raytrace.cli import app

COURTYARD = Path("scenarios/courtyard.toml").read_text(encoding="utf-8")
HEAD = ["Latitude (decimal degrees): 17.060", "Longitude (decimal degrees): -96.720",
        "Elevation (m): 1555", "month,year", *(f"{m},2015" for m in range(1, 13)),
        "time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"]  # fmt: skip


def write_year(path, dni):
    """Typical year of the same hour throughout."""
    hours = np.arange("2015-01-01T00", "2016-01-01T00", dtype="datetime64[h]")
    rows = [
        f"{h.astype(object):%Y%m%d:%H%M},20.0,50,500,{dni},100,300,2.0,180,85000" for h in hours
    ]
    path.write_text("\n".join([*HEAD, *rows, ""]))


def contents():
    return {path: path.read_bytes() for path in Path().iterdir()}


SMALL = ["--set", "facets.rows=2", "--set", "facets.columns=3", "--no-figures", "-o", "out"]
DATES = ["--from", "2026-03-20", "--to", "2026-03-20"]


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["season", "sunny.toml", *DATES, "--starts", "10", "--replicates", "2"],
         "(the weather file has changed since)"),
        (["compare", "clear.toml", "sunny.toml", "--also", "season energy", *DATES, "--hours",
          "10..11", "--replicates", "2", "--workers", "1"],
         "(the weather file of scenario 2 (sunny.toml) has changed since)"),
        (["search", "sunny.toml", "--for", "season watts", "--trials", "2", "--move",
          "design.sun_altitude=30..60 deg", *DATES, "--replicates", "2"],
         "(the weather file has changed since)"),
    ],
)  # fmt: skip
def test_a_weather_file_that_was_replaced_is_named(tmp_path, monkeypatch, arguments, named):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "300")
    by_file = 'dni = "weather file"\nweather_file = "year.csv"\n#'
    Path("clear.toml").write_text(COURTYARD, encoding="utf-8")
    Path("sunny.toml").write_text(COURTYARD.replace('dni = "clear sky"  ', by_file, 1), "utf-8")
    write_year(Path("year.csv"), 650)
    command = [*arguments, *SMALL]
    for again in (False, True):
        done = CliRunner().invoke(app, command)
        assert done.exit_code == 0, done.output
        said = "these are kept" in done.stderr or "nothing is computed again" in done.stderr
        assert said == again
    write_year(Path("year.csv"), 640)
    before = contents()
    refused = CliRunner().invoke(app, command)
    assert refused.exit_code == 2
    assert named in " ".join(refused.stderr.replace("│", " ").split())
    assert contents() == before
    assert CliRunner().invoke(app, [*command, "--overwrite"]).exit_code == 0
