"""The commands: one file each, thin: parse, call, show.

Command modules import nothing heavy at the top, so that ``--version`` and ``--help`` answer at once.

Exit status: 0 fine, 1 the command ran and found something wrong, 2 bad arguments or a bad rig file, 3 it could not run.
"""

import argparse
import sys
from collections.abc import Sequence

from brakewater import __version__
from brakewater.cli import (
    alarms,
    check,
    demo,
    do,
    export,
    fit,
    handover,
    loopcheck,
    pack,
    panel,
    plan,
    points,
    probe,
    ready,
    reload,
    replay,
    report,
    run,
    status,
    study,
    trips,
    upkeep,
    verify,
    watch,
)
from brakewater.cli import map as map_  # the command's name is Python's too
from brakewater.errors import ArgumentError, BrakewaterError, RigFileError, end_of_output, plainly

CAUTION = (
    "An advisory monitor, not a safety instrumented system. The maker's manual, local rules and licensed practice stand"
    " above it."
)
_COMMANDS = {
    "demo": demo,
    "check": check,
    "probe": probe,
    "loopcheck": loopcheck,
    "points": points,
    "map": map_,
    "run": run,
    "status": status,
    "watch": watch,
    "reload": reload,
    "do": do,
    "ready": ready,
    "plan": plan,
    "handover": handover,
    "alarms": alarms,
    "trips": trips,
    "replay": replay,
    "report": report,
    "study": study,
    "export": export,
    "fit": fit,
    "upkeep": upkeep,
    "verify": verify,
    "panel": panel,
    "pack": pack,
}


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="brakewater",
        description=f"The watchman for the cooling water of a drilling rig's auxiliary brake. {CAUTION}",
    )
    top.add_argument("--version", action="version", version=f"brakewater {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, module in _COMMANDS.items():
        summary = (module.__doc__ or "").splitlines()[0]
        module.arguments(commands.add_parser(name, help=summary, description=summary))
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; gives its exit status."""
    args = parser().parse_args(argv)
    try:
        status = int(_COMMANDS[args.command].run(args))
        print(end="", flush=True)  # here, where a reader that has gone or a full disk is still told apart
    except RigFileError as error:
        print(error, file=sys.stderr)
        return 2
    except BrakewaterError as error:
        print(f"brakewater {args.command}: {error}", file=sys.stderr)
        return 2 if isinstance(error, ArgumentError) else 3
    except BrokenPipeError:
        end_of_output()  # whoever read has read enough
        return 0
    except OSError as error:
        end_of_output()
        place = f"{str(error.filename).removesuffix('.part')}: " if error.filename else ""
        print(f"brakewater {args.command}: {place}{plainly(error)}", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        return 130
    return status
