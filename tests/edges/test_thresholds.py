"""Every number that decides something stands in `settings`, where provenance lists it."""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from landing_analysis.exercises import EXERCISES

ROOT = Path(__file__).parents[2]
PURE = "The stages and all rules touch no file, clock, screen or model"
ALSO_STAGES = ("landing_analysis.camera.background", "landing_analysis.stages")
"""Stages that the contract of the pure ones leaves out: one needs cv2, one puts them together."""
WHERE_NUMBERS_BELONG = ("settings.py", "definitions.py")

ANYWHERE = {0, 1, 2}
AS_FACTORS = {0.5, 100, 1000, 90, 180, 360}
"""Halves, per cent, milliseconds and degrees, where they multiply, divide or are a power."""
TINY = 1e-9
"""Less than this only keeps a division by zero away."""
NO_STAGES = {
    "landing_analysis.wording", "landing_analysis.patients", "landing_analysis.trend",
    "landing_analysis.findings.tally",
}  # fmt: skip
"""Pure as well, but sentences, rules on codes and change across visits."""
SHAPES = {"reshape", "eye", "zeros", "empty", "full", "tile", "_require_shape", "round"}
"""Functions whose whole numbers are the sizes of arrays, or decimals."""
ENTRIES = sorted(
    path
    for path in (ROOT / "landing_analysis/exercises").glob("*.py")
    if "EXERCISE = Entry(" in path.read_text()
)
"""What an exercise is stands in its own module, with its numbers, as others in the settings."""
SOURCES = ("(choice)", "common practice, no source", "(drawn)", "(rendered)", "(measured)")
"""What the comment of an exercise's number must end with."""
MARK = "# definition: "
"""Begins the comment of a line whose numbers define something and decide nothing."""


def modules() -> list[Path]:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
    (pure,) = (c for c in contracts["contracts"] if c["name"] == PURE)
    found: set[Path] = set()
    stages = [module for module in pure["source_modules"] if module not in NO_STAGES]
    for module in (*stages, *ALSO_STAGES):
        path = ROOT / module.replace(".", "/")
        found |= set(path.rglob("*.py")) if path.is_dir() else {path.with_suffix(".py")}
    found -= set(ENTRIES)
    return sorted(path for path in found if path.name not in WHERE_NUMBERS_BELONG)


def bare_numbers(source: str) -> Iterator[tuple[int, int | float]]:
    """Yield line and value of every number that neither a name nor a mark accounts for."""
    lines, tree = source.splitlines(), ast.parse(source)
    places: set[ast.AST] = set()
    factors: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Subscript):
            places |= set(_places(node.slice))
        elif isinstance(node, ast.Call) and _name(node.func) in SHAPES:
            places |= {n for argument in node.args for n in ast.walk(argument) if _whole(n)}
        elif isinstance(node, ast.keyword) and node.arg in ("axis", "ndmin"):
            places |= set(ast.walk(node.value))
        elif isinstance(node, ast.BinOp):
            factors |= {_unsigned(node.left), _unsigned(node.right)}
    named = {_unsigned(item.value) for item in tree.body if isinstance(item, ast.Assign)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or type(node.value) not in (int, float):
            continue
        harmless = node.value in ANYWHERE or 0 < node.value < TINY or node in places
        harmless &= node not in named
        factor = node.value in AS_FACTORS and node in factors
        if not harmless and not factor and MARK not in lines[node.end_lineno - 1]:
            yield node.lineno, node.value


def numbers_without_source(entry: str) -> Iterator[tuple[int, int | float]]:
    """Yield line and value of an exercise's numbers whose lines do not say what they rest on."""
    lines = entry.splitlines()
    for line, value in bare_numbers(entry):
        comment = lines[line - 1].partition("  # ")[2]
        if not comment.endswith(SOURCES):
            yield line, value


def _places(index: ast.expr | None) -> Iterator[ast.expr]:
    """Yield what an index, a slice or several of them are made of, but no arithmetic in them."""
    if isinstance(index, ast.Tuple):
        for item in index.elts:
            yield from _places(item)
    elif isinstance(index, ast.Slice):
        for item in (index.lower, index.upper, index.step):
            yield from _places(item)
    elif index is not None:
        yield _unsigned(index)


def _name(function: ast.expr) -> str:
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def _whole(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and type(node.value) is int


def _unsigned(node: ast.expr) -> ast.expr:
    return node.operand if isinstance(node, ast.UnaryOp) else node


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_stage_decides_by_its_settings_alone(path):
    bare = list(bare_numbers(path.read_text()))
    assert not bare, f"{path.name}: move these to settings, or say what they define: {bare}"


def test_every_setting_says_on_its_line_where_its_number_comes_from():
    source = (ROOT / "landing_analysis/settings.py").read_text()
    lines = source.splitlines()
    numbers = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.AnnAssign) and isinstance(node.value, (ast.Constant, ast.Tuple))
    ]
    assert len(numbers) > 300
    bare = [lines[n.lineno - 1].strip() for n in numbers if "  # " not in lines[n.lineno - 1]]
    assert not bare


def test_there_is_a_module_for_every_exercise_and_no_other_is_excused():
    assert {path.stem for path in ENTRIES} == set(EXERCISES)
    assert not {path.name for path in ENTRIES} & {"__init__.py", "entry.py"}


@pytest.mark.parametrize("path", ENTRIES, ids=lambda path: path.stem)
def test_an_exercise_says_on_its_line_where_a_number_comes_from(path):
    assert not list(numbers_without_source(path.read_text()))


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('Sign("thigh_deg", 62, 180, 6)', False),
        ('Sign("thigh_deg", 62, 180, 6)  # nearly level', False),
        ('Sign("thigh_deg", 62, 180, 6)  # (choice) nearly level', False),
        ('Sign("thigh_deg", 62, 180, 6)  # nearly level (choice)', True),
        ("LEVEL_DEG = 2", False),
        ("feet = Entry(feet=2)", True),
        ("shared = 62", False),
        ("shared = 62  # (rendered)", True),
    ],
)
def test_a_number_of_an_exercise_without_its_source_is_seen(line, told):
    assert bool(list(numbers_without_source(line))) != told


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("_REACH_S = 0.07", [0.07]),
        ("_SAME_PX = 1.0", [1.0]),
        ("def near(t_s, reach_s=0.3): ...", [0.3]),
        ("ok = share > 0.5", [0.5]),
        ("ok = 3 * noise_m > rise_m", [3]),
        ("low = np.percentile(height, 10)", [10]),
        ("reach_s = 2.2 * step_s  # two samples", [2.2]),
        ("speed = 0.5 * (left + right) ** -0.5", []),
        ("last = height[-max(2, len(height) // 4) :]", [4]),
        ("wide = np.zeros((3, 4))[:, 3].mean(axis=3)", []),
        ("sd = 1.4826 * spread  # definition: as a standard deviation", []),
    ],
)
def test_a_bare_number_is_told_from_a_harmless_one(source, found):
    assert [value for _, value in bare_numbers(source)] == found
