"""Reports say what the tally says, with units; figures are drawn whole for every kind of cooker."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pictures import flaws
from rich.console import Console

import raytrace
from raytrace.cooker.pose import posed
from raytrace.optics.tally import LINES
from raytrace.reports.common.cautions import CAUTIONS, IN_BRIEF
from raytrace.reports.common.numbers import percent, plain, plus_minus
from raytrace.reports.common.style import LINE_LOOKS, save_figures
from raytrace.reports.common.words import LINE_NAMES
from raytrace.reports.trace.day import day_figure
from raytrace.reports.trace.figures import figures as all_figures
from raytrace.reports.trace.flux import flux_figure
from raytrace.reports.trace.ledger import ledger_figure
from raytrace.reports.trace.plan import plan_figure
from raytrace.reports.trace.side import side_figure
from raytrace.reports.trace.tables import run_tables
from raytrace.store.plain import plain as plain_values
from raytrace.studies.trace.daily_energy import day_sum
from raytrace.studies.trace.run import run_at, run_day, run_design

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FEW = {"samples": 20_000, "replicates": 4, "bins": 24}


@pytest.fixture(scope="module")
def run():
    return run_design(raytrace.load_scenario(SCENARIOS / "courtyard.toml"), **FEW)


@pytest.fixture(scope="module")
def ring():
    return run_design(raytrace.load_scenario(SCENARIOS / "rim-ring.toml"), **FEW)


@pytest.fixture(scope="module")
def day():
    return run_day(
        raytrace.load_scenario(SCENARIOS / "courtyard.toml"), "2026-03-20", 5400.0, **FEW
    )


def printed(run, width=100):
    console = Console(file=io.StringIO(), width=width, color_system=None)
    for table in run_tables(run):
        console.print(table)
    return console.file.getvalue()


@pytest.mark.parametrize(
    ("value", "se", "shown"),
    [
        (234.2983, 0.0523, ("234.298", "0.052")),
        (234.2983, 5.23, ("234.3", "5.2")),
        (45678.0, 1234.0, ("45700", "1200")),
        (0.0123456, 0.00099, ("0.01235", "0.00099")),
        (9.996, 0.0996, ("10.00", "0.10")),
        (-3.21, 0.25, ("-3.21", "0.25")),
        (0.0004, 0.12, ("0.00", "0.12")),
        (12.5, 0.0, ("12.5000", "0")),
        (0.0, 0.0, ("0", "0")),
        (12.5, math.nan, ("12.50", "–")),
        (math.nan, 1.0, ("–", "–")),
        (234.298312, 5.2e-6, ("234.298", "<0.001")),
    ],
)
def test_errors_are_rounded_to_two_digits_and_values_with_them(value, se, shown):
    """Two digits of the standard uncertainty: JCGM 100:2008 (GUM), 7.2.6."""
    assert plus_minus(value, se) == shown


def test_plain_numbers_and_percentages():
    assert plain(1234.56) == "1235"
    assert plain(-0.0) == "0"
    assert plain(math.inf) == "–"
    assert percent(1.0) == "100.0 %"
    assert percent(4.4e-5) == "0.0044 %"
    assert percent(math.nan) == "–"


def test_json_agrees_with_the_tally_and_names_its_units(run):
    tally = run.moments[0].tally
    moment = json_of(run)["moments"][0]
    facts = moment["tally"]
    for name, estimate, factor in (
        ("delivered{}_W", tally.delivered, 1.0),
        ("absorbed{}_W", tally.absorbed, 1.0),
        ("intercept{}", tally.intercept, 1.0),
        ("spot_radius{}_mm", tally.spot_radius, 1e3),
        ("peak_flux{}_W_m2", tally.peak_flux, 1.0),
        ("mean_flux{}_W_m2", tally.mean_flux, 1.0),
        ("concentration{}", tally.concentration, 1.0),
    ):
        assert facts[name.format("")] == float(estimate.value) * factor, name
        assert facts[name.format("_se")] == float(estimate.se) * factor, name
    assert facts["centroid_mm"] == list(1e3 * tally.centroid.value)
    assert facts["n_samples"] == tally.n_samples
    assert facts["lines"] == list(LINES)
    assert sum(facts["ledger_W"]) == pytest.approx(facts["incoming_W"], rel=1e-12)
    assert sum(facts["share"]) == pytest.approx(1.0)
    assert sum(facts["facet_delivered_W"]) == pytest.approx(facts["delivered_W"], rel=1e-12)
    assert moment["sun_altitude_deg"] == pytest.approx(42.0, abs=1e-3)

    shares = {"intercept", "uniformity", "concentration"}
    for key, value in facts.items():
        if isinstance(value, float) and key.removesuffix("_se") not in shares:
            assert key.endswith(("_W", "_mm", "_W_m2")), f"{key} has no unit"


def json_of(run):
    return json.loads(json.dumps(plain_values(run), allow_nan=False))


def test_a_run_in_the_dark_is_shown_too(run):
    dark = run_at(run.scenario, "2026-03-20T07:00", **FEW)
    assert dark.moments[0].dni == 0.0, "the house stands before the sun at that hour"
    facts = json_of(dark)["moments"][0]["tally"]
    assert facts["delivered_W"] == 0.0
    assert facts["intercept"] is None
    assert facts["concentration"] is None
    assert facts["share"] == [None] * len(LINES)
    text = printed(dark)
    assert "nan" not in text
    for figure in (flux_figure, ledger_figure, plan_figure):
        assert figure(dark).axes


def test_the_table_states_figures_and_where_they_come_from(run):
    tally = run.moments[0].tally
    text = printed(run)
    for value in (tally.delivered, tally.absorbed, tally.line("blocked")):
        number, se = plus_minus(float(value), float(value.se))
        assert any(number in line and se in line for line in text.splitlines()), number
    assert all(name in text for name in LINE_NAMES.values())
    stated = ["courtyard.toml", "Oaxaca de Juárez", "seed 1", raytrace.__version__, "DNI"]
    stated += ["clear sky", "heading", "tilt", "4 replicates", tally.estimator]
    stated += ["delivered (arrives on the base)", "absorbed (by base, side and lid)"]
    for words in stated:
        assert words in text, words


def test_the_day_table_has_a_row_a_step_and_fits_a_terminal(day):
    text = printed(day, width=80)
    for moment in day.moments:
        brief, exact = (
            line for line in text.splitlines() if line.startswith(f" {moment.time:%H:%M}")
        )
        watts, se = (float(x) for x in (moment.tally.delivered, moment.tally.delivered.se))
        assert (f" {watts:.0f} " if watts >= 1.0 else "<1" if watts else " 0 ") in brief
        shown = " ± ".join(plus_minus(watts, se, digits=5, decimals=1))
        assert (shown if watts >= 0.1 else "<0.1" if watts else " 0 ") in exact
    assert "…" not in text, "cut off"
    assert f"{len(day.moments)} steps, " in text


def test_energy_over_a_day_is_the_trapezoid(day):
    """Against numpy's own rule, for the values and, replicate by replicate, for the error."""
    seconds = np.array([m.time.timestamp() for m in day.moments])
    base = np.array([m.tally.power[:, :, LINES.index("base")].sum(axis=1) for m in day.moments])
    each = np.trapezoid(base, seconds, axis=0)
    total = day_sum(day.moments)
    assert float(total.delivered) == pytest.approx(each.mean(), rel=1e-12)
    assert float(total.delivered.se) == pytest.approx(each.std(ddof=1) / 2.0, rel=1e-9)
    incoming = np.trapezoid([m.tally.incoming for m in day.moments], seconds)
    assert total.incoming == pytest.approx(incoming, rel=1e-12)
    facts = json_of(day)["day"]
    assert facts["delivered_Wh"] == pytest.approx(float(total.delivered) / 3600.0)
    assert facts["duration_s"] == pytest.approx(5400.0 * (len(day.moments) - 1))


def test_steps_with_other_replicates_never_understate_the_error(day):
    first = day.moments[2]
    halved = replace(first, tally=replace(first.tally, power=first.tally.power[:2]))
    mixed = (*day.moments[:2], halved, *day.moments[3:])
    assert float(day_sum(mixed).delivered.se) > float(day_sum(day.moments).delivered.se)


def texts_of(figure):
    from matplotlib.text import Text

    return [t.get_text() for t in figure.findobj(Text)]


def test_every_axis_of_every_figure_has_a_unit(run, day):
    figures = [
        flux_figure(run),
        ledger_figure(run),
        plan_figure(run),
        side_figure(run),
        day_figure(day),
    ]
    for figure in figures:
        assert flaws(figure) == []
        labels = []
        for axes in figure.axes:
            for axis in (axes.xaxis, axes.yaxis):
                shown = axis.get_visible() and len(axis.get_ticklocs()) and axis.get_label_text()
                if shown:
                    labels.append(axis.get_label_text())
        assert len(labels) >= 1
        assert all(label.rstrip().endswith("]") for label in labels), labels
        words = " ".join(texts_of(figure))
        for stated in ("Courtyard cooker", raytrace.__version__, "seed 1", "Oaxaca"):
            assert stated in words, stated


def test_the_flux_figure_shows_the_map_itself(run):
    figure = flux_figure(run)
    mesh = figure.axes[0].collections[0]
    tally = run.moments[0].tally
    drawn = np.ma.filled(np.ma.masked_invalid(mesh.get_array()), np.nan).reshape(24, 24)
    np.testing.assert_allclose(drawn, tally.flux.value / 1e3)
    assert mesh.get_clim() == (0.0, pytest.approx(float(tally.peak_flux) / 1e3))
    assert any("kW/m²" in text for text in texts_of(figure))
    assert any(f"{1e3 * float(tally.spot_radius):.1f} mm" in text for text in texts_of(figure))


def test_the_ledgers_bars_close(run):
    """Losses step down from the incoming watts to the base's, without gap or overlap."""
    tally = run.moments[0].tally
    bars = ledger_figure(run).axes[0].patches
    assert len(bars) == 1 + len(LINES) + 1
    assert bars[0].get_width() == tally.incoming
    right = tally.incoming
    for bar, name in zip(bars[1:], LINES, strict=False):
        assert bar.get_width() == pytest.approx(float(tally.line(name)))
        assert bar.get_x() + bar.get_width() == pytest.approx(right, abs=1e-6)
        right = bar.get_x()
    assert right == pytest.approx(0.0, abs=1e-6)


def test_the_plan_colours_facets_by_their_watts_and_hatches_gaps(ring):
    from matplotlib.collections import PolyCollection

    figure = plan_figure(ring)
    axes = figure.axes[0]
    there, gaps = (c for c in axes.collections if isinstance(c, PolyCollection))
    present = ring.cooker.facets.present
    assert len(there.get_paths()) == present.sum()
    assert len(gaps.get_paths()) == (~present).sum() == 1
    assert gaps.get_hatch()
    watts = ring.moments[0].tally.facet_delivered.value[present]
    brightness = there.get_facecolor()[:, :3] @ [0.299, 0.587, 0.114]
    order = np.argsort(watts)
    assert (np.diff(brightness[order]) >= -1e-9).all(), "brighter facets deliver more"
    names = texts_of(figure)
    assert set(ring.cooker.facets.label) <= set(names)
    assert "missing" in names


def test_large_arrays_are_named_by_rows_and_columns():
    """720 small facets: names inside them would be unreadable."""
    scenario = raytrace.load_scenario(
        SCENARIOS / "courtyard.toml",
        ["facets.rows=20", "facets.columns=36", "facets.width=25 mm", "facets.pitch_x=30 mm",
         "facets.pitch_y=30 mm", "facets.mount_height=40 mm"],
    )  # fmt: skip
    run = run_design(scenario, **FEW)
    axes = plan_figure(run).axes[0]
    names = {t.get_text() for t in axes.texts}
    assert "A1" not in names
    assert {"A", "T", "1", "36"} <= names
    assert min(t.get_size() for t in axes.texts) >= 7.2


def test_the_side_view_ends_rays_where_they_ended(run):
    from matplotlib.collections import LineCollection
    from matplotlib.colors import to_rgba

    moment = run.moments[0]
    paths = run.paths(moment, rays=500)
    axes = side_figure(run, moment, paths).axes[0]
    drawn = {}
    for lines in (c for c in axes.collections if isinstance(c, LineCollection)):
        for name, (colour, _, _) in LINE_LOOKS.items():
            if np.allclose(lines.get_color()[0], to_rgba(colour)):
                drawn[name] = lines.get_segments()
    counts = np.bincount(paths.fate, minlength=len(LINES))
    assert set(drawn) == {name for name, count in zip(LINES, counts, strict=True) if count}
    assert sum(map(len, drawn.values())) <= 60
    pot = posed(run.cooker, moment.pose).pot
    for _, end in drawn["base"]:
        y, z = end / 1e3
        # on the base's plane, which the errors of pointing tilt a little
        assert abs((y - pot.base[1]) * pot.axis[1] + (z - pot.base[2]) * pot.axis[2]) < 2e-3
        assert abs(y - pot.base[1]) <= pot.R + 1e-6


@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
def test_figures_are_files_of_their_kind(tmp_path, run, form):
    written = save_figures(raytrace.figures(run), tmp_path / "f", "c", form)
    assert [p.name for p, _ in written] == [
        f"c-{name}.{form}" for name in ("solid", "flux", "encircled", "ledger", "facets", "side")
    ]
    start = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[form]
    for path, size in written:
        data = path.read_bytes()
        assert data.startswith(start)
        assert len(data) == size > 8000


def test_a_picture_has_something_on_it(tmp_path, day):
    """Not blank: many colours, and the margins white, so that nothing runs off the sheet."""
    from matplotlib.image import imread

    for path, _ in save_figures(all_figures(day), tmp_path, "d", "png"):
        image = imread(path)[:, :, :3]
        colours = np.rint(255 * image).astype(int) @ [65536, 256, 1]
        assert len(np.unique(colours)) > 50, path.name
        edges = [image[:3], image[-3:], image[:, :3], image[:, -3:]]
        assert all((edge > 0.99).all() for edge in edges), f"{path.name} is cut off"


def test_the_moment_that_is_drawn_is_the_brightest(day):
    watts = [float(m.tally.delivered) for m in day.moments]
    assert float(day.brightest.tally.delivered) == max(watts) > 0.0


def test_categories_differ_in_grey_too():
    """Each line of the ledger has a dash pattern and, where adjacent bars touch, a hatch."""
    assert set(LINE_LOOKS) == set(LINES)
    assert len({str(dash) for _, _, dash in LINE_LOOKS.values()}) == len(LINES)
    assert len({(colour, hatch) for colour, hatch, _ in LINE_LOOKS.values()}) == len(LINES)


def test_cautions_name_every_hazard():
    """Eyes, burns, fire, laser, glass, hot glue, local codes: common practice, no source."""
    text = " ".join(f"{name} {words}" for name, words in CAUTIONS).lower()
    hazards = ["sunglasses are no protection", "burn", "fire", "laser", "class 1 or 2", "glass"]
    hazards += ["hot glue", "local codes", "licensed professional", "cover the mirrors"]
    for hazard in hazards:
        assert hazard in text, hazard
    assert "Cover the mirrors" in IN_BRIEF


def test_a_figure_of_one_panel_is_drawn_into_given_axes(run):
    from matplotlib.figure import Figure

    from raytrace.reports.trace.ledger import ledger_figure
    from raytrace.reports.trace.side import side_figure

    for draw in (ledger_figure, side_figure):
        mine = Figure()
        axes = mine.add_subplot()
        assert draw(run, axes=axes) is mine
        assert mine.axes[0] is axes
        assert axes.has_data()
