"""Bundle -> the text of a page, for PDF and HTML alike.

In:    a `Bundle`, the name of a template, whether lists are cut.
Out:   HTML text.
After: every value of the bundle is escaped; a name that a template misspells raises; nothing from the bundle stands
       inside a style or a script.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from pipeline.findings.model import Bundle, Suspect
from reports import (
    items,
    page_buyer,
    page_buyer_checks,
    page_engineer,
    page_quality,
    page_services,
    page_settings,
    page_summary,
    page_suspects,
    words,
)
from reports.columns import MACHINE_KINDS, list_length

WORKLIST: Final = 10
TABLE_ROWS: Final = 30
"""Lengths of lists where the bundle carries no settings."""


@cache
def resource(folder: str, name: str) -> str:
    """Text of a file that ships with the package; FileNotFoundError if there is none."""
    return (files("reports") / folder / name).read_text(encoding="utf-8")


def _finalize(value: object) -> object:
    """Every printed value passes here: text is made visible, a forgotten None is a bug of the template."""
    if value is None:
        raise ValueError("a template prints None")
    return _set_apart(words.visible(value)) if isinstance(value, str) and not isinstance(value, Markup) else value


def _set_apart(text: str) -> str:
    """`text` as it is, or escaped with each name that runs from right to left in an element of its own."""
    pieces = words.leftward_names(text)
    if len(pieces) == 1:
        return text
    return Markup("").join(
        Markup("<bdi>{}</bdi>").format(piece) if place % 2 else Markup.escape(piece)
        for place, piece in enumerate(pieces)
    )


@cache
def environment() -> Environment:
    """The one Jinja environment: escaping on for every template, undefined names raise."""
    made = Environment(
        loader=FunctionLoader(lambda name: resource("templates", name)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    made.globals["w"] = words
    return made


def _setting(bundle: Bundle, section: str, key: str) -> float | None:
    found = bundle.settings.get(section)
    value = found.get(key) if isinstance(found, dict) else None
    return value if isinstance(value, (int, float)) else None


def context(bundle: Bundle, *, cut: bool) -> dict[str, object]:
    """All that the templates print; `cut` limits lists to what fits on paper."""
    rows = list_length(bundle, "table_rows", TABLE_ROWS) if cut else None
    top = list_length(bundle, "worklist", WORKLIST)
    cards = top if cut else None
    flagged = items.headlines(bundle.suspects)
    also = items.also_flagged(bundle.suspects)
    planner = [s for s in flagged if s.kind in MACHINE_KINDS]
    others = [s for s in flagged if s.kind not in MACHINE_KINDS]
    explained = [s for s in items.explained(bundle.suspects) if s.kind in MACHINE_KINDS]
    confidence = _setting(bundle, "statistics", "confidence")
    fdr = _setting(bundle, "statistics", "false_discovery_rate")
    return {
        "b": bundle,
        "period": f"{words.moment(bundle.start)} to {words.moment(bundle.end)}",
        "level": f"{words.share(confidence)} " if confidence is not None else "",
        "fdr": words.share(fdr) if fdr is not None else "the set share",
        "spread_weeks": bundle.spread_weeks,
        "losses": page_summary.losses(bundle.losses, limit=rows),
        "actions": page_summary.actions(bundle, limit=rows),
        "two_kinds": page_summary.two_kinds(bundle.actions),
        "worklist": _worklist(bundle, planner, min(rows, top) if rows else None),
        "plot": page_suspects.plot(planner, top),
        "too_small": _too_small(bundle, among=True),
        "others_too_small": _too_small(bundle, among=False),
        "cards": _cards(planner[:cards], bundle.currency, also),
        "services": page_services.judged(bundle.services, limit=rows),
        "services_open": page_services.unjudged(bundle.services, limit=rows),
        "explained": page_suspects.explained("explained", explained, limit=rows),
        "buyer": page_buyer.section(bundle, limit=rows),
        "checks": page_buyer_checks.checks(bundle, limit=rows),
        "recognition": page_engineer.recognition(bundle.recognition, limit=rows),
        "recognition_cards": page_engineer.cards(bundle.recognition, cards),
        "others": page_suspects.worklist(
            "others",
            "Flagged parts, packages, lots, reels, recipes, optics and lights",
            others,
            bundle.currency,
            limit=rows,
            empty="No part, package, lot, reel, optics or light is flagged this week.",
        ),
        "other_cards": _cards(others[:cards], bundle.currency, also),
        "drift": page_engineer.drift_table(bundle.drifts, limit=rows),
        "drift_charts": page_engineer.drift_charts(bundle.drifts, limit=rows),
        "balance": page_quality.balance(bundle.quality),
        "machines": page_quality.machines(bundle.quality.machines, limit=rows),
        "quality": page_quality.quality_lines(bundle.quality.lines, limit=rows),
        "refused": page_quality.refusals(bundle.quality.refusals, limit=rows),
        "settings": page_settings.settings(bundle.settings, cut=cut),
        "versions": page_settings.versions(bundle.versions),
    }


def _cards(suspects: list[Suspect], currency: str, also: dict[int, str]) -> list[page_suspects.Card]:
    return [page_suspects.card(n, s, currency, also.get(id(s), "")) for n, s in enumerate(suspects, 1)]


def _too_small(bundle: Bundle, *, among: bool) -> str:
    found = [s for s in items.too_small(bundle.suspects) if (s.kind in MACHINE_KINDS) == among]
    limits = {
        name: _setting(bundle, "statistics", name) for name in ("smallest_saving", "smallest_effect", "least_losses")
    }
    unsure = [s for s in items.unsure(bundle.suspects) if (s.kind in MACHINE_KINDS) == among]
    return " ".join(
        filter(None, (page_suspects.too_small(found, limits, bundle.currency), page_suspects.unsure(unsure)))
    )


def _worklist(bundle: Bundle, planner: list[Suspect], limit: int | None) -> object:
    reason = (
        "There are no picks in this week, so nothing can be flagged."
        if not bundle.picks
        else f"Nothing is flagged this week: of {words.plural(bundle.looked_at, 'loss rate')} of single items, none is "
        "beyond the spread of its healthy peers and large enough to matter."
    )
    return page_suspects.worklist(
        "worklist", "What to pull and mend, first things first", planner, bundle.currency, limit=limit, empty=reason
    )


def render(template: str, bundle: Bundle, *, cut: bool, **more: object) -> str:
    """The page as HTML text."""
    return environment().get_template(template).render(**context(bundle, cut=cut), **more)
