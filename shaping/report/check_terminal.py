"""What other settings would do to one wedge, as terminal text."""

from __future__ import annotations

from rich.console import Console

from shaping.capture.cautions import RING_OUT
from shaping.plan.plan import Plan
from shaping.report.terminal_text import Column, bold, heading, lines, rows
from shaping.stage.check import Checked
from shaping.stage.description.dialled import dialled_text
from shaping.text.frequency import frequency_text
from shaping.text.quantities import gain_text

_MOST_POINTS = 8  # lines, the highest first
_POINT = (
    Column("Frequency", leads=True),
    Column("Planned", right=True),
    Column("Changed", right=True, bold=True),
)


def print_check(plan: Plan, checked: Checked, console: Console) -> None:
    """Print the answer for a person at a desk."""
    bold(console, f"Settings: {dialled_text(checked.filters, plan.limits)}")
    lines(console, [("-", text) for text in answer(checked)])
    if checked.outside:
        numbers = ", ".join(str(one) for one in checked.outside)
        lines(
            console,
            [("!", f"The equaliser {plan.limits.name} cannot be set to setting {numbers}.")],
        )
    if checked.points:
        heading(console, "What is done where it matters, the most urgent first")
        rows(
            console,
            _POINT,
            [
                (
                    frequency_text(one.frequency_hz),
                    gain_text(one.planned_db),
                    gain_text(one.changed_db),
                )
                for one in checked.points[:_MOST_POINTS]
            ],
        )
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
