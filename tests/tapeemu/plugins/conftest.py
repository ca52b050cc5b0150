"""The plug-ins, built once: what is not there on a machine is skipped with its reason."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from clap_host import ClapLibrary, ClapPlugin

from tapeemu.plugins.building import BuildError, build


@pytest.fixture(scope="session")
def plugins(tmp_path_factory: pytest.TempPathFactory) -> Path:
    try:
        return build()
    except BuildError as error:
        if "no compiler" in str(error):
            pytest.skip(str(error))
        raise


@pytest.fixture(scope="module")
def library(plugins: Path) -> ClapLibrary:
    """The CLAP plug-ins in our own host."""
    if sys.platform != "linux":
        pytest.skip("the test host loads libraries of Linux")
    return ClapLibrary(plugins / "tapeemu.clap")


@pytest.fixture
def chain(library: ClapLibrary) -> Iterator[ClapPlugin]:
    """The plug-in that is a whole chain."""
    plugin = library.make("chain")
    yield plugin
    plugin.end()
