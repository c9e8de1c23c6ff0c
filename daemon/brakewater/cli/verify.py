"""Check that a record is whole and unaltered: sequence, chain, signatures, heads kept outside; name what is not."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brakewater.cli.places import opened

if TYPE_CHECKING:
    from brakewater.record.anchor import Anchor
    from brakewater.record.report import Report
    from brakewater.record.segment import Head


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument(
        "--key",
        action="append",
        default=[],
        metavar="K",
        help="public key that is trusted, as a PEM file or 64 hex digits; what it did not sign counts as altered",
    )
    parser.add_argument(
        "--anchor",
        type=Path,
        metavar="FILE",
        help="heads of the chain kept outside: JSON lines as they came over MQTT under <root>/chain",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where the record is not what was written, 2 where a key is none."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.record.anchor import read_anchor  # noqa: PLC0415
    from brakewater.record.verify import verify  # noqa: PLC0415

    try:
        keys = [_key(given) for given in args.key]
    except ValueError as error:
        print(f"brakewater verify: --key: {error}", file=sys.stderr)
        return 2
    anchor = read_anchor(args.anchor) if args.anchor else None
    opened(args.record)
    with Progress("checking") as progress:
        report = verify(args.record, keys=keys, anchor=anchor, tell=progress.tell)
    if args.json:
        print(json.dumps(_document(report)))
    else:
        print("\n".join(_lines(report, keys, anchor)))
    return 1 if report.verdict == "broken" else 0


def _key(given: str) -> str:
    from brakewater.record.signing import public_key  # noqa: PLC0415 - only when needed

    file = Path(given)
    try:
        text = given if file.is_dir() or not file.exists() else file.read_text(encoding="ascii")
        return public_key(text)
    except (ValueError, OSError) as error:
        raise ValueError(f"{given}: {error}" + ("" if file.exists() else "; there is no such file")) from None


def _document(report: "Report") -> dict[str, Any]:
    return {
        "verdict": report.verdict,
        "inputs": report.inputs,
        "events": report.events,
        "gaps": [
            {"run": gap.lost_run, "first": gap.lost_first, "last": gap.lost_last, "why": gap.why} for gap in report.gaps
        ],
        "altered": [{"file": one.file, "place": one.place, "says": one.says} for one in report.altered],
        "runs": report.runs,
        "trimmed": report.trimmed,
        "retention": report.retention,
        "worked_out": report.worked_out,
        "begins_after": report.begins_after,
        "commits": report.commits,
        "head": _head(report.head),
        "keys": report.keys,
        "signed": _head(report.signed),
        "anchored": _head(report.anchored),
        "packed_by": report.listed_by,
        "left_out": [{"run": run, "why": why} for run, why in report.left_out],
    }


def _head(head: "Head | None") -> dict[str, Any] | None:
    return None if head is None else {"run": head.run, "commit": head.commit_no, "hash": head.hash}


def _lines(report: "Report", keys: list[str], anchor: "Anchor | None") -> list[str]:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    whole = f"{counted(report.inputs, 'input')} and {counted(report.events, 'event')}"
    lines = [f"{report.verdict}: {whole} in {counted(report.commits, 'commit')} of {counted(report.runs, 'run')}"]
    lines += [f"altered: {one}" for one in report.altered]
    if report.worked_out:
        lines.append(
            f"full-rate values in {counted(report.worked_out, 'run')} were worked out at sealing and are in no"
            " chain: replay and export work them out of what is"
        )
    if report.trimmed:
        runs = "run" if len(report.trimmed) == 1 else "runs"
        where = "case.json says" if report.listed else "segments/trimmed.jsonl says, which nobody signs"
        lines.append(f"deleted by retention, as {where}: {runs} {_spans(report.trimmed)}")
        if not report.retention and not report.listed:
            lines.append("though no rig file of the runs here asks for retention (keep or keep-size under [record])")
    lines += [
        f"gap, told by the watch: inputs {gap.lost_first} to {gap.lost_last} of run {gap.lost_run}: {gap.why}"
        for gap in report.gaps
    ]
    if report.head is not None:
        lines.append(f"the chain ends at {_at(report.head)}, {report.head.hash}")
    lines += _listed(report, keys)
    lines += _signed(report, keys)
    lines += _anchored(report, anchor)
    if not keys and anchor is None:
        lines.append(
            "This proves consistency only: whoever rewrites a record can hash it anew throughout."
            " Give --key or --anchor to hold it against what they do not have."
        )
    return lines


def _spans(runs: list[int]) -> str:
    """Runs as people write them: 1 to 3, 7."""
    spans: list[list[int]] = []
    for run in sorted(runs):
        if spans and run == spans[-1][-1] + 1:
            spans[-1][1:] = [run]
        else:
            spans.append([run])
    return ", ".join(" to ".join(map(str, span)) for span in spans)


def _listed(report: "Report", keys: list[str]) -> list[str]:
    lines = [f"left out when it was packed: run {run}: {why}" for run, why in report.left_out]
    if report.altered:
        return lines
    if report.listed_by is not None:
        trusted = "" if report.listed_by in keys else ", which you have not said to trust (--key)"
        lines.append(f"what it holds is as it was packed and signed by {report.listed_by}{trusted}")
    elif report.listed:
        lines.append(
            "what it holds is as it was packed; nobody signed that, so runs cut off at its ends show only against"
            " heads kept outside (--anchor)"
        )
    return lines


def _signed(report: "Report", keys: list[str]) -> list[str]:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    if report.signed is not None:
        by = ", ".join(sorted(key for key in report.keys if key in keys))
        said = [f"signed up to {_at(report.signed)} by {by}"]
        if report.signed != report.head:
            said.append(
                "what follows the last signature is proved consistent only; an end cut off there shows only against"
                " heads kept outside (--anchor)"
            )
        return said
    if keys:
        return []
    return [
        f"carries {counted(count, 'signature')} by {key}, which you have not said to trust (--key)"
        for key, count in report.keys.items()
    ]


def _anchored(report: "Report", anchor: "Anchor | None") -> list[str]:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    if anchor is None:
        return []
    lines = ["no head kept outside matches"]
    if report.anchored is not None:
        lines = [
            f"matches the outside head at {_at(report.anchored)}; held against {counted(report.heads_outside, 'head')}"
        ]
    if report.heads_elsewhere:
        lines.append(f"{report.heads_elsewhere} heads kept outside belong to times that this record does not hold")
    if anchor.unreadable:
        lines.append(f"{len(anchor.unreadable)} lines of the outside heads are none, first line {anchor.unreadable[0]}")
    return lines


def _at(head: "Head") -> str:
    return f"run {head.run} commit {head.commit_no}"
