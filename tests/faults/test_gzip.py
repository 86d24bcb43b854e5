"""A gzip that is cut, bent or followed by something is refused whole, or its content is exactly what was packed."""

from __future__ import annotations

import gzip
import random
from pathlib import Path

from tests.faults.runs import check, nothing_loaded
from tests.plants import HEADER, make_plant, pickfall, query, some_picks, write_picks

PICKS = 400


def _packed() -> bytes:
    text = "\n".join([HEADER, *(line.text() for line in some_picks(PICKS))]) + "\n"
    return gzip.compress(text.encode(), mtime=0)


def _refused(plant: Path) -> int:
    ((found,),) = query(plant, "select count(*) from refused where load_id is null")
    assert isinstance(found, int)
    return found


def test_cut_at_every_per_cent(tmp_path: Path) -> None:
    plant, whole = make_plant(tmp_path), _packed()
    for share in range(1, 100):
        (plant / "inbox" / f"{share:02}_picks.csv.gz").write_bytes(whole[: len(whole) * share // 100])
    done = pickfall("ingest", "--plant", plant)
    check(done, 3, "99 file(s) refused as a whole")
    assert (
        sum("it was cut off. Copy it again. Nothing of this file was loaded." in x for x in done.stderr.split("\n"))
        == 99
    )
    nothing_loaded(plant)
    assert _refused(plant) == 99


def test_one_bit_flipped_at_many_places(tmp_path: Path) -> None:
    """A flip in a part of the header that says nothing about the content changes nothing; any other is found."""
    plant, whole = make_plant(tmp_path), _packed()
    rng = random.Random(20261126)
    harmless = {3, 4, 5, 6, 7, 8, 9}  # FTEXT among the flags, time, compressor, system: RFC 1952, section 2.3.1
    places = sorted({*range(10), *rng.sample(range(10, len(whole)), 190)})
    for place in places:
        bent = bytearray(whole)
        bent[place] ^= 1 << rng.randrange(8)
        (plant / "inbox" / f"{place:05}_picks.csv.gz").write_bytes(bytes(bent))
    check(pickfall("ingest", "--plant", plant), 3)
    good = {int(str(f)[6:11]) for (f,) in query(plant, "select file from load")}
    assert len(good) == 1, "the same content counts once"
    assert query(plant, "select count(*) from pick") == [(PICKS,)]
    assert query(plant, "select sum(rows_loaded) from load") == [(PICKS,)]
    assert good <= harmless
    bad = {int(str(f)[6:11]) for (f,) in query(plant, "select file from refused where load_id is null")}
    assert bad >= set(places) - harmless


def test_a_wrong_checksum_and_a_wrong_length(tmp_path: Path) -> None:
    plant, whole = make_plant(tmp_path), _packed()
    for place in range(1, 9):
        bent = bytearray(whole)
        bent[-place] ^= 0x55
        (plant / "inbox" / f"{place}_picks.csv.gz").write_bytes(bytes(bent))
    done = pickfall("ingest", "--plant", plant)
    check(done, 3, "8 file(s) refused as a whole")
    assert done.stderr.count("is a damaged gzip") == 8
    nothing_loaded(plant)


def test_garbage_behind_it(tmp_path: Path) -> None:
    plant, whole = make_plant(tmp_path), _packed()
    for i, more in enumerate((b"garbage", b"\x1f\x8b", b"\x1f\x8b\x08\x00", b"\n", whole[:-1], b"\0\0garbage")):
        (plant / "inbox" / f"{i}_picks.csv.gz").write_bytes(whole + more)
    done = pickfall("ingest", "--plant", plant)
    check(done, 3, "6 file(s) refused as a whole")
    assert done.stderr.count("gzip") >= 6
    nothing_loaded(plant)


def test_a_second_member_is_part_of_the_log(tmp_path: Path) -> None:
    """RFC 1952, section 2.2: members follow one another and their contents are one. Zeros behind them are padding."""
    plant = make_plant(tmp_path)
    lines = some_picks(200)
    write_picks(tmp_path / "whole.csv", lines)
    text = (tmp_path / "whole.csv").read_bytes()
    packed = b"".join(gzip.compress(text[i : i + 1000], mtime=0) for i in range(0, len(text), 1000))
    (plant / "inbox" / "a_picks.csv.gz").write_bytes(packed + b"\0" * 600)
    check(pickfall("ingest", "--plant", plant), 0)
    assert query(plant, "select count(*) from pick") == [(200,)]


def test_bombs(tmp_path: Path) -> None:
    """Zeros pack a thousand to one; a gzip in a gzip, and the same deeper, is no log."""
    plant = make_plant(tmp_path, "[limits]\nunpacked_bytes = 50000000\n")
    inner = _packed()
    (plant / "inbox" / "a_picks.csv.gz").write_bytes(gzip.compress(b"0" * 60_000_000))
    (plant / "inbox" / "b_picks.csv.gz").write_bytes(gzip.compress(inner))
    deep = inner
    for _ in range(20):
        deep = gzip.compress(deep)
    (plant / "inbox" / "c_picks.csv.gz").write_bytes(deep)
    rng = random.Random(1)
    (plant / "inbox" / "d_picks.csv.gz").write_bytes(gzip.compress(rng.randbytes(40_000).hex().encode() * 700))
    many = gzip.compress(b"x;" * 500_000)
    (plant / "inbox" / "e_picks.csv.gz").write_bytes(many * 60)
    done = pickfall("ingest", "--plant", plant)
    check(done, 3, "5 file(s) refused as a whole", "a_picks.csv.gz: unpacks to more than 400 times its size")
    check(done, 3, "d_picks.csv.gz: holds more than 50000000 bytes")
    nothing_loaded(plant)
    assert _refused(plant) == 5
