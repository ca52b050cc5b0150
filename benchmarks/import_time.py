"""What importing and asking for help cost, beside importing numpy, in one run.

Bounds: `import tapeemu` at most numpy's plus 0.1 s; `tapeemu --help` under 0.4 s.
"""

import subprocess
import sys
import time


def best(arguments: list[str], runs: int = 7) -> float:
    took = []
    for _ in range(runs):
        began = time.perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
        took.append(time.perf_counter() - began)
    return min(took)


def main() -> None:
    nothing = best(["-c", "pass"])
    numpy = best(["-c", "import numpy"])
    ours = best(["-c", "import tapeemu"])
    lab = best(["-c", "import measure"])
    helping = best(["-m", "tapeemu", "--help"])
    print("Import time (best of 7; the interpreter alone is taken off the imports)")
    print(f"  numpy                {1000 * (numpy - nothing):7.0f} ms")
    print(f"  tapeemu              {1000 * (ours - nothing):7.0f} ms   bound: numpy + 100 ms")
    print(f"  measure              {1000 * (lab - nothing):7.0f} ms")
    print(f"  tapeemu --help       {1000 * helping:7.0f} ms   bound: 400 ms, interpreter included")


if __name__ == "__main__":
    main()
