"""Nothing in the package turns data into code, or a text into a command."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted(
    file for place in ("daemon/brakewater", "simulator/brakewater_sim") for file in (ROOT / place).rglob("*.py")
)
MODULES = {"pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "commands", "pty", "code", "codeop"}
CALLS = {"eval", "exec", "compile", "__import__"}
ATTRIBUTES = {
    "system",
    "popen",
    "create_subprocess_shell",
    "getoutput",
    "getstatusoutput",
    "unsafe_load",
    "allow_pickle",
}


def offences(source: str) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
            found += [f"line {node.lineno}: import {name}" for name in names if name.split(".")[0] in MODULES]
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CALLS:
            found.append(f"line {node.lineno}: {node.func.id}()")
        if isinstance(node, ast.Attribute) and node.attr in ATTRIBUTES:
            found.append(f"line {node.lineno}: .{node.attr}")
        if isinstance(node, ast.keyword) and node.arg in ("shell", "allow_pickle"):
            shown = ast.unparse(node.value)
            found += [f"line {node.lineno}: {node.arg}={shown}"] if shown != "False" else []
    return found


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(ROOT)))
def test_a_file_is_free_of_it(file: Path) -> None:
    assert offences(file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    ["import pickle", "from marshal import loads", "eval(x)", "exec(x)", "subprocess.run(x, shell=True)",
     "os.system(x)",
     "asyncio.create_subprocess_shell(x)", "np.load(x, allow_pickle=True)", "yaml.unsafe_load(x)", "run(x, shell=y)"],
)  # fmt: skip
def test_the_lint_can_fail(source: str) -> None:
    assert offences(source)
