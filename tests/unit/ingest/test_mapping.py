"""Log mappings: what is accepted, and that every mistake names its line and the remedy."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from pipeline.errors import SettingsError
from pipeline.ingest.mapping import (
    CONTENTS,
    FILTERS,
    LOG_TABLES,
    UNITS,
    WORDS,
    Filter,
    LogMapping,
    TextRules,
    TimeRules,
    load_mapping,
    load_mappings,
)
from pipeline.schema.words import OUTCOMES, REASON_GROUPS

GOOD = """format = 1
name = "line 1"
table = "pick"
files = ["picks_*.csv", "P[0-9].log"]

[text]
delimiter = ";"
decimal = ","
thousands = "."
null = ["-", "n/a"]
encoding = "cp1252"

[time]
columns = ["DATE", "TIME"]
format = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Berlin"

[columns]
nozzle = "NOZ"
outcome = "RESULT"
reason = "ERR"
dx = "X"
method = 7

[file_name]
pattern = "picks_(?P<machine>[^_]+)_"

[constants]
lighting = "red"

[outcome]
"OK" = "placed"
"E1" = "missed"
"" = "unknown"

[reason]
"17" = "vacuum"

[values.method]
"L" = "laser"

[units]
dx = "um"
"""


def load(folder: Path, text: str) -> LogMapping:
    path = folder / "m.toml"
    path.write_text(text, encoding="utf-8")
    return load_mapping(path)


def test_a_good_mapping(tmp_path: Path) -> None:
    mapping = load(tmp_path, GOOD)
    assert (mapping.name, mapping.table, mapping.files) == ("line 1", "pick", ("picks_*.csv", "P[0-9].log"))
    assert (mapping.text.delimiter, mapping.text.quote, mapping.text.null) == (";", '"', ("-", "n/a"))
    assert mapping.time.columns == ("DATE", "TIME")
    assert (mapping.time.repeated_hour, mapping.time.absolute) == ("order", False)
    assert mapping.columns["method"] == (7,)
    assert mapping.from_file_name() == ("machine",)
    assert mapping.words_for("method") == {"L": "laser"}
    assert mapping.words_for("nozzle") is None


def test_the_digest_changes_with_the_text(tmp_path: Path) -> None:
    assert load(tmp_path, GOOD).digest != load(tmp_path, GOOD + "# note\n").digest


@pytest.mark.parametrize(
    ("name", "fits"),
    [
        ("picks_M1_.csv", True),
        ("picks_M1_.csv.gz", True),
        ("PICKS_M1_.csv", False),
        ("P7.log", True),
        ("Px.log", False),
        ("xpicks_1.csv", False),
        ("picks_<b>x<b>.csv", True),
        ("picks_[1].csv", True),
    ],
)
def test_file_patterns(tmp_path: Path, name: str, fits: bool) -> None:
    assert load(tmp_path, GOOD).fits(Path("/any/where") / name) is fits


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("format = 1", "format = 2", 1, "format = 1"),
        ("format = 1\n", "", 0, '"format" is missing'),
        ('name = "line 1"', "name = 3", 2, "must be a text"),
        ('table = "pick"', 'table = "picks"', 3, "use one of pick"),
        ('files = ["picks_*.csv", "P[0-9].log"]', "files = []", 4, "list of texts"),
        ('files = ["picks_*.csv", "P[0-9].log"]', 'files = "*.csv"', 4, "list of texts"),
        ("[constants]", "[constant]", 28, 'Did you mean "constants"'),
        ('delimiter = ";"', 'delimeter = ";"', 7, 'Did you mean "delimiter"'),
        ('delimiter = ";"', 'delimiter = ";;"', 7, "one ASCII character"),
        ('delimiter = ";"', "delimiter = '\"'", 7, "another character than the quote"),
        ('decimal = ","', 'decimal = ";"', 8, 'must be "." or ","'),
        ('thousands = "."', 'thousands = ","', 9, "another character than decimal"),
        ('encoding = "cp1252"', 'encoding = "cp1252x"', 11, "Python codec"),
        ('null = ["-", "n/a"]', 'null = ["-", "E1"]', 33, "means nothing"),
        ('columns = ["DATE", "TIME"]', "columns = [true]", 14, "place from 1"),
        ('columns = ["DATE", "TIME"]', "columns = [0]", 14, "place from 1"),
        ('columns = ["DATE", "TIME"]', "columns = []", 14, "names no column"),
        ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %Q", 15, "holds %Q"),
        ("%d.%m.%Y %H:%M:%S", "%H:%M", 15, "whole date and the hour"),
        ("%d.%m.%Y %H:%M:%S", "%Y-%m-%d %I:%M", 15, "whole date and the hour"),
        ("%d.%m.%Y %H:%M:%S", "epoch_s", 16, "leave out zone"),
        ("Europe/Berlin", "Europe/Nowhere", 16, "not known"),
        ('zone = "Europe/Berlin"', 'repeated_hour = "last"', 16, "use one of order"),
        ('zone = "Europe/Berlin"', 'missing_hour = "shift"', 16, "use one of refuse"),
        ('nozzle = "NOZ"', 'nozle = "NOZ"', 19, 'Did you mean "nozzle"'),
        ('nozzle = "NOZ"', 'time = "NOZ"', 19, "described in [time]"),
        ('nozzle = "NOZ"', 'reason_group = "NOZ"', 19, "list it in [reason]"),
        ('nozzle = "NOZ"', 'load_id = "NOZ"', 19, "unknown key"),
        ('outcome = "RESULT"', 'outcome = ["A", "B"]', 20, "takes one column"),
        ('dx = "X"', 'dx = ["A", "B"]', 22, "takes one column"),
        ('nozzle = "NOZ"', 'nozzle = ["A", true]', 19, "place from 1"),
        ('nozzle = "NOZ"', "nozzle = 1.5", 19, "place from 1"),
        ("(?P<machine>[^_]+)", "(?P<maschine>[^_]+)", 25, "unknown key"),
        ("(?P<machine>[^_]+)", "(?P<machine>[^_]+", 26, "regular expression"),
        ("(?P<machine>[^_]+)", "[^_]+", 26, "no group"),
        ("(?P<machine>[^_]+)", "(?P<head>[^_]+)", 18, 'needs "machine"'),
        ('lighting = "red"', 'nozzle = "N1"', 29, "given twice"),
        ('lighting = "red"', 'machine = "M1"', 25, "given twice"),
        ('lighting = "red"', "lighting = 3", 29, "text in quotes"),
        ('lighting = "red"', 'try_number = "1"', 29, "must be a number"),
        ('"OK" = "placed"', '"OK" = "fine"', 32, "use one of placed"),
        ('outcome = "RESULT"', 'recipe = "RESULT"', 18, 'needs "outcome"'),
        ('"17" = "vacuum"', '"17" = "leak"', 37, "use one of vacuum"),
        ('"L" = "laser"', '"L" = "lazer"', 40, "use one of laser"),
        ("[values.method]", "[values.nozzle]", 39, "unknown key"),
        ('dx = "um"', 'dx = "inch"', 43, "use one of mm"),
        ('dx = "um"', 'dy = "um"', 43, "[columns] has not"),
        ('name = "line 1"', 'name = "line 1', 2, "not valid TOML"),
    ],
)
def test_every_mistake_names_line_and_remedy(tmp_path: Path, old: str, new: str, line: int, words: str) -> None:
    assert old in GOOD
    with pytest.raises(SettingsError) as error:
        load(tmp_path, GOOD.replace(old, new, 1))
    assert words in str(error.value)
    assert error.value.line == line, str(error.value)


MORE = """format = 1
name = "line 2"
table = "pick"
files = ["*.xlsx"]
content = "workbook"

[workbook]
sheet = "Log"

[text]
header_rows = 2
skip_end = 1

[[filter]]
column = "KIND"
equals = ["A", "B"]

[[filter]]
column = 3
matches = "^P"

[time]
columns = ["T"]
format = "%Y-%m-%d %H:%M"

[columns]
outcome = "R"

[file_name]
folder = "^(?P<machine>[^/]+)"

[outcome]
OK = "placed"
"""


def test_a_mapping_of_a_workbook_with_filters(tmp_path: Path) -> None:
    mapping = load(tmp_path, MORE)
    assert (mapping.content, mapping.sheet, mapping.text.header_rows, mapping.text.skip_end) == (
        "workbook",
        "Log",
        2,
        1,
    )
    assert mapping.filters == (Filter("KIND", "equals", ("A", "B")), Filter(3, "matches", ("^P",)))
    assert (mapping.file_name, mapping.from_file_name()) == (None, ("machine",))
    assert mapping.fits(Path("a.xlsx.zst"))


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('content = "workbook"', 'content = "excel"', 5, "use one of delimited, workbook, parquet, json_lines"),
        ('content = "workbook"', 'content = "parquet"', 12, 'has no "skip_end"'),
        ('content = "workbook"', 'content = "delimited"', 7, 'not content = "workbook"'),
        ('sheet = "Log"', "sheet = 0", 8, "place from 1"),
        ('sheet = "Log"', "sheet = true", 8, "place from 1"),
        ('sheet = "Log"', 'sheets = "Log"', 8, 'Did you mean "sheet"'),
        ("header_rows = 2", "header_rows = 0", 11, "between 1 and 20"),
        ("header_rows = 2", "header_rows = 2\nheader = false", 11, "header is false"),
        ("header_rows = 2", 'delimiter = ";"', 11, 'has no "delimiter"'),
        ("header_rows = 2", 'short_rows = "fill"', 11, 'has no "short_rows"'),
        ("skip_end = 1", "skip_end = -1", 12, "between 0 and 10000"),
        ('column = "KIND"', 'colum = "KIND"', 15, 'Did you mean "column"'),
        ('column = "KIND"', "column = 0", 15, "place from 1"),
        ('equals = ["A", "B"]', "", 14, "one of equals, not_equals, matches"),
        ('equals = ["A", "B"]', 'equals = "A"\nnot_equals = "B"', 14, "one of equals, not_equals, matches"),
        ('equals = ["A", "B"]', "equals = 5", 16, "text in quotes"),
        ('equals = ["A", "B"]', "equals = []", 16, "text in quotes"),
        ('matches = "^P"', 'matches = "(P"', 20, "not a regular expression"),
        ('matches = "^P"', 'matches = "(?=P)"', 20, "look-around"),
        ('matches = "^P"', 'matches = ["^P"]', 20, "text in quotes"),
        ("[[filter]]", "[filter]", 14, "write [[filter]]"),
        ('folder = "^(?P<machine>[^/]+)"', 'folder = "^x"', 30, "no group"),
        ('folder = "^(?P<machine>[^/]+)"', 'folders = "^(?P<machine>[^/]+)"', 30, 'Did you mean "folder"'),
        ('folder = "^(?P<machine>[^/]+)"', "", 29, '"pattern" is missing'),
        (
            'folder = "^(?P<machine>[^/]+)"',
            'folder = "^(?P<machine>[^/]+)"\npattern = "(?P<machine>.)"',
            31,
            "given twice",
        ),
    ],
)
def test_every_mistake_in_the_newer_keys(tmp_path: Path, old: str, new: str, line: int, words: str) -> None:
    assert old in MORE
    text = MORE.replace(old, new, 1)
    if new == "[filter]":
        text = text[: text.index("[[filter]]")] + text[text.index("[time]") :]
    with pytest.raises(SettingsError) as error:
        load(tmp_path, text)
    assert words in str(error.value)
    assert error.value.line == line, str(error.value)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("section_end = 'x'", "left out without section_begin"),
        ("section_begin = 'x'\nskip_end = 1", "the sections tell"),
        ("section_begin = '('", "not a regular expression"),
    ],
)
def test_mistakes_in_sections(tmp_path: Path, keys: str, words: str) -> None:
    with pytest.raises(SettingsError, match=words) as error:
        load(tmp_path, GOOD.replace("[text]", f"[text]\n{keys}"))
    assert error.value.line in (7, 8)


def test_json_lines_have_keys_not_places(tmp_path: Path) -> None:
    text = MORE.replace('"workbook"', '"json_lines"').replace('[workbook]\nsheet = "Log"\n', "")
    text = text.replace("[text]\nheader_rows = 2\nskip_end = 1\n", "")
    with pytest.raises(SettingsError, match="JSON lines have no column 3"):
        load(tmp_path, text)


def test_an_outcome_column_needs_its_words(tmp_path: Path) -> None:
    start, end = GOOD.index("[outcome]"), GOOD.index("[reason]")
    with pytest.raises(SettingsError, match=r"say in \[outcome\]"):
        load(tmp_path, GOOD[:start] + GOOD[end:])


def test_without_a_header_columns_have_places(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no header"):
        load(tmp_path, GOOD.replace("[text]", "[text]\nheader = false"))


@pytest.mark.parametrize(
    ("table", "columns", "missing"),
    [
        ("counter", '[columns]\nmachine = "M"\nplaced = "P"', "grain"),
        ("counter", '[columns]\nmachine = "M"\n[constants]\ngrain = "nozzle"', "at least one count"),
        ("check_total", '[columns]\nmachine = "M"\nplaced = "P"', "start"),
        ("reel_event", '[columns]\nevent = "E"', "reel"),
        ("service", '[columns]\nkind = "K"\nid = "I"', "action"),
        ("measurement", '[columns]\nmachine = "M"', "what"),
        ("fault", '[columns]\nmachine = "M"', "fault_type"),
        ("activity", '[columns]\nmachine = "M"', "event"),
    ],
)
def test_every_required_column_is_asked_for(tmp_path: Path, table: str, columns: str, missing: str) -> None:
    head = f'format = 1\nname = "x"\ntable = "{table}"\nfiles = ["*"]\n'
    text = head + f'[time]\ncolumns = [1]\nformat = "epoch_s"\n{columns}\n'
    with pytest.raises(SettingsError, match=missing):
        load(tmp_path, text)


def test_a_folder_is_sorted_by_name_and_names_are_unique(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(GOOD.replace("line 1", "z"))
    (tmp_path / "b.toml").write_text(GOOD.replace("line 1", "y"))
    assert [m.name for m in load_mappings(tmp_path)] == ["y", "z"]
    (tmp_path / "c.toml").write_text(GOOD.replace("line 1", "z"))
    with pytest.raises(SettingsError, match=r'the name "z" is taken by a\.toml'):
        load_mappings(tmp_path)
    assert load_mappings(tmp_path / "nowhere") == ()


DOCS = Path(__file__).parents[3] / "docs" / "log_formats.md"


def test_the_example_of_the_docs_is_a_good_mapping(tmp_path: Path) -> None:
    ((example),) = re.findall(r"```toml\n(.*?)```", DOCS.read_text(encoding="utf-8"), re.DOTALL)
    mapping = load(tmp_path, example)
    assert mapping.fits(Path("picks_M1_46.csv.gz"))
    assert mapping.from_file_name() == ("machine",)


def test_every_key_is_documented() -> None:
    text = DOCS.read_text(encoding="utf-8")
    keys = {f.name for f in fields(TextRules)} | {f.name for f in fields(TimeRules)}
    keys |= {"format", "name", "table", "files", "content", "sheet", "column", "pattern", "folder", *LOG_TABLES, *UNITS}
    keys |= set(FILTERS)
    keys |= {column for _, column in WORDS if column != "outcome"}
    assert {k for k in keys if f"`{k}`" not in text} == set()
    sections = {
        "columns",
        "constants",
        "file_name",
        "outcome",
        "reason",
        "units",
        "text",
        "time",
        "workbook",
        "[filter]",
    }
    assert {s for s in sections if f"`[{s}]`" not in text} == set()
    assert {c for c in CONTENTS if f'`"{c}"`' not in text} == set()
    for word in (*REASON_GROUPS, *OUTCOMES):
        assert f"`{word}`" in text
    assert all(f'`"{unit}"`' in text for units in UNITS.values() for unit in units)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('"picks_*.csv"', '"sub/*.csv"', 4, "holds a /: a pattern is for the name of a file alone"),
        ('"cp1252"', '"utf-7"', 11, "a Python codec for text of logs"),
        ('"cp1252"', '"UTF7"', 11, "a Python codec for text of logs"),
        ('"cp1252"', '"idna"', 11, "a Python codec for text of logs"),
        ('"cp1252"', '"punycode"', 11, "a Python codec for text of logs"),
        ('"cp1252"', '"unicode_escape"', 11, "a Python codec for text of logs"),
        ('"cp1252"', '"raw-unicode-escape"', 11, "a Python codec for text of logs"),
    ],
)
def test_what_can_never_fit_is_refused(tmp_path: Path, old: str, new: str, line: int, words: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(words)) as error:
        load(tmp_path, GOOD.replace(old, new, 1))
    assert error.value.line == line


@pytest.mark.parametrize(
    ("filters", "line"),
    [
        ('filter = [{column = "A", equalz = "B"}]', 5),
        ('filter = [\n  {column = "A", equals = "B"},\n  {column = "A", equalz = "B"},\n]', 7),
        ('filter = [{column = "A", equals = "B"}, {"equalz" = "B", column = "A"}]', 5),
        ('filter = [\n  {column = "A", equals = ""},\n  {column = "B", equals = ""},\n  {column = 0, equals = ""}]', 8),
        ('filter = [{column = "A", matches = "("}]', 5),
        ('filter = [\n  {column = "A"},\n]', 6),
    ],
)  # fmt: skip
def test_a_mistake_in_a_filter_on_one_line_names_it(tmp_path: Path, filters: str, line: int) -> None:
    head, _, rest = GOOD.partition("\n[text]")
    with pytest.raises(SettingsError) as error:
        load(tmp_path, f"{head.rstrip()}\n{filters}\n\n[text]{rest}")
    assert error.value.line == line, str(error.value)
