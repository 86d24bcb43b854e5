"""Opening a log: what is read to its end, what is refused, and what lies on disk afterwards."""

from __future__ import annotations

import gzip
import hashlib
import os
from pathlib import Path

import pytest

from pipeline.errors import FileRefused
from pipeline.ingest.source import PIECE, SAMPLE, open_source
from pipeline.settings import Limits

TEXT = "time;machine;outcome\n" + "".join(f"2026-11-16 06:00:{i:02d};M1;OK\n" for i in range(60))
LIMITS = Limits()


def make(folder: Path, data: bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def work(folder: Path) -> Path:
    made = folder / "work"
    made.mkdir(exist_ok=True)
    return made


def refused(path: Path, limits: Limits = LIMITS, encoding: str | None = None) -> str:
    where = work(path.parent)
    before = sorted(where.iterdir())
    with pytest.raises(FileRefused) as error:
        open_source(path, where, limits, encoding=encoding)
    assert sorted(where.iterdir()) == before  # no copy of a refused file is left
    return error.value.reason


def test_plain_utf8_is_read_where_it_lies(tmp_path: Path) -> None:
    path = make(tmp_path, TEXT.encode())
    source = open_source(path, work(tmp_path), LIMITS)
    assert (source.path, source.text, source.encoding) == (path, path, "utf-8")
    assert source.content_hash == hashlib.sha256(TEXT.encode()).hexdigest()
    assert source.size == len(TEXT.encode())
    assert source.sample == TEXT
    assert list(work(tmp_path).iterdir()) == []


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz", "a[1].csv", "'; drop table pick; --.csv"])
def test_gzip_is_told_by_its_content_and_hashed_unpacked(tmp_path: Path, name: str) -> None:
    source = open_source(make(tmp_path, gzip.compress(TEXT.encode()), name), work(tmp_path), LIMITS)
    assert source.text.parent == work(tmp_path)
    assert source.text.read_bytes() == TEXT.encode()
    assert source.content_hash == hashlib.sha256(TEXT.encode()).hexdigest()


def test_a_plain_file_called_gz_is_read_as_plain(tmp_path: Path) -> None:
    assert open_source(make(tmp_path, TEXT.encode(), "log.gz"), work(tmp_path), LIMITS).sample == TEXT


def test_several_gzip_members_are_one_log(tmp_path: Path) -> None:
    data = gzip.compress(TEXT[:100].encode()) + gzip.compress(TEXT[100:].encode())
    assert open_source(make(tmp_path, data), work(tmp_path), LIMITS).text.read_text() == TEXT


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda d: d[:-8] + bytes([d[-8] ^ 1]) + d[-7:], "damaged gzip"),  # checksum
        (lambda d: d[:-4] + bytes([d[-4] ^ 1]) + d[-3:], "damaged gzip"),  # length
        (lambda d: d[: len(d) // 2], "cut off"),
        (lambda d: d[:-3], "cut off"),
        (lambda d: d + b"garbage", "damaged gzip"),
        (lambda d: d[:40] + bytes([d[40] ^ 0x10]) + d[41:], "gzip"),  # a flipped bit inside
        (lambda d: d[:3] + b"\x04", "cut off"),
    ],
)
def test_damaged_gzip_is_refused_as_a_whole(tmp_path: Path, damage, words: str) -> None:  # type: ignore[no-untyped-def]
    assert words in refused(make(tmp_path, damage(gzip.compress(TEXT.encode()))))


def test_a_bomb_is_refused_by_ratio_and_by_size(tmp_path: Path) -> None:
    bomb = make(tmp_path, gzip.compress(b"0" * 20_000_000))
    assert "times its size" in refused(bomb)
    assert "more than 5000000 bytes" in refused(bomb, Limits(unpacked_ratio=100_000, unpacked_bytes=5_000_000))
    assert "more than 100 bytes" in refused(make(tmp_path, TEXT.encode()), Limits(unpacked_bytes=100))


def test_a_log_that_packs_well_is_no_bomb(tmp_path: Path) -> None:
    data = gzip.compress(b"2026-11-16 06:00:00;M1;OK\n" * 30_000)
    assert 30_000 * 26 / len(data) > 200
    assert open_source(make(tmp_path, data), work(tmp_path), Limits(unpacked_ratio=200)).size == 30_000 * 26


@pytest.mark.parametrize("codec", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_other_unicode_becomes_utf8_without_mark(tmp_path: Path, codec: str) -> None:
    data = TEXT.replace("M1", "Mü").encode(codec)
    source = open_source(make(tmp_path, data), work(tmp_path), LIMITS)
    assert source.text.read_bytes() == TEXT.replace("M1", "Mü").encode()
    assert source.content_hash == hashlib.sha256(data).hexdigest()
    assert source.size == len(data)


def test_a_declared_encoding_is_used_for_plain_and_packed(tmp_path: Path) -> None:
    data = TEXT.replace("M1", "Mü").encode("cp1252")
    for content in (data, gzip.compress(data)):
        source = open_source(make(tmp_path, content), work(tmp_path), LIMITS, encoding="cp1252")
        assert source.text.read_text(encoding="utf-8") == TEXT.replace("M1", "Mü")
        assert (source.encoding, source.content_hash) == ("cp1252", hashlib.sha256(data).hexdigest())
    assert "line 2 holds the byte 0xfc" in refused(make(tmp_path, data))
    assert "line 2 holds the byte 0xfc" in refused(make(tmp_path, gzip.compress(data)))


def test_declared_utf8_is_still_read_where_it_lies(tmp_path: Path) -> None:
    path = make(tmp_path, TEXT.encode())
    assert open_source(path, work(tmp_path), LIMITS, encoding="UTF8").text == path


def test_characters_split_between_pieces(tmp_path: Path) -> None:
    text = "a" * ((1 << 20) - 1) + "ä\n" + "b" * 100
    source = open_source(make(tmp_path, b"\xef\xbb\xbf" + text.encode()), work(tmp_path), LIMITS)
    assert source.text.read_text(encoding="utf-8") == text
    assert source.sample == "a" * SAMPLE


@pytest.mark.parametrize("data", [b"", b"\n", b" \r\n\t\n", b"\xef\xbb\xbf", b"\xff\xfe", gzip.compress(b"", mtime=0)])
def test_empty_is_refused(tmp_path: Path, data: bytes) -> None:
    reason = refused(make(tmp_path, data))
    assert "is empty" in reason or "nothing but blanks" in reason


def test_nul_bytes_are_refused(tmp_path: Path) -> None:
    assert "line 2 holds a NUL" in refused(make(tmp_path, b"a;b\n1;\x00\n"))
    assert "NUL" in refused(make(tmp_path, b"\x00" * 5000))


@pytest.mark.parametrize("data", [b"BZh91AY", b"\xfd7zXZ\x00\x00", gzip.compress(b"BZh91AY", mtime=0)])
def test_other_packings_are_named(tmp_path: Path, data: bytes) -> None:
    assert "Unpack it" in refused(make(tmp_path, data))


@pytest.mark.parametrize("data", [b"%PDF-1.7", b"SQLite format 3\x00"])
def test_of_what_holds_no_log_nothing_can_be_unpacked(tmp_path: Path, data: bytes) -> None:
    assert "exported as text" in refused(make(tmp_path, data))


def test_only_regular_files(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link.csv").symlink_to(make(tmp_path, TEXT.encode()))
    os.mkfifo(tmp_path / "pipe")
    assert "a directory" in refused(tmp_path / "folder")
    assert "a link" in refused(tmp_path / "link.csv")
    assert "no regular file" in refused(tmp_path / "pipe")
    assert "cannot be opened" in refused(tmp_path / "missing.csv")


def test_a_file_that_grows_while_it_is_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make(tmp_path, gzip.compress(TEXT.encode()))
    real = hashlib.sha256

    def grow() -> object:
        with path.open("ab") as file:
            file.write(gzip.compress(b"more\n"))
        return real()

    monkeypatch.setattr("pipeline.ingest.source.hashlib.sha256", grow)
    assert "still being written" in refused(path)


@pytest.mark.parametrize(
    ("bad", "words"),
    [(b"\0", "holds a NUL byte"), (b"\xfc", "holds the byte 0xfc"), (b"\xc3", "holds the byte 0xc3")],
)
@pytest.mark.parametrize("pieces", [1, 3])
def test_a_bad_byte_behind_pieces_of_plain_ascii_names_its_line(
    tmp_path: Path, bad: bytes, words: str, pieces: int
) -> None:
    before = b"2026-11-16 06:00:00;M1;OK\n" * (pieces * PIECE // 26 + 5)
    path = make(tmp_path, before + b"2026;" + bad + b";OK\n" + b"2026-11-16 06:00:01;M1;OK\n" * 3)
    number = before.count(b"\n") + 1
    assert refused(path).startswith(f"line {number} {words}")


def test_a_letter_across_two_pieces_behind_plain_ascii_is_read(tmp_path: Path) -> None:
    line = b"2026-11-16 06:00:00;M1;OK\n"
    before = line * (2 * PIECE // 26)
    data = before + b"k" * (2 * PIECE - len(before) - 1) + "ü\n".encode() + line * (PIECE // 26)
    assert data[2 * PIECE - 1 : 2 * PIECE + 1] == "ü".encode()
    packed = open_source(make(tmp_path, gzip.compress(data, 1), "log.gz"), work(tmp_path), LIMITS)
    assert packed.text.read_bytes() == data
    plain = open_source(make(tmp_path, data), work(tmp_path), LIMITS)
    assert plain.content_hash == packed.content_hash == hashlib.sha256(data).hexdigest()
