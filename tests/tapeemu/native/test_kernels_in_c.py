"""Every kernel file is translated and compiled as strictly as a compiler can be told to."""

import pkgutil
import shutil
import subprocess
from pathlib import Path

import pytest

import tapeemu.dsp.kernels
import tapeemu.native
from tapeemu.native.subset import SubsetError
from tapeemu.native.translate import c_source, header_source

NO_KERNELS = {"arrays", "compilation"}
STOPPED_BY = {"sines": "math.cos", "network": "math.sin"}
"""Files that leave the subset, and by what: a library's cosine, whose last bit every platform decides for."""

FILES = sorted(
    module.name for module in pkgutil.iter_modules(tapeemu.dsp.kernels.__path__) if module.name not in NO_KERNELS
)
FLAGS = ["-std=c99", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Wdouble-promotion", "-Werror", "-c"]


TRANSLATED = [name for name in FILES if name not in STOPPED_BY]


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")
@pytest.mark.parametrize(
    ("name", "precision"),
    [(name, precision) for precision in ("double", "single") for name in TRANSLATED],
)
def test_a_kernel_file_compiles_as_c_without_a_warning(name: str, precision: str, tmp_path: Path) -> None:
    module = f"tapeemu.dsp.kernels.{name}"
    (tmp_path / f"{name}.h").write_text(header_source(module), "utf-8")
    (tmp_path / f"{name}.c").write_text(c_source(module), "utf-8")
    include = Path(tapeemu.native.__file__).parent / "c"
    command = [
        "gcc",
        *FLAGS,
        *(["-DTAPEEMU_SINGLE"] if precision == "single" else []),
        f"-I{include}",
        f"{name}.c",
        "-o",
        f"{name}.o",
    ]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", TRANSLATED)
def test_a_kernel_file_is_translated(name: str) -> None:
    module = f"tapeemu.dsp.kernels.{name}"
    assert c_source(module)
    assert header_source(module)


@pytest.mark.parametrize("name", STOPPED_BY)
def test_what_keeps_a_file_out_is_what_is_said(name: str) -> None:
    with pytest.raises(SubsetError, match=STOPPED_BY[name]):
        c_source(f"tapeemu.dsp.kernels.{name}")
