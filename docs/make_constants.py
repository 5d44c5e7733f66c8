"""The table of numbers that stand in the code by judgement, from the code itself: docs/constants.md.

    python docs/make_constants.py

A constant's reason is the comment behind it, or the one above it; one comment above several serves them all.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = Path(__file__).parent / "constants.md"
ROOMS = ("detectors", "findings", "causes", "stats")
HEAD = """# Numbers in the code

What a farm may want otherwise is a setting ([settings.md](settings.md)). The numbers here are not: sizes of grids and steps,
priors that are wide on purpose, shares and least counts chosen by judgement, limits of arithmetic. Each stands once in the
code, with its reason beside it; this page is made from there by `python docs/make_constants.py`, and a test fails where it
is out of date or where a number has no reason. Where a number was measured, [methods](methods) tells how.
"""


@dataclass(frozen=True)
class Constant:
    name: str
    value: str
    why: str


def constants_of(path: Path) -> Iterator[Constant]:
    """Names in capitals at the top of a module that are numbers, or made of numbers; ``why`` is empty without a reason."""
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    above, last = "", 0
    for node in ast.parse(text).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign):
            continue
        if node.lineno != last + 1:
            above = _above(lines, node.lineno - 1)
        last = node.end_lineno or node.lineno
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        if node.value is None or not isinstance(target, ast.Name) or not target.id.isupper():
            continue
        if _is_number(node.value):
            behind = lines[last - 1].partition("  # ")[2] or lines[node.lineno - 1].partition("  # ")[2]
            yield Constant(target.id, ast.unparse(node.value), _plain(behind) or above)


def _plain(comment: str) -> str:
    """A comment's words; what it says to the checkers is none."""
    return "" if comment.startswith(("noqa", "type:", "fmt:")) else comment.strip()


def _above(lines: list[str], place: int) -> str:
    """The comment that ends just above line ``place``, on one line."""
    first = place
    while first > 0 and lines[first - 1].startswith("#"):
        first -= 1
    return " ".join(line.lstrip("#: ").strip() for line in lines[first:place])


def _is_number(value: ast.expr) -> bool:
    """Whether nothing but numbers, and what is reckoned of numbers, stands in it."""
    inner = (ast.Constant, ast.Tuple, ast.List, ast.UnaryOp, ast.BinOp, ast.operator, ast.unaryop, ast.expr_context)
    nodes = list(ast.walk(value))
    told = [node.value for node in nodes if isinstance(node, ast.Constant)]
    return bool(told) and all(isinstance(n, inner) for n in nodes) and all(type(v) in (int, float) for v in told)


def page() -> str:
    out = [HEAD]
    for room in ROOMS:
        out += [f"## `farmwatch/{room}/`", "", "| number | value | where | why |", "|---|---|---|---|"]
        for path in sorted((ROOT / "farmwatch" / room).glob("*.py")):
            for found in constants_of(path):
                why = found.why.replace("|", "\\|")
                out.append(f"| `{found.name}` | `{found.value}` | `{path.name}` | {why} |")
        out.append("")
    return "\n".join(out)


def without_reason() -> list[str]:
    """The constants that say nothing of why they are what they are."""
    paths = (path for room in ROOMS for path in sorted((ROOT / "farmwatch" / room).glob("*.py")))
    return [
        f"{path.relative_to(ROOT)}: {found.name}" for path in paths for found in constants_of(path) if not found.why
    ]


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    sys.exit("\n".join(["without a reason:", *without_reason()]) if without_reason() else 0)
