"""What is shipped: a wheel and an sdist that build, install and run the demo far from here.

    pytest -m long tests/test_packaging.py

They build, and fetch the dependencies, with the installers' usual settings; uv serves where it is there.
"""

import shutil
import subprocess
import sys
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

from tapeemu import loop_library

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("builds from a clean copy of the repository")
    folder = tmp_path_factory.mktemp("build")
    source = folder / "source"
    source.mkdir()
    names = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True
    ).stdout.split("\0")
    for name in filter(None, names):
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, source / name)
    out = folder / "a folder with spaces"
    pytest.importorskip("build")
    subprocess.run([sys.executable, "-m", "build", "--outdir", out, source], check=True, capture_output=True)
    return out


@pytest.mark.long
def test_the_wheel_holds_what_it_needs(built: Path) -> None:
    """With the loops compiled it is for this machine, without a compiler for every one."""
    (wheel,) = built.glob("*.whl")
    compiles = next(loop_library.compilers(), None) is not None
    assert wheel.name.endswith("-py3-none-any.whl") != compiles
    names = zipfile.ZipFile(wheel).namelist()
    loops = {f"tapeemu/native/library/{name}" for name in (*loop_library.library_names(), "loops.txt")}
    assert loops & {*names} == (loops if compiles else set())
    presets = {Path(name).name for name in names if name.startswith("tapeemu/shipped_presets/")}
    assert presets == {path.name for path in (ROOT / "presets").glob("*.toml")}
    packaged = {name for name in names if name.startswith(("tapeemu/", "measure/"))}
    here = {
        path.relative_to(ROOT).as_posix()
        for package in ("tapeemu", "measure")
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.parent != loop_library.FOLDER
    }
    assert here <= packaged
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not any(name.startswith(("tests/", "benchmarks/")) for name in names)


@pytest.mark.long
def test_the_sdist_holds_the_tests(built: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as file:
        names = {name.partition("/")[2] for name in file.getnames()}
    assert {
        "README.md",
        "LICENSE",
        "pyproject.toml",
        "tests/test_contract.py",
        "presets/hall-into-drive.toml",
    } <= names


@pytest.mark.long
def test_the_wheel_runs_the_demo_in_an_empty_environment(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    empty = tmp_path / "an empty environment"
    venv.create(empty, with_pip=True)
    programs = empty / ("Scripts" if sys.platform == "win32" else "bin")
    subprocess.run([programs / "python", "-m", "pip", "install", "-q", wheel], check=True, capture_output=True)
    done = subprocess.run(
        [programs / "tapeemu", "demo"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert len(list((tmp_path / "tapeemu-demo/tape").glob("*.wav"))) == 4
    code = "import measure, tapeemu; print(tapeemu.__version__)"
    subprocess.run([programs / "python", "-c", code], cwd=tmp_path, check=True)
