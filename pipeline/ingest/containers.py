"""What a file is made of, told by its first bytes; and who cuts each kind into records.

In:    the first bytes of an unpacked log; a `SourceFile` and the mapping that fits it.
Out:   the kind of content, or FileRefused with what to do; `CUTTERS`.
After: a workbook was read to its end with every checksum right and is within `Limits`. A new kind of container is one
       module and one line here (and one in mapping.CONTENTS).
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from pipeline.errors import FileRefused
from pipeline.ingest.containers_cut import Cut, RawText, Refuse
from pipeline.ingest.containers_json import cut_json_lines
from pipeline.ingest.containers_parquet import cut_parquet
from pipeline.ingest.containers_workbook import cut_workbook
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.mapping import LogMapping
from pipeline.settings import Limits

__all__ = ["CUTTERS", "Cut", "RawText", "check_content", "kind_of", "weigh_workbook"]

CUTTERS: Final[Mapping[str, Callable[[Path, LogMapping, Path, Refuse, Limits], Cut]]] = {
    "workbook": cut_workbook,
    "parquet": cut_parquet,
    "json_lines": cut_json_lines,
}
"""Content: what cuts the file (given the mapping, a folder to work in, where to refuse, limits)."""

HEAD: Final = 16
"""Bytes that tell what a file is."""
MOST_MEMBERS: Final = 10_000
"""Files in a workbook; a sheet is one."""
MOST_TEXTS: Final = 300_000_000
"""Bytes of a workbook's table of texts, which is held in memory."""
RATIO_FROM: Final = 1 << 20
"""Unpacked size, in bytes, from which the ratio counts: below it no harm can be done and short logs pack very well."""

# Told by their first bytes (each format's own specification), only to name them in the message.
_FOREIGN: Final = (
    (b"BZh", "packed with bzip2"),
    (b"\xfd7zXZ\x00", "packed with xz"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"SQLite format 3\x00", "an SQLite database"),
    (b"%PDF-", "a PDF"),
)
_DOCUMENTS: Final = ("an SQLite database", "a PDF")
"""Of these nothing can be unpacked."""
_OLD_OFFICE: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def kind_of(head: bytes) -> str:
    """text, workbook (or another zip: `weigh_workbook` tells) or parquet; FileRefused for what is none of them.

    >>> kind_of(b"PAR1;PAR2;PAR3"), kind_of(b"PAR1\\x15\\x04"), kind_of(b"PK\\x03\\x04")
    ('text', 'parquet', 'workbook')
    """
    for magic, what in _FOREIGN:
        if head.startswith(magic):
            packed = "Unpack it and give the logs in it, plain, as gzip or as zstd."
            other = "Have the log exported as text, .xlsx or Parquet."
            raise FileRefused(f"is {what}, not a log. {other if what in _DOCUMENTS else packed}")
    if head.startswith(_OLD_OFFICE):
        raise FileRefused("is a workbook of the old kind (.xls), or one with a password. Save it as .xlsx without one.")
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return "workbook"
    # After the mark comes the first field of a page or of the footer, a 32-bit number: 0x15 in Thrift's compact
    # protocol (Parquet format, parquet.thrift). A text may begin with PAR1.
    return "parquet" if head.startswith(b"PAR1\x15") else "text"


def weigh_workbook(path: Path, limits: Limits) -> tuple[str, int]:
    """SHA-256 over the names and unpacked bytes of all members in the order of their names, and their size in bytes.

    The same workbook packed in another way has the same hash. Raises FileRefused when it is no workbook, is damaged,
    or unpacks to more than the limits allow.
    """
    digest, size = hashlib.sha256(), 0
    packed = path.stat().st_size
    try:
        with zipfile.ZipFile(path) as archive:
            members = sorted(archive.infolist(), key=lambda m: m.filename)
            names = [m.filename for m in members]
            if "xl/workbook.xml" not in names or "[Content_Types].xml" not in names:
                raise FileRefused("is a zip archive, not a log. Unpack it and give the logs in it.")
            if len(members) > MOST_MEMBERS or len(set(names)) < len(names):
                raise FileRefused("is a workbook with too many or doubled parts. Save it again as .xlsx.")
            for member in members:
                if member.filename == "xl/sharedStrings.xml" and member.file_size > MOST_TEXTS:
                    raise FileRefused(f"is a workbook with more than {MOST_TEXTS} bytes of text. Export it as text.")
                digest.update(f"{len(member.filename)}:{member.filename}:{member.file_size}:".encode())
                with archive.open(member) as unpacked:
                    first = True
                    while piece := unpacked.read(1 << 20):
                        if first and (b"<!DOCTYPE" in piece[:4096] or b"<!ENTITY" in piece[:4096]):
                            raise FileRefused("is a workbook with XML that no spreadsheet program writes.")
                        first = False
                        size += len(piece)
                        check_size(size, packed, limits)
                        digest.update(piece)
    except (FileRefused, MemoryError):
        raise
    except Exception as error:  # zipfile raises many kinds for damaged archives
        raise FileRefused(f"is a damaged workbook ({error}). Copy it again.") from error
    return digest.hexdigest(), size


def check_size(size: int, packed: int | None, limits: Limits) -> None:
    """FileRefused when so many unpacked bytes are beyond the limits; packed: bytes before, None: not packed."""
    if size > limits.unpacked_bytes:
        raise FileRefused(
            f"holds more than {limits.unpacked_bytes} bytes. Split it, or raise unpacked_bytes in [limits]."
        )
    if packed is not None and size > RATIO_FROM and size > limits.unpacked_ratio * packed:
        raise FileRefused(
            f"unpacks to more than {limits.unpacked_ratio} times its size, which no log does. "
            "If it is one, raise unpacked_ratio in [limits]."
        )


def check_content(source: SourceFile, mapping: LogMapping) -> None:
    """FileRefused when the file is not made of what the mapping says."""
    found = source.encoding if source.encoding in ("workbook", "parquet") else "text"
    wanted = mapping.content if mapping.content in ("workbook", "parquet") else "text"
    if found != wanted:
        names = {"workbook": "a workbook", "parquet": "Parquet", "text": "text"}
        value = "delimited" if found == "text" else found
        raise FileRefused(
            f'is {names[found]}, but mapping "{mapping.name}" is for {names[wanted]}: write content = "{value}" at its '
            "top, or narrow its patterns in files."
        )
