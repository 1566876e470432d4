"""Reading a stage file: schema ``shaping.stage/1``, TOML.

`EXAMPLE` shows every key; ``shaping stage new FILE`` writes it. Names are free text; every name
that a send, a capture or a place uses must be one of a wedge or mic. Files are looked for from the
stage file's own folder on. Every mistake is told with its line and what to do about it.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal, NoReturn

from msgspec import Meta, Struct, field

from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.errors import LimitsError, PlanError, StageError
from shaping.filters.kinds import Filter
from shaping.plan.from_json import load_plan
from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse
from shaping.reading.form import Form, at_line, from_toml, read_text
from shaping.reading.toml_lines import line_of
from shaping.stage.description.dialled import dialled_filters
from shaping.stage.description.stage import Mic, Pair, Pattern, Place, Send, Stage, Take, Wedge
from shaping.text.names import briefly, shown
from shaping.text.sentences import listing

STAGE_SCHEMA = "shaping.stage/1"
_MAX_BYTES = 256 * 1024  # a choice: hundreds of mics and wedges; a larger file is another one

EXAMPLE = """\
# A stage: every mic in every wedge. Lines that begin with # are remarks.
#
# For each wedge: mute every mic everywhere (mains, wedges, in-ears, stream), play the noise
# ("shaping signal pink-noise noise.wav") through this wedge alone, from silence up to the level of
# loud speech, and record all mics at once, before their mutes. In-ears out, hands on the level.
schema = "shaping.stage/1"

[[wedge]]
name = "vocal left"
limits = "parametric-4"        # free, parametric-4, parametric-6, graphic-31, narrow-notch, a file
use = "vocal"                  # vocal, speech, acoustic-guitar, keys, drum-fill, side-fill, in-ear
thinning = "light"             # none, light, medium, strong
# in_place = "hp 100, 545 -6 q8"   # what is dialled in already, or a plan's file; else flat

[[wedge]]
name = "side fill"             # side fills and drum fills are wedges too
limits = "graphic-31"
use = "side-fill"

[[mic]]
name = "lead"
pattern = "supercardioid"      # omni, cardioid, supercardioid, hypercardioid, figure-of-eight
handheld = true                # nobody knows where it will look; left out: on a stand

[[mic]]
name = "choir"
pattern = "cardioid"

[[send]]                       # open during the service; a send that is not listed is muted
mic = "lead"
wedge = "vocal left"
gain_db = -6.0                 # as on the desk

[[send]]
mic = "choir"
wedge = "side fill"
gain_db = -10.0

[[capture]]
wedge = "vocal left"           # the wedge that played
file = "noise_vocal_left.wav"
reference = "noise.wav"        # what was played; left out: a ring-out of this wedge
channels = { lead = 1, choir = 2 }
position = "as in the service" # several positions of the mics make one plan that holds for all

[[capture]]
wedge = "side fill"
file = "noise_side_fill.wav"
reference = "noise.wav"
channels = { lead = 1, choir = 2 }
position = "as in the service"

# Before anything is measured: where a wedge stands as a mic sees it.
[[place]]
mic = "choir"
wedge = "side fill"
angle_deg = 150                # 0 is straight ahead of the mic, 180 behind it
distance_m = 2.5

# Two monitors that play the same signal; with a [[place]] of one mic for each of them, the sheet
# tells what both together do there.
# [[pair]]
# wedges = ["side fill left", "side fill right"]
"""

_Name = Annotated[str, Meta(min_length=1, max_length=60)]
_Text = Annotated[str, Meta(max_length=1000)]
_some = Meta(max_length=500)


class _WedgeForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A monitor with its own equaliser."""

    name: _Name
    limits: _Text = "parametric-4"
    use: WedgeUse = WedgeUse.VOCAL
    thinning: ThinningAmount = ThinningAmount.LIGHT
    in_place: _Text = ""


class _MicForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A microphone."""

    name: _Name
    pattern: (
        Literal["omni", "cardioid", "supercardioid", "hypercardioid", "figure-of-eight"] | None
    ) = None
    handheld: bool = False


class _SendForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A mic that is open in a wedge."""

    mic: _Name
    wedge: _Name
    gain_db: Annotated[float, Meta(ge=-120.0, le=60.0)] = 0.0


class _CaptureForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A recording of all mics while one wedge played."""

    wedge: _Name
    file: Annotated[str, Meta(min_length=1, max_length=1000)]
    reference: Annotated[str, Meta(min_length=1, max_length=1000)] | None = None
    channels: dict[str, Annotated[int, Meta(ge=1, le=1024)]]
    position: Annotated[str, Meta(max_length=60)] = ""


class _PlaceForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """Where a wedge stands as a mic sees it."""

    mic: _Name
    wedge: _Name
    angle_deg: Annotated[float, Meta(ge=0.0, le=180.0)]
    distance_m: Annotated[float, Meta(ge=0.05, le=50.0)]


class _PairForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """Two monitors that play the same signal."""

    wedges: Annotated[tuple[_Name, _Name], Meta(description="names of both")]


class StageForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A stage: wedges, mics, sends, captures, places."""

    schema: Literal["shaping.stage/1"]
    wedge: Annotated[tuple[_WedgeForm, ...], Meta(min_length=1, max_length=64)]
    mic: Annotated[tuple[_MicForm, ...], Meta(min_length=1, max_length=128)]
    send: Annotated[tuple[_SendForm, ...], _some] = field(default_factory=tuple)
    capture: Annotated[tuple[_CaptureForm, ...], _some] = field(default_factory=tuple)
    place: Annotated[tuple[_PlaceForm, ...], _some] = field(default_factory=tuple)
    pair: Annotated[tuple[_PairForm, ...], _some] = field(default_factory=tuple)


STAGE_FORM = Form(
    "stage",
    StageForm,
    StageError,
    _MAX_BYTES,
    lambda: "write one with: shaping stage new FILE",
)


def load_stage(path: str | Path) -> Stage:
    """Return the stage that a file describes.

    Raises
    ------
    StageError
        If the file cannot be read or makes no stage; the message names file and line.
    """
    text = read_text(path, STAGE_FORM)
    try:
        return stage_from_toml(text, folder=Path(path).parent)
    except StageError as error:
        raise StageError(f"{shown(str(path))}: {error}") from None


def stage_from_toml(text: str, *, folder: Path) -> Stage:
    """Return the stage that a TOML text describes; file names are taken from `folder` on.

    Raises
    ------
    StageError
        If it makes no stage; the message begins with the line.
    """
    form = from_toml(text, STAGE_FORM)
    return _Checker(text, form, folder).stage()


class _Checker:
    """Turns a form into a stage, and knows the line of every mistake."""

    def __init__(self, text: str, form: StageForm, folder: Path) -> None:
        self._text, self._form, self._folder = text, form, folder
        self._wedges = [one.name for one in form.wedge]
        self._mics = [one.name for one in form.mic]

    def stage(self) -> Stage:
        for kind, names in (("wedge", self._wedges), ("mic", self._mics)):
            for at, name in enumerate(names):
                if not name.isprintable() or name != name.strip():
                    self._fail(
                        (kind, at, "name"),
                        f"{briefly(name)} must be one line without spaces around",
                    )
                if name in names[:at]:
                    self._fail(
                        (kind, at, "name"),
                        f"there are two {kind}s named {briefly(name)}; rename one",
                    )
        wedges = tuple(self._wedge(at) for at in range(len(self._wedges)))
        mics = tuple(
            Mic(one.name, None if one.pattern is None else _PATTERNS[one.pattern], one.handheld)
            for one in self._form.mic
        )
        return Stage(wedges, mics, self._sends(), self._takes(), self._places(), self._pairs())

    def _wedge(self, at: int) -> Wedge:
        one = self._form.wedge[at]
        name = one.limits
        if name not in preset_names():
            name = self._beside(name)
        try:
            limits = load_limits(name)
        except LimitsError as error:
            self._fail(("wedge", at, "limits"), str(error))
        in_place: tuple[Filter, ...]
        try:
            if one.in_place.endswith(".json"):
                plan = load_plan(self._beside(one.in_place))
                in_place = tuple(planned.filter for planned in plan.filters)
            else:
                in_place = dialled_filters(one.in_place, limits)
        except (StageError, PlanError) as error:
            self._fail(("wedge", at, "in_place"), str(error))
        return Wedge(one.name, limits, one.use, one.thinning, in_place)

    def _sends(self) -> tuple[Send, ...]:
        seen: set[tuple[str, str]] = set()
        for at, one in enumerate(self._form.send):
            self._known(("send", at), one.mic, one.wedge)
            if (one.mic, one.wedge) in seen:
                self._fail(
                    ("send", at),
                    f"the send of {briefly(one.mic)} into {briefly(one.wedge)} is listed twice; "
                    "keep one",
                )
            seen.add((one.mic, one.wedge))
        return tuple(Send(one.mic, one.wedge, one.gain_db) for one in self._form.send)

    def _takes(self) -> tuple[Take, ...]:
        takes = []
        for at, one in enumerate(self._form.capture):
            place: tuple[str | int, ...] = ("capture", at)
            self._name((*place, "wedge"), "wedge", one.wedge, self._wedges)
            for mic in one.channels:
                self._name((*place, "channels"), "mic", mic, self._mics)
            if not one.channels:
                self._fail((*place, "channels"), "name the channel of at least one mic")
            used = list(one.channels.values())
            if len(set(used)) < len(used):
                self._fail((*place, "channels"), "two mics cannot be on one channel; check them")
            takes.append(
                Take(
                    one.wedge,
                    self._beside(one.file),
                    None if one.reference is None else self._beside(one.reference),
                    dict(one.channels),
                    one.position,
                )
            )
        return tuple(takes)

    def _places(self) -> tuple[Place, ...]:
        for at, one in enumerate(self._form.place):
            self._known(("place", at), one.mic, one.wedge)
        return tuple(
            Place(one.mic, one.wedge, one.angle_deg, one.distance_m) for one in self._form.place
        )

    def _pairs(self) -> tuple[Pair, ...]:
        used: set[str] = set()
        for at, one in enumerate(self._form.pair):
            for name in one.wedges:
                self._name(("pair", at, "wedges"), "wedge", name, self._wedges)
                if name in used:
                    self._fail(
                        ("pair", at, "wedges"),
                        f"{briefly(name)} stands twice in pairs; a pair is two monitors, and each "
                        "belongs to one",
                    )
                used.add(name)
        return tuple(Pair(*one.wedges) for one in self._form.pair)

    def _known(self, place: tuple[str | int, ...], mic: str, wedge: str) -> None:
        self._name((*place, "mic"), "mic", mic, self._mics)
        self._name((*place, "wedge"), "wedge", wedge, self._wedges)

    def _name(
        self, place: tuple[str | int, ...], kind: str, name: str, names: Sequence[str]
    ) -> None:
        if name not in names:
            self._fail(place, unknown_name(kind, name, names))

    def _beside(self, name: str) -> str:
        return name if Path(name).is_absolute() else str(self._folder / name)

    def _fail(self, place: tuple[str | int, ...], message: str) -> NoReturn:
        raise StageError(at_line(line_of(self._text, place), message))


def unknown_name(kind: str, name: str, names: Sequence[str]) -> str:
    """Return what is said of a wedge or mic that is not there, with the nearest that is.

    >>> unknown_name("mic", "laed", ["lead", "choir"])
    "there is no mic named 'laed'; did you mean 'lead'?"
    """
    near = difflib.get_close_matches(name, names, 1)
    told = f"there is no {kind} named {briefly(name)}"
    if near:
        return f"{told}; did you mean {briefly(near[0])}?"
    return f"{told}; there are {listing([briefly(one) for one in names])}"


_PATTERNS = {pattern.word: pattern for pattern in Pattern}
