"""The sound devices as people read them."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console

from shaping.live.devices import Device
from shaping.report.terminal_text import Column, bold, lines, rows
from shaping.text.names import shown

_COLUMNS = (
    Column("device", bold=True, leads=True),
    Column("host interface"),
    Column("in", right=True),
    Column("out", right=True),
    Column("rates"),
    Column("serves for"),
)


def print_devices(devices: Sequence[Device], console: Console) -> None:
    """Print what there is, and what to do next."""
    if not devices:
        bold(console, "No sound device was found.")
        lines(
            console,
            [("-", "Plug in the desk or interface, start its sound server, then look again.")],
        )
        return
    cells = [
        (
            shown(one.name),
            shown(one.host),
            str(one.inputs),
            str(one.outputs),
            _rates(one),
            " and ".join(one.serves) or "neither: it has no inputs",
        )
        for one in devices
    ]
    rows(console, _COLUMNS, cells)
    console.print()
    able = next((one for one in devices if "measure" in one.serves), None)
    if able is None:
        lines(
            console,
            [("-", "None has inputs and outputs together: measure needs both on one device.")],
        )
        return
    lines(
        console,
        [
            ("-", "Name the device by its name or a part of it that no other has."),
            ("-", f'Next: shaping watch --device "{shown(able.name)}"'),
        ],
    )


def _rates(device: Device) -> str:
    rates = device.rates_hz or (device.usual_rate_hz,)
    return ", ".join(f"{rate / 1000:g}" for rate in rates) + " kHz"
