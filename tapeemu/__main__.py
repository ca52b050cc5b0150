"""``python -m tapeemu`` is the command line."""

from tapeemu.cli import main

if __name__ == "__main__":
    main()
