"""What a user can mend, each with its exit code, and what could not be estimated.

    PickfallError                1   something failed
    ├── UserError                2   a wrong call or a wrong setting
    │   └── SettingsError        2   plant.toml, a mapping or a master table; names file, line and remedy
    ├── StoreBusy               75   another process holds the database
    ├── StoreTooNew              1   the database was written by a newer version
    └── NotEstimable             1   the data cannot carry the figure that was asked for

    FileRefused                      one log cannot be read; the run goes on and ends with exit code 3

A bug is none of these: it keeps its traceback.
"""

from __future__ import annotations

from pathlib import Path

EXIT_DONE = 0
EXIT_FAILED = 1
EXIT_MISUSE = 2
EXIT_REFUSED = 3
EXIT_BUSY = 75
EXIT_INTERRUPTED = 130


class PickfallError(Exception):
    """Base of all errors that end a command with one line and an exit code."""

    exit_code = EXIT_FAILED


class UserError(PickfallError):
    """The call cannot be carried out as it stands; the message says what to do."""

    exit_code = EXIT_MISUSE


class SettingsError(UserError):
    """A settings file or a master table is wrong; `line` counts from 1, 0 where it is not known."""

    def __init__(self, path: Path | str, line: int, message: str) -> None:
        self.path = str(path)
        self.line = line
        place = f"{path} line {line}" if line else f"{path}"
        super().__init__(f"{place}: {message}")


class StoreBusy(PickfallError):
    """Another process has the database open."""

    exit_code = EXIT_BUSY


class StoreTooNew(PickfallError):
    """The database has a schema version or a file format that this version does not know."""


class NotEstimable(PickfallError):
    """The data cannot carry the figure: too few picks, no peers, or a fit that did not converge."""


class FileRefused(Exception):
    """A log that cannot be read as a whole. Nothing of it is loaded; it is kept in table `refused`."""

    def __init__(self, reason: str, line: int | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.line = line
