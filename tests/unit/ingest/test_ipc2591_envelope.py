"""Forms of a recorded file, identity of a message, and what is refused. JSON: RFC 8259; envelope: IPC-2591."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import FileRefused
from pipeline.ingest import ipc2591_envelope as reader
from pipeline.ingest import ipc2591_rows as rows
from pipeline.ingest.ipc2591 import Ipc2591
from pipeline.ingest.ipc2591_envelope import envelopes
from pipeline.ingest.ipc2591_structures import Unusable
from tests.fixtures_ipc2591 import (
    CONSUMED,
    FAULT,
    RECIPE,
    TIME,
    TOTALS,
    Staged,
    envelope,
    installed,
    material,
    placed,
    source,
    stage,
    write,
)

ONE = installed(material([placed()]), UniqueID="id-1")
TWO = installed(material([placed("C2")]), UniqueID="id-2")
BEAT = envelope("CFX.Heartbeat", {"HeartbeatFrequency": "00:05:00"}, UniqueID="id-3")


def _file(tmp_path: Path, content: str) -> Path:
    path = tmp_path / "log.json"
    path.write_bytes(content.encode("utf-8"))
    return path


def _ids(got: Staged) -> list[tuple[Any, ...]]:
    """Line and identity; of an identity that is no UUID the `UniqueID` in it, once sender and moment are seen."""
    found = []
    for line, identity in got.rows("message", "line", "message_id"):
        if identity.startswith("["):
            unique, sender, moment = json.loads(identity)
            assert (sender, moment) == ("M1", TIME)
            found.append((line, unique))
        else:
            found.append((line, identity))
    return found


@pytest.mark.parametrize(
    "content",
    [
        pytest.param("\n".join(json.dumps(m) for m in (ONE, TWO, BEAT)), id="a line each"),
        pytest.param("".join(json.dumps(m) + "\r\n" for m in (ONE, TWO, BEAT)), id="a line each, CRLF"),
        pytest.param(json.dumps([ONE, TWO, BEAT]), id="array on a line"),
        pytest.param(json.dumps([ONE, TWO, BEAT], indent=2), id="array over many lines"),
        pytest.param("[" + ",\n".join(json.dumps(m) for m in (ONE, TWO, BEAT)) + "\n]\n", id="array, a line each"),
        pytest.param("\n".join(json.dumps(m, indent=1) for m in (ONE, TWO, BEAT)), id="over many lines one by one"),
        pytest.param(f"[{json.dumps(ONE)}]\n[{json.dumps(TWO)},{json.dumps(BEAT)},]", id="two arrays"),
        pytest.param("\r".join(json.dumps(m) for m in (ONE, TWO, BEAT)), id="line ends of old systems"),
    ],
)
@pytest.mark.parametrize("piece", [7, 1 << 20])
def test_every_form_gives_the_same(tmp_path: Path, content: str, piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "PIECE", piece)
    path = _file(tmp_path, content)
    assert Ipc2591().recognises(source(path))
    got = stage(path)
    assert _ids(got) == [(1, "id-1"), (2, "id-2"), (3, "id-3")]
    assert got.rows("pick", "line", "designator") == [(1, "C1"), (2, "C2")]
    assert (got.read, got.ignored, got.count("refused")) == (3, 1, 0)


def test_single_envelope_over_many_lines(tmp_path: Path) -> None:
    assert _ids(stage(_file(tmp_path, json.dumps(ONE, indent=4)))) == [(1, "id-1")]


def test_physical_lines_count_and_blank_ones_are_no_records(tmp_path: Path) -> None:
    got = stage(_file(tmp_path, f"\n{json.dumps(ONE)}\n\n  \n{json.dumps(TWO)}"))
    assert _ids(got) == [(2, "id-1"), (5, "id-2")]
    assert got.read == 2


@pytest.mark.parametrize("content", ["[]", "[ ]\n", ""])
def test_no_envelopes(tmp_path: Path, content: str) -> None:
    assert stage(_file(tmp_path, content)).read == 0


@pytest.mark.parametrize(
    ("content", "known"),
    [
        (json.dumps(ONE), True),
        (json.dumps([ONE]), True),
        ('"torn": 1}\n' + json.dumps(ONE), True),
        ("time,note\n1,MessageName MessageBody", False),
        ('time;note\n1;"MessageName""MessageBody"', False),
        ('{"MessageName": 1}', False),
        ("", False),
    ],
)
def test_recognised_by_content(tmp_path: Path, content: str, known: bool) -> None:
    path = tmp_path / "log.csv"
    path.write_text(content, encoding="utf-8")
    assert Ipc2591().recognises(source(path)) is known
    assert Ipc2591().describe(source(path)) is None
    assert Ipc2591().encoding(path) is None


def test_unknown_message_and_unknown_fields_are_passed_over(tmp_path: Path) -> None:
    odd = installed(material([placed(Later=[1, {"x": None}])]), UniqueID="a", NewField={"deep": [1]})
    got = stage(write(tmp_path / "a.ndjson", [odd, {"MessageName": "CFX.New.Thing", "MessageBody": None}]))
    assert (got.read, got.ignored, got.count("refused"), got.count("pick")) == (2, 1, 0, 1)
    assert got.count("message") == 2


def test_message_without_identity_gets_one_from_its_content(tmp_path: Path) -> None:
    plain = installed(material([placed()]))
    nil = "00000000-0000-0000-0000-000000000000"  # RFC 9562, section 5.9
    turned = json.dumps(dict(reversed(plain.items())), indent=None, separators=(" ,", ": "))
    other = installed(material([placed("C9")]))
    got = stage(write(tmp_path / "a.ndjson", [plain, turned, other, {**plain, "UniqueID": nil}]))
    first, again, different, nil_id = (row[1] for row in _ids(got))
    assert first.startswith("sha256:")
    assert len(first) == 71
    assert first == again
    assert len({first, different, nil_id}) == 3
    assert nil_id.startswith("sha256:")


DEEP = "[" * 300 + "]" * 300
GOOD = json.dumps(ONE)


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ('{"MessageName": tru}', "not valid JSON"),
        ('{"MessageName": "x", "MessageBody": NaN}', "NaN is no JSON number"),
        ('{"MessageName": "x", "a": ' + "9" * 5000 + "}", "not valid JSON"),
        (GOOD.replace('"Version"', '"Source"'), 'the key "Source" stands twice'),
        (GOOD.replace('"HeadId": "H1"', '"HeadId": "H1", "HeadId" : "H1"'), 'the key "HeadId" stands twice'),
        (GOOD.replace('"HeadId": "H1"', '"HeadId" : "H1", "HeadId"\t: "H2", "x": "\\":"'), 'the key "HeadId" stands'),
        (GOOD[:-1] + f', "x": {DEEP}}}', "nested deeper than 200"),
        (GOOD[:-1] + ', "x": ' + "[" * 100_000 + "]" * 100_000 + "}", "nested deeper than 200"),
        ("[1]", "holds a list, expected an object"),
        ("17", 'holds "17", expected an object'),
        (GOOD.replace("NZ9", "\\u0000"), "a NUL or half a character"),
        (GOOD.replace("NZ9", "\\ud800x"), "a NUL or half a character"),
        (json.dumps({**ONE, "MessageName": None}), "MessageName is missing"),
        (json.dumps({**ONE, "MessageName": False}), "MessageName is false, expected text"),
        (json.dumps({**ONE, "Source": ""}), "Source is missing"),
        (json.dumps({**ONE, "Source": True}), "Source is true, expected text"),
        (json.dumps({**ONE, "UniqueID": []}), "UniqueID is a list, expected text"),
        (json.dumps({**ONE, "MessageBody": [1]}), "MessageBody is no object"),
        (json.dumps({**ONE, "MessageBody": None}), "MessageBody is no object"),
    ],
)
@pytest.mark.parametrize("form", ["lines", "array"])
def test_one_bad_envelope_is_refused_alone(tmp_path: Path, bad: str, said: str, form: str) -> None:
    texts = [json.dumps(TWO), bad, json.dumps(BEAT)]
    content = "\n".join(texts) if form == "lines" else f"[{','.join(texts)}]"
    got = stage(_file(tmp_path, content))
    ((line, raw, reason),) = got.rows("refused", "line", "raw", "reason")
    assert line == 2
    assert raw == bad[:2000]
    assert said in reason
    assert "expected" in reason
    assert reason.endswith("Envelope refused; have the sender corrected.")
    assert _ids(got) == [(1, "id-2"), (3, "id-3")]
    assert got.rows("pick", "line") == [(1,)]
    assert got.read == 3


def _body(name: str, **body: Any) -> dict[str, Any]:
    return envelope(name, body)


def _entry(**other: Any) -> dict[str, Any]:
    return installed(material([placed()]), material([placed("C2")], **other))


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (_entry(QuantityInstalled="many"), 'QuantityInstalled is "many", expected a whole number'),
        (_entry(QuantityInstalled=1.5), "QuantityInstalled"),
        (_entry(QuantityNonInstalled=-1), "QuantityNonInstalled"),
        (_entry(QuantityInstalled=True), "QuantityInstalled is true"),
        (_entry(QuantityInstalled=10**30), "QuantityInstalled"),
        (_entry(Material="R1"), "Material is"),
        (_entry(CarrierLocation=[]), "CarrierLocation is a list, expected an object"),
        (_entry(CarrierLocation={"CarrierInformation": 7}), "CarrierInformation"),
        (_entry(InstalledComponents={}), "InstalledComponents is an object, expected a list"),
        (_entry(InstalledComponents=[7]), "InstalledComponents holds"),
        (_entry(NonInstalledComponents="x"), "NonInstalledComponents"),
        (_entry(InstalledComponents=[placed(HeadAndNozzle=[])]), "HeadAndNozzle is a list"),
        (_entry(InstalledComponents=[placed(ReferenceDesignator={})]), "ReferenceDesignator is an object"),
        (_entry(InstalledComponents=[placed(InstallationTime="2026-11-16T06:00:00")]), "a time without offset"),
        (_entry(InstalledComponents=[placed(InstallationTime="yesterday")]), "InstallationTime"),
        (_entry(InstalledComponents=[placed(InstallationTime="2026-02-30T06:00:00+01:00")]), "InstallationTime"),
        (_entry(InstalledComponents=[placed(InstallationTime="1970-01-01T00:00:00Z")]), "between 1990 and 2099"),
        (_entry(InstalledComponents=[placed(InstallationTime=7)]), "InstallationTime"),
        (_entry(InstalledComponents=[{}]) | {"TimeStamp": None}, "TimeStamp is missing"),
        (_entry(InstalledComponents=[{}]) | {"TimeStamp": TIME[:19]}, "a time without offset"),
        (_body(CONSUMED, ConsumedMaterials=[{"QuantityUsed": "1", "QuantitySpoiled": "x"}]), "QuantitySpoiled"),
        (_body(CONSUMED, ConsumedMaterials=7), "ConsumedMaterials"),
        (_body(TOTALS, TotalComponentsPlaced=1, EndTime=TIME), "StartTime is missing"),
        (_body(TOTALS, TotalComponentsPlaced=1, StartTime=TIME, EndTime="2026-11-16T05:59:00+01:00"), "EndTime lies"),
        (_body(FAULT, Fault="x"), "Fault is"),
        (_body(RECIPE, RecipeName="P", WorkOrderIdentifier="WO"), "WorkOrderIdentifier is"),
        (_body(RECIPE, RecipeName={}), "RecipeName is an object"),
    ],
)
def test_wrong_structures_refuse_the_whole_envelope(tmp_path: Path, message: dict[str, Any], said: str) -> None:
    got = stage(write(tmp_path / "a.ndjson", [message]))
    assert len(got.reasons()) == 1
    assert said in got.reasons()[0]
    for table in ("pick", "measurement", "counter", "check_total", "fault", "activity", "message"):
        assert got.count(table) == 0
    assert (got.read, got.ignored) == (1, 0)


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (f"[{GOOD},{GOOD}", 3),
        (f"[{GOOD},", 2),
        (f"[{GOOD},{GOOD[:-1]}", 2),
        (f'[{GOOD},{{"x": "no end]', 2),
        (f"[{GOOD} {GOOD}]", 1),
        (f"[{GOOD},,{GOOD}]", 2),
        (f"[{GOOD}] and more", 2),
        (json.dumps(ONE, indent=1)[:-2], 1),
        (json.dumps(ONE, indent=1) + "\n}", 2),
    ],
)
def test_file_without_boundaries_is_refused_as_a_whole(tmp_path: Path, content: str, line: int) -> None:
    with pytest.raises(FileRefused) as refused:
        stage(_file(tmp_path, content))
    assert refused.value.line == line
    assert "opy it again" in refused.value.reason


def test_line_that_is_cut_off_costs_that_line_only(tmp_path: Path) -> None:
    got = stage(_file(tmp_path, f"{GOOD}\n{json.dumps(TWO)}\n{json.dumps(BEAT)[:-3]}"))
    assert [row[0] for row in got.rows("refused", "line")] == [3]
    assert _ids(got) == [(1, "id-1"), (2, "id-2")]


@pytest.mark.parametrize("torn", [GOOD[200:], '{"MessageName": "CFX.Hea'])
def test_torn_first_line_costs_that_line_only(tmp_path: Path, torn: str) -> None:
    got = stage(_file(tmp_path, f"{torn}\n{json.dumps(TWO)}\n{json.dumps(BEAT)}\n"))
    assert [row[0] for row in got.rows("refused", "line")] == [1]
    assert _ids(got) == [(2, "id-2"), (3, "id-3")]


def test_envelope_beyond_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "LIMIT", 2000)
    monkeypatch.setattr(reader, "PIECE", 100)
    large = json.dumps({**BEAT, "x": "y" * 5000})
    got = stage(_file(tmp_path, f"{GOOD}\n{large}\n{json.dumps(TWO)}\n"))
    assert [row[0] for row in got.rows("refused", "line")] == [2]
    assert "more than 2000 characters" in got.reasons()[0]
    assert _ids(got) == [(1, "id-1"), (3, "id-2")]
    with pytest.raises(FileRefused, match="more than 2000 characters"):
        stage(_file(tmp_path, f"[{GOOD},{large}]"))


def test_text_that_looks_like_structure_is_text(tmp_path: Path) -> None:
    nasty = 'a":{[}]\\" : , \u2028 é'
    odd = installed(material([placed(nasty)]), UniqueID="id-1")
    for content in (json.dumps(odd), json.dumps([odd], ensure_ascii=False, indent=1)):
        got = stage(_file(tmp_path, content))
        assert got.rows("pick", "designator") == [(nasty,)]


def test_reading_stops_at_nothing_but_the_envelope(tmp_path: Path) -> None:
    found = list(envelopes(_file(tmp_path, f'[{GOOD}, 7, "a,]", null, [1,[2]], {{"a":1}}]')))
    assert [number for number, _, _ in found] == [1, 2, 3, 4, 5, 6]
    assert [raw for _, raw, _ in found] == [GOOD, "7", '"a,]"', "null", "[1,[2]]", '{"a":1}']
    assert [isinstance(content, Unusable) for _, _, content in found] == [False, True, True, True, True, False]


def test_batches_hold_few_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rows, "BATCH", 2)
    got = stage(write(tmp_path / "a.ndjson", [installed(material([placed()]), UniqueID=str(n)) for n in range(7)]))
    assert (got.count("pick"), got.count("message")) == (7, 7)
