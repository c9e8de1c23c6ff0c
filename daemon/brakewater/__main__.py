"""``python -m brakewater``, and the command itself."""

import io
import signal
import sys


def main() -> int:
    """Run one command; Ctrl-C while the program is still being read ends it without a traceback."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from brakewater.cli import main as run  # noqa: PLC0415 - what takes the time

    if signal.getsignal(signal.SIGINT) is signal.SIG_DFL:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if isinstance(sys.stdout, io.TextIOWrapper):  # None where there is none
        sys.stdout.reconfigure(errors="replace")  # a terminal of another encoding gets a ? for what it cannot show
    return run()


if __name__ == "__main__":
    sys.exit(main())
