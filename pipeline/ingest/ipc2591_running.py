"""Which recipe and work order run on a machine, as far as the file at hand tells.

In:    RecipeActivated, WorkStarted and WorkCompleted in the order of the file.
Out:   recipe and work order of the picks that follow.
After: a pick made before the activation, or on a lane that cannot be told, has none.

Local to one file: what an earlier file switched on is not known here. The rows of `activity` hold what is needed to
fill that in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

_BOARDS: Final = 10_000
"""Boards under way that are remembered, the oldest forgotten first."""

Program = tuple[str | None, str | None]
"""Recipe and work order."""

_NONE: Final[Program] = (None, None)


@dataclass(frozen=True, slots=True)
class _Active:
    time: int
    program: Program


class Running:
    """State of one file; times are microseconds since 1970 UTC."""

    def __init__(self) -> None:
        self._lanes: dict[str, dict[str | None, _Active]] = {}
        self._boards: dict[tuple[str, str], tuple[str | None, Program]] = {}

    def activate(self, machine: str, lane: str | None, time: int, program: Program) -> None:
        """A recipe was switched on; without a lane for the whole machine. One that is older than the known is passed
        over: repeated messages may come late."""
        lanes = self._lanes.setdefault(machine, {})
        known = [active.time for key, active in lanes.items() if lane is None or key in (lane, None)]
        if known and max(known) > time:
            return
        if lane is None:
            lanes.clear()
        lanes[lane] = _Active(time, program)

    def start(self, machine: str, board: str | None, lane: str | None, time: int, program: Program) -> None:
        """A board started: it keeps the recipe that runs then, or the one that the message itself names."""
        if board is None:
            return
        recipe, order = self._on(machine, lane, time)
        program = (program[0] or recipe, program[1] or order)
        self._boards.pop((machine, board), None)
        self._boards[machine, board] = (lane, program)
        if len(self._boards) > _BOARDS:
            del self._boards[next(iter(self._boards))]

    def program(self, machine: str, board: str | None, first: int) -> Program:
        """Recipe and work order of a board's picks, the first of them made at `first`."""
        lane, program = self._boards.get((machine, board or ""), (None, _NONE))
        if None not in program:
            return program
        recipe, order = self._on(machine, lane, first)
        return program[0] or recipe, program[1] or order

    def _on(self, machine: str, lane: str | None, time: int) -> Program:
        lanes = self._lanes.get(machine)
        if not lanes:
            return _NONE
        if lane is None:
            programs = {active.program for active in lanes.values()}
            latest = max(active.time for active in lanes.values())
            return programs.pop() if len(programs) == 1 and latest <= time else _NONE
        active = lanes.get(lane) or lanes.get(None)
        return active.program if active is not None and active.time <= time else _NONE
