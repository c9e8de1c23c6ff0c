"""Known vulnerabilities of what is shipped: every package of ``runtime.lock`` asked for at the advisory services.

Called as: python deploy/audit.py. Needs a network that reaches PyPI; what could not be asked for is named, and
never counts as sound. Exit status 0 all asked and none known, 1 some known, 3 not all could be asked.
It runs pip-audit in an environment of its own under build/, so that its packages touch nothing of ours.
"""

import json
import signal
import subprocess
import sys
import venv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[1]
HOME = TOP / "build" / "audit"
TOOL = "pip-audit==2.10.1"
SOUND, KNOWN, NOT_ASKED = 0, 1, 3


def told(found: Mapping[str, Any]) -> tuple[int, list[str]]:
    """Exit status and lines out of pip-audit's JSON document."""
    packages: Sequence[Mapping[str, Any]] = found["dependencies"]
    skipped = [one for one in packages if "skip_reason" in one]
    known = [one for one in packages if one.get("vulns")]
    lines = [
        f"{one['name']} {one['version']}: {vuln['id']}, mended in {', '.join(vuln['fix_versions']) or 'no version yet'}"
        for one in known
        for vuln in one["vulns"]
    ]
    asked = len(packages) - len(skipped)
    lines.append(f"{asked} of {len(packages)} packages asked for, {len(known)} with known vulnerabilities")
    if skipped:
        lines.append(f"NOT AUDITED, the service did not know or answer: {', '.join(one['name'] for one in skipped)}")
    if known:
        return KNOWN, lines
    return (NOT_ASKED if skipped or not packages else SOUND), lines


def audited() -> Mapping[str, Any]:
    """What pip-audit says of the lock file."""
    if not (HOME / "bin" / "pip-audit").exists():
        venv.create(HOME, with_pip=True, clear=True)
        fetch = [HOME / "bin" / "python", "-m", "pip", "install", "-q", TOOL]
        if subprocess.run(fetch, check=False).returncode:  # noqa: S603 - ours
            sys.stderr.write(f"NOT AUDITED: {TOOL} cannot be had (see above); run it where PyPI is reached\n")
            raise SystemExit(NOT_ASKED)
    words = [HOME / "bin" / "pip-audit", "-r", TOP / "runtime.lock", "--no-deps", "--disable-pip", "-f", "json",
             "--progress-spinner", "off"]  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603 - our own words
    try:
        found: Mapping[str, Any] = json.loads(done.stdout)
    except ValueError:
        sys.stderr.write(
            f"NOT AUDITED: pip-audit could not ask: {(done.stderr.strip().splitlines() or ['no word'])[-1]}\n"
        )
        raise SystemExit(NOT_ASKED) from None
    return found


def main() -> int:
    """The command."""
    status, lines = told(audited())
    sys.stdout.write("\n".join(lines) + "\n")
    return status


if __name__ == "__main__":
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # `| head` ends it quietly
    sys.exit(main())
