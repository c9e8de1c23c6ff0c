"""The command line itself: help, version, exit status, and how errors become lines."""

import argparse
import os
import subprocess
import sys
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

from brakewater import __version__
from brakewater.alarms.catalogue import CATALOGUE
from brakewater.cli import CAUTION, check, main, parser
from brakewater.cli.places import record_argument
from brakewater.cli.tables import table
from brakewater.cli.window import utc
from brakewater.errors import StorageError

DEPLOY = Path(__file__).parents[2] / "deploy"
COMMANDS = (
    "demo", "check", "probe", "loopcheck", "points", "map", "run", "status", "watch", "reload", "do", "replay",
    "report", "export", "verify", "pack", "panel",
)  # fmt: skip


def exit_of(*words: str) -> int:
    with pytest.raises(SystemExit) as end:
        main(words)
    return int(end.value.code or 0)


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_of("--version") == 0
    assert capsys.readouterr().out == f"brakewater {__version__}\n"


def test_help_names_every_command_and_the_caution(capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_of("--help") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert CAUTION in said
    assert all(f" {name} " in said for name in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_of(command, "--help") == 0
    assert capsys.readouterr().out.startswith(f"usage: brakewater {command}")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("explode",),
        ("run",),
        ("run", "rig.toml"),
        ("check",),
        ("replay",),
        ("do",),
        ("do", "shout", "x"),
        ("export", "r"),
    ],
)
def test_bad_arguments_end_with_2(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_of(*words) == 2
    assert "usage: brakewater" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "status", "says"),
    [
        (StorageError("the disk is full"), 3, "brakewater check: the disk is full\n"),
        (PermissionError(13, "Permission denied", "x"), 3, "brakewater check: x: this user may not do that there\n"),
        (KeyboardInterrupt(), 130, ""),
    ],
)
def test_what_could_not_run_is_one_line(
    error: BaseException, status: int, says: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(_: argparse.Namespace) -> int:
        raise error

    monkeypatch.setattr(check, "run", fail)
    assert main(["check", "rig.toml"]) == status
    assert capsys.readouterr().err == says


def test_the_record_is_found_by_argument_then_environment_then_default(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BRAKEWATER_RECORD", raising=False)
    assert parser().parse_args(["status"]).record == Path("/var/lib/brakewater")
    monkeypatch.setenv("BRAKEWATER_RECORD", "/a")
    assert parser().parse_args(["status"]).record == Path("/a")
    assert parser().parse_args(["status", "--record", "/b"]).record == Path("/b")


@pytest.mark.parametrize(
    "words",
    [("--record", "/b", "acknowledge", "all"), ("acknowledge", "all", "--record", "/b")],
    ids=["before", "after"],
)
def test_do_takes_the_record_before_and_after_its_verb(words: tuple[str, ...]) -> None:
    assert parser().parse_args(["do", *words]).record == Path("/b")


def test_a_second_record_argument_does_not_hide_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRAKEWATER_RECORD", "/a")
    one = argparse.ArgumentParser()
    record_argument(one, again=True)
    assert not hasattr(one.parse_args([]), "record")


def test_a_table_is_as_wide_as_its_cells() -> None:
    assert table(("a", "bcd"), [("1234", "x"), ("", "yz")]) == "a     bcd\n----  ---\n1234  x\n      yz"


def test_bad_secrets_are_said_in_one_line(tmp_path: Path) -> None:
    """Secrets come from the environment; nonsense there is a fault of the start, not of the program."""
    demo = Path(__file__).parents[2] / "config" / "demo.toml"
    words = [sys.executable, "-m", "brakewater", "run", str(demo), "--record", str(tmp_path / "record")]
    environment = {**os.environ, "BRAKEWATER_MIRROR_TOKENS": "{no json"}
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=environment, timeout=30)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert "mirror_tokens" in line.lower()
    assert "no json" not in line  # it may be a secret
    assert not (tmp_path / "record").exists()


def test_the_references_are_what_the_program_goes_by() -> None:
    """To renew them: python deploy/references.py."""
    told = spec_from_file_location("references", DEPLOY / "references.py")
    assert told is not None
    assert told.loader is not None
    references = module_from_spec(told)
    told.loader.exec_module(references)
    kept = {name: (DEPLOY / "references" / f"{name}.md").read_text(encoding="utf-8") for name in references.PAGES}
    import_module("brakewater_sim.story")  # has tables of the same base; the pages may not depend on who imported it
    stale = [name for name, make in references.PAGES.items() if kept[name] != make()]
    assert stale == [], "run: python deploy/references.py"


def test_the_runbook_says_what_to_do_at_every_alarm_about_the_watch() -> None:
    text = (DEPLOY / "runbook.md").read_text(encoding="utf-8")
    own = {kind.name for kind in CATALOGUE.values() if kind.group in ("self", "signals")}
    assert {name for name in own if f"`{name}`" not in text and f"`{name}:NAME`" not in text} == set()


def test_an_export_s_help_says_what_it_leaves_in_the_record_folder(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["export", "--help"])
    assert "exports.jsonl" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (
            ("substitute", "aux-inlet", "84 degF", "--minutes", "30,5", "--reason", "x"),
            "found '30,5'; allowed: a number",
        ),
        (("substitute", "aux-inlet", "84 degF", "--minutes", "nan", "--reason", "x"), "found 'nan'; allowed: a number"),
        (("hold", "yesterday", "2031-02-04", "--reason", "x"), "found 'yesterday'; allowed: a time in UTC"),
    ],
)
def test_what_is_no_number_and_no_time_is_refused_with_what_is(
    words: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert exit_of("do", *words) == 2
    assert says in capsys.readouterr().err


def test_a_day_alone_is_its_first_moment() -> None:
    assert utc("2031-02-03") == utc("2031-02-03T01:00+01:00") == "2031-02-03T00:00:00.000Z"


@pytest.mark.parametrize(
    "words",
    [
        ("export", "record", "-o"),
        ("pack", "record", "-o"),
        ("report", "record", "--trip", "1", "-o"),
        ("points", "rig.toml", "-o"),
        ("study", "record", "-o"),
        ("upkeep", "record", "--csv", "-o"),
        ("handover", "record", "-o"),
        (
            "plan",
            "rig.toml",
            "--from",
            "1 m",
            "--to",
            "2 m",
            "--pipe",
            "21 lb/ft",
            "--pace",
            "9",
            "--inlet",
            "9 degC",
            "--html",
        ),
    ],
)
def test_no_command_writes_over_a_file_unasked(
    words: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / f"kept{'.csv' if words[0] == 'export' else '.case.zip'}"
    file.write_text("somebody's")
    assert main([*words, str(file)]) == 2
    assert capsys.readouterr().err == f"brakewater {words[0]}: {file} exists; name another file, or say --replace\n"
    assert file.read_text() == "somebody's"
