"""Errors by who must act.

    BrakewaterError
      RigFileError      the tech mends the rig file; holds every fault found
      DeviceError       the tech looks at a device, line or broker
      StorageError      the service owner looks at the disk or the record; NothingThere, whoever asked at the window;
                        WrongRecord, whoever pointed a watch at a record that it may not write into
      Defect            we mend the program

Start-up raises one error that lists all faults at once.
"""

import os
import sys
from dataclasses import dataclass
from typing import Final

_PLAIN: Final = (
    (FileNotFoundError, "no such file or folder"),
    (PermissionError, "this user may not do that there"),
    (IsADirectoryError, "a folder, where a file is wanted"),
    (NotADirectoryError, "a file, where a folder is wanted"),
    (ConnectionRefusedError, "nobody listens there"),
    (TimeoutError, "no answer in time"),
    (UnicodeError, "bytes that are no UTF-8 text"),
)


def plainly(error: Exception) -> str:
    """What went wrong with a file or a line, in words for people, without numbers of the system."""
    for kind, says in _PLAIN:
        if isinstance(error, kind):
            return says
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__


def end_of_output() -> None:
    """Drop what standard output cannot take any more: at its end the interpreter would try again, and complain."""
    try:
        print(end="", flush=True)  # noqa: T201 - flushes, also where there is no standard output at all
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class BrakewaterError(Exception):
    """Anything this program raises on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in a rig file."""

    file: str
    line: int
    key: str
    found: str
    allowed: str
    hint: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        text = f"{place}: {self.key}: found {self.found}; allowed: {self.allowed}"
        return f"{text} ({self.hint})" if self.hint else text


class RigFileError(BrakewaterError):
    """The rig file cannot be used."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class DeviceError(BrakewaterError):
    """A device, line or broker does not do what it should."""


class StorageError(BrakewaterError):
    """The record cannot be written or read."""


class ArgumentError(StorageError):
    """What was asked for is not to be had: another argument is needed."""


class DamagedRecordError(StorageError):
    """The record is damaged from some place on; what lies before it is whole."""


class WrongRecordError(StorageError):
    """The record is whole, but none for this watch to write into: beginning again does not change that."""


class NothingThereError(StorageError):
    """The record holds nothing of what was asked for: another window, and it may."""


class Defect(BrakewaterError):  # noqa: N818 - it is what it is
    """A fault of this program."""
