"""The plug-ins, built once: what is not there on a machine is skipped with its reason."""

from pathlib import Path

import pytest

from tapeemu.plugins.building import BuildError, build


@pytest.fixture(scope="session")
def plugins(tmp_path_factory: pytest.TempPathFactory) -> Path:
    try:
        return build()
    except BuildError as error:
        if "no compiler" in str(error):
            pytest.skip(str(error))
        raise
