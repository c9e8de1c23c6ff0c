"""Fetch the chart library of the engineer's page, pinned by its digest, into the package; asks for nothing twice."""

import base64
import hashlib
import http.client
import io
import sys
import tarfile
import urllib.request
from pathlib import Path

URL = "https://registry.npmjs.org/uplot/-/uplot-1.6.32.tgz"
SHA512 = "KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw=="
WANTED = ("dist/uPlot.esm.js", "dist/uPlot.min.css", "LICENSE")
PLACE = Path(__file__).parents[1] / "daemon" / "brakewater" / "panel" / "static" / "vendor"


def main() -> int:
    """Exit status 0; 1 where it cannot be had: the page then says so and shows tables only."""
    if all((PLACE / Path(name).name).exists() for name in WANTED):
        return 0
    try:
        with urllib.request.urlopen(URL, timeout=30) as answer:
            packed = answer.read()
    except (OSError, http.client.HTTPException) as error:  # the latter where the answer is cut off
        sys.stderr.write(f"{URL}: cannot be fetched ({error}); the engineer's page will show no charts\n")
        return 1
    if base64.b64encode(hashlib.sha512(packed).digest()).decode() != SHA512:
        sys.stderr.write(f"{URL}: not what it was when it was pinned; nothing of it is used\n")
        return 1
    try:
        _unpack(packed)
    except OSError as error:
        sys.stderr.write(f"{PLACE}: cannot be written ({error}); the engineer's page will show no charts\n")
        return 1
    return 0


def _unpack(packed: bytes) -> None:
    PLACE.mkdir(parents=True, exist_ok=True)
    with tarfile.open(fileobj=io.BytesIO(packed)) as tar:
        for name in WANTED:
            part = tar.extractfile(f"package/{name}")
            if part is None:
                raise SystemExit(f"{URL}: no {name} in it")
            whole = PLACE / Path(name).name
            made = whole.with_name(f"{whole.name}.part")  # half a file would count as had ever after
            try:
                made.write_bytes(part.read())
                made.replace(whole)
            finally:
                made.unlink(missing_ok=True)


if __name__ == "__main__":
    sys.exit(main())
