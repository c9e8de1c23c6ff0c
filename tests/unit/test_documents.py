"""Every command line in what people read exists: the program's own parsers take it as it stands there."""

import re
import shlex
from functools import cache
from pathlib import Path

import pytest

from brakewater.cli import parser
from brakewater_sim.cli import command_line

REPO = Path(__file__).parents[2]
DOCUMENTS = (REPO / "README.md", REPO / "DEVELOPERS.md", *sorted((REPO / "deploy").glob("*.md")))
PARSERS = {"brakewater": cache(parser), "brakewater-sim": cache(command_line)}
SCRIPTS = {"brakewater-backup": "backup.sh", "install.sh": "install.sh", "backup.sh": "backup.sh", "demo.sh": "demo.sh"}
FENCED = re.compile(r"^ *```sh\n(.*?)^ *```", re.MULTILINE | re.DOTALL)
ENDS = frozenset({"&&", "||", ";", "|", ">", ">>", "&"})
BEFORE = frozenset({"sudo", "bash"})


def commands(text: str) -> list[list[str]]:
    """The commands of one line of shell, each from the name of the program on."""
    lexer = shlex.shlex(text, posix=True, punctuation_chars="&|;>")
    lexer.whitespace_split = True
    found: list[list[str]] = [[]]
    for word in lexer:
        if word in ENDS:
            found.append([])
        elif found[-1] or word not in BEFORE:
            found[-1].append(word.removesuffix("..."))
    named = [[Path(one[0]).name, *one[1:]] for one in found if one]
    return [one for one in named if one[0] in PARSERS or one[0] in SCRIPTS]


def lines_of(document: Path) -> list[tuple[str, bool]]:
    """Lines of shell in fenced blocks, and what stands between backticks in sentences (True: may be a name alone)."""
    text = document.read_text(encoding="utf-8")
    fenced = [(line, False) for block in FENCED.findall(text) for line in block.replace("\\\n", " ").splitlines()]
    spans = re.findall(r"`([^`]+)`", re.sub(r"^ *```.*?^ *```", "", text, flags=re.MULTILINE | re.DOTALL))
    return fenced + [
        (" ".join(one.split()), True) for one in spans if re.search(r"\bbrakewater |brakewater-|\.sh ", one)
    ]


def refused(words: list[str], capsys: pytest.CaptureFixture[str], *, mention: bool) -> str:
    """Why the program would not take it; empty where it does."""
    name, *rest = words
    if name in SCRIPTS:
        script = (REPO / "deploy" / SCRIPTS[name]).read_text(encoding="utf-8")
        unknown = [one for one in rest if one.startswith("--") and one != "--help" and f"{one})" not in script]
        return f"{SCRIPTS[name]} has no {' '.join(unknown)}" if unknown else ""
    try:
        PARSERS[name]().parse_args(rest)
    except SystemExit as end:
        said = capsys.readouterr().err
        named_only = mention and "the following arguments are required" in said
        return "" if end.code == 0 or named_only else said.splitlines()[-1]
    return ""


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda one: one.name)
def test_every_command_in_the_documents_is_one(document: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = []
    for line, mention in lines_of(document):
        wrong += [(line, why) for one in commands(line) if (why := refused(one, capsys, mention=mention))]
    assert wrong == []


def test_they_are_found_at_all() -> None:
    found = {name: sum(len(commands(line)) for line, _ in lines_of(REPO / name)) for name in ("README.md",)}
    assert found["README.md"] > 40
    assert sum(len(commands(line)) for line, _ in lines_of(REPO / "deploy" / "runbook.md")) > 10


@pytest.mark.parametrize(
    "line",
    [
        "brakewater sing RECORD",
        "brakewater replay RECORD --colour red",
        "sudo .venv/bin/brakewater-sim dance",
        "bash deploy/install.sh rig.toml --colour",
        "brakewater-backup /mnt/x --quick",
        "cd / && brakewater verify",
    ],
)
def test_a_command_that_is_none_is_refused(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert [refused(one, capsys, mention=False) for one in commands(line)] != [""]


def test_pictures_and_files_named_in_links_are_there() -> None:
    for document in DOCUMENTS:
        for target in re.findall(r"\]\(([^)#:]+)\)", document.read_text(encoding="utf-8")):
            assert (document.parent / target).exists(), f"{document.name} links to {target}, which is not there"
