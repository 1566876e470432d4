"""Reading a packs file: schema ``shaping.packs/1``, TOML: names, channels, thresholds.

`PACKS_EXAMPLE` shows every key; ``shaping feeds new FILE`` writes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from shaping.analysis.feeds.findings import Pack
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.errors import FeedsError
from shaping.reading.form import Form, at_line, from_toml, read_text
from shaping.reading.toml_lines import line_of
from shaping.text.names import shown

PACKS_SCHEMA = "shaping.packs/1"
_MAX_BYTES = 256 * 1024
_MOST_PACKS = 256

PACKS_EXAMPLE = """\
# The in-ear packs of a stage. Lines that begin with # are remarks.
schema = "shaping.packs/1"

[[pack]]
name = "lead vocal"
file = "packs.wav"        # left out where there is one recording
channels = [1, 2]         # left and right; one number where one channel was recorded

[[pack]]
name = "bass"
file = "packs.wav"
channels = [3, 4]
mono = true               # one mix for both ears is meant

# Leave file and channels out everywhere, and the names count in the order of the recordings:
# [[pack]]
# name = "drums"

# From where on a finding is a fault. These are starting points, not limits of any standard.
[thresholds]
level_db = 3.0            # off its siblings, or one side off the other
silent_db = 60.0          # below its siblings: as good as silent
dead_db = 30.0            # below the other side: as good as dead
crosstalk_db = -30.0      # the other side in this one
late_ms = 3.0             # later than the packs of the same recording
side_late_ms = 1.0        # one side later than the other
dropouts = 1              # in one run of the signal
hum_db = -60.0            # against the signal's hold
noise_db = -50.0          # A-weighted, against the signal's hold
limiter_db = -6.0         # a limiter that sets in below this is too busy
compressed_db = 1.5       # gain that the hold loses to a compressor
distortion_db = -30.0     # against the signal: -30 dB is 3 %
uneven_db = 3.0           # a third octave against the same of the siblings
"""


class PackForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A pack: its name, and where it was recorded."""

    name: Annotated[str, Meta(min_length=1, max_length=60)]
    file: Annotated[str, Meta(min_length=1, max_length=1000)] | None = None
    channels: (
        Annotated[
            tuple[Annotated[int, Meta(ge=1, le=1024)], ...],
            Meta(min_length=1, max_length=2, description="left and right, counted from 1; or one"),
        ]
        | None
    ) = None
    mono: Annotated[bool, Meta(description="one mix for both ears is meant")] = False


class PacksForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """The in-ear packs of a stage, and from where on a finding is a fault."""

    schema: Literal["shaping.packs/1"]
    pack: Annotated[tuple[PackForm, ...], Meta(max_length=_MOST_PACKS)] = ()
    thresholds: Thresholds = field(default_factory=Thresholds)


PACKS_FORM = Form(
    "packs file",
    PacksForm,
    FeedsError,
    _MAX_BYTES,
    lambda: "write an example with: shaping feeds new FILE",
)


def load_packs(path: str) -> PacksForm:
    """Read a packs file.

    Raises
    ------
    FeedsError
        If it cannot be read or makes no sense, with the line.
    """
    text = read_text(path, PACKS_FORM)
    try:
        form = from_toml(text, PACKS_FORM)
        names: dict[str, int] = {}
        for i, one in enumerate(form.pack):
            if one.name in names:
                told = f"two packs are called {shown(one.name)}; give each its own name"
                raise FeedsError(at_line(line_of(text, ("pack", i, "name")), told))
            names[one.name] = i
            if one.channels and len(set(one.channels)) < len(one.channels):
                told = f"{shown(one.name)} has one channel for both sides; write it once"
                raise FeedsError(at_line(line_of(text, ("pack", i, "channels")), told))
    except FeedsError as error:
        raise FeedsError(f"{shown(path)}: {error}") from error
    return form


def packs_of(
    recordings: Sequence[tuple[str, int]],
    form: PacksForm | None,
    *,
    mono: bool = False,
    together: bool = False,
) -> tuple[Pack, ...]:
    """Say which channels of which recording are which pack.

    Parameters
    ----------
    recordings : sequence of (str, int)
        Path and number of channels of each.
    form : PacksForm, optional
        What the person says of them.
    mono : bool
        Whether every channel is a pack of its own, one mix for both ears.
    together : bool
        Whether all recordings were started together.

    Returns
    -------
    tuple of Pack

    Raises
    ------
    FeedsError
        If it cannot be told, or does not fit the recordings.
    """
    asked = form.pack if form else ()
    if any(one.channels for one in asked):
        return tuple(_placed(one, recordings, mono, together) for one in asked)
    found = [
        Pack("", path, channels, mono or (len(channels) == 1 and count > 2), _take(path, together))
        for path, count in recordings
        for channels in _split(path, count, mono)
    ]
    if asked and len(asked) != len(found):
        raise FeedsError(
            f"the packs file names {len(asked)} packs and the recordings hold {len(found)}; give "
            "each pack its channels, or one name for every pack"
        )
    if asked:
        return tuple(
            Pack(form_.name, one.path, one.channels, one.mono or form_.mono, one.take)
            for one, form_ in zip(found, asked, strict=True)
        )
    return _named(found, dict(recordings))


def _split(path: str, count: int, mono: bool) -> list[tuple[int, ...]]:
    if mono or count == 1:
        return [(i,) for i in range(1, count + 1)]
    if count % 2:
        raise FeedsError(
            f"{shown(path)}: {count} channels do not make pairs of left and right; say in a packs "
            "file which belong together (shaping feeds new FILE), or add --mono if each is a pack "
            "of its own"
        )
    return [(i, i + 1) for i in range(1, count + 1, 2)]


def _take(path: str, together: bool) -> str:
    return "" if together else path


def _placed(
    one: PackForm, recordings: Sequence[tuple[str, int]], mono: bool, together: bool
) -> Pack:
    name = shown(one.name)
    fits = [
        (path, count)
        for path, count in recordings
        if one.file is None or path == one.file or Path(path).name == Path(one.file).name
    ]
    if len(fits) != 1:
        wanted = "one recording" if one.file is None else f"one recording called {shown(one.file)}"
        raise FeedsError(
            f"{name} needs {wanted}, and {len(fits)} were given; name its file in the packs file "
            "and give that recording to the command"
        )
    path, count = fits[0]
    if one.channels is None and count > 2:
        raise FeedsError(f"{name} needs channels: {shown(path)} has {count} of them")
    channels = one.channels or tuple(range(1, count + 1))
    if max(channels) > count:
        raise FeedsError(
            f"{name}: there is no channel {max(channels)} in {shown(path)}, which has {count}"
        )
    return Pack(one.name, path, channels, mono or one.mono, _take(path, together))


def _named(found: list[Pack], counts: dict[str, int]) -> tuple[Pack, ...]:
    """Return packs named by their files, and by their channels where a file holds several."""
    made, taken = [], set()
    for one in found:
        name = Path(one.path).stem or one.path
        if len(one.channels) < counts[one.path]:
            name += " " + "+".join(map(str, one.channels))
        if name in taken:
            name = f"{one.path} {'+'.join(map(str, one.channels))}"
        taken.add(name)
        made.append(Pack(name, one.path, one.channels, one.mono, one.take))
    return tuple(made)
