"""What floors 0-3 may not do beyond imports (the import contracts stand in pyproject.toml): block invariance forbids
operations whose last bit depends on how many rows come together."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "daemon" / "brakewater"
LOW = ("engine", "render", "rig", "signals", "physics", "alarms", "trips")
LOW_FILES = sorted(
    [
        *(PACKAGE / name for name in ("stream.py", "quality.py", "units.py", "errors.py", "wording.py")),
        *(file for folder in LOW for file in (PACKAGE / folder).glob("**/*.py")),
    ]
)
BANNED_NAMES = {"dot", "vdot", "matmul", "einsum", "tensordot", "inner", "convolve", "correlate", "linalg", "fft"}
BANNED_CLOCKS = {"time", "datetime", "random", "uuid", "asyncio", "socket"}


def _offences(source: str) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.MatMult):
            found.append(f"line {node.lineno}: @")
        if isinstance(node, ast.Attribute) and node.attr in BANNED_NAMES:
            found.append(f"line {node.lineno}: {node.attr}")
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
            found += [f"line {node.lineno}: import {name}" for name in names if name.split(".")[0] in BANNED_CLOCKS]
    return found


@pytest.mark.parametrize("file", LOW_FILES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_low_floors_keep_clear_of_clocks_and_matrix_products(file: Path) -> None:
    assert _offences(file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source", ["c = a @ b", "a @= b", "np.dot(a, b)", "np.linalg.norm(a)", "import time", "from datetime import date"]
)
def test_the_lint_can_fail(source: str) -> None:
    assert _offences(source)
