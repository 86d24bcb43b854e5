"""Write runs as delimited text: semicolons, decimal commas, local times, headers in words of our own.

In:    `Run`s of a line in time order.
Out:   one file a line and day (machine in a column), one a week for the tray machine (machine in the file's name),
       reel events a week, measured sizes, services.
After: lines are in order of UTC, so that the hour that repeats in autumn can be told; three files hold three
       damaged lines each; two days' last two hours stand in the next day's file as well.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.generator import faults
from sample_logs.generator.calendar import utc_offset_ms
from sample_logs.generator.files import Shelf
from sample_logs.generator.plant import Works
from sample_logs.generator.simulate import REASONS, Run

RESULTS: Final = ("OK", "NO PICK", "REFUSED", "FELL", "BACK", "?")
CAUSES: Final = ("", "NO VACUUM", "EMPTY POCKET", "SIZE", "OUTLINE", "LEADS", "TURNED", "TOO DARK", "KNOCKED")
HEAD: Final = (
    "DATE;TIME;PANEL;TRY;UNIT;PROGRAM;ORDER;REF;HEAD;SPINDLE;NOZZLE;TIP;FEEDER;PLACE;ITEM;CASE;OPTICS;REEL;LOT;"
    "RESULT;CAUSE;OFF X;OFF Y\n"
)
HEAD_TRAY: Final = HEAD.replace("UNIT;", "")
HEAD_REELS: Final = "DATE;TIME;UNIT;PLACE;FEEDER;WHAT;REEL;BEFORE;ITEM;LOT;COUNT\n"
HEAD_SIZES: Final = "DATE;TIME;UNIT;HEAD;NOZZLE;FEEDER;ITEM;REEL;LOT;WHAT;TAUGHT;FOUND;LEAST;MOST;IN\n"
HEAD_SERVICE: Final = "DATE;TIME;UNIT;WHAT;WHICH;DONE;REMARK\n"
REEL_WORDS: Final = {"load": "ON", "unload": "OFF", "splice": "JOINED"}
UTF16_DAY: Final = "2026-10-13"
PLAIN_DAY: Final = "2026-10-10"
DAMAGED_DAYS: Final = ("2026-10-06", "2026-11-03", "2026-11-17")
OVERLAP_DAYS: Final = ("2026-10-08", "2026-11-18")
"""Days whose last two hours are exported again with the next day."""
_DAY_MS: Final = 86_400_000
_SLICE: Final = 200_000
"""Picks turned into text at a time."""


class DelimitedWriter:
    """Writes the runs of the lines that log delimited text. `plain` leaves the files unpacked, without the oddities."""

    def __init__(self, shelf: Shelf, works: Works, *, oddities: bool = True, plain: bool = False) -> None:
        self._shelf, self._works, self._oddities = shelf, works, oddities
        self._end = ".csv" if plain else ".csv.gz"
        self._again: dict[str, str] = {}
        self._to_damage = set(DAMAGED_DAYS)

    def write(self, run: Run) -> None:
        """Write one run; runs must come in time order."""
        for first in range(0, len(run.time), _SLICE):
            self._picks(run, slice(first, first + _SLICE))
        self._reels(run)
        self._sizes(run)

    def _picks(self, run: Run, rows: slice) -> None:
        local = _local(run.time[rows])
        lines = self._lines(run, rows, local)
        place = run.machine[rows]
        tray = place == 2 if run.shift.line == 2 else np.zeros(len(place), bool)
        day = local // _DAY_MS
        for which in np.unique(day).tolist():
            mine = (day == which) & ~tray
            self._day(run.shift.line, _date(which), lines.filter(pl.Series(mine)), local[mine])
        if tray.any():
            name = f"L2M3_picks_{run.shift.week}{self._end}"
            self._shelf.write(name, _joined(lines.filter(pl.Series(tray)).select("tray")), head=HEAD_TRAY)

    def services(self) -> None:
        """Write the service list of line 2."""
        words = {"cleaned": "washed", "replaced": "renewed", "adjusted": "set", "calibrated": "calibrated",
                 "inspected": "looked at", "repaired": "mended"}  # fmt: skip
        kinds = {"nozzle": "Tip", "feeder": "Feeder", "head": "Head", "machine": "Unit"}
        text = "".join(
            f"{when:%d.%m.%Y;%H:%M};{machine};{kinds[kind]};{name};{words[action]};{note}\n"
            for when, machine, kind, name, action, note in sorted(faults.SERVICES)
            if machine.startswith("L2")
        )
        self._shelf.write("line2_service.csv", text, head=HEAD_SERVICE)

    def _lines(self, run: Run, rows: slice, local: NDArray[np.int64]) -> pl.DataFrame:
        """Text of each pick: column `line` with the machine, `tray` without it."""
        works, program = self._works, run.program
        fixed, last = [], []
        for row in range(len(program.part)):
            station = program.stations[program.station[row]]
            slot = program.slots[program.slot[row]]
            nozzle = works.nozzles[run.nozzles[program.station[row]]]
            feeder = works.feeders[run.feeders[program.slot[row]]]
            part = works.parts[program.part[row]]
            fixed.append(station.machine)
            last.append(
                f"{program.name};{run.shift.work_order};{program.designators[row]};{station.head};{station.spindle};"
                f"{nozzle[0]};{nozzle[1]};{feeder[0]};{slot.name};{part.id};{part.package.name};{part.package.method}"
            )
        reels = pl.Series([f"{r.id};{_lot(works, r.part, r.lot)}" for r in run.reels])
        ends = pl.Series([f"{result};{cause}" for result in RESULTS for cause in CAUSES])
        machine, middle = pl.Series(fixed), pl.Series(last)
        at = pl.Series(run.placement[rows].astype(np.uint32))
        frame = pl.DataFrame(
            {
                "when": pl.Series(local).cast(pl.Datetime("ms")).dt.strftime("%d.%m.%Y;%H:%M:%S%.3f"),
                "board": pl.Series(run.board[rows]).cast(pl.String).str.zfill(6),
                "try": run.attempt[rows],
                "machine": machine.gather(at),
                "middle": middle.gather(at),
                "reel": reels.gather(pl.Series(run.reel[rows].astype(np.uint32))),
                "end": ends.gather(pl.Series(run.outcome[rows].astype(np.uint32) * len(CAUSES) + run.reason[rows])),
                "dx": _micrometres(run.dx[rows]),
                "dy": _micrometres(run.dy[rows]),
            }
        )
        front = [pl.col("when"), pl.lit(run.board_prefix) + pl.col("board"), pl.col("try").cast(pl.String)]
        rest = [pl.col(c) for c in ("middle", "reel", "end", "dx", "dy")]
        return frame.select(
            line=pl.concat_str([*front, pl.col("machine"), *rest], separator=";"),
            tray=pl.concat_str([*front, *rest], separator=";"),
        )

    def _day(self, line: int, day: str, lines: pl.DataFrame, local: NDArray[np.int64]) -> None:
        if not len(local):
            return
        plain = self._oddities and day == PLAIN_DAY and line == 2
        name = f"line{line}_{day}{'.csv' if plain else self._end}"
        encoding = "utf-16" if self._oddities and day == UTF16_DAY and line == 2 else "utf-8"
        text = _joined(lines.select("line"))
        if self._oddities and line == 2:
            again = self._again.pop(day, "")
            if again:
                self._shelf.write(name, again, encoding, HEAD)
            if day in self._to_damage and len(local) > 1000:
                self._to_damage.discard(day)
                text = _damaged(text)
            if day in OVERLAP_DAYS:
                late = local % _DAY_MS >= 22 * 3_600_000
                following = (date.fromisoformat(day) + timedelta(days=1)).isoformat()
                late_text = _joined(lines.filter(pl.Series(late)).select("line"))
                self._again[following] = self._again.get(following, "") + late_text
        self._shelf.write(name, text, encoding, HEAD)

    def _reels(self, run: Run) -> None:
        works = self._works
        rows = []
        for event in sorted(run.events, key=lambda e: e.time):
            reel = run.reels[event.reel]
            before = run.reels[event.previous].id if event.previous >= 0 else ""
            rows.append(
                f"{stamp(event.time)};{event.machine};{event.slot};{works.feeders[event.feeder][0]};"
                f"{REEL_WORDS[event.event]};{reel.id};{before};{works.parts[reel.part].id};"
                f"{_lot(works, reel.part, reel.lot)};{event.quantity}\n"
            )
        if rows:
            name = f"line{run.shift.line}_reels_{run.shift.week}{self._end}"
            self._shelf.write(name, "".join(rows), head=HEAD_REELS)

    def _sizes(self, run: Run) -> None:
        works, program = self._works, run.program
        rows = []
        for n in np.nonzero(~np.isnan(run.measured))[0]:
            row = run.placement[n]
            station, part = program.stations[program.station[row]], works.parts[program.part[row]]
            reel = run.reels[run.reel[n]]
            what, taught, found, least, most = measurement(part.package.size[0], int(run.reason[n]), run.measured[n])
            values = ";".join(f"{v:.3f}".replace(".", ",") for v in (taught, found, least, most))
            rows.append(
                f"{stamp(int(run.time[n]))}{_offset(int(run.time[n]))};{station.machine};{station.head};"
                f"{works.nozzles[run.nozzles[program.station[row]]][0]};"
                f"{works.feeders[run.feeders[program.slot[row]]][0]};{part.id};{reel.id};"
                f"{_lot(works, reel.part, reel.lot)};{what};{values};mm\n"
            )
        if rows:
            self._shelf.write(f"line{run.shift.line}_sizes{self._end}", "".join(rows), head=HEAD_SIZES)


def measurement(length: float, reason: int, value: float) -> tuple[str, float, float, float, float]:
    """What was measured, taught value, measured value and limits, in mm, of a part refused for size or leads."""
    if REASONS[reason] == "size":
        return "BodyLength", length, length * float(value), length * 0.9, length * 1.1
    return "LeadCoplanarity", 0.0, float(value), 0.0, 0.1


def stamp(ms: int) -> str:
    """Local date and time of a moment, `dd.mm.yyyy;HH:MM:SS.mmm`."""
    moment = datetime(1970, 1, 1) + timedelta(milliseconds=ms + utc_offset_ms(ms))  # noqa: DTZ001
    return f"{moment:%d.%m.%Y;%H:%M:%S}.{moment.microsecond // 1000:03d}"


def _offset(ms: int) -> str:
    """Offset of local time as the sizes carry it: too few lines to tell the repeated hour by their order."""
    return f"+{utc_offset_ms(ms) // 3_600_000:02d}00"


def _date(day: int) -> str:
    """ISO date of a day counted from 1970."""
    return (date(1970, 1, 1) + timedelta(days=day)).isoformat()


def _local(ms: NDArray[np.int64]) -> NDArray[np.int64]:
    """Local wall clock in ms; the offset is looked up once an hour."""
    hour = ms // 3_600_000
    hours, back = np.unique(hour, return_inverse=True)
    offsets = np.array([utc_offset_ms(int(h) * 3_600_000) for h in hours], np.int64)
    return ms + offsets[back]


def _lot(works: Works, part: int, lot: str) -> str:
    """The lot as the log gives it: connectors come without."""
    return "-" if works.parts[part].package.name == "CONN10" else lot


def _micrometres(values: NDArray[np.float32]) -> pl.Series:
    """Offsets in um with a decimal comma; empty where there is none."""
    steps = np.where(np.isnan(values), 0, np.rint(values / 0.0025)).astype(np.int64)
    low, high = (int(steps.min()), int(steps.max())) if len(steps) else (0, 0)
    texts = [f"{s * 2.5:.1f}".replace(".", ",") for s in range(low, high + 1)]
    texts = [t.removesuffix(",0") for t in texts]
    found = pl.Series(texts).gather(pl.Series((steps - low).astype(np.uint32)))
    return pl.select(pl.when(pl.Series(np.isnan(values))).then(pl.lit("")).otherwise(found)).to_series()


def _joined(lines: pl.DataFrame) -> str:
    return "".join(f"{text}\n" for text in lines.to_series().to_list())


def _damaged(text: str) -> str:
    """Put three damaged lines among the first: too few fields, an impossible date, a result nobody knows."""
    lines = text.splitlines(keepends=True)
    short = lines[100][:60] + "\n"
    dated = "31.11" + lines[200][5:]
    result = next(text for text in lines[300:] if ";OK;" in text).replace(";OK;", ";HUNG UP;")
    return "".join([*lines[:101], short, *lines[101:201], dated, *lines[201:301], result, *lines[301:]])
