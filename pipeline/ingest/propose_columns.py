"""Decides which column of a sample is which of ours, by name and by content.

In:    a `Sample`; the table that is to be filled.
Out:   `Guess`: our columns with their places, words for closed lists, the columns of the time, and what is unsure.
After: a column that needs numbers only gets one whose cells are numbers; one with a closed list only gets one whose
       texts all have a word. Every column of the log is used or listed as unused.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Final

from pipeline.errors import UserError
from pipeline.ingest.delimited_sql import zeros_pattern
from pipeline.ingest.mapping import COUNTS, DAYS_WILL_DO, INTERVALS, REASON_SOURCE, WORDS, Place
from pipeline.ingest.propose_counters import CARRIERS, PICKERS, grain_of, running_doubt, single_picks, too_small
from pipeline.ingest.propose_sample import Sample
from pipeline.ingest.propose_times import shape_of, tight_clock, tight_day, unread_dates
from pipeline.ingest.propose_words import (
    COLUMN_ROOTS,
    COUNT_ROOTS,
    OUTCOME_ROOTS,
    REASON_ROOTS,
    VALUE_ROOTS,
    bare,
    best_word,
    count_score,
    count_word,
    is_count,
    roots_score,
)
from pipeline.ingest.time_formats import is_absolute
from pipeline.schema.table import Column
from pipeline.schema.tables import table

SHIFT_BEGINS: Final = ("06:00", "14:00", "22:00")
"""When shifts begin until somebody says so: three of eight hours. Common practice, no source."""
SURE: Final = 300
"""Score of a name from which on it counts as told by its name."""
MOST_WORDS: Final = 30
"""Distinct texts up to which a column can be a list of words."""
MOST_LANES: Final = 8
"""Distinct texts of a "lane" beyond which it holds positions of feeders; common practice, no source."""
MOST_DIGITS: Final = 9
"""Digits that a count has at most; longer numbers are serial numbers."""
_DESIGNATOR: Final = re.compile(r"(R|C|L|D|U|Q|IC|X|J|T|TP|RN|CN|FB)\d{1,4}[A-Z]?")
_PACKAGE: Final = re.compile(
    r"(01005|0201|0402|0603|0805|1206|1210|2512|(SOT|SOP|SOD|QFN|QFP|BGA|SOIC|TSSOP|LGA)\W?\d+.*)"
)
_IDS: Final = ("machine", *PICKERS, *CARRIERS)
_OWNERS: Final = {
    "machine": "line linie ライン",
    "slot": "table tisch bank stage bay side seite テーブル ステージ",
}
"""Columns within which machines and slots may be numbered, by our column."""


@dataclass
class Guess:
    """What was found. `doubts`: our column, "time", or "words.text" -> what is unsure about it.

    filters   column, test and texts of each filter, and what is unsure about it
    shift     column of the shift, and when each begins, where there is no time of day
    """

    time: tuple[Place, ...] = ()
    format: str = ""
    absolute: bool = False
    columns: dict[str, tuple[Place, ...]] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    reason: dict[str, str] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)
    unused: list[tuple[Place, str]] = field(default_factory=list)
    indexes: dict[str, int] = field(default_factory=dict)
    filters: list[tuple[Place, str, tuple[str, ...], str]] = field(default_factory=list)
    shift: tuple[Place, dict[str, str]] | None = None


def guess(sample: Sample, name: str) -> Guess:
    """The best guess for table `name`; UserError when no column holds a date."""
    found = Guess()
    spec = table(name)
    taken = _times(sample, found, name, [c for c in spec.content() if c.type == "TIMESTAMP" and c.name != "time"])
    wanted = [c for c in spec.content() if c.type != "TIMESTAMP" and c.name != "reason_group"]
    _by_name(sample, found, name, wanted, taken)
    if name == "counter" and (doubt := too_small(sample, found.indexes)):
        found.doubts[f"unused.{found.columns.pop('attempts')[0]}"] = doubt
        taken.discard(found.indexes.pop("attempts"))
    _many_lanes(sample, found, wanted)
    _numbered_within(sample, found, taken)
    _by_content(sample, found, name, wanted, taken)
    _words(sample, found, name, wanted)
    _reasons(sample, found, name)
    places = sample.places()
    for i, place in enumerate(places):
        if i not in taken:
            shown = ", ".join(text for text, _ in Counter(sample.column(i)).most_common(3))
            found.unused.append((place, shown))
            if name in INTERVALS and (counted := _called_a_count(sample, i)):
                found.doubts.setdefault(f"unused.{place}", counted)
    return found


def _called_a_count(sample: Sample, index: int) -> str:
    """What is said of an unused column that is called as a count is, or holds whole numbers; "" where neither."""
    word = count_word(sample.title(index))
    whole = bool(cells := sample.column(index)) and all(re.fullmatch(_digits(sample), c) for c in cells)
    if word is not None and not whole:
        return f"called as a count of {word} is, but it holds other than whole numbers"
    return "whole numbers: name it above if it counts picks, placed parts or losses" if whole else ""


def _times(sample: Sample, found: Guess, table_name: str, others: list[Column]) -> set[int]:
    places = sample.places()
    some = [sample.column(i)[:3000] for i in range(len(places))]
    cells = sample.content == "workbook"
    shapes = {i: s for i, values in enumerate(some) if (s := shape_of(values, cells=cells)) is not None}
    full = [i for i, s in shapes.items() if s.date and s.clock]
    days = [i for i, s in shapes.items() if s.date and not s.clock]
    clocks = [i for i, s in shapes.items() if s.clock and not s.date]
    names = sample.names or ("",) * len(places)
    if not full and not (days and clocks):  # digits alone can be a day or a time of day where the other is there
        tight = [(i, s) for i, v in enumerate(some) if i not in shapes and (s := tight_day(v)) is not None]
        tight = [] if days else tight[:1]
        loose = [(i, s) for i, v in enumerate(some) if i not in shapes and (s := tight_clock(v)) is not None]
        loose.sort(key=lambda c: (-roots_score(names[c[0]], f"{COLUMN_ROOTS['time']} clock"), c[0]))
        loose = [] if clocks else loose[:1]
        if (days or tight) and (clocks or loose):
            shapes |= dict([*tight, *loose])
            days, clocks = days or [i for i, _ in tight], clocks or [i for i, _ in loose]

    def start(i: int) -> bool:
        return roots_score(names[i], COLUMN_ROOTS["start"]) >= SURE

    full.sort(key=lambda i: (start(i), -roots_score(names[i], COLUMN_ROOTS["time"]) if sample.names else i, i))
    taken: set[int] = set()
    chosen: tuple[int, ...]
    if full:
        chosen = (full[0],)
        shape = shapes[full[0]]
        if len(full) > 1:
            found.doubts["time"] = (
                f"{len(full)} columns hold a time; the one that says when it happened or ended counts"
            )
    elif days and clocks:
        chosen = (days[0], clocks[0])
        day, clock = shapes[days[0]], shapes[clocks[0]]
        doubt = "; ".join(d for d in (day.doubt, clock.doubt) if d)
        shape = replace(day, format=f"{day.format} {clock.format}", clock=True, doubt=doubt)
    elif days and table_name in DAYS_WILL_DO:
        shape = shapes[days[0]]
        if table_name in INTERVALS:
            taken |= _shifts(sample, found)
        of = "shift" if found.shift else "day"
        doubt = "no time of day" + (f": counts of the whole {of}" if table_name in INTERVALS else "")
        doubt += f"; {shape.doubt}" if shape.doubt else ""
        chosen, shape = (days[0],), replace(shape, doubt=doubt)
        others = []
    else:
        raise UserError(
            "no column holds a date with the time of day that is recognised, and no two columns do together: write a "
            "mapping with [time] by hand (docs/log_formats.md)."
            + (" Dates alone will do for counts of whole days: --table counter." if days else unread_dates(some))
        )
    taken |= set(chosen)
    found.time, found.format = tuple(places[i] for i in chosen), shape.format
    found.absolute = is_absolute(shape.format)
    if shape.doubt:
        found.doubts["format"] = shape.doubt
    for column in others:  # a second time is written as the first is
        same = [i for i in full if i not in taken and shapes[i].format == shape.format]
        same.sort(key=lambda i: -roots_score(names[i], COLUMN_ROOTS["start"]))
        if same:
            found.columns[column.name] = (places[same[0]],)
            found.doubts[column.name] = "the other column with a time"
            taken.add(same[0])
        elif column.required:
            found.columns[column.name] = found.time
            found.doubts[column.name] = "no second time was found: begin and end are the same"
    return taken


def _shifts(sample: Sample, found: Guess) -> set[int]:
    """The column that names the shift, beside a date without a time of day."""
    for i, title in enumerate(sample.names or ()):
        texts = set(sample.column(i))
        if roots_score(title, "shift schicht シフト 直") >= SURE and 1 <= len(texts) <= len(SHIFT_BEGINS):
            names = sorted(texts | set("123") if texts <= set("123") else texts)
            found.shift = sample.places()[i], dict(zip(names, SHIFT_BEGINS, strict=False))
            return {i}
    return set()


def _digits(sample: Sample) -> str:
    """Regular expression of digits, with or without the thousands sign."""
    sign = sample.rules.thousands
    return rf"(?:\d+|\d{{1,3}}(?:{re.escape(sign)}\d{{3}})+)" if sign else r"\d+"


def _fits(sample: Sample, index: int, column: Column, table_name: str) -> bool:
    """True if the cells can be what the column takes."""
    cells = sample.column(index)
    if column.type in ("BIGINT", "INTEGER"):
        count = re.compile(rf"({_digits(sample)}){zeros_pattern(sample.rules)}")
        found = [count.fullmatch(c) for c in cells]
        return bool(cells) and all(m and len(re.sub(r"\D", "", m[1])) <= MOST_DIGITS for m in found)
    if column.type == "DOUBLE":
        sign = re.escape(sample.rules.decimal)
        number = rf"[+-]?(?:{_digits(sample)}(?:{sign}\d*)?|{sign}\d+)(?:[eE][+-]?\d+)?"
        return bool(cells) and all(re.fullmatch(number, c) for c in cells)
    if (table_name, column.name) == ("measurement", "unit"):  # L2M2 is a machine: "unit" is a word for either
        return bool(cells) and not any(re.search(r"\d", c) for c in cells)
    allowed = WORDS.get((table_name, column.name))
    if allowed is None:
        return True
    distinct = set(cells)
    if len(distinct) > MOST_WORDS or not distinct:
        return False
    if column.name == "outcome" or (column.required and column.name != "grain"):
        return True
    return all(best_word(t, VALUE_ROOTS.get(column.name, {}), allowed)[0] for t in distinct)


def _by_name(sample: Sample, found: Guess, table_name: str, wanted: list[Column], taken: set[int]) -> None:
    if sample.names is None:
        return
    scored = []
    for column in wanted:
        counted = table_name == "counter" and column.name in COUNT_ROOTS
        roots = f"{COLUMN_ROOTS.get(column.name, '')} {column.name.replace('_', '')}"
        for i in range(len(sample.names)):
            title = sample.title(i)
            score = count_score(title, column.name, COUNT_ROOTS) if counted else roots_score(title, roots)
            if i not in taken and score and not (column.name in _IDS and _is_count(sample, i, roots)):
                scored.append((score, -i, column.name))
    by_name = {c.name: c for c in wanted}
    scores: dict[str, int] = {}
    for score, minus, ours in sorted(scored, reverse=True):
        if ours in found.columns or -minus in taken or not _fits(sample, -minus, by_name[ours], table_name):
            continue
        if by_name[ours].required and not sample.column(-minus):
            continue
        _take(sample, found, ours, -minus, taken, "" if score >= SURE else "by a part of its name only")
        scores[ours] = score
    groups = 0
    for ours, score in scores.items():
        places = [-m for s, m, o in scored if (s, o) == (score, ours) and -m not in taken]
        again = [i for i in sorted(places) if _fits(sample, i, by_name[ours], table_name)]
        if again:
            groups += ours in COUNTS
            shown = ", ".join(str(sample.places()[i]) for i in again[:4])
            found.doubts[ours] = f"{len(again)} more columns fit as well: {shown}"
    if groups > 1:
        found.doubts["file_part"] = (
            "the columns stand in groups, and this reads one of them: write a mapping for each group, with a name of "
            "its own here, and give the item that it is of, and its grain, in [constants]"
        )


def _is_count(sample: Sample, index: int, roots: str) -> bool:
    """True if a column holds numbers under a name for counts, though it fits the roots of an id, too."""
    return is_count(sample.title(index), roots) and all(re.fullmatch(_digits(sample), c) for c in sample.column(index))


def _many_lanes(sample: Sample, found: Guess, wanted: list[Column]) -> None:
    """Some call a feeder's position a lane; a feeder has few lanes, a machine many positions."""
    if "lane" not in found.indexes or "slot" in found.columns or all(c.name != "slot" for c in wanted):
        return
    if (lanes := len(set(sample.column(found.indexes["lane"])))) <= MOST_LANES:
        return
    found.columns["slot"], found.indexes["slot"] = found.columns.pop("lane"), found.indexes.pop("lane")
    found.doubts.pop("lane", None)
    found.doubts["slot"] = f"a lane by its name, but {lanes} different ones are many for lanes of a feeder"


def _numbered_within(sample: Sample, found: Guess, taken: set[int]) -> None:
    """Machines that are numbered anew on every line, slots on every table of a machine: both columns make the id."""
    if sample.names is None:
        return
    for ours, roots in _OWNERS.items():
        if ours not in found.indexes:
            continue
        within = [found.indexes["machine"]] if ours == "slot" and "machine" in found.indexes else []
        mine = found.indexes[ours]
        for i, title in enumerate(sample.names):
            if i in taken or roots_score(title, roots) < SURE:
                continue
            ids = {(*(row[k] for k in within), row[mine], row[i]) for row in sample.rows if row[i] and row[mine]}
            seen = Counter(key[:-1] for key in ids)
            if seen and max(seen.values()) > 1:
                found.columns[ours] = (sample.places()[i], *found.columns[ours])
                (*_, again), times = max(seen.items(), key=lambda s: (s[1], s[0]))
                found.doubts[ours] = f'{ours} {again} is there for {times} values of "{title}"'
                taken.add(i)
                break


def lines_for_machines(sample: Sample, found: Guess) -> None:
    """Where nothing names a machine: the column of lines, if there is one."""
    for place, title in zip(sample.places(), sample.names or (), strict=False):
        unused = [u for u in found.unused if u[0] == place]
        if unused and unused[0][1] and roots_score(title, _OWNERS["machine"]) >= SURE:
            found.columns["machine"] = (place,)
            found.doubts["machine"] = "no column names a machine: each line is taken for one"
            found.unused.remove(unused[0])
            return


def _take(sample: Sample, found: Guess, ours: str, index: int, taken: set[int], doubt: str) -> None:
    found.columns[ours] = (sample.places()[index],)
    found.indexes[ours] = index
    taken.add(index)
    if doubt:
        found.doubts[ours] = doubt


def _by_content(sample: Sample, found: Guess, table_name: str, wanted: list[Column], taken: set[int]) -> None:
    names = {c.name for c in wanted}
    free = [i for i in range(len(sample.places())) if i not in taken]
    distinct = {i: Counter(sample.column(i)) for i in free}

    def take(ours: str, candidates: list[int], doubt: str) -> None:
        if ours in names and ours not in found.columns and candidates:
            _take(sample, found, ours, candidates[0], taken, doubt)
            free.remove(candidates[0])

    if "outcome" in names and "outcome" not in found.columns:
        scored = sorted((-_outcome_likeness(distinct[i], len(sample.rows)), i) for i in free)
        take(
            "outcome",
            [i for score, i in scored if score < 0],
            "by its content: few texts, one of them most of the time",
        )
    for ours, pattern in (("designator", _DESIGNATOR), ("package", _PACKAGE)):
        fitting = [i for i in free if distinct[i] and all(pattern.fullmatch(t) for t in distinct[i])]
        take(ours, fitting, "by its content")
    if sample.names is None:
        like = re.compile(r"[A-Za-z]+[-_ ]?\d+([A-Za-z]+\d+)*")
        machines = [i for i in free if 1 <= len(distinct[i]) <= 8 and all(like.fullmatch(t) for t in distinct[i])]
        take(
            "machine",
            sorted(machines, key=lambda i: (len(distinct[i]), i)),
            "by its content: few texts, letters and digits",
        )
    for column in wanted:  # what must be filled takes what is left
        ours = column.name
        if not column.required or ours in found.columns or ours in ("machine", "outcome", "grain"):
            continue
        fitting = [i for i in free if distinct[i] and _fits(sample, i, column, table_name)]
        closed = (table_name, ours) in WORDS
        fitting.sort(key=lambda i: (len(distinct[i]) if closed else -len(distinct[i]), i))
        if closed and not any(len(distinct[i]) <= MOST_WORDS for i in fitting):
            fitting = []
        take(ours, fitting, "nothing tells which column it is")
    if table_name == "counter" and not set(COUNTS) & set(found.columns):
        numbers = next(c for c in wanted if c.name == "attempts")
        take(
            "attempts",
            [i for i in free if _fits(sample, i, numbers, table_name)],
            "nothing tells what this number counts",
        )
        if "attempts" not in found.columns:
            raise UserError("no column holds whole numbers, and table counter needs a count.")


VAGUE: Final = {
    ("outcome", "ng"): "no good: missed or refused, the word does not say",
    **dict.fromkeys([("method", "camera"), ("method", "kamera")], "the word does not say where the light comes from"),
}
"""Words of a log that mean one of several of ours, by column."""


def _outcome_likeness(texts: Counter[str], rows: int) -> float:
    """Above 0 for a column that can be an outcome: few texts, best if they are words for one."""
    total = sum(texts.values())
    if not 1 <= len(texts) <= 12 or total < 0.5 * rows or any("," in t or "." in t for t in texts):
        return 0.0
    known = sum(best_word(t, OUTCOME_ROOTS, OUTCOME_ROOTS)[0] is not None for t in texts)
    if known:
        return 10 * known / len(texts)
    often = texts.most_common(1)[0][1] / total
    codes = all(re.fullmatch(r"\d{1,2}", t) for t in texts)
    return often if codes and len(texts) > 1 and 0.6 <= often < 1 else 0.0


def _words(sample: Sample, found: Guess, table_name: str, wanted: list[Column]) -> None:
    """Words for every text of the closed lists; a constant for what must be filled and is not there."""
    if table_name == "pick" and "outcome" not in found.columns and "reason" in found.indexes:
        index = found.indexes["reason"]
        if len(set(sample.column(index))) <= MOST_WORDS:
            found.columns["outcome"], found.indexes["outcome"] = found.columns["reason"], index
            found.doubts["outcome"] = "no column of results was found: the reasons are taken, nothing for placed"
    for column in wanted:
        allowed = WORDS.get((table_name, column.name))
        if allowed is None or column.name not in found.indexes:
            continue
        texts = Counter(sample.column(found.indexes[column.name]))
        most = texts.most_common(1)[0][0] if texts else ""
        made: dict[str, str] = {}
        for text, times in sorted(texts.items(), key=lambda t: (-t[1], t[0])):
            roots = OUTCOME_ROOTS if column.name == "outcome" else VALUE_ROOTS.get(column.name, {})
            word, sure = best_word(text, roots, allowed)
            key = f"{column.name}.{text}"
            if word is None:
                is_code = column.name == "outcome" and "reasons" not in found.doubts.get("outcome", "")
                word = "placed" if is_code and text == most else "unknown" if column.name == "outcome" else allowed[0]
                found.doubts[key] = f"seen {times} times; nothing tells what it means"
            elif not sure or (column.name, bare(text)) in VAGUE:
                found.doubts[key] = VAGUE.get((column.name, bare(text)), f"seen {times} times")
            made[text] = word
        if column.name == "outcome" and len(sample.rows) > sum(texts.values()):
            only_losses = "placed" not in made.values() and sum(texts.values()) < 0.5 * len(sample.rows)
            made[""] = "placed" if only_losses or "reasons" in found.doubts.get("outcome", "") else "unknown"
            found.doubts["outcome."] = "an empty field" + ("; no text means placed" if only_losses else "")
        found.words[column.name] = made
    if table_name == "counter" and "grain" not in found.columns:
        found.constants["grain"], found.doubts["grain"] = grain_of(found.columns)
        if flags := single_picks(sample, found.indexes, found.constants["grain"]):
            found.constants["attempts"], found.doubts["attempts"] = "1", flags
    if table_name == "counter" and "running" not in found.columns and (doubt := running_doubt(sample, found.indexes)):
        found.constants["running"], found.doubts["running"] = "true", doubt
    for column in wanted:
        if column.name in found.constants:
            continue
        if column.required and column.name not in found.columns and column.name != "machine":
            if column.type != "VARCHAR" and column.type != "BOOLEAN":
                raise UserError(f'no column holds numbers for "{column.name}", which table {table_name} needs.')
            allowed = WORDS.get((table_name, column.name))
            found.constants[column.name] = "unknown" if column.name == "outcome" else (allowed or ("unknown",))[0]
            found.doubts[column.name] = "no column of the log tells it"


def _reasons(sample: Sample, found: Guess, table_name: str) -> None:
    source = REASON_SOURCE.get(table_name)
    if source not in found.indexes:
        return
    texts = Counter(sample.column(found.indexes[source]))
    for text, times in sorted(texts.items(), key=lambda t: (-t[1], t[0]))[:200]:
        word, sure = best_word(text, REASON_ROOTS, REASON_ROOTS)
        found.reason[text] = word or "other"
        if word is None or not sure:
            found.doubts[f"reason.{text}"] = f"seen {times} times"
