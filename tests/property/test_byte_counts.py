"""Counting bytes by numpy gives what `bytes.count` gives."""

from __future__ import annotations

from unittest import mock

from hypothesis import given
from hypothesis import strategies as st

from pipeline.ingest import byte_counts
from pipeline.ingest.byte_counts import count_byte, count_pair

PIECES = st.lists(st.sampled_from([b"\r", b"\n", b";", b"a"]), max_size=40).map(b"".join)


@given(PIECES)
def test_counts_are_those_of_python(piece: bytes) -> None:
    with mock.patch.object(byte_counts, "LARGE", 0):
        for byte in (b"\r", b"\n", b";"):
            assert count_byte(piece, byte) == piece.count(byte)
        assert count_pair(piece, b"\r\n") == piece.count(b"\r\n")
