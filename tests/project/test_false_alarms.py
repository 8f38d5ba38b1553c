"""False-alarm rates come from tests/checks.py, and ALPHA is shared by as many as there are."""

from __future__ import annotations

import ast
import re
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from checks import N_CHECKS

TESTS = Path(__file__).parents[1]
RATES = {"ALPHA", "SIGMAS", "t_bound"}
P_VALUES = re.compile(r"(.*_p|pvalue|sf|cdf)")
ERRORS = re.compile(r"(.*_)?(se|sem)")
LOOPS = ast.For | ast.While | ast.comprehension | ast.ListComp | ast.GeneratorExp


def name_of(node):
    """What a name, an attribute or a call is called."""
    node = node.func if isinstance(node, ast.Call) else node
    return getattr(node, "id", getattr(node, "attr", ""))


def names(node):
    return {name_of(n) for n in ast.walk(node)}


def rates(tree):
    """Every use of a rate: its line, the functions about it, whether in a loop, and shared out."""
    found = []

    def visit(node, inside, looped, shared):
        if isinstance(node, ast.Name | ast.Attribute) and name_of(node) in RATES:
            found.append((node.lineno, inside, looped, shared))
        if isinstance(node, ast.FunctionDef | ast.Lambda):
            given = any(name_of(d) == "given" for d in getattr(node, "decorator_list", ()))
            inside, looped = (*inside, getattr(node, "name", "")), looped or given
        looped = looped or isinstance(node, LOOPS)
        for child in ast.iter_child_nodes(node):
            divided = isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div)
            visit(child, inside, looped, divided and name_of(node.left) == "ALPHA")

    visit(tree, (), False, False)
    return found


def wide(node):
    """Whether this is a number above 1 times a standard error."""
    if not (isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult)):
        return False
    factor, x = node.left, node.right
    number = getattr(factor, "value", None)
    return isinstance(number, float | int) and number > 1 and any(map(ERRORS.fullmatch, names(x)))


def faults(tree):
    """Lines where a rate is used so that its cases can't be counted, or where one is made up."""
    for line, inside, looped, shared in rates(tree):
        if len(inside) != 1 or not inside[0].startswith("test_"):
            yield line, "a rate is used in the body of a test"
        if looped and not shared:
            yield line, "in a loop or over examples ALPHA is divided by their number"
    for node in ast.walk(tree):
        if isinstance(node, ast.alias) and node.name in RATES and node.asname:
            yield node.lineno, "a rate keeps its name"
        if isinstance(node, ast.Compare):
            sides = pairwise([node.left, *node.comparators])
            for (one, two), how in zip(sides, node.ops, strict=True):
                if isinstance(how, ast.Eq):  # a law's own value
                    continue
                for p, rate in ((one, two), (two, one)):
                    if P_VALUES.fullmatch(name_of(p)) and "ALPHA" not in names(rate):
                        yield node.lineno, "a p-value is compared with ALPHA"
        if isinstance(node, ast.Assert) and any(map(wide, ast.walk(node))):
            yield node.lineno, "so many standard errors are SIGMAS or `t_bound`"


def parsed():
    files = sorted(set(TESTS.rglob("*.py")) - {TESTS / "checks.py"})
    return {path: ast.parse(path.read_text()) for path in files}


def test_rates_are_those_of_the_suite():
    found = [
        f"{p.relative_to(TESTS)}:{n}: {why}" for p, t in parsed().items() for n, why in faults(t)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "source",
    [
        "def helper(x):\n assert x > ALPHA",
        "RATE = checks.ALPHA",
        "def test():\n for x in y:\n  assert x > ALPHA",
        "@given(x)\ndef test_x(x):\n assert mean_p(x) > ALPHA",
        "from checks import ALPHA as RATE",
        "def test_x():\n assert welch_p(x, y) > 1e-6",
        "def test_x():\n assert 0.01 < stats.kstest(x, 'norm').pvalue",
        "def test_x():\n assert abs(float(gap)) < 8.0 * float(gap.se)",
        "def test_x():\n assert a == approx(b, abs=6 * np.hypot(one.se, two_se) + 2.0)",
    ],
)
def test_a_rate_of_ones_own_is_seen(source):
    assert list(faults(ast.parse(source)))


def test_no_more_checks_than_alpha_is_shared_by(request):
    """Uses in each test by the cases that pytest collected of it, in this run's files."""
    cases = Counter(
        (item.path, getattr(item, "originalname", "")) for item in request.session.items
    )
    here = {path for path, _ in cases}
    uses = Counter(
        (path, inside[0])
        for path, tree in parsed().items()
        for _, inside, _, _ in rates(tree)
        if inside and path in here
    )
    checks = sum(count * cases[use] for use, count in uses.items())
    assert checks <= N_CHECKS
    if here >= set(parsed()) & set(TESTS.rglob("test_*.py")):  # the suite as a whole
        assert not [use for use in uses if not cases[use]]
        assert checks > N_CHECKS / 2
