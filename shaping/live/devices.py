"""Sound devices: what is there, which could serve, and the one that a person means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shaping.errors import DeviceError
from shaping.live.portaudio import portaudio, quiet
from shaping.text.names import briefly, shown
from shaping.text.sentences import listing

_RATES_HZ = (44_100, 48_000, 88_200, 96_000)
"""The rates desks run at."""


@dataclass(frozen=True, slots=True)
class Device:
    """One sound device as one host interface shows it.

    Attributes
    ----------
    index : int
        The library's number: it changes when something is plugged in.
    name, host : str
        Names of the device and of the host interface.
    inputs, outputs : int
        How many channels.
    usual_rate_hz : int
        The rate it runs at, or prefers.
    rates_hz : tuple of int
        Which of the usual rates it takes; empty where it was not asked.
    """

    index: int
    name: str
    host: str
    inputs: int
    outputs: int
    usual_rate_hz: int
    rates_hz: tuple[int, ...] = ()

    @property
    def serves(self) -> tuple[str, ...]:
        """The commands it could serve."""
        if self.inputs and self.outputs:
            return ("measure", "watch")
        return ("watch",) if self.inputs else ()


def list_devices(*, rates: bool = True) -> tuple[Device, ...]:
    """Return every device there is, in the library's order.

    Parameters
    ----------
    rates : bool
        Whether to ask each which rates it takes; takes a moment.

    Raises
    ------
    DeviceError
        If the library is not there.
    """
    library = portaudio()
    hosts = [host["name"] for host in library.query_hostapis()]
    found = []
    for index, raw in enumerate(library.query_devices()):
        inputs, outputs = int(raw["max_input_channels"]), int(raw["max_output_channels"])
        found.append(
            Device(
                index,
                str(raw["name"]),
                hosts[raw["hostapi"]],
                inputs,
                outputs,
                round(raw["default_samplerate"]),
                tuple(r for r in _RATES_HZ if _takes(index, inputs, outputs, r)) if rates else (),
            )
        )
    return tuple(found)


def _takes(index: int, inputs: int, outputs: int, rate_hz: int) -> bool:
    library = portaudio()
    checks = []
    if inputs:
        checks.append((library.check_input_settings, min(inputs, 2)))
    if outputs:
        checks.append((library.check_output_settings, min(outputs, 2)))
    try:
        with quiet():
            for check, channels in checks:
                check(device=index, channels=channels, samplerate=rate_hz, dtype="float32")
    except (library.PortAudioError, ValueError):
        return False
    return bool(checks)


def find_device(devices: Sequence[Device], wanted: str | None, *, for_command: str) -> Device:
    """Return the device that a person means.

    Parameters
    ----------
    devices : sequence of Device
        All there are.
    wanted : str or None
        Its name, or a part of it that no other has, upper or lower case alike; the host interface
        may follow after a comma. None takes the only one that could serve.
    for_command : str
        ``measure`` or ``watch``.

    Raises
    ------
    DeviceError
        If none or several are meant, or the one meant cannot serve; with those that could.
    """
    able = [one for one in devices if for_command in one.serves]
    if not devices:
        raise DeviceError(
            "no sound device was found; plug it in or start its sound server, and run: "
            "shaping devices"
        )
    names = listing([f"{briefly(one.name)} ({shown(one.host)})" for one in able]) or "none"
    if wanted is None:
        if len(able) == 1:
            return able[0]
        raise DeviceError(f"name the sound device with --device; there are {names}")
    name, _, host = (part.strip().casefold() for part in wanted.partition(","))
    exact = [one for one in devices if one.name.casefold() == wanted.strip().casefold()]
    if not exact:
        exact = [
            one
            for one in devices
            if one.name.casefold() == name and (not host or host in one.host.casefold())
        ]
    found = exact or [
        one
        for one in devices
        if name in one.name.casefold() and (not host or host in one.host.casefold())
    ]
    if not found:
        raise DeviceError(f"there is no sound device named {briefly(wanted)}; there are {names}")
    serving = [one for one in found if for_command in one.serves]
    if not serving:
        lacks = "inputs and outputs" if for_command == "measure" else "inputs"
        raise DeviceError(
            f"{briefly(found[0].name)} lacks {lacks} on one device, which {for_command} needs; "
            f"there are {names}"
        )
    if len(serving) > 1:
        several = listing([f'"{shown(one.name)}, {shown(one.host)}"' for one in serving])
        raise DeviceError(f"{briefly(wanted)} may be any of {several}; name one of them whole")
    return serving[0]
