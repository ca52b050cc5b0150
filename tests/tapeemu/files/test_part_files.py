"""Files in the making: whole under their name or not there at all, and swept when their maker is dead."""

import os
import stat
from pathlib import Path

import pytest

from tapeemu.errors import OutputError
from tapeemu.files.part_files import PartFile, PartFolder, sweep, write_together, write_whole


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_parts_of_the_dead_are_swept_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / ".tapeemu-0123456789abcdef.part").write_bytes(b"left behind")
    (tmp_path / ".tapeemu-0123456789abcde0.part").mkdir()
    keep = [".tapeemu-journal", ".tapeemu-xyz.part", "tapeemu-0123456789abcdef.part", "a.part"]
    for name in keep:
        (tmp_path / name).write_bytes(b"")
    (tmp_path / ".tapeemu-0123456789abcde1.part").symlink_to(tmp_path / "a.part")
    living = PartFile(tmp_path / "b.wav", overwrite=False)
    with PartFolder(tmp_path) as folder:
        assert sweep(tmp_path) == 2
        assert folder.is_dir()
        assert living.path.exists()
    living.discard()
    assert names(tmp_path) == sorted([*keep, ".tapeemu-0123456789abcde1.part"])


def test_a_part_takes_its_name_at_the_end_of_its_context(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    with PartFile(target, overwrite=False) as part:
        part.write(b"whole")
        assert not target.exists()
    assert target.read_bytes() == b"whole"
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_an_error_in_its_context_leaves_what_was_there(tmp_path: Path, error: type[BaseException]) -> None:
    target = tmp_path / "a.txt"
    target.write_bytes(b"before")

    def fail() -> None:
        with PartFile(target, overwrite=True) as part:
            part.write(b"half")
            raise error

    with pytest.raises(error):
        fail()
    assert target.read_bytes() == b"before"
    assert names(tmp_path) == ["a.txt"]


def test_a_file_that_cannot_be_filled_is_told_in_one_line_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match=r"^\S+a\.txt cannot be written \(No space left on device\); check .+$"):
        write_whole(tmp_path / "a.txt", b"text", overwrite=False)
    assert names(tmp_path) == []


def test_nothing_is_replaced_unasked(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.txt", b"mine", overwrite=False)
    with pytest.raises(OutputError, match="exists"):
        write_whole(tmp_path / "a.txt", b"yours", overwrite=False)
    assert (tmp_path / "a.txt").read_bytes() == b"mine"
    write_whole(tmp_path / "a.txt", b"yours", overwrite=True)
    assert (tmp_path / "a.txt").read_bytes() == b"yours"


def test_a_folder_that_cannot_be_made_is_told_with_a_remedy(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match=r"cannot be written to .*; check its permissions"):
        PartFolder(tmp_path / "file")


@pytest.mark.skipif(os.name != "posix", reason="folders are synchronised on POSIX alone")
def test_a_name_is_on_the_disk_before_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The contents, and then the folder that holds the name."""
    synchronised = []
    monkeypatch.setattr(os, "fsync", lambda place: synchronised.append(stat.S_ISDIR(os.fstat(place).st_mode)))
    write_whole(tmp_path / "a.txt", b"whole", overwrite=False)
    assert synchronised[-1] is True
    assert synchronised.count(False) >= 1


@pytest.mark.parametrize("wrong", ["taken", "full disk"])
def test_files_of_a_set_are_all_there_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: str) -> None:
    files = {tmp_path / name: name.encode() for name in ("a.c", "b.c", "c.c")}
    before = []
    if wrong == "taken":
        (tmp_path / "c.c").write_bytes(b"mine")
        before = ["c.c"]
    else:
        written = Path.write_bytes

        def fills(path: Path, content: bytes) -> int:
            if content == b"c.c":
                raise OSError(28, "No space left on device")
            return written(path, content)

        monkeypatch.setattr(Path, "write_bytes", fills)
    with pytest.raises(OutputError, match=r"c\.c"):
        write_together(files, overwrite=False)
    assert names(tmp_path) == before
    monkeypatch.undo()
    write_together(files, overwrite=True)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == files


def test_nothing_is_swept_where_no_folder_is(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    assert [sweep(tmp_path / name) for name in ("gone", "file")] == [0, 0]
    assert (tmp_path / "file").read_text() == "mine"
