"""Whether this user may use what lies in a record folder."""

import os
import pwd
from pathlib import Path

from brakewater.errors import StorageError
from brakewater.record.sealed.layout import segments_folder
from brakewater.record.segment import hot_folder


def check_rights(folder: Path) -> None:
    """What lies in a record folder may be another user's: root worked there, or it was restored by root.

    Looked at are ``hot``, its files and what lies at the top of ``segments``. A run that may not be read is not
    damaged: to go on from the one before it would fork the chain.

    Raises:
        StorageError: names the first such place, and what mends it.
    """
    for one in (hot_folder(folder), segments_folder(folder)):
        try:
            within = [Path(entry.path) for entry in os.scandir(one)]
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError:
            within = []
        for place in (one, *within):
            needs = os.R_OK | os.W_OK | (os.X_OK if place.is_dir() else 0)
            if not os.access(place, needs) and os.path.lexists(place):  # else sealed or trimmed meanwhile
                raise StorageError(f"{place}: {_rights(place)}; mend it as root: {_mending(folder)}")


def _rights(place: Path) -> str:
    told = place.lstat()
    return f"belongs to {_user(told.st_uid)}, mode {told.st_mode & 0o777:03o}: {_user(os.geteuid())} may not use it"


def _mending(folder: Path) -> str:
    return f"chown -R {_user(os.geteuid())}: {folder} && chmod -R u=rwX,g=rX,o= {folder}"


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)
