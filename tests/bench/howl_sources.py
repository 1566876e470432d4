"""Sound without howls, split by source into tuning, report and locked.

Beside the files of `measured_data`, programme comes from Debian packages. The benches fetch
nothing: packages lie unpacked in ``debian/<package>`` of the folder that SHAPING_BENCH_DATA names,
as ``apt-get download <package>`` and ``dpkg-deb -x <package>_*.deb debian/<package>`` lay them.
What is missing is named. A game's music, a reader's voice, a bank of sampled instruments or a
generator belongs to one part whole.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import general_midi
import made_tones
import numpy as np
import soundfile
from measured_data import (
    RATE_HZ,
    DataMissingError,
    Part,
    Real,
    data_folder,
    opened,
    programme_files,
)
from numpy.typing import NDArray
from scipy import signal

PACKAGES: dict[str, tuple[Part, str]] = {
    "wesnoth-1.16-music": (Part.TUNING, "music"),
    "lincity-ng-data": (Part.TUNING, "music"),
    "planetblupi-music-ogg": (Part.TUNING, "music"),
    "asc-music": (Part.TUNING, "music"),
    "fillets-ng-data": (Part.TUNING, "music"),
    "fillets-ng-data-cs": (Part.TUNING, "speech"),
    "asterisk-core-sounds-fr-wav": (Part.TUNING, "speech"),
    "warzone2100-music": (Part.REPORT, "music"),
    "colobot-common-sounds": (Part.REPORT, "music"),
    "trackballs-data": (Part.REPORT, "music"),
    "fillets-ng-data-nl": (Part.REPORT, "speech"),
    "asterisk-core-sounds-it-wav": (Part.REPORT, "speech"),
    "hedgewars-data": (Part.LOCKED, "music"),
    "flare-game": (Part.LOCKED, "music"),
    "marsshooter-data": (Part.LOCKED, "music"),
    "drascula-music": (Part.LOCKED, "music"),
    "scorched3d-data": (Part.LOCKED, "music"),
    "frozen-bubble-data": (Part.LOCKED, "music"),
    "xmoto-data": (Part.LOCKED, "music"),
    "extremetuxracer-data": (Part.LOCKED, "music"),
    "btanks-data": (Part.LOCKED, "music"),
    "boswars-data": (Part.LOCKED, "music"),
    "klettres-data": (Part.LOCKED, "speech"),
    "asterisk-core-sounds-es-wav": (Part.LOCKED, "speech"),
    "asterisk-core-sounds-ru-wav": (Part.LOCKED, "speech"),
}
"""Package, part, and what it mostly holds."""

BANKS: dict[str, tuple[Part, str]] = {
    "freepats": (Part.TUNING, "etc/timidity/freepats.cfg"),
    "fluid-soundfont-gm": (Part.REPORT, "usr/share/sounds/sf2/FluidR3_GM.sf2"),
    "minuet-data": (Part.LOCKED, "usr/share/minuet/soundfonts/GeneralUser-v1.47.sf2"),
    "opl3-soundfont": (Part.LOCKED, "usr/share/sounds/sf2/OPL-3_FM_128M.sf2"),
}
"""Banks of sampled or synthetic instruments, played by ``timidity`` or ``fluidsynth``."""

SHORTEST_S = 10.0
"""Shorter files are strung together, half a second apart."""

AT_ONCE_S = 180.0


@dataclass(frozen=True, eq=False)
class Piece:
    """One stretch of sound without howls.

    Attributes
    ----------
    source : str
        Package, file or generator.
    kind : str
        ``music``, ``speech`` or ``notes``.
    files : tuple of Path
        One, or several short ones; none where `seed` says what to make.
    seed : int
        Number of the tune or of the made tones.
    """

    name: str
    source: str
    kind: str
    files: tuple[Path, ...] = ()
    seed: int = -1

    @property
    def duration_s(self) -> float:
        """Length, about."""
        if not self.files:
            return made_tones.DURATION_S if self.source == "made tones" else general_midi.DURATION_S
        return float(sum(soundfile.info(file).duration + 0.5 for file in self.files) - 0.5)

    def samples(self) -> NDArray[np.float32]:
        """Return the first channel at 48 kHz, shape (n,)."""
        if self.source == "made tones":
            return made_tones.made(self.seed)
        if self.source in BANKS:
            return _played(self.source, self.seed)
        gap = np.zeros(RATE_HZ // 2, np.float32)
        parts = [part for file in self.files for part in (_first_channel(file), gap)]
        return np.concatenate(parts[:-1])


def pieces(part: Part, kind: str | None = None) -> list[Piece]:
    """Return every piece of a part, in a fixed order.

    Raises
    ------
    DataMissingError
        With all packages that are not there.
    """
    opened(part)
    return [piece for piece in _pieces(part) if kind in (None, piece.kind)]


@lru_cache(maxsize=3)
def _pieces(part: Part) -> tuple[Piece, ...]:
    found = [
        Piece(file.stem, file.stem, own, (file,))
        for own in ("music", "speech", "notes")
        for file in programme_files(own, part)
    ]
    for package, (owner, own) in PACKAGES.items():
        if owner is part:
            found += _of_package(package, own)
    for bank, (owner, _) in BANKS.items():
        if owner is part:
            found += [
                Piece(f"{bank} {name}", bank, "notes", (), program)
                for program, name in general_midi.HOLDING.items()
            ]
    found += [
        Piece(f"made tones {seed}", "made tones", "notes", (), seed)
        for seed in made_tones.seeds(part)
    ]
    return tuple(found)


def selected(part: Part, most_s: float = np.inf) -> list[Piece]:
    """Return pieces of a part, of each source in a drawn order until `most_s` are full."""
    result = []
    found = pieces(part)
    for source in sorted({piece.source for piece in found}):
        own = [piece for piece in found if piece.source == source]
        total = 0.0
        for index in np.random.default_rng([len(own), 5]).permutation(len(own)):
            if total >= most_s:
                break
            result.append(own[int(index)])
            total += own[int(index)].duration_s
    return result


def missing() -> list[str]:
    """Return the packages that are not in the folder of the data."""
    folder = data_folder() / "debian"
    return [name for name in (*PACKAGES, *BANKS) if not (folder / name).is_dir()]


def _of_package(package: str, kind: str) -> list[Piece]:
    folder = data_folder() / "debian" / package
    if not folder.is_dir():
        raise DataMissingError(
            f"No {folder}: unpack these Debian packages there first: {', '.join(missing())}."
        )
    files = sorted(
        p for p in folder.rglob("*") if p.suffix in (".ogg", ".wav", ".flac", ".mp3", ".opus")
    )
    long, short = [], []
    for file in files:
        try:
            duration_s = soundfile.info(file).duration
        except soundfile.LibsndfileError:
            continue  # a link to another package, or a format of another decoder
        (long if duration_s >= SHORTEST_S else short).append((file, duration_s))
    result = [Piece(f"{package} {f.stem}", package, kind, (f,)) for f, _ in long]
    batch: list[Path] = []
    total = 0.0
    for file, duration_s in short:
        batch.append(file)
        total += duration_s + 0.5
        if total >= AT_ONCE_S:
            result.append(Piece(f"{package} {len(result)}", package, kind, tuple(batch)))
            batch, total = [], 0.0
    if total >= SHORTEST_S:
        result.append(Piece(f"{package} {len(result)}", package, kind, tuple(batch)))
    return result


def _first_channel(file: Path) -> NDArray[np.float32]:
    samples, rate = soundfile.read(file, dtype="float32", always_2d=True)
    return at_48k(samples[:, 0], rate)


def at_48k(samples: NDArray[np.float32], rate: int) -> NDArray[np.float32]:
    """Resample to 48 kHz."""
    if rate == RATE_HZ:
        return np.ascontiguousarray(samples)
    return signal.resample_poly(samples, RATE_HZ, rate).astype(np.float32)


@lru_cache(maxsize=1)
def _player(program: str) -> str:
    found = shutil.which(program)
    if found is None:
        raise DataMissingError(f"Install the Debian package {program} first.")
    return found


def _played(bank: str, program: int) -> NDArray[np.float32]:
    """Play a tune of long notes with one instrument of a bank."""
    place = data_folder() / "debian" / bank / BANKS[bank][1]
    with tempfile.TemporaryDirectory() as folder:
        midi, audio = Path(folder) / "tune.mid", Path(folder) / "tune.wav"
        midi.write_bytes(general_midi.tune(program, seed=len(bank)))
        if place.suffix == ".cfg":
            config = Path(folder) / "bank.cfg"
            home = data_folder() / "debian" / bank / "usr/share/midi/freepats"
            config.write_text(f"dir {home}\nsource {place}\n")
            command = [_player("timidity"), "-c", str(config), "-Ow", "-s48000", "-EFreverb=0"]
            command += ["-EFchorus=0", "-o", str(audio), str(midi)]
        else:
            command = [_player("fluidsynth"), "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.6"]
            command += ["-r", str(RATE_HZ), "-F", str(audio), str(place), str(midi)]
        subprocess.run(command, check=True, capture_output=True)
        return _first_channel(audio)[: round(general_midi.DURATION_S * RATE_HZ)]


def stretch(piece: Piece, duration_s: float, rng: np.random.Generator) -> Real:
    """Return a stretch from anywhere in a piece, repeated where it is shorter."""
    sound = piece.samples().astype(np.float64)
    n = round(duration_s * RATE_HZ)
    start = int(rng.integers(max(sound.size - n, 0) + 1))
    return np.resize(sound[start:], n) if sound.size - start < n else sound[start : start + n]
