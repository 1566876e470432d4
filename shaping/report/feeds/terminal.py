"""In-ear feeds as terminal text: plain when piped, coloured only where it helps."""

from __future__ import annotations

from rich.console import Console

from shaping.capture.cautions import EXPOSURE, FEEDS
from shaping.report.feeds import words
from shaping.report.terminal_text import Column, bold, heading, lines, rows
from shaping.text.names import shown

_FEED = (
    Column("Pack", bold=True, leads=True),
    Column("Verdict", bold=True, leads=True),
    Column("Against siblings", right=True),
    Column("Since last", right=True),
    Column("Left | right get"),
)


def print_feeds(report: words.FeedsReport, console: Console) -> None:
    """Print feeds for a person at a desk, the worst first.

    Parameters
    ----------
    report : FeedsReport
        The feeds.
    console : rich Console
        Where to print; its width decides the layout.
    """
    bold(console, words.title(report))
    console.print()
    known = any(one.change_db is not None for one in report.feeds)
    keep = [i for i in range(len(_FEED)) if known or i != 3]
    cells = [
        (
            shown(one.name),
            words.verdict_text(one),
            words.level_text(one),
            words.change_text(one),
            words.ears_text(one),
        )
        for one in report.feeds
    ]
    rows(console, [_FEED[i] for i in keep], [[row[i] for i in keep] for row in cells])
    failing = [one for one in report.feeds if one.failing]
    if failing:
        heading(console, "What to do, the worst first")
        for feed in failing:
            bold(console, shown(feed.name))
            for fault in feed.failing:
                lines(console, [("-", fault.message), (" ", f"Do: {fault.action}")])
    _told(console, "Worth knowing", "-", words.notes(report))
    _told(console, "What this cannot tell", "!", words.limits_of_this(report))
    _told(console, words.FEEDS_HEADING, "!", (*FEEDS, EXPOSURE))


def _told(console: Console, title: str, mark: str, told: tuple[str, ...]) -> None:
    if told:
        heading(console, title)
        lines(console, [(mark, text) for text in told])
