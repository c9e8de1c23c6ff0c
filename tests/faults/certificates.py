"""Certificates for one test, made by the openssl command (Debian package openssl)."""

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


@dataclass(frozen=True, kw_only=True)
class Signed:
    certificate: Path
    key: Path


class Authority:
    """Signs certificates; all files lie in one folder."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder, self._name = folder, name
        self.file, self._key = folder / f"{name}.pem", folder / f"{name}.key"
        _openssl(
            *("req", "-x509", *_KEY, "-keyout", self._key, "-out", self.file, "-days", 2, "-subj", f"/CN={name}"),
            *("-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign,cRLSign"),
        )

    def sign(self, name: str, *, shown_as: str = "DNS:localhost,IP:127.0.0.1", days: int = 1) -> Signed:
        """A certificate for the names in ``shown_as``; one of fewer than 0 days has expired."""
        made = Signed(certificate=self._file(name, "pem"), key=self._file(name, "key"))
        request, extensions = self._file(name, "csr"), self._file(name, "ext")
        extensions.write_text(f"subjectAltName={shown_as}\nbasicConstraints=CA:FALSE\n", encoding="ascii")
        _openssl("req", "-new", *_KEY, "-keyout", made.key, "-out", request, "-subj", f"/CN={name}")
        _openssl(
            *("x509", "-req", "-in", request, "-CA", self.file, "-CAkey", self._key, "-CAcreateserial"),
            *("-out", made.certificate, "-days", days, "-extfile", extensions),
        )
        return made

    def _file(self, name: str, ending: str) -> Path:
        return self._folder / f"{self._name}-{name}.{ending}"


def _openssl(*arguments: object) -> None:
    program = shutil.which("openssl")
    assert program is not None, "openssl is not installed; Debian has it as openssl"
    subprocess.run([program, *map(str, arguments)], check=True, capture_output=True)
