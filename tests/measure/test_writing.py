"""A file takes its place whole, or nothing of it is left."""

from pathlib import Path

import pytest

from measure.errors import ResultsError
from measure.writing import whole_file


def test_a_file_appears_when_it_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "new" / "a.txt"
    with whole_file(target) as file:
        file.write(b"half")
        assert not target.exists()
        file.write(b" and half")
    assert target.read_bytes() == b"half and half"
    assert [path.name for path in target.parent.iterdir()] == ["a.txt"]


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    target.write_bytes(b"old")

    def write() -> None:
        with whole_file(target, overwrite=True) as file:
            file.write(b"new")
            raise KeyError

    with pytest.raises(KeyError):
        write()
    assert target.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("there.txt", "exists; choose another name"),
        ("there.txt/inside.txt", "there.txt cannot be made, for a file has that name; choose another"),
        ("a\0b", "cannot be written"),
        ("x" * 300, "cannot be written"),
    ],
)
def test_what_cannot_be_written_is_told_in_one_line(tmp_path: Path, name: str, told: str) -> None:
    (tmp_path / "there.txt").write_bytes(b"old")
    with pytest.raises(ResultsError, match=told) as caught, whole_file(tmp_path / name) as file:
        file.write(b"new")
    assert ";" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert (tmp_path / "there.txt").read_bytes() == b"old"


def test_an_empty_name_is_refused() -> None:
    with pytest.raises(ResultsError, match="names no file"), whole_file("") as file:
        file.write(b"new")


def test_folders_made_for_what_failed_go_again_and_others_stay(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    with pytest.raises(RuntimeError), whole_file(tmp_path / "there" / "new" / "newer" / "a.txt"):
        raise RuntimeError
    assert list((tmp_path / "there").iterdir()) == []


def test_an_error_of_results_within_is_passed_on_as_it_is(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match="of its own"), whole_file(tmp_path / "a.txt"):
        raise ResultsError("an error of its own")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_folder_in_the_place_of_the_file_stays(tmp_path: Path, overwrite: bool) -> None:
    (tmp_path / "there").mkdir()
    told = "is a folder or a device" if overwrite else "exists"
    with pytest.raises(ResultsError, match=told), whole_file(tmp_path / "there", overwrite=overwrite):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["there"]
