"""The command line as a program: ``tapeemu``, or ``python -m tapeemu``."""

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line; Ctrl-C while it is still being loaded ends it as silently as later."""
    try:
        from tapeemu.cli import main as run
    except KeyboardInterrupt:
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()
