"""The laboratory as a program: ``python -m measure``."""

import sys

__all__ = ["run"]


def run() -> int:
    """Run the command line; Ctrl-C while it is still being loaded ends it as it does later."""
    try:
        from measure.command_line import main
    except KeyboardInterrupt:
        return 130
    return main()


if __name__ == "__main__":
    sys.exit(run())
