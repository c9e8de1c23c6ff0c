"""What the installed watch is made of: every package of ``runtime.lock`` with its licence, and as a CycloneDX document.

Called as: python deploy/parts.py [-o sbom.json] [--write]; ``--write`` keeps both under ``deploy/references``, where a
test compares them. Exit status 1 where a licence is unknown or one that we may not ship with. It takes ``cyclonedx-py``
(PyPI: cyclonedx-bom) from the same environment for the document.
"""

import argparse
import json
import re
import signal
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[1]
_PINNED = re.compile(r"^([A-Za-z0-9._-]+)==([^ ;\\]+)", re.MULTILINE)
_FREE = re.compile(r"MIT|BSD|Apache|ISC|PSF|Python|0BSD|Zlib|MPL|Unlicense|EPL|Eclipse|CC0", re.IGNORECASE)
_OURS_NOT = re.compile(r"\b(A?GPL|GNU (Affero )?General Public)", re.IGNORECASE)
LIST = TOP / "deploy" / "references" / "parts.md"
DOCUMENT = TOP / "deploy" / "references" / "parts.cdx.json"
NOT_HERE = "not on this system"
"""The lock file holds what other systems need, too."""


def pinned() -> dict[str, str]:
    """Package -> version, from the lock file."""
    return dict(_PINNED.findall((TOP / "runtime.lock").read_text()))


def licence(name: str) -> str:
    """As the package says it: its expression, its field, or its classifiers."""
    try:
        about = metadata(name)
    except PackageNotFoundError:
        return NOT_HERE
    said = about.get("License-Expression") or about.get("License") or ""
    if said and len(said) < 100 and said != "UNKNOWN":
        return str(said)
    classes = [one.rsplit(" :: ", 1)[1] for one in about.get_all("Classifier") or [] if one.startswith("License ::")]
    return ", ".join(classes) or (said.strip().splitlines() or ["unknown"])[0]


def fits(text: str) -> bool:
    """Whether it may be shipped with a program under Apache-2.0 by what it says."""
    return text == NOT_HERE or (bool(_FREE.search(text)) and not _OURS_NOT.search(text))


def document() -> dict[str, Any]:
    """The lock file as a CycloneDX 1.6 document, with licences; the same each time."""
    words = [sys.executable, "-m", "cyclonedx_py", "requirements", "--pyproject", str(TOP / "pyproject.toml"),
             "--sv", "1.6", "--of", "JSON", "--output-reproducible", str(TOP / "runtime.lock")]  # fmt: skip
    made = subprocess.run(words, capture_output=True, text=True, check=True)  # noqa: S603 - our own words
    found: dict[str, Any] = json.loads(made.stdout)
    for part in found["components"]:
        part.pop("description", None)  # the line of the lock file once more
        said = licence(part["name"])
        if said != NOT_HERE:
            part["licenses"] = [{"license": {"name": said}}]
    return found


def listed() -> str:
    """Every package with its licence, as a page."""
    rows = "".join(f"| {name} | {version} | {licence(name)} |\n" for name, version in sorted(pinned().items()))
    return (
        "# What is shipped, and under which licence\n\n"
        "<!-- Made by deploy/parts.py --write from runtime.lock: run it again. -->\n\n"
        "Of each package what it says of itself; the whole as CycloneDX with its digests: `parts.cdx.json`.\n\n"
        f"| package | version | licence |\n|---|---|---|\n{rows}"
    )


def text() -> str:
    """The CycloneDX document as it is kept."""
    return json.dumps(document(), indent=1, ensure_ascii=False) + "\n"


def main() -> int:
    """Print the list; exit status 1 where a licence does not fit."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write the CycloneDX document, too")
    parser.add_argument("--write", action="store_true", help="keep list and document under deploy/references")
    args = parser.parse_args()
    rows = [(name, version, licence(name)) for name, version in sorted(pinned().items())]
    if args.output:
        args.output.write_text(text(), encoding="utf-8")
    if args.write:
        LIST.write_text(listed(), encoding="utf-8")
        DOCUMENT.write_text(text(), encoding="utf-8")
    for name, version, said in rows:
        print(f"{name:28} {version:14} {said}{'' if fits(said) else '   <- look at this one'}")  # noqa: T201 - its job
    return 0 if all(fits(said) for *_, said in rows) else 1


if __name__ == "__main__":
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # `| head` ends it quietly
    sys.exit(main())
