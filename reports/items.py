"""Which suspect stands for an item where a list has one line an item, and how an item is named.

In:    suspects of the bundle, in their order.
Out:   suspects, one an item, and short texts.
After: an item that is flagged has exactly one line, whatever it is flagged for; nothing flagged is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.findings.model import ServiceOutcome, Suspect
from pipeline.findings.names import of_machine
from reports import words

Key = tuple[str, str, str | None]


def key(suspect: Suspect) -> Key:
    """Kind, id and machine: what makes two entries the same item."""
    return suspect.kind, suspect.id, suspect.machine


def named(item: Suspect | ServiceOutcome) -> str:
    """`nozzle N1 of M1`; a machine is not of itself."""
    return f"{item.kind} {item.id}{of_machine(item.kind, item.machine, item.id)}"


def headlines(suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """The flagged entry that stands for each item, in the order of the bundle.

    That is the one marked `headline`; where a bundle marks none of an item's entries, its first flagged one, so that
    an item cannot fall off the list.
    """
    chosen: dict[Key, Suspect] = {}
    for suspect in suspects:
        if suspect.flagged:
            known = chosen.get(key(suspect))
            if known is None or (suspect.headline and not known.headline):
                chosen[key(suspect)] = suspect
    kept = {id(suspect) for suspect in chosen.values()}
    return tuple(suspect for suspect in suspects if id(suspect) in kept)


def also_flagged(suspects: Iterable[Suspect]) -> dict[int, str]:
    """By `id()` of a flagged entry: the other losses that the same item is flagged for, in words."""
    by_item: dict[Key, list[Suspect]] = {}
    for suspect in suspects:
        if suspect.flagged:
            by_item.setdefault(key(suspect), []).append(suspect)
    return {
        id(suspect): ", ".join(
            dict.fromkeys(words.loss_name(other.loss) for other in entries if other.loss != suspect.loss)
        )
        for entries in by_item.values()
        for suspect in entries
    }


def explained(suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """Items whose losses something else explains, most losses first; none that is or may be to blame for any loss.

    Of several losses of an item the one that happened most often stands for it; all losses together only where nothing
    more precise does.
    """
    blamed = {key(s) for s in suspects if s.flagged or s.stands_out or s.suspected or s.not_separable_from}
    chosen: dict[Key, Suspect] = {}
    for suspect in suspects:
        if suspect.explained_by is None or key(suspect) in blamed:
            continue
        known = chosen.get(key(suspect))
        if known is None or (suspect.loss != "all", suspect.losses) > (known.loss != "all", known.losses):
            chosen[key(suspect)] = suspect
    return tuple(sorted(chosen.values(), key=lambda s: -s.losses))


def unsure(suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """Items that are likely worse but not sure enough, best saving first; none flagged or outstanding elsewhere."""
    better = {key(s) for s in suspects if s.flagged or s.stands_out}
    chosen: dict[Key, Suspect] = {}
    for suspect in suspects:
        if suspect.suspected and key(suspect) not in better:
            known = chosen.get(key(suspect))
            if known is None or (known.loss == "all" and suspect.loss != "all"):
                chosen[key(suspect)] = suspect
    return tuple(sorted(chosen.values(), key=lambda s: -(s.cost_per_week or 0.0)))


def too_small(suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """Items beyond their healthy peers that are too small to be flagged, best saving first; none flagged elsewhere."""
    flagged = {key(s) for s in suspects if s.flagged}
    chosen: dict[Key, Suspect] = {}
    for suspect in suspects:
        if suspect.stands_out and key(suspect) not in flagged:
            chosen.setdefault(key(suspect), suspect)
    return tuple(sorted(chosen.values(), key=lambda s: -(s.cost_per_week or 0.0)))
