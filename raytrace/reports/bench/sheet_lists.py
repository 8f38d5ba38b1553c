"""What to buy, what it costs and how long it takes: in words, for the terminal and for CSV."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from raytrace.cooker.geometry import DISC, HEXAGON
from raytrace.reports.common.lengths import Rule
from raytrace.reports.common.numbers import spaced
from raytrace.reports.common.tables import table_of
from raytrace.reports.common.units import quantity
from raytrace.texts import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raytrace.studies.bench.sheet import Sheet
    from raytrace.studies.bench.wedge_plates import Plates

__all__ = [
    "Bought",
    "answer_words",
    "cost_words",
    "hours",
    "list_columns",
    "list_tables",
    "money",
    "print_words",
    "shopping",
    "size_words",
    "spare_words",
    "work_rows",
]

HOUR = 3600.0  # [s]


@dataclass(frozen=True)
class Bought:
    """One line of the shopping list.

    Attributes
    ----------
    what, amount : str
    cost : float or None
        None where the scenario states no price, or another line's price holds it.
    """

    what: str
    amount: str
    cost: float | None = None


def hours(seconds: float) -> str:
    """Length of work, no finer than anybody knows it.

    Parameters
    ----------
    seconds : float
        [s]

    Returns
    -------
    str

    Examples
    --------
    >>> hours(68000.0), hours(9000.0), hours(460000.0)
    ('19 h', '2.5 h', '128 h')
    """
    value = seconds / HOUR
    return f"{spaced(_three(value))} h" if value >= 9.95 else f"{value:.1f} h"


def _three(value: float) -> int:
    return int(float(f"{round(value):.3g}"))


def money(sheet: Sheet, amount: float | None) -> str:
    """Sum of money, no finer than prices are known.

    Parameters
    ----------
    sheet : Sheet
    amount : float or None
        In its scenario's currency.

    Returns
    -------
    str
        A dash where there is none.
    """
    if amount is None:
        return "–"
    figure = spaced(_three(amount)) if amount >= 99.5 else f"{amount:.4g}"
    return f"{figure} {sheet.scenario.cost.currency}"


def _mass(kilograms: float) -> str:
    return quantity("mass", kilograms, digits=2)


def _times(lengths: Any, rule: Rule) -> str:
    return f"{' × '.join(rule.coarse_text(x) for x in lengths)} {rule.unit}"


def size_words(sheet: Sheet, rule: Rule) -> str:
    """Size of a mirror.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule

    Returns
    -------
    str
    """
    size, shape = sheet.materials.mirror_size, sheet.cooker.facets.shape[0]
    one = f"{rule.coarse_text(size[0])} {rule.unit}"
    if shape == DISC:
        return f"{one} across"
    if shape == HEXAGON:
        return f"{one} from corner to corner"
    return one if size[0] == size[1] else _times(size, rule)


def _counted(number: int, one: str) -> str:
    return f"{spaced(number)} {one}{'' if number == 1 else 's'}"


def _sheets(sheet: Sheet, rule: Rule) -> str:
    cut = sheet.materials.cut
    assert cut is not None
    if not cut.n_sheets:
        return f"sheets larger than {_times(cut.sheet, rule)} (workshop.stock)"
    return f"{_counted(cut.n_sheets, 'sheet')} of {_times(cut.sheet, rule)}"


def answer_words(sheet: Sheet, rule: Rule, plates: Plates | None = None) -> str:
    """What the cooker takes, in one line.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    plates : Plates, optional
        Wedges to print.

    Returns
    -------
    str
    """
    m = sheet.materials
    words = f"{_counted(m.n_mirrors, 'mirror')} of {size_words(sheet, rule)}"
    words += f" from {_sheets(sheet, rule)}" if m.cut else ", ready-made"
    words += f"; about {hours(m.work.total)} of work"
    if plates is not None:
        words += (
            f"; {_mass(float(plates.mass.sum()))} of wedges on {_counted(plates.count, 'plate')}, "
            f"{hours(float(plates.time.sum()))} to print"
        )
    return words + "."


def cost_words(sheet: Sheet) -> str:
    """What it costs, or which keys of the scenario would say so.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    str
    """
    bill, stated = sheet.materials.bill, sheet.scenario.cost.model_fields_set
    gaps = [f"cost.{key}" for key in ("mirror", "facet", "fixed") if key not in stated]
    if bill.total is None:
        return f"Prices aren't stated: {listed(gaps, 'and')} in the scenario add what it costs."
    if bill.mirrors is None and "cost.mirror" not in gaps:
        gaps = ["mirrors", *gaps]
    words = f"About {money(sheet, bill.total)}, {'work included' if bill.work else 'without work'}"
    return words + (f" and what has no price: {listed(gaps, 'and')}." if gaps else ".")


def spare_words(sheet: Sheet) -> str:
    """Whether a sheet is bought for spare mirrors alone.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    str
        Empty if none is.
    """
    m = sheet.materials
    fewer = (m.cut.n_sheets - 1) * m.cut.room if m.cut else 0
    if fewer < max(m.n_mirrors, 1):
        return ""
    return (
        f"The last sheet is bought for spare mirrors alone: one fewer leaves "
        f"{fewer - m.n_mirrors} to spare, not {m.n_spare}."
    )


def print_words(sheet: Sheet, rule: Rule, plates: Plates) -> str:
    """How wedges are printed.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    plates : Plates

    Returns
    -------
    str
    """
    p = sheet.scenario.workshop.printer
    return (
        f"{_counted(plates.count, 'plate')} of {_times((p.width, p.depth), rule)}, walls of "
        f"{rule.fine_text(p.wall)} {rule.unit} and {100.0 * p.infill:.0f} % infill: "
        f"{_mass(float(plates.mass.sum()))} of plastic, about {hours(float(plates.time.sum()))} "
        "of printing. Set walls and infill in the slicer; the files hold whole blocks."
    )


def shopping(sheet: Sheet, rule: Rule, plates: Plates | None = None) -> list[Bought]:
    """Lines of the shopping list.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    plates : Plates, optional
        Wedges to print, in place of mounts.

    Returns
    -------
    list of Bought
    """
    m, cost = sheet.materials, sheet.scenario.cost
    count = _counted(m.n_mirrors + m.n_spare, "mirror")
    spare = f", {m.n_spare} of them to spare" if m.n_spare else ""
    thick = sheet.scenario.mirror.thickness
    glass = f", {rule.fine_text(thick)} {rule.unit} thick" if thick else ""
    if m.cut is None:
        amount = f"{count} of {size_words(sheet, rule)}{glass}{spare}"
    else:
        amount = f"{_sheets(sheet, rule)}{glass}"
        amount += f", for {count} of {size_words(sheet, rule)}{spare}"
        if m.cut.n_sheets:
            amount += f"; {100.0 * m.cut.waste:.0f} % left over, the last sheet's rest included"
    lines = [Bought("mirror", amount, m.bill.mirrors)]
    if plates is None:
        what, amount = "mounts", f"{m.n_mirrors}"
    else:
        what = "plastic for wedges"
        amount = f"{_mass(float(plates.mass.sum()))}, {_counted(plates.count, 'plate')}"
    lines.append(Bought(what, amount, m.bill.facets))
    priced = " (in the price above)" if m.bill.facets is not None else ""
    lines.append(Bought("glue", _mass(m.glue) + priced))
    thickness = f"{rule.coarse_text(m.board[2])} {rule.unit} thick"
    lines.append(Bought("board", f"{_times(m.board[:2], rule)}, {thickness}", m.bill.fixed))
    priced = " (in the price of the board)" if m.bill.fixed is not None else ""
    if len(m.post):
        first = m.post[0]
        amount = f"{len(m.post)} of {_times(first[:2], rule)}, {rule.coarse_text(first[2])} "
        lines.append(Bought("posts for the pot", f"{amount}{rule.unit} long{priced}"))
    else:
        above = rule.coarse_text(sheet.scenario.pot.base_height)
        amount = f"1, that holds its base {above} {rule.unit} above the board{priced}"
        lines.append(Bought("stand for the pot", amount))
    lines.append(Bought("laser, card", f"1 each, class 2 (1 mW) or less{priced}"))
    if m.bill.work:
        wage = money(sheet, cost.wage)
        lines.append(Bought("work", f"{hours(m.work.total)} at {wage} an hour", m.bill.work))
    return lines


def work_rows(sheet: Sheet) -> list[tuple[str, float, str]]:
    """Hours of work: what, how long [s], and why so long.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    list of (str, float, str)
    """
    m, shop = sheet.materials, sheet.scenario.workshop
    w, n = m.work, m.n_mirrors

    def each(count: int, seconds: float, key: str) -> str:
        return f"{count} × {seconds / 60.0:.3g} min (workshop.{key})"

    rows = [
        ("mounting", w.mounting, each(n, shop.mount_work, "mount_work")),
        ("setting", w.setting, each(n, shop.set_work, "set_work")),
        ("checking", w.checking, each(n, shop.check_work, "check_work")),
        ("all other", w.other, "workshop.fixed_work"),
        ("in all", w.total, ""),
    ]
    if m.cut is None:
        return rows
    why = each(n + m.n_spare, shop.cut_work, "cut_work")
    return [("cutting mirrors", w.cutting, why), *rows]


def list_tables(sheet: Sheet, rule: Rule, plates: Plates | None = None) -> list[RenderableType]:
    """Shopping list and hours for the terminal.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    plates : Plates, optional

    Returns
    -------
    list of renderable
    """
    out = table_of("to buy", "", "cost")
    out.columns[1].justify = "left"
    for line in shopping(sheet, rule, plates):
        out.add_row(line.what, line.amount, money(sheet, line.cost))
    work = table_of("work", "about", "")
    work.columns[2].justify = "left"
    for what, time, why in work_rows(sheet):
        work.add_row(what, hours(time), why)
    return [out, work]


def list_columns(
    sheet: Sheet, rule: Rule, plates: Plates | None = None
) -> tuple[list[str], list[list[Any]], list[str]]:
    """Shopping list and hours as a table for CSV: columns, rows, and the notes above them.

    Parameters
    ----------
    sheet : Sheet
    rule : Rule
    plates : Plates, optional

    Returns
    -------
    columns, rows, notes : list
    """

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    rows: list[list[Any]] = [
        ["buy", line.what, line.amount, None, rounded(line.cost)]
        for line in shopping(sheet, rule, plates)
    ]
    rows += [
        ["work", what, why, rounded(time / HOUR), None] for what, time, why in work_rows(sheet)
    ]
    notes = [
        f"{sheet.scenario.title} ({sheet.scenario.source})",
        answer_words(sheet, rule, plates),
        cost_words(sheet),
    ]
    cost = f"cost_{sheet.scenario.cost.currency}"
    return ["kind", "what", "amount", "hours", cost], rows, notes
