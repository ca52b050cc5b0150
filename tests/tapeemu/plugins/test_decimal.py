"""Numbers in a plug-in's state: read and written as Python does, whose conversions are exact both ways."""

import ctypes
import math
import subprocess
from pathlib import Path

import numpy as np
import pytest

from tapeemu.plugins import building

DRIVER = """
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include "decimal.c"
double read_number(const char *text, int length)
{
    Decimal decimal;
    return read_decimal(text, text + length, &decimal) == text + length ? decimal.real : __builtin_nan("");
}
int write_number(char *to, double value) { return write_real(to, value, 17); }
"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    folder = tmp_path_factory.mktemp("decimal")
    (folder / "driver.c").write_text(DRIVER, "utf-8")
    try:
        compiler = building.compiler_for(building.this_machine())
    except building.BuildError as error:
        pytest.skip(str(error))
    sources = Path(building.__file__).with_name("c")
    target = folder / "driver.so"
    subprocess.run(
        [*compiler, "-std=gnu99", "-O1", "-shared", "-fPIC", f"-I{sources}", folder / "driver.c", "-o", target],
        check=True,
    )
    loaded = ctypes.CDLL(str(target))
    loaded.read_number.restype = ctypes.c_double
    loaded.write_number.argtypes = [ctypes.c_char_p, ctypes.c_double]
    return loaded


def read(library: ctypes.CDLL, text: str) -> float:
    return float(library.read_number(text.encode(), len(text)))


def test_a_number_is_read_as_the_nearest_double(library: ctypes.CDLL) -> None:
    rng = np.random.default_rng(1)
    texts = ["0.1", "1e-38", "9999999999999999999e-38", "4.35e-23", "9007199254740993.0", "0.5000000000000000278"]
    for _ in range(3000):
        digits = "".join(map(str, rng.integers(0, 10, rng.integers(1, 20))))
        texts.append(f"{int(digits)}e{rng.integers(-38, 20)}")
    # A double and the half between it and its neighbour, as far as nineteen digits say it.
    texts += [f"{(2**53 + odd) * 2}e0" for odd in range(1, 400, 2)]
    texts += [f"{(2**53 + odd) * 2 + 1}e0" for odd in range(1, 400)]
    wrong = [(text, read(library, text), float(text)) for text in texts if read(library, text) != float(text)]
    assert not wrong, (len(wrong), wrong[:5])


def test_what_is_written_is_read_as_the_same_double(library: ctypes.CDLL) -> None:
    rng = np.random.default_rng(2)
    for value in rng.choice([-1.0, 1.0], 2000) * 10.0 ** rng.uniform(-9.0, 15.0, 2000):
        text = ctypes.create_string_buffer(40)
        length = library.write_number(text, value)
        written = text.raw[:length].decode()
        assert float(written) == value, written
        assert read(library, written) == value, written


@pytest.mark.parametrize("text", ["1e20", "1e-39", "", ".5", "5.", "01", "1e", "12345678901234567890", "1,5"])
def test_what_presets_do_not_need_is_refused(library: ctypes.CDLL, text: str) -> None:
    assert math.isnan(read(library, text))
