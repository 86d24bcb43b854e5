"""Encodings are told by the file itself or declared, never guessed."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from pipeline.errors import FileRefused
from pipeline.ingest.encoding import Decoder, detect, is_text_codec
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, stage

TEXT = "time;part;outcome\n2026-11-16 06:00:00;Größe 0402;OK\n" * 5


@pytest.mark.parametrize(
    ("mark", "codec"),
    [
        (b"\xef\xbb\xbf", "utf-8"),
        (b"\xff\xfe", "utf-16-le"),
        (b"\xfe\xff", "utf-16-be"),
        (b"\xff\xfe\x00\x00", "utf-32-le"),
        (b"\x00\x00\xfe\xff", "utf-32-be"),
    ],
)
def test_a_mark_tells_the_encoding_even_against_a_declared_one(mark: bytes, codec: str) -> None:
    # The marks: Unicode Standard, section 23.8, table 23-5.
    data = mark + TEXT.encode(codec)
    found = detect(data, "cp1252")
    assert found.codec == codec
    assert Decoder(found).decode(data, final=True) == TEXT


@pytest.mark.parametrize("codec", ["utf-16-le", "utf-16-be"])
def test_utf16_without_a_mark_is_told_by_its_nuls(codec: str) -> None:
    data = TEXT.encode(codec)
    assert detect(data, None).codec == codec
    assert Decoder(detect(data, None)).decode(data, final=True) == TEXT


def test_text_split_inside_a_character_is_put_together() -> None:
    data = "a;ä€😀\n".encode()
    for cut in range(len(data)):
        decoder = Decoder(detect(data, None))
        assert decoder.decode(data[:cut]) + decoder.decode(data[cut:]) + decoder.decode(b"", final=True) == "a;ä€😀\n"


def test_a_byte_that_is_not_utf8_names_line_byte_and_remedy() -> None:
    data = "a;b\nGröße;1\nok;ü\n".encode("cp1252")
    with pytest.raises(
        FileRefused, match=r"line 2 holds the byte 0xf6, which is not UTF-8.*encoding = \"cp1252\""
    ) as e:
        Decoder(detect(data, None)).decode(data, final=True)
    assert e.value.line == 2


def test_line_is_right_across_pieces() -> None:
    decoder = Decoder(detect(b"a", None))
    decoder.decode(b"1\n2\n")
    decoder.decode(b"3\n\xc3")
    with pytest.raises(FileRefused) as e:
        decoder.decode(b"(\n")
    assert e.value.line == 4


def test_a_declared_encoding_that_does_not_fit_is_refused() -> None:
    with pytest.raises(FileRefused, match=r"line 2 holds the byte 0x81, which is not cp1252\. Correct encoding"):
        Decoder(detect(b"a\n\x81\n", "cp1252")).decode(b"a\n\x81\n", final=True)


def test_a_nul_is_refused_with_its_line() -> None:
    with pytest.raises(FileRefused, match="NUL") as e:
        Decoder(detect(b"a\nb\x00\n", None)).decode(b"a\nb\x00\n", final=True)
    assert e.value.line == 2


def test_utf16_cut_in_the_middle_of_a_character_is_refused() -> None:
    data = b"\xff\xfe" + "a;b\n".encode("utf-16-le") + b"a"
    with pytest.raises(FileRefused, match="line 2"):
        Decoder(detect(data, None)).decode(data, final=True)


def test_only_text_codecs_can_be_declared() -> None:
    assert all(is_text_codec(c) for c in ("utf-8", "cp1252", "latin-1", "gb18030", "shift_jis", "utf-16"))
    assert not any(is_text_codec(c) for c in ("rot13", "hex", "zlib", "nonsense", ""))


CODE_PAGES = {
    "cp1250": "Příruba źle ő",
    "cp1251": "Сопло ошибка",
    "cp1252": "Düse Größe œ€",
    "cp1253": "Ακροφύσιο",
    "cp1254": "başlık ığ",
    "cp1255": "פיה",
    "cp1256": "فوهة",
    "cp1257": "ąžuolas ķ",
    "cp1258": "đơn ư",
    "cp932": "ノズル表示ソ能十①髙ｱ",
    "shift_jis": "ノズル表示ソ能十",
    "euc_jp": "ノズル表示ソ能十ｱ",
}
"""Code page: text with letters of its own. ソ 表 能 十 end with the byte of a backslash in Shift JIS (JIS X 0208)."""


@pytest.mark.parametrize("codec", CODE_PAGES)
@pytest.mark.parametrize("delimiter", [";", "|", "\t", ","])
def test_code_pages_in_real_files(tmp_path: Path, codec: str, delimiter: str) -> None:
    text = CODE_PAGES[codec]
    mapping = MAPPING.replace('delimiter = ";"', f'delimiter = {json.dumps(delimiter)}\nencoding = "{codec}"')
    mapping = mapping.replace('nozzle = "N"', f'nozzle = "{text}"').replace("OK =", f'"{text}" =')
    lines = (HEAD.replace("N;", f"{text};", 1) + GOOD.replace("N1", text).replace("OK", text)).replace(";", delimiter)
    for content in (lines.encode(codec), gzip.compress((lines + "torn\n").encode(codec))):
        got = stage(tmp_path, content, mapping)
        assert got.rows("nozzle, outcome") == [(text, "placed")]
    with pytest.raises(FileRefused, match="which is not UTF-8"):
        stage(tmp_path, lines.encode(codec), mapping.replace(f'encoding = "{codec}"', 'encoding = "auto"'))


@pytest.mark.parametrize("codec", ["cp932", "euc_jp"])
def test_japanese_text_cut_inside_a_character_is_refused_with_its_line(codec: str) -> None:
    data = "a\nノズル\nソ".encode(codec)
    with pytest.raises(FileRefused) as e:
        Decoder(detect(data, codec)).decode(data[:-1], final=True)
    assert e.value.line == 3


def test_the_wrong_japanese_code_page_is_refused() -> None:
    data = "吸着エラー;部品①\n".encode("cp932")
    for wrong in ("euc_jp", "shift_jis"):
        with pytest.raises(FileRefused, match="Correct encoding"):
            Decoder(detect(data, wrong)).decode(data, final=True)
