"""The command as a process: the script psdstats, and python -m psdstats_cli."""

# not `signal`: that takes a while to load, and Ctrl-C in it would be a traceback
import _signal as signal  # type: ignore[import-not-found]
import sys


def main() -> int:
    """Run the command; until its modules are loaded, Ctrl-C ends the process without a word."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from .main import main as run

    return run()


if __name__ == "__main__":
    sys.exit(main())
