"""Files are written whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from graith.errors import FileError
from graith.files.write import write_bytes, write_text, written_whole


def test_text_and_bytes_arrive_as_given(tmp_path: Path) -> None:
    write_text(tmp_path / "tune.abc", "T:Là\r\n")
    assert (tmp_path / "tune.abc").read_bytes() == "T:Là\r\n".encode()
    write_bytes(tmp_path / "page.pdf", b"\x00\xff")
    assert (tmp_path / "page.pdf").read_bytes() == b"\x00\xff"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["page.pdf", "tune.abc"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt, ValueError, SystemExit])
def test_when_writing_stops_the_old_file_stays_and_nothing_else(tmp_path: Path, stop: type[BaseException]) -> None:
    wanted = tmp_path / "set.txt"
    wanted.write_text("old", encoding="utf-8")

    def half_write() -> None:
        with written_whole(wanted) as temporary:
            temporary.write_text("half", encoding="utf-8")
            raise stop

    with pytest.raises(stop):
        half_write()
    assert wanted.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [wanted]


def test_until_the_end_the_old_content_is_what_a_reader_sees(tmp_path: Path) -> None:
    wanted = tmp_path / "set.wav"
    wanted.write_bytes(b"old")
    with written_whole(wanted) as temporary:
        temporary.write_bytes(b"new and longer")
        assert temporary.suffix == ".wav"
        assert temporary.parent == tmp_path
        assert wanted.read_bytes() == b"old"
    assert wanted.read_bytes() == b"new and longer"


def test_a_link_is_followed_and_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.txt").write_text("old", encoding="utf-8")
    (tmp_path / "link.txt").symlink_to(tmp_path / "real.txt")
    write_text(tmp_path / "link.txt", "new")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text(encoding="utf-8") == "new"


def test_a_name_as_long_as_the_file_system_takes_can_be_written(tmp_path: Path) -> None:
    wanted = tmp_path / ("a" * 251 + ".abc")
    write_text(wanted, "X:1")
    assert wanted.read_text(encoding="utf-8") == "X:1"


def test_a_missing_folder_a_folder_and_a_refusal_are_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"does not exist\. Make it first"):
        write_text(tmp_path / "none" / "tune.abc", "X:1")
    with pytest.raises(FileError, match="this is a folder"):
        write_text(tmp_path, "X:1")
    with pytest.raises(FileError, match="cannot be written"), written_whole(tmp_path / "tune.abc"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_device_a_loop_of_links_and_an_impossible_name_are_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "null.mid").symlink_to("/dev/null")
    (tmp_path / "loop.mid").symlink_to("loop.mid")
    with pytest.raises(FileError, match="a device or a pipe"):
        write_text(tmp_path / "null.mid", "X:1")
    for name in ("loop.mid", "n" * 300):
        with pytest.raises(FileError, match="cannot be written"):
            write_text(tmp_path / name, "X:1")
    assert Path("/dev/null").is_char_device()


def test_a_file_that_only_its_owner_may_read_stays_so(tmp_path: Path) -> None:
    wanted = tmp_path / "ours.toml"
    wanted.write_text("old", encoding="utf-8")
    wanted.chmod(0o600)
    write_text(wanted, "new")
    assert wanted.stat().st_mode & 0o777 == 0o600
