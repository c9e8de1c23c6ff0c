"""An MQTT broker for the demo, in a process of its own: ``python -m brakewater.cli.embedded_broker PORT``.

For trying things out on one machine only: it listens on 127.0.0.1 and asks nobody for a password. A rig runs a broker
of its own.
"""

import asyncio
import contextlib
import logging
import signal
import sys
from typing import Any


async def _serve(port: int) -> None:
    from amqtt.broker import Broker  # noqa: PLC0415 - an optional extra

    config: dict[str, Any] = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(config)
    await broker.start()
    print("ready", flush=True)
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await stop.wait()
    with contextlib.suppress(Exception):
        await broker.shutdown()


def main() -> int:
    """Serve until told to stop."""
    logging.disable(logging.CRITICAL)
    try:
        asyncio.run(_serve(int(sys.argv[1])))
    except ImportError:
        print("the embedded broker needs the extra: pip install 'brakewater[demo]'", file=sys.stderr)
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
