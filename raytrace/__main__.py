"""Start of the `cooker` command: Ctrl-C is heeded from here on, while libraries load too."""

from __future__ import annotations

import os
import signal
from types import FrameType

__all__ = ["main"]


def _stop(number: int, frame: FrameType | None) -> None:
    os.write(2, b"Stopped.\n")
    os._exit(130)


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGINT, _stop)
    from raytrace.cli import main as run

    run()


if __name__ == "__main__":
    main()
