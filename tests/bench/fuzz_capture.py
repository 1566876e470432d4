"""Feed mutated recordings to the reader: only a `CaptureError` of one line may come out.

    python tests/bench/fuzz_capture.py [--inputs 100000] [--seed 0]

Seeds are short recordings in every container and encoding that libsndfile writes here, and the
mutations aim at headers. Everything runs in this process, under an address-space limit and a time
limit per input. The input at work is on disk at the path printed first, so a crash of the decoder
leaves it there. Exit code 0: no crash, hang, traceback, or memory beyond the bound.
"""

from __future__ import annotations

import argparse
import faulthandler
import io
import random
import resource
import struct
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile

from shaping.capture.audio import read_blocks, read_capture
from shaping.capture.recording import CaptureKind
from shaping.errors import CaptureError

TIME_LIMIT_S = 10.0
MEMORY_LIMIT_MB = 1_024
SPECIAL = (0, 1, 2, 8, 16, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 2**31 - 1, 2**31, 2**32 - 1)

ENCODINGS = [
    ("WAV", "PCM_U8"),
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "FLOAT"),
    ("WAV", "DOUBLE"),
    ("WAV", "ULAW"),
    ("WAV", "IMA_ADPCM"),
    ("WAV", "MS_ADPCM"),
    ("WAV", "GSM610"),
    ("WAVEX", "PCM_24"),
    ("RF64", "PCM_16"),
    ("W64", "PCM_24"),
    ("AIFF", "PCM_16"),
    ("AIFF", "FLOAT"),
    ("AU", "PCM_16"),
    ("CAF", "PCM_16"),
    ("CAF", "ALAC_16"),
    ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"),
    ("OGG", "VORBIS"),
    ("OGG", "OPUS"),
    ("MP3", "MPEG_LAYER_III"),
]


def seed_recordings() -> list[bytes]:
    """Return short valid recordings, one or two per encoding."""
    rng = np.random.default_rng(0)
    seeds = []
    for container, encoding in ENCODINGS:
        for channels in (1, 2):
            if encoding == "GSM610" and channels == 2:
                continue
            rate = 8_000 if encoding == "GSM610" else 48_000
            sound = 0.3 * np.sin(np.arange(3_000) * 0.1)[:, None] * np.ones(channels)
            sound += 0.01 * rng.standard_normal(sound.shape)
            buffer = io.BytesIO()
            soundfile.write(buffer, sound, rate, format=container, subtype=encoding)
            seeds.append(buffer.getvalue())
    return seeds


def mutate(recording: bytes, rng: random.Random, seeds: list[bytes]) -> bytes:
    """Damage a recording in one to four ways, mostly in its first 200 bytes."""
    data = bytearray(recording)
    for _ in range(rng.randint(1, 4)):
        size = len(data)
        if size < 8:
            break
        reach = size if rng.random() < 0.2 else min(size, 200)
        at = rng.randrange(reach)
        match rng.randrange(8):
            case 0:
                data[at] ^= 1 << rng.randrange(8)
            case 1:
                data[at] = rng.randrange(256)
            case 2:
                order = rng.choice("<>")
                data[at : at + 4] = struct.pack(f"{order}I", rng.choice(SPECIAL))
            case 3:
                order = rng.choice("<>")
                data[at : at + 2] = struct.pack(f"{order}H", rng.choice(SPECIAL) & 0xFFFF)
            case 4:
                del data[at:]
            case 5:
                del data[at : at + rng.randint(1, 16)]
            case 6:
                data[at:at] = rng.randbytes(rng.randint(1, 16))
            case 7:
                other = rng.choice(seeds)
                data[at : at + 32] = other[at : at + 32]
    return bytes(data)


def outcome(path: Path, kind: CaptureKind) -> str:
    """Read the file in both ways; return what came out, or let anything unforeseen escape."""
    verdict = "read"
    try:
        read_capture(path, kind=kind)
    except CaptureError as error:
        message = str(error)
        if len(message.splitlines()) != 1 or not message.isprintable():
            raise AssertionError(f"not one plain line: {message!r}") from error
        verdict = "refused"
    try:
        for block in read_blocks(path):
            assert block.ndim == 2
    except CaptureError:
        verdict = "refused"
    return verdict


def peak_memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    rng = random.Random(arguments.seed)
    seeds = seed_recordings()
    before_mb = peak_memory_mb()
    limit = (MEMORY_LIMIT_MB + 512) * 2**20  # the limit counts libraries' address space too
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    kinds = list(CaptureKind)
    counts: Counter[str] = Counter()
    slowest_s = 0.0
    started = time.perf_counter()
    shared_memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=shared_memory if shared_memory.is_dir() else None) as home:
        path = Path(home) / "mutated.bin"
        print(f"input at work: {path}", flush=True)
        for number in range(arguments.inputs):
            path.write_bytes(mutate(rng.choice(seeds), rng, seeds))
            faulthandler.dump_traceback_later(TIME_LIMIT_S, exit=True)
            begun = time.perf_counter()
            try:
                counts[outcome(path, kinds[number % 3])] += 1
            except Exception as error:
                counts[f"ESCAPED {type(error).__name__}"] += 1
                kept = Path(tempfile.gettempdir()) / f"escaped-{arguments.seed}-{number}.bin"
                kept.write_bytes(path.read_bytes())
                print(f"{kept}: {error!r}", file=sys.stderr)
            finally:
                faulthandler.cancel_dump_traceback_later()
            slowest_s = max(slowest_s, time.perf_counter() - begun)
    peak_mb = peak_memory_mb()
    for name, count in sorted(counts.items()):
        print(f"{name:30s}{count:10d}")
    print(
        f"{arguments.inputs} inputs in {time.perf_counter() - started:.0f} s; slowest "
        f"{1000 * slowest_s:.0f} ms (limit {1000 * TIME_LIMIT_S:.0f}); peak memory {peak_mb:.0f} "
        f"MB, {peak_mb - before_mb:.0f} MB over the start (limit {MEMORY_LIMIT_MB}); "
        f"soundfile {soundfile.__version__}, {soundfile.__libsndfile_version__}"
    )
    escaped = sum(count for name, count in counts.items() if name.startswith("ESCAPED"))
    return 1 if escaped or peak_mb > MEMORY_LIMIT_MB else 0


if __name__ == "__main__":
    sys.exit(main())
