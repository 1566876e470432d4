"""The command ``shaping``: its commands, and how outcomes become exit codes.

Exit codes: 0 done, 2 bad input or usage (one plain message on stderr), 3 done, and
somebody must act (recordings that were not scanned, a feed that fails), 1 our own failure.
Commands are imported when called, so that ``shaping --help`` starts at once.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence

import click

from shaping import __version__
from shaping.errors import ShapingError
from shaping.text.names import shown

_COMMANDS = {
    "suggest": "From a recording to the settings to dial in.",
    "stage": "A whole stage: every mic in every wedge, one sheet.",
    "check": "What other settings would do to one wedge.",
    "thin": "Thinning alone: what the first rows gain, what the musician loses.",
    "compare": "What a plan really changed, before and after.",
    "exposure": "Levels and doses, only from a calibrated recording.",
    "feeds": "In-ear packs: which feed is dead, faint, swapped or worse.",
    "rehearsals": "Find feedback in many recorded rehearsals.",
    "devices": "The sound devices there are, and which could serve.",
    "measure": "Play and record from here: the quiet ring-out in one go.",
    "watch": "Rings as they grow, on any number of inputs.",
    "signal": "Make a test signal to play through a wedge.",
    "listen": "Hear a recording through a plan.",
    "lesson": "One page to hear why, for a phone; with your own wedge.",
    "demo": "The main job on a shipped recording, with a guided text.",
}


_LIVE = frozenset(("devices", "measure", "watch"))
"""Commands in a room of their own."""


class _LazyGroup(click.Group):
    """Imports a command's module only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        room = "live." if cmd_name in _LIVE else ""
        module = importlib.import_module(f"shaping.cli.{room}{cmd_name}_command")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Start with: shaping demo",
)
@click.version_option(__version__, prog_name="shaping")
def cli() -> None:
    """Thin and ring out stage monitors: from a recording to the EQ settings to dial in."""


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after ``shaping``; those of the process by default.
    """
    try:
        outcome = cli.main(
            args=None if arguments is None else list(arguments),
            prog_name="shaping",
            standalone_mode=False,
        )
    except click.UsageError as error:
        where = error.ctx.command_path if error.ctx else "shaping"
        return _say(f"{where}: {error.format_message()} (see {where} --help)", 2)
    except click.ClickException as error:
        return _say(f"shaping: {error.format_message()}", 2)
    except ShapingError as error:
        return _say(f"shaping: {error}", 2)
    except (click.Abort, KeyboardInterrupt):
        return _say("shaping: stopped", 130)
    except BrokenPipeError:
        # The reader of our output went away; nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if os.environ.get("SHAPING_TRACEBACK"):
            raise
        return _say(
            f"shaping: a fault of the program itself ({type(error).__name__}: {error}); "
            "run again with SHAPING_TRACEBACK=1 set and report what it prints",
            1,
        )
    return outcome if isinstance(outcome, int) else 0


def _say(message: str, code: int) -> int:
    click.echo(shown(message), err=True)  # one line, whatever a name in it holds
    return code


def main() -> None:
    """Run the command line and exit the process with its code."""
    sys.exit(run())
