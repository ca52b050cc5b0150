"""Run every benchmark of this folder, one after the other."""

import runpy
from pathlib import Path


def main() -> None:
    for path in sorted(Path(__file__).parent.glob("*.py")):
        if path.name != Path(__file__).name:
            print(f"\n== {path.name}")
            runpy.run_path(str(path), run_name="__main__")


if __name__ == "__main__":
    main()
