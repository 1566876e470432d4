"""``shaping devices``: the sound devices there are, and which could serve."""

from __future__ import annotations

import json
from dataclasses import asdict

import click

from shaping.cli import options

_EXAMPLES = """
\b
Examples:
  shaping devices
  shaping devices --json -
"""


@click.command("devices", epilog=_EXAMPLES)
@options.json_option
@options.force_option
def command(json_path: str | None, force: bool) -> None:
    """List the sound devices by name and host interface, and what each could serve for.

    Measuring needs inputs and outputs on one device, so that both run on one clock. Plug the desk
    in and start its server first.
    """
    from shaping.live.devices import list_devices

    options.check_outputs([json_path], force=force)
    devices = list_devices()
    if json_path:
        facts = [{**asdict(one), "serves": list(one.serves)} for one in devices]
        text = json.dumps({"schema": "shaping.devices/1", "devices": facts}, indent=2)
        options.emit_json(text, json_path, force=force)
    if json_path == options.STDOUT:
        return
    from rich.console import Console

    from shaping.live.screen.device_list import print_devices

    print_devices(devices, Console())
    options.tell_written(json_path)
