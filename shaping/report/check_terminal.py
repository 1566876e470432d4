"""What other settings would do to one wedge, as terminal text."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from shaping.capture.cautions import RING_OUT
from shaping.plan.plan import Plan
from shaping.report.terminal import heading, lines, new_table
from shaping.stage.check import Checked
from shaping.stage.dialled import dialled_text
from shaping.text.frequency import frequency_text
from shaping.text.quantities import gain_text

_MOST_POINTS = 8


def print_check(plan: Plan, checked: Checked, console: Console) -> None:
    """Print the answer for a person at a desk."""
    console.print(Text(f"Settings: {dialled_text(checked.filters, plan.limits)}", style="bold"))
    lines(console, [("-", text) for text in answer(checked)])
    if checked.outside:
        numbers = ", ".join(str(one) for one in checked.outside)
        lines(
            console,
            [("!", f"The equaliser {plan.limits.name} cannot be set to setting {numbers}.")],
        )
    if checked.points:
        heading(console, "What is done where it matters, the most urgent first")
        table = new_table(console)
        table.add_column("Frequency")
        for name in ("Planned", "Changed"):
            table.add_column(name, justify="right")
        for one in checked.points[:_MOST_POINTS]:
            table.add_row(
                Text(frequency_text(one.frequency_hz)),
                Text(gain_text(one.planned_db)),
                Text(gain_text(one.changed_db), style="bold"),
            )
        console.print(table)
    heading(console, "Before you raise the send")
    lines(console, [("!", text) for text in RING_OUT])


def answer(checked: Checked) -> tuple[str, ...]:
    """Return the answer in a few sentences."""
    if checked.changed_db is None or checked.planned_db is None or checked.flat_db is None:
        return (
            "The plan rests on no reference, so margins are not known: look at what is done where "
            "it rang.",
        )
    change = checked.changed_db - checked.planned_db
    first = "" if checked.first_hz is None else f", first at {frequency_text(checked.first_hz)}"
    told = [
        f"It could howl from {gain_text(checked.changed_db)} of send on{first}: "
        f"{abs(change):.1f} dB {'less' if change < 0 else 'more'} than with the plan "
        f"({gain_text(checked.planned_db)}); flat {gain_text(checked.flat_db)}."
    ]
    if not checked.exact:
        told.append(
            "Judged where the plan knows it howls first; another frequency may come before. With "
            "--reference the captures are measured again, and the answer is exact."
        )
    return tuple(told)
