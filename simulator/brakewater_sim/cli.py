"""The command ``brakewater-sim``: list scenarios, serve one over Modbus TCP, or record one without wire or waiting.

Exit status: 0 fine, 2 bad arguments or a bad rig file, 3 it could not run.
"""

import argparse
import asyncio
import json
import math
import signal
import sys
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from pathlib import Path
from textwrap import wrap

from brakewater import __version__
from brakewater.errors import RigFileError, StorageError, end_of_output, plainly
from brakewater.rig import Rig, load
from brakewater.rig.load import demo_file
from brakewater_sim.plant import Sizes, at_rest
from brakewater_sim.scenarios import SCENARIOS, Scenario

FINE, BAD_ARGUMENTS, COULD_NOT_RUN = 0, 2, 3
_HIGHEST_PORT = 65535
_GAL_MIN_M3_S = 0.003785411784 / 60.0
_MOST_TRIPS = 60
_MOST_MONTHS = 600
_MOST_SPEED = 1e6
_MOST_SECONDS = 366 * 86_400.0


class ArgumentsError(Exception):
    """Arguments that do not go together, or with the rig file."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status. Arguments that argparse refuses exit with 2."""
    args = command_line().parse_args(argv)
    run: Callable[[argparse.Namespace], int] = args.run
    try:
        status = run(args)
        print(end="", flush=True)
    except (ArgumentsError, RigFileError) as error:
        print(error, file=sys.stderr)
        return BAD_ARGUMENTS
    except StorageError as error:
        print(error, file=sys.stderr)
        return COULD_NOT_RUN
    except BrokenPipeError:
        end_of_output()  # whoever read has read enough
        return 0
    except OSError as error:
        end_of_output()
        place = f"{error.filename}: " if error.filename else ""
        print(f"{place}{plainly(error)}", file=sys.stderr)
        return COULD_NOT_RUN
    except KeyboardInterrupt:
        line = "\n" if sys.stderr.isatty() else ""  # a bar may stand there
        print(f"{line}stopped; nothing was written", file=sys.stderr)
        return COULD_NOT_RUN
    return status


def command_line() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(prog="brakewater-sim", description="A rig to watch, without a rig.")
    parser.add_argument("--version", action="version", version=f"brakewater-sim {__version__}")
    commands = parser.add_subparsers(required=True, metavar="list|faults|serve|record|months")
    listed = commands.add_parser("list", help="what scenarios there are")
    listed.add_argument("--json", action="store_true", help="one JSON document on stdout")
    listed.set_defaults(run=_list)
    faults = commands.add_parser("faults", help="what a scenario file may ask for, and which alarms may lead")
    faults.add_argument("--json", action="store_true", help="one JSON document on stdout")
    faults.set_defaults(run=_faults)
    served = commands.add_parser("serve", help="a rig's devices over Modbus TCP, to be read")
    _add_common(served)
    served.add_argument(
        "--speed", type=_up_to(_MOST_SPEED), default=1.0, metavar="X", help="seconds of scenario a second"
    )
    where = served.add_mutually_exclusive_group()
    where.add_argument("--port", type=_port, metavar="P", help="of the only device; 0 takes any free one")
    where.add_argument("--port-offset", type=_whole, default=0, metavar="N", help="added to every device's port")
    served.set_defaults(run=_serve)
    recorded = commands.add_parser("record", help="straight into a new record folder, inputs only")
    _add_common(recorded)
    recorded.add_argument("-o", "--output", type=Path, required=True, metavar="DIR", help="new or empty folder")
    recorded.add_argument("--truth", type=Path, metavar="FILE", help="what really happened, as JSON in a new file")
    recorded.add_argument("--seconds", type=_up_to(_MOST_SECONDS), metavar="N", help="length; default the scenario's")
    recorded.add_argument("--json", action="store_true", help="one JSON document on stdout")
    recorded.set_defaults(run=_record)
    months = commands.add_parser(
        "months", help="a brake's trips months apart, worn meanwhile, into a new record folder"
    )
    months.add_argument("kind", metavar="KIND", help="sound, gap, exciter, scaled-rotor or hot-rotor")
    months.add_argument("--rig", type=Path, metavar="RIG", help="rig file; default the demo rig")
    months.add_argument("--seed", type=_whole, default=1, metavar="N", help="of wear, trips, crew and noise; default 1")
    months.add_argument("--trips", type=_few, default=6, metavar="N", help="how many; default 6")
    months.add_argument("--apart", type=_few, default=1, metavar="N", help="months from each to the next; default 1")
    months.add_argument("-o", "--output", type=Path, required=True, metavar="DIR", help="new or empty folder")
    months.set_defaults(run=_months)
    return parser


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("scenario", type=_scenario, metavar="SCENARIO", help="a name from the list, or a file (.toml)")
    parser.add_argument("--rig", type=Path, metavar="RIG", help="rig file; default the demo rig")
    parser.add_argument("--seed", type=_whole, default=1, metavar="N", help="of noise and waves; default 1")


def _scenario(name: str) -> Scenario | Path:
    """A known scenario, or the path of a file that is read once the arguments are sound."""
    if name in SCENARIOS:
        return SCENARIOS[name]
    if name.endswith(".toml"):
        return Path(name)
    near = get_close_matches(name, SCENARIOS, n=1)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    raise argparse.ArgumentTypeError(f"found {name!r}; allowed: {', '.join(SCENARIOS)}, or a file (.toml){hint}")


def _up_to(most: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not 0.0 < number <= most:
            raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a number above 0, at most {most:.0f}")
        return number

    return read


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a whole number") from error


def _few(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= _MOST_TRIPS:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: 1 to {_MOST_TRIPS}")
    return int(text)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > _HIGHEST_PORT:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: 0 to {_HIGHEST_PORT}")
    return int(text)


def _rig(args: argparse.Namespace) -> Rig:
    """The rig of the arguments, which must have what the scenario acts on."""
    if isinstance(args.scenario, Path):
        from brakewater_sim.story import load as load_story  # noqa: PLC0415 - the other scenarios start faster without

        args.scenario = load_story(args.scenario)
    rig = load(args.rig or demo_file())
    names = [device.name for device in rig.devices]
    for silence in args.scenario.silences:
        if silence.device not in names:
            raise ArgumentsError(
                f"{rig.file}: scenario {args.scenario.name} silences device {silence.device!r}; "
                f"found devices {', '.join(names)}; name one of them {silence.device!r} or take another scenario"
            )
    roles = {point.role for point in rig.points}
    for fault in args.scenario.faults:
        if fault.role not in roles:
            raise ArgumentsError(
                f"{rig.file}: scenario {args.scenario.name} has a fault of the sensor {fault.role!r}; found no point "
                f"of that role; add one or take another scenario"
            )
    _note_class(rig, args.scenario.sizes)
    return rig


def _note_class(rig: Rig, sizes: Sizes) -> None:
    """Says so where the plant is too small for the rig: its flow would stand as too low from the first second."""
    gives = at_rest(sizes, 20.0).supply_m3_s
    for brake in rig.brakes:
        if brake.least_flow > gives:
            needed, given = (f"{flow / _GAL_MIN_M3_S:.0f} gal/min" for flow in (brake.least_flow, gives))
            _say(
                f"note: {brake.name} of {rig.file} needs {needed}, and the simulated brake gets {given}: its flow is "
                f'too low from the start; a scenario file may ask for the larger one with brake = "150 gal/min"'
            )


def _list(args: argparse.Namespace) -> int:
    if args.json:
        print(json.dumps([_described(scenario) for scenario in SCENARIOS.values()]))
        return FINE
    for scenario in SCENARIOS.values():
        alarms = ", ".join(f"{one.alarm} (by {one.due_s:g} s)" for one in scenario.expected) or "no alarm"
        print(f"{scenario.name:<16}{scenario.length_s:>6g} s")
        for line in (*wrap(scenario.says, 96), *_wrapped(f"Raises: {alarms}", "        ")):
            print(f"    {line}")
    return FINE


def _wrapped(text: str, indent: str) -> list[str]:
    """In lines; names of alarms stay whole."""
    return wrap(text, 96, subsequent_indent=indent, break_on_hyphens=False)


def _described(scenario: Scenario) -> dict[str, object]:
    expected = [{"alarm": one.alarm, "due_s": one.due_s} for one in scenario.expected]
    return {"name": scenario.name, "length_s": scenario.length_s, "says": scenario.says, "expected": expected}


def _faults(args: argparse.Namespace) -> int:
    from brakewater_sim.faults import FAULTS  # noqa: PLC0415 - as above
    from brakewater_sim.leading import leading  # noqa: PLC0415

    table = leading()
    if args.json:
        rows = [
            {"fault": row.name, "says": row.says, "mild": row.mild, "severe": row.severe, "over_s": row.over_s,
             "lead": sorted(table[row.name].lead)}
            for row in FAULTS.values()
        ]  # fmt: skip
        print(json.dumps(rows))
        return FINE
    for row in FAULTS.values():
        sized = f" {row.mild:g} to {row.severe:g}" if row.mild or row.severe else ""
        sized += f", over {row.over_s:g} s" if row.over_s else ""
        print(f"{row.name:<18}{row.says}{sized}")
        for line in _wrapped(f"May lead: {', '.join(sorted(table[row.name].lead))}", "    "):
            print(f"    {line}")
    return FINE


def _ports(rig: Rig, args: argparse.Namespace) -> dict[str, int]:
    names = [device.name for device in rig.devices]
    for device in rig.devices:
        if device.transport != "tcp":
            raise ArgumentsError(
                f"{rig.file}: device {device.name}: found transport {device.transport!r}; allowed: 'tcp', the only one "
                f'that the simulator speaks: in a copy of the rig file give it transport = "tcp", '
                f'host = "127.0.0.1" and a port of its own'
            )
    if args.port is not None:
        if len(names) > 1:
            raise ArgumentsError(f"--port: found {len(names)} devices ({', '.join(names)}); allowed: --port-offset")
        return {names[0]: args.port}
    ports = {device.name: device.port + args.port_offset for device in rig.devices}
    for name, port in ports.items():
        if not 1 <= port <= _HIGHEST_PORT:
            raise ArgumentsError(f"--port-offset: found port {port} for {name}; allowed: 1 to {_HIGHEST_PORT}")
    return ports


def _serve(args: argparse.Namespace) -> int:
    rig = _rig(args)
    ports = _ports(rig, args)
    asyncio.run(_serving(rig, args, ports))
    return FINE


async def _serving(rig: Rig, args: argparse.Namespace, ports: dict[str, int]) -> None:
    from brakewater_sim.device import Playback, serve  # noqa: PLC0415 - the other commands start faster without

    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    playback = Playback(args.scenario, rig, seed=args.seed, speed=args.speed)
    await serve(playback, rig, ports=ports, say=_say, stop=stop)


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _record(args: argparse.Namespace) -> int:
    from brakewater_sim.offline import record  # noqa: PLC0415 - as above

    rig = _rig(args)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends as Ctrl-C does: nothing half written
    done = record(
        args.scenario, rig, args.output, seed=args.seed, seconds=args.seconds, progress=_bar(), truth=args.truth
    )
    if args.json:
        shown = {"record": str(done.folder), "scenario": args.scenario.name, "seed": args.seed, "scans": done.scans}
        print(json.dumps({**shown, "seconds": done.seconds, "digest": done.digest}))
    else:
        print(f"{done.folder}: {_many(done.scans, 'scan')}, {done.seconds:g} s of {args.scenario.name}")
        print(f"input digest {done.digest}")
    return FINE


def _months(args: argparse.Namespace) -> int:
    from brakewater_sim.months import Life, record_months  # noqa: PLC0415 - as above

    rig = load(args.rig or demo_file())
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if args.trips * args.apart > _MOST_MONTHS:
        found = f"{args.trips} trips, {args.apart} months apart"
        raise ArgumentsError(f"--apart: found {found}; allowed: at most {_MOST_MONTHS} months in all")
    _note_class(rig, Sizes())
    try:
        record_months(
            Life(kind=args.kind, seed=args.seed, trips=args.trips, apart=args.apart), rig, args.output, _bar()
        )
    except ValueError as error:
        raise ArgumentsError(str(error)) from error
    print(
        f"{args.output}: {_many(args.trips, 'trip')}, {_many(args.apart, 'month')} from each to the next, {args.kind}"
    )
    return FINE


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _bar() -> Callable[[float], None]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        return lambda _: None

    def show(part: float) -> None:
        print(f"\r[{'#' * round(40 * part):<40}] {part:4.0%}", end="\n" if part >= 1.0 else "", file=sys.stderr)

    return show


if __name__ == "__main__":
    sys.exit(main())
