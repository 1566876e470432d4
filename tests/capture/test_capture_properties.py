"""Whatever the bytes, the reader answers with samples or with one line."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shaping.capture.audio import inspect, read_blocks, read_capture
from shaping.capture.quality import judge
from shaping.capture.recording import CaptureKind
from shaping.errors import CaptureError
from shaping.text.names import shown

FORMATS = [
    ("WAV", "PCM_16"),
    ("WAV", "FLOAT"),
    ("WAV", "IMA_ADPCM"),
    ("RF64", "PCM_24"),
    ("W64", "PCM_16"),
    ("AIFF", "PCM_16"),
    ("AU", "PCM_16"),
    ("CAF", "ALAC_16"),
    ("FLAC", "PCM_16"),
    ("OGG", "VORBIS"),
    ("MP3", "MPEG_LAYER_III"),
]

FAST = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def recording(container: str, encoding: str, channels: int = 2) -> bytes:
    sound = 0.2 * np.random.default_rng(1).standard_normal((2_000, channels))
    buffer = io.BytesIO()
    soundfile.write(buffer, np.clip(sound, -1, 1), 48_000, format=container, subtype=encoding)
    return buffer.getvalue()


RECORDINGS = [recording(*each) for each in FORMATS]


def read_all(path) -> None:
    """Read in every way; only a refusal of one printable line may escape."""
    try:
        info = inspect(path)
        frames = sum(len(block) for block in read_blocks(path, block_frames=500))
        assert frames == info.frames
        for kind in CaptureKind:
            capture = read_capture(path, kind=kind)
            assert np.isfinite(capture.samples).all()
            assert all(note.message.isprintable() for note in capture.quality)
    except CaptureError as error:
        if not str(error).isprintable():
            pytest.fail(f"not one plain line: {error!r}")


@FAST
@given(
    source=st.sampled_from(RECORDINGS),
    edits=st.lists(
        st.tuples(
            st.integers(0, 199),
            st.one_of(
                st.binary(min_size=1, max_size=8),
                st.sampled_from(
                    [struct.pack(o + "I", v) for o in "<>" for v in (0, 1, 2**31 - 1, 2**32 - 1)]
                ),
            ),
        ),
        min_size=1,
        max_size=4,
    ),
    keep=st.one_of(st.none(), st.integers(0, 5_000)),
)
def test_mutated_headers(tmp_path, source, edits, keep):
    data = bytearray(source)
    for at, new in edits:
        data[at : at + len(new)] = new
    path = tmp_path / "mutated"
    path.write_bytes(data[:keep])
    read_all(path)


@FAST
@given(
    data=st.binary(max_size=400), start=st.sampled_from([b"", b"RIFF", b"fLaC", b"OggS", b"ID3"])
)
def test_arbitrary_bytes(tmp_path, data, start):
    path = tmp_path / "bytes.wav"
    path.write_bytes(start + data)
    with pytest.raises(CaptureError):
        read_capture(path, kind=CaptureKind.RING_OUT)


@FAST
@given(which=st.integers(0, len(FORMATS) - 1), lost=st.integers(1, 400))
def test_a_lost_tail_is_never_silent(tmp_path, which, lost):
    """What comes back shorter comes back with a word about it."""
    path = tmp_path / "tail"
    source = RECORDINGS[which]
    path.write_bytes(source[:-lost])
    try:
        frames = sum(len(block) for block in read_blocks(path))
    except CaptureError:
        return
    whole = tmp_path / "whole"
    whole.write_bytes(source)
    if inspect(path).cut_short is None:  # what was lost was padding or another chunk
        assert frames == inspect(whole).frames
    else:
        assert 0 < frames <= inspect(whole).frames


@FAST
@given(points=st.lists(st.integers(1, 0x10FFFF), min_size=1, max_size=40))
def test_names_are_shown_on_one_line(points):
    name = "".join(map(chr, points))
    assert shown(name).isprintable()
    if name.isprintable():
        assert shown(name) == name


@FAST
@given(
    samples=st.lists(st.floats(-(2.0**100), 2.0**100, width=32), min_size=0, max_size=300),
    repeat=st.sampled_from([1, 100]),
    rate=st.sampled_from([8_000, 44_100, 192_000]),
    kind=st.sampled_from(list(CaptureKind)),
)
def test_any_finite_samples_can_be_judged(samples, repeat, rate, kind):
    array = np.tile(np.array(samples, np.float32), repeat)
    for note in judge(array, rate, kind):
        assert note.message.isprintable()
        assert note.message.endswith(".")
