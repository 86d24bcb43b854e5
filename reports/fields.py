"""The columns that follow the fields of the model: suspects, services, recognition, overage, drift, machines.

In:    nothing.
Out:   tuples of `Column`, in the order in which they are shown.
After: every field of the model's classes is a column here or in tables.py; a test holds the two together.
"""

from __future__ import annotations

from typing import Final

from reports.columns import column

SUSPECT: Final = (
    column("kind", "kind", "text", "what it is: nozzle, feeder, part, ..."),
    column("id", "id", "text", "as the logs name it"),
    column("machine", "machine"),
    column(
        "loss", "loss", "text", "missed: per pick; rejected: per part held; dropped: per part accepted; all: per pick"
    ),
    column("attempts", "chances", "count", "how often this loss could have happened"),
    column("losses", "losses", "count", "how often it did"),
    column("rate", "rate", "ppm", "losses per chance"),
    column("low", "rate low", "ppm", "lower end of the interval of the rate"),
    column("high", "rate high", "ppm", "upper end of the interval of the rate"),
    column("expected", "expected losses", "number", "losses if it were like its healthy peers on the same work"),
    column("excess", "losses too many", "number", "losses above expected, shrunken: what mending is expected to save"),
    column("excess_low", "too many low", "number", "lower end of its interval"),
    column("excess_high", "too many high", "number", "upper end of its interval"),
    column(
        "effect",
        "effect",
        "odds",
        "odds ratio against healthy peers, adjusted for all else it worked with; 1 is healthy",
    ),
    column("effect_low", "effect low", "odds", "lower end of its interval"),
    column("effect_high", "effect high", "odds", "upper end of its interval"),
    column("q", "q", "q", "p-value adjusted for everything looked at this week"),
    column("flagged", "flagged", "flag", "beyond the healthy spread and large enough to matter"),
    column(
        "headline", "heads its item", "flag", "of the losses that an item is flagged for, the one that stands in lists"
    ),
    column("mended", "mended", "flag", "a service of the week has mended it already: its saving was had"),
    column("stands_out", "stands out", "flag", "beyond the healthy spread, but too small to be flagged"),
    column("suspected", "suspected", "flag", "likely worse than its peers, but not sure enough to be flagged"),
    column("enough", "enough picks", "flag", "no: too few picks to say anything"),
    column("cause", "likely cause"),
    column("since", "since", "date", "when it began"),
    column("since_about", "since about", "flag", "that day is not sure: a slow rise, or one of several days"),
    column("cost_per_week", "saving per week", "money", "expected saving per week when mended"),
    column("cost_low", "saving low", "money", "lower end of its interval"),
    column("cost_high", "saving high", "money", "upper end of its interval"),
    column("not_separable_from", "not separable from", "text", "what the data cannot tell it apart from"),
    column("swap", "what would settle it", "text", "the exchange that would tell them apart"),
    column("explained_by", "explained by", "text", "what else explains its losses"),
    column("advice", "advice"),
)
SERVICE_HEAD: Final = (
    column("time", "time", "date"),
    column("machine", "machine"),
    column("kind", "kind"),
    column("id", "id"),
    column("action", "action"),
    column("loss", "loss"),
)
SERVICE_TAIL: Final = (
    column("difference", "difference", "ppm_change", "after - before, the former brought to what peers lost before"),
    column("low", "difference low", "ppm_change", "lower end of its interval"),
    column("high", "difference high", "ppm_change", "upper end of its interval"),
    column("verdict", "verdict"),
    column("picks_since", "picks since", "count"),
    column("text", "in words"),
    column("note", "note"),
)
RECOGNITION_HEAD: Final = (
    column("part", "part"),
    column("package", "package"),
    column("method", "method", "text", "recognition method"),
    column("lighting", "lighting"),
)
MEASURED: Final = (
    column("what", "what"),
    column("unit", "unit"),
    column("count", "refused parts measured", "count"),
    column("taught", "taught", "number"),
    column("limit_low", "limit low", "number"),
    column("limit_high", "limit high", "number"),
    column("mean", "mean", "number"),
    column("mean_low", "mean low", "number", "lower end of its interval"),
    column("mean_high", "mean high", "number", "upper end of its interval"),
    column("spread", "spread", "number", "standard deviation of the measured values"),
)
OVERAGE: Final = (
    column("build", "build"),
    column("part", "part"),
    column("package", "package"),
    column("due", "due", "date"),
    column("boards", "boards", "count"),
    column("quantity_per_board", "per board", "count", "parts placed on one board"),
    column("need", "need", "count", "parts placed on the boards"),
    column("extra", "extra", "count", "parts above need so that this line suffices at its service level"),
    column("kit_extra", "extra for whole kit", "count", "extra of the cheapest kit that is sure as a whole"),
    column("kit", "kit", "count", "parts to send to the line: need + extra, or whole packs"),
    column("buy", "buy", "count", "need + extra - stock - on order, rounded up to packs; 0 when stock suffices"),
    column("pack_size", "pack size", "count"),
    column("stock", "stock", "count"),
    column("on_order", "on order", "count"),
    column("enough", "stock suffices", "percent", "probability that what stock and orders leave for it is enough"),
    column("service_level", "service level", "percent", "probability that the parts suffice"),
    column("part_class", "class", "text", "class of parts whose policy counts"),
    column("loss_rate", "loss rate", "ppm", "losses per part used while running"),
    column("loss_low", "loss rate low", "ppm", "lower end of its interval"),
    column("loss_high", "loss rate high", "ppm", "upper end of its interval"),
    column("used", "parts used", "count", "history that the loss rate is counted from"),
    column("lost", "parts lost", "count", "of these, lost"),
    column("loads", "loads", "count", "set-ups and splices expected"),
    column("per_load", "lost per load", "number", "parts lost each time a reel, tube or tray is loaded"),
    column("unit_cost", "price of one", "money"),
    column("extra_cost", "cost of extra", "money"),
    column("buy_cost", "cost of buying", "money"),
    column("basis", "basis", "text", "where the figures come from"),
    column("reason", "reason"),
)
KIT: Final = (
    column("build", "build"),
    column("lines", "lines", "count"),
    column("level", "service level", "percent", "probability asked for, that no line runs short"),
    column("joint", "sure", "percent", "probability that no line runs short"),
    column("single", "line by line", "percent", "the same with extras made line by line"),
    column("cost", "cost of extras", "money"),
    column("single_cost", "cost line by line", "money"),
    column("weakest", "weakest", "text", "part that most probably runs short"),
    column("marginal", "best next", "text", "part whose next piece adds most for its price"),
    column("next_money", "money to spend on", "money"),
    column("next_joint", "sure then", "percent"),
    column("unpriced", "lines without price", "count"),
    column("text", "in words"),
)
STANDING: Final = (
    column("part", "part"),
    column("package", "package"),
    column("fixed", "fixed", "count", "pieces for each build"),
    column("share", "share of need", "percent", "on top of the fixed pieces"),
    column("smallest", "from", "count", "parts of one build line that the rule is made for"),
    column("largest", "to", "count"),
    column("waste", "pieces too many", "number", "on average above a figure made for the build"),
    column("waste_cost", "their value", "money"),
    column("basis", "basis", "text", "where the figures come from"),
    column("text", "in words"),
)
LOSS_FIGURE: Final = (
    column("feeder_type", "feeder"),
    column("what", "what"),
    column("value", "value", "number"),
    column("low", "low", "number", "lower end of its interval"),
    column("high", "high", "number", "upper end of its interval"),
    column("source", "source", "text", "counted: from reel counts; setting: as plant.toml has it"),
    column("reels", "reels", "count"),
    column("text", "in words"),
)
UNEXPLAINED: Final = (
    column("part", "part"),
    column("package", "package"),
    column("reels", "reels", "count"),
    column("gone", "gone", "count", "parts gone by the counts"),
    column("logged", "logged", "count", "parts placed and lost by the logs"),
    column("expected", "loads and misses", "number", "what they are expected to take without a log"),
    column("difference", "unexplained", "number", "gone - logged - loads and misses"),
    column("low", "low", "number", "lower end of its interval"),
    column("high", "high", "number", "upper end of its interval"),
    column("value", "value", "money"),
    column("value_low", "value low", "money"),
    column("value_high", "value high", "money"),
    column("text", "in words"),
)
PAST_RULE: Final = (
    column("name", "rule"),
    column("enough", "enough", "percent", "lines that would have sufficed"),
    column("low", "low", "percent", "lower end of its interval"),
    column("high", "high", "percent", "upper end of its interval"),
    column("short", "short", "count", "lines that would have run short"),
    column("surplus", "left over", "count", "pieces"),
    column("surplus_cost", "value left over", "money"),
    column("cost", "cost", "money", "of stops and of parts left over, at the plant's costs"),
)
DRIFT: Final = (
    column("machine", "machine"),
    column("feeder", "feeder"),
    column("slot", "slot"),
    column("axis", "axis"),
    column("picks", "picks", "count"),
    column("start", "offset at start", "mm", "fitted mean offset on the first day"),
    column("end", "offset at end", "mm", "fitted mean offset on the last day"),
    column("slope", "drift", "mm_per_day"),
    column("low", "drift low", "mm_per_day", "lower end of its interval"),
    column("high", "drift high", "mm_per_day", "upper end of its interval"),
    column("flagged", "flagged", "flag"),
)
MACHINE_COUNTS: Final = ("picks", "placed", "missed", "rejected", "dropped", "returned", "unknown")
MACHINE_SHARES: Final = (
    column("hours_with_picks", "hours with picks", "count"),
    column("unknown_nozzle", "nozzle unknown", "percent", "share of picks"),
    column("unknown_feeder", "feeder unknown", "percent", "share of picks"),
    column("unknown_part", "part unknown", "percent", "share of picks"),
)
