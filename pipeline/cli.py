"""Commands and exit codes, nothing else.

Data goes to stdout, words to stderr, progress only to a terminal. Exit codes: 0 done, 1 failed, 2 misuse or bad
settings, 3 done but more was refused than the limit allows, 75 the store is busy, 130 interrupted (errors.py).
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn

from pipeline import __version__, settings
from pipeline.again import Again, take_again
from pipeline.commands import demo as demo_plant
from pipeline.commands import explain as explaining
from pipeline.commands import listing
from pipeline.console import Format, say, show, show_document
from pipeline.errors import EXIT_FAILED, EXIT_INTERRUPTED, EXIT_MISUSE, EXIT_REFUSED, PickfallError, UserError
from pipeline.findings.model import Bundle
from pipeline.intake import Intake, find_files, take_in
from pipeline.newplant import make_plant
from pipeline.schema.words import KINDS, several
from pipeline.settings import Plant
from pipeline.store import frames
from pipeline.store.database import check_there, open_store
from pipeline.store.loading import settle_refused
from pipeline.store.masters import load_masters, not_read
from pipeline.store.retention import retain
from pipeline.store.snapshot import copy_for_readers

app = typer.Typer(
    name="pickfall",
    help="Attrition and pick-error statistics for placement lines: machine logs in, Monday's report out.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

PlantOption = Annotated[Path, typer.Option("--plant", help="The plant folder.", metavar="DIR")]
FormatOption = Annotated[Format, typer.Option("--format", help="How data is written.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="No words on stderr but errors.")]
WeekOption = Annotated[
    str | None, typer.Option("--week", help="ISO week such as 2026-W47. Default: the last complete.")
]

HERE = Path()


def _version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"pickfall {__version__}\n")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Attrition and pick-error statistics for placement lines: machine logs in, Monday's report out."""


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to work in.", metavar="DIR")] = Path("pickfall-demo"),
    quiet: QuietOption = False,
) -> None:
    """Do the whole job on the sample logs; no settings needed."""
    folder = demo_plant.prepare(out)
    plant = settings.load(folder)
    _ingest(plant, [], quiet=quiet)
    _publish(plant, demo_plant.WEEK, quiet=quiet)
    say(f"\n{demo_plant.NOTE}", quiet=quiet)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make.", metavar="DIR")],
    quiet: QuietOption = False,
) -> None:
    """Make a plant folder.

    Commented plant.toml, master-table templates, a log mapping, an inbox.
    """
    for path in make_plant(folder):
        sys.stdout.write(f"{path}\n")
    say(f"Fill in plant.toml and masters/, put logs into inbox/, then: pickfall ingest --plant {folder}", quiet=quiet)


@app.command()
def ingest(
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Files or folders. Default: the inbox.", metavar="[PATH]...")
    ] = None,
    plant: PlantOption = HERE,
    check: Annotated[
        bool, typer.Option("--check", help="Read every file, also those that look unchanged since they were loaded.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="First read files again whose lines were refused and whose mapping changed.")
    ] = False,
    fmt: FormatOption = Format.table,
    quiet: QuietOption = False,
) -> None:
    """Load new files."""
    of = settings.load(plant)
    taken = _ingest(of, paths or [], quiet=quiet, check=check, again=again)
    show(listing.intake_rows(taken), fmt, empty="Nothing new.")
    _exit_if_refused(of, taken)


@app.command()
def week(
    label: Annotated[str | None, typer.Argument(help="ISO week such as 2026-W47.", metavar="[WEEK]")] = None,
    plant: PlantOption = HERE,
    quiet: QuietOption = False,
) -> None:
    """Analyse and report one ISO week.

    Default: the last complete one. Writes all outputs into out/WEEK/.
    """
    _publish(settings.load(plant), label, quiet=quiet)


@app.command()
def rank(
    kind: Annotated[str, typer.Argument(help=f"One of: {', '.join(KINDS)}.", metavar="KIND")],
    plant: PlantOption = HERE,
    label: WeekOption = None,
    loss: Annotated[
        str, typer.Option("--loss", help="missed, rejected, dropped or all; optics, light: rejected only.")
    ] = "all",
    fmt: FormatOption = Format.table,
    quiet: QuietOption = False,
) -> None:
    """Rank the items of one kind.

    Nozzles, spindles, heads, machines, feeders, slots, parts, packages, reels, lots, recipes, optics or lights.
    """
    listing.check_choice("KIND", kind, KINDS)
    listing.check_choice("--loss", loss, listing.LOSSES)
    loss = "rejected" if kind in ("optics", "light") else loss
    bundle = _analyse(settings.load(plant), label)
    say(f"Week {bundle.week}, {several(kind)} by expected saving; loss: {loss}.", quiet=quiet)
    show(listing.rank_rows(bundle, kind, loss, full=fmt is not Format.table), fmt, empty=f"No {kind} in this week.")


@app.command()
def explain(
    kind: Annotated[str, typer.Argument(help=f"One of: {', '.join(KINDS)}.", metavar="KIND")],
    item: Annotated[str, typer.Argument(help="Its id as the reports show it.", metavar="ID")],
    plant: PlantOption = HERE,
    label: WeekOption = None,
    machine: Annotated[str | None, typer.Option("--machine", help="Where several machines have that id.")] = None,
    fmt: FormatOption = Format.table,
) -> None:
    """Tell everything known about one item."""
    listing.check_choice("KIND", kind, KINDS)
    bundle = _analyse(settings.load(plant), label)
    document, sections = explaining.explain(bundle, kind, item, machine)
    show_document(document, sections, fmt)


@app.command()
def overage(
    build: Annotated[
        str | None,
        typer.Argument(help="A build of masters/builds.csv, or a build list (CSV, .xlsx). Default: all builds.",
                       metavar="[BUILD]"),
    ] = None,
    plant: PlantOption = HERE,
    label: WeekOption = None,
    by: Annotated[str, typer.Option("--by", help="What decides: line, kit (the whole build) or cost.")] = "line",
    what: Annotated[
        str, typer.Option("--show", help="lines, kits, standing (a rule a part), losses, counts or past.")
    ] = "lines",
    level: Annotated[float | None, typer.Option("--level", help="Service level, such as 0.95.")] = None,
    boards: Annotated[int | None, typer.Option("--boards", help="Boards, for a list without that column.")] = None,
    leave_out: Annotated[list[str] | None, typer.Option("--leave-out", help="A lot known to be bad.")] = None,
    part: Annotated[str | None, typer.Option("--part", help="Ask about one part, with --need.")] = None,
    need: Annotated[int | None, typer.Option("--need", help="Placements of that part.")] = None,
    have: Annotated[int | None, typer.Option("--have", help="Pieces there: do they suffice?")] = None,
    moves: Annotated[
        str | None, typer.Option("--moves", help="A list of part, issued, returned, to hold against the logs.")
    ] = None,
    write: Annotated[Path | None, typer.Option("--write", help="Write a workbook as well.", metavar="FILE")] = None,
    fmt: FormatOption = Format.table,
    quiet: QuietOption = False,
) -> None:  # fmt: skip
    """Tell what to buy or kit.

    For builds of builds.csv or a list of your own; line by line, as a whole kit, or by cost.
    """
    from pipeline.commands import overage as buyer  # only now: the statistics take a second to import

    call = buyer.check(buyer.Call(build, by, what, level, boards, tuple(leave_out or ()), part, need, have, moves))
    buyer.check_workbook(write)
    of = settings.load(plant)
    bundle = _analyse(of, label)
    if call.plain:
        answer = buyer.from_findings(bundle, call)
    else:
        with open_store(of, write=False, tell=say) as con:
            answer = buyer.from_store(con, of, bundle, call)
    for line in answer.wrong:
        say(line)
    if write is not None:
        from reports import write_overage

        write_overage(answer.bundle, write)
    span = f"From at most {of.buying.history_weeks} weeks of history up to {bundle.week}"
    weeks = f"{span}. Advice, with its basis beside it."
    for note in (*answer.notes, weeks):
        say(note, quiet=quiet)
    show(answer.full if fmt is not Format.table else answer.short, fmt, empty=answer.empty)
    if answer.refused:
        raise typer.Exit(EXIT_REFUSED)


@app.command()
def status(plant: PlantOption = HERE, fmt: FormatOption = Format.table) -> None:
    """Show what is in the store.

    Files, weeks, gaps, refusals, disagreements.
    """
    of = settings.load(plant)
    with open_store(of, write=False, tell=say) as con:
        document, sections = listing.status(con, of)
    show_document(document, sections, fmt)


@app.command()
def mapping(
    file: Annotated[Path, typer.Argument(help="A log that no mapping fits yet.", metavar="FILE")],
    table: Annotated[
        str | None,
        typer.Option("--table", help="What it holds: pick, counter, reel_event, ... Default: what it looks like."),
    ] = None,
    plant: Annotated[
        Path | None, typer.Option("--plant", help="The plant folder whose [limits] hold. Default: here.", metavar="DIR")
    ] = None,
    quiet: QuietOption = False,
) -> None:
    """Propose a log mapping from a sample."""
    from pipeline.ingest.propose import CHECK, propose_apart

    of = plant or HERE
    known = plant is not None or (of / settings.FILE).is_file()
    text = propose_apart(file, table, settings.load(of).limits if known else settings.Limits())
    sys.stdout.write(text)
    say(
        f"Save it below mappings/ with the ending .toml; {text.count(CHECK)} places are marked {CHECK} Look at each.",
        quiet=quiet,
    )


@app.command()
def refused(
    plant: PlantOption = HERE,
    settle: Annotated[str, typer.Option("--settle", help="No longer list what was refused of this file.")] = "",
    fmt: FormatOption = Format.table,
    quiet: QuietOption = False,
) -> None:
    """List every line that was not loaded: file, line, reason and its own text."""
    if settle:
        of = settings.load(plant)
        check_there(of)
        with open_store(of, write=True) as con:
            count = settle_refused(con, settle)
        if not count:
            raise UserError(f"nothing refused is listed of {settle}. Take the name from `pickfall refused`.")
        say(f"{settle}: {count} refused line(s) or file settled; the store keeps them.", quiet=quiet)
        return
    with open_store(settings.load(plant), write=False, tell=say) as con:
        rows = listing.refused_rows(con, full=fmt is not Format.table)
    show(rows, fmt, empty="Nothing was refused.")
    say("After mending a log mapping: pickfall ingest --again", quiet=quiet or not rows)


def _ingest(plant: Plant, paths: list[Path], *, quiet: bool, check: bool = False, again: bool = False) -> Intake:
    files = find_files(plant, paths)
    kept: OSError | None = None
    with (
        open_store(plant, write=True) as con,
        copy_for_readers(con, plant.database) as copy,
        _progress(quiet) as progress,
    ):
        load_masters(con, plant)
        for line in not_read(plant):
            say(line)
        if again:
            copy()
        once_more = take_again(con, plant, files if paths else ()) if again else Again((), (), ())
        task = progress.add_task("reading", total=len(files))
        step = partial(progress.update, task, advance=1)
        taken = take_in(con, plant, files, lambda name: step(description=name), check=check, before_writing=copy)
        removed = 0
        try:
            removed = retain(con, plant)
        except OSError as error:
            kept = error
    taken = replace(taken, loaded=once_more.loaded + taken.loaded, refused=once_more.refused + taken.refused)
    for name in once_more.missing:
        say(
            f"{name}: has refused lines and is not there any more. "
            "Put it back, or name it: pickfall ingest --again PATH"
        )
    if removed:
        say(f"{removed} picks older than [retention] pick_weeks were removed; their counts stay.", quiet=quiet)
    for line in listing.refusal_lines(taken, plant.limits.refused_share):
        say(line)
    say(listing.intake_sentence(taken), quiet=quiet)
    if kept is not None:
        raise PickfallError(
            f"{kept.filename or plant.retention.export}: {kept.strerror or kept}. Old picks could not be exported: "
            "none was removed, and what was read is stored. Mend [retention] export, then run `pickfall ingest` again."
        )
    return taken


def _exit_if_refused(plant: Plant, taken: Intake) -> None:
    if taken.over_limit(plant.limits.refused_share):
        raise typer.Exit(EXIT_REFUSED)


def _progress(quiet: bool) -> Progress:
    console = Console(stderr=True)
    return Progress(
        SpinnerColumn(),
        TextColumn("{task.completed}/{task.total} {task.description}", markup=False),
        console=console,
        transient=True,
        disable=quiet or not console.is_terminal,
    )


def _analyse(plant: Plant, label: str | None, *, anew: bool = False) -> Bundle:
    """The findings of a week: those published if the store still gives the same, unless asked for anew."""
    with open_store(plant, write=False, tell=say) as con:
        now = datetime.now(UTC).replace(tzinfo=None)
        chosen = listing.check_week(label) if label else frames.last_week_with_data(con, plant, now)
        if chosen is None:
            raise UserError(
                "the store holds no picks of a week that is over. Load logs with `pickfall ingest`, or name a week "
                "that `pickfall status` shows."
            )
        from pipeline import weekly  # only now: the statistics take a second to import

        published = None if anew else weekly.published(con, plant, chosen)
        return published or weekly.analyse(con, plant, chosen)


def _publish(plant: Plant, label: str | None, *, quiet: bool) -> None:
    say("Analysing ...", quiet=quiet)
    bundle = _analyse(plant, label, anew=True)
    if early := listing.early(bundle, datetime.now(UTC)):
        say(early)
    say("Writing the report ...", quiet=quiet)
    from pipeline import weekly

    for path in weekly.publish(bundle, plant.out).values():
        sys.stdout.write(f"{path}\n")


def _show_misuse(error: typer.TyperException) -> None:
    """A wrong call in one line; a call without a command shows the help."""
    context = getattr(error, "ctx", None)
    message = getattr(error, "message", str(error))
    if context is not None and message == context.get_help():
        sys.stdout.write(message + "\n")
        return
    where = f" See `{context.command_path} --help`." if context is not None else ""
    say(f"pickfall: {getattr(error, 'format_message', lambda: message)()}{where}")


def _open_streams() -> None:
    """Where the caller closed stdout or stderr, what goes there is dropped: no file may get their place."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8"))


def _refuse_empty(arguments: list[str]) -> None:
    """UserError for an argument of nothing, as a variable that is not set leaves one: "" would be this folder."""
    for before, argument in pairwise(["", *arguments]):
        option, equals, value = argument.partition("=")
        if not argument.strip() or (option.startswith("--") and equals and not value.strip()):
            where = option if option.strip() else f"what follows {before}" if before.startswith("--") else "an argument"
            raise UserError(f"{where} is empty. Leave it out, or check the variable that should fill it.")


def main() -> None:
    """Entry point: run a command and turn what went wrong into one line and an exit code."""
    _open_streams()
    try:
        _refuse_empty(sys.argv[1:])
        code = app(standalone_mode=False)
        sys.stdout.flush()
        if code == EXIT_INTERRUPTED:  # typer makes a code of Ctrl-C
            raise KeyboardInterrupt
    except PickfallError as error:
        say(f"pickfall: {error}")
        sys.exit(error.exit_code)
    except typer.TyperException as error:
        _show_misuse(error)
        sys.exit(getattr(error, "exit_code", EXIT_MISUSE))
    except (KeyboardInterrupt, typer.Abort):
        say("pickfall: interrupted; what was loaded so far is kept.")
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(EXIT_FAILED)
    except OSError as error:
        say(f"pickfall: {error.filename or 'the disk'}: {error.strerror or error}.")
        sys.exit(EXIT_FAILED)
    sys.exit(code if isinstance(code, int) else 0)


if __name__ == "__main__":
    main()
