"""The way in: ``analyzer`` and ``python -m analyzer``, that can be stopped from its first moment on."""

import os
import signal
from types import FrameType

from analyzer.core import STOPPED, STOPPED_LINE


def run() -> None:
    """Load the command line and run it."""
    # Loading the option parser takes a tenth of a second, in which nothing is open yet: the process is left
    # at once. A shell that runs a command in the background may have told it to let interrupts pass.
    listens = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if listens:
        signal.signal(signal.SIGINT, _leave)
    from analyzer import cli

    cli.run(listens)


def _leave(_signal: int, _frame: FrameType | None) -> None:
    os.write(2, f"analyzer: {STOPPED_LINE}\n".encode())
    os._exit(STOPPED)


if __name__ == "__main__":
    run()
