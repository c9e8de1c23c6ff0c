"""A bar for what takes long: on a terminal only, so that a pipe or a log gets nothing of it."""

import sys
from types import TracebackType
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from rich.progress import Progress as Bar


class Progress:
    """Shows how far something is, on standard error."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._bar: Bar | None = None

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            from rich.console import Console  # noqa: PLC0415 - only on a terminal
            from rich.progress import Progress as Bar  # noqa: PLC0415

            self._bar = Bar(console=Console(stderr=True), transient=True)
            self._task = self._bar.add_task(self._what, total=None)
            self._bar.start()
        return self

    def tell(self, done: float, of: float) -> None:
        """So much of it is done."""
        if self._bar is not None:
            self._bar.update(self._task, completed=done, total=of or None)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
