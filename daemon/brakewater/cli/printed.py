"""A page printed into a PDF by a Chromium of this machine."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from brakewater.errors import DeviceError, StorageError

_NAMES = ("chromium", "chromium-browser", "headless_shell")
_MOST_S = 120


def printed(page: Path, pdf: Path) -> None:
    """Print a page; the PDF appears whole or not at all.

    Raises:
        DeviceError: there is no Chromium.
        StorageError: it does not print it.
    """
    browser = next(filter(None, map(shutil.which, _NAMES)), None)
    if browser is None:
        raise DeviceError(f"--pdf needs a Chromium, found none of {', '.join(_NAMES)}; {page} prints from any browser")
    with tempfile.TemporaryDirectory(prefix="brakewater-print-") as folder:
        made = Path(folder) / "page.pdf"
        words = [
            browser, "--headless", "--disable-gpu", "--no-first-run", "--no-pdf-header-footer",
            *(["--no-sandbox"] if os.geteuid() == 0 else []),  # Chromium refuses to run as root with it
            f"--user-data-dir={folder}/profile", f"--print-to-pdf={made}", page.absolute().as_uri(),
        ]  # fmt: skip
        try:
            done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=_MOST_S)  # noqa: S603 - our own page
        except subprocess.TimeoutExpired as error:
            raise StorageError(f"{pdf}: not printed: {browser} took longer than {_MOST_S} s") from error
        if not made.exists():
            last = (done.stderr.strip().splitlines() or ["it says nothing"])[-1]
            raise StorageError(f"{pdf}: not printed by {browser}: {last}")
        part = pdf.with_name(f"{pdf.name}.part")
        shutil.copyfile(made, part)
        part.replace(pdf)
