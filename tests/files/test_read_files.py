"""Reading from a disk as it is: folders with other things in them, old encodings, names that cannot be."""

from pathlib import Path

import pytest

from graith.errors import FileError
from graith.files import read_files
from graith.files.read_files import load_book, load_books, load_readiness, load_rulebook, music_files, read_text

TUNE = "X:1\nT:Good\nR:march\nM:2/4\nL:1/8\nK:HP\n{g}A4 |]\n"


def test_books_are_found_in_folders_below_and_hidden_ones_are_not(tmp_path: Path) -> None:
    for name in ("b.abc", "sub/a.ABC", ".git/c.abc", "._b.abc", "notes.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(TUNE)
    assert [path.relative_to(tmp_path).as_posix() for path in music_files([tmp_path])] == ["b.abc", "sub/a.ABC"]


def test_a_link_to_a_folder_above_does_not_go_round_for_ever(tmp_path: Path) -> None:
    (tmp_path / "b.abc").write_text(TUNE)
    (tmp_path / "up").symlink_to(tmp_path)
    assert len(music_files([tmp_path])) == 1


def test_a_file_named_twice_is_read_once(tmp_path: Path) -> None:
    (tmp_path / "b.abc").write_text(TUNE)
    assert len(music_files([tmp_path, tmp_path / "b.abc"])) == 1


@pytest.mark.parametrize("name", ["none.abc", "n" * 300, "loop"])
def test_a_path_that_leads_nowhere_is_one_sentence(tmp_path: Path, name: str) -> None:
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(FileError, match=r"no such file or folder|cannot be read"):
        music_files([tmp_path / name])


def test_books_that_cannot_be_read_are_handed_over_and_the_rest_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.abc").write_bytes(b"\0")
    (tmp_path / "b.abc").write_text(TUNE)
    (tmp_path / "c.mxl").write_bytes(b"PK\3\4 broken")
    unreadable: list[FileError] = []
    books = list(load_books([tmp_path], on_unreadable=unreadable.append))
    assert [path.name for path, _ in books] == ["b.abc"]
    assert len(unreadable) == 2
    with pytest.raises(FileError, match="not a text file"):
        list(load_books([tmp_path]))


@pytest.mark.parametrize("text", ["<a><b>", "<!DOCTYPE x [<!ENTITY a 'b'>]><score-partwise>&a;</score-partwise>", ""])
def test_a_score_that_cannot_be_read_is_a_file_that_cannot_be_read(tmp_path: Path, text: str) -> None:
    (tmp_path / "score.musicxml").write_text(text)
    with pytest.raises(FileError, match=r"score\.musicxml"):
        load_book(tmp_path / "score.musicxml")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_old_and_new_encodings_give_the_same_title(tmp_path: Path, encoding: str) -> None:
    (tmp_path / "b.abc").write_bytes("T:M\u00e0iri\u2019s \u201cOwn\u201d\r\n".encode(encoding))
    assert read_text(tmp_path / "b.abc") == "T:M\u00e0iri\u2019s \u201cOwn\u201d\r\n"


def test_control_characters_are_marked_and_columns_stay(tmp_path: Path) -> None:
    (tmp_path / "b.abc").write_bytes(b"T:a\x1b[2J\tb\x07\x7f\n")
    assert read_text(tmp_path / "b.abc") == "T:a\ufffd[2J\tb\ufffd\ufffd\n"


def test_no_more_is_read_than_a_book_can_hold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read_files, "LARGEST_TEXT_BYTES", 10)
    (tmp_path / "b.abc").write_text(TUNE)
    with pytest.raises(FileError, match="larger than"):
        read_text(tmp_path / "b.abc")


def test_a_rulebook_is_not_disturbed_by_what_lies_beside_it(tmp_path: Path) -> None:
    (tmp_path / "photo.toml").write_bytes(b"\0")
    (tmp_path / "ours.toml").write_text('name = "Ours"\nextends = "common-practice"\n')
    assert load_rulebook("ours.toml", tmp_path).name == "Ours"


def test_readiness_is_read_by_title(tmp_path: Path) -> None:
    (tmp_path / "ready.toml").write_text('"The Cane Reed" = 0.8\n"reels.abc:2" = 1\n')
    assert load_readiness(tmp_path / "ready.toml") == {"The Cane Reed": 0.8, "reels.abc:2": 1.0}
