"""Reading recordings: what must work, and every file trap, made here by editing bytes."""

from __future__ import annotations

import os
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.capture import audio
from shaping.capture.audio import inspect, read_blocks, read_capture
from shaping.capture.quality import QualityCode
from shaping.capture.recording import CaptureKind
from shaping.errors import CaptureError

RING_OUT = CaptureKind.RING_OUT
RATE = 48_000


@pytest.fixture
def sound(rng: np.random.Generator) -> np.ndarray:
    """Five seconds of quiet noise on one channel."""
    return (0.05 * rng.standard_normal(5 * RATE)).astype(np.float32)


def write(path: Path, samples: np.ndarray, rate: int = RATE, **settings: str) -> Path:
    soundfile.write(os.fsencode(path), samples, rate, **settings)
    return path


def edited(path: Path, at: int, new: bytes) -> Path:
    data = bytearray(path.read_bytes())
    data[at : at + len(new)] = new
    path.write_bytes(data)
    return path


def cut(path: Path, keep: int) -> Path:
    path.write_bytes(path.read_bytes()[:keep])
    return path


def refusal(path: str | Path) -> str:
    """The one line that refuses `path`; it names the file and is fit for a terminal."""
    with pytest.raises(CaptureError) as caught:
        read_capture(path, kind=RING_OUT)
    message = str(caught.value)
    assert message.isprintable()
    return message


@pytest.mark.parametrize(
    ("container", "encoding", "error"),
    [
        ("WAV", "PCM_U8", 5e-3),
        ("WAV", "PCM_16", 2e-5),
        ("WAV", "PCM_24", 1e-7),
        ("WAV", "PCM_32", 1e-7),
        ("WAV", "FLOAT", 0),
        ("WAV", "DOUBLE", 0),
        ("WAV", "ULAW", 5e-3),
        ("WAVEX", "PCM_24", 1e-7),
        ("RF64", "PCM_24", 1e-7),
        ("W64", "PCM_24", 1e-7),
        ("AIFF", "PCM_24", 1e-7),
        ("AU", "PCM_16", 2e-5),
        ("CAF", "PCM_24", 1e-7),
        ("CAF", "ALAC_24", 1e-7),
        ("FLAC", "PCM_24", 1e-7),
        ("OGG", "VORBIS", 3e-3),
        ("OGG", "OPUS", 5e-3),
        ("MP3", "MPEG_LAYER_III", 3e-3),
    ],
)
def test_formats_keep_their_samples(tmp_path, container, encoding, error):
    tone = (0.3 * np.sin(np.arange(5 * RATE) * 0.05)).astype(np.float32)
    path = write(tmp_path / "capture", tone, format=container, subtype=encoding)
    info = inspect(path)
    capture = read_capture(path, kind=RING_OUT)
    assert (info.channels, info.frames, info.sample_rate_hz) == (1, tone.size, RATE)
    assert info.duration_s == pytest.approx(5.0)
    assert info.subtype == encoding
    assert np.sqrt(np.mean((capture.samples - tone) ** 2)) <= error
    assert not capture.samples.flags.writeable


def test_blocks_join_to_the_whole(tmp_path, sound):
    stereo = np.column_stack((sound, -sound))
    path = write(tmp_path / "stereo.wav", stereo, subtype="FLOAT")
    blocks = list(read_blocks(path, block_frames=10_000))
    assert [len(block) for block in blocks] == [10_000] * 24
    assert all(block.dtype == np.float32 and block.shape[1] == 2 for block in blocks)
    np.testing.assert_array_equal(np.concatenate(blocks), stereo)


def test_blocks_of_many_channels_stay_small(tmp_path):
    path = write(tmp_path / "many.wav", np.zeros((9_000, 1_024), np.float32), subtype="PCM_U8")
    blocks = list(read_blocks(path))
    assert max(block.nbytes for block in blocks) <= 32 * 2**20
    assert sum(len(block) for block in blocks) == 9_000


def test_channel_is_counted_from_one(tmp_path, sound):
    path = write(tmp_path / "two.wav", np.column_stack((sound, 0.5 * sound)), subtype="FLOAT")
    second = read_capture(path, channel=2, kind=RING_OUT)
    assert second.channel == 2
    np.testing.assert_array_equal(second.samples, (0.5 * sound).astype(np.float32))


def test_loudest_channel_is_picked_and_said(tmp_path, sound):
    """An offset is not loudness: channel 3 is, though channel 1 has more power."""
    channels = np.column_stack((0.9 + 0 * sound, 0.5 * sound, sound, 0.2 * sound))
    path = write(tmp_path / "four.wav", channels, subtype="FLOAT")
    capture = read_capture(path, kind=RING_OUT)
    assert capture.channel == 3
    note = next(n for n in capture.quality if n.code == QualityCode.LOUDEST_CHANNEL)
    assert "Channel 3 of 4" in note.message
    assert "--channel" in note.message


def test_one_channel_needs_no_note(tmp_path, sound):
    capture = read_capture(write(tmp_path / "one.wav", sound), kind=RING_OUT)
    assert QualityCode.LOUDEST_CHANNEL not in {note.code for note in capture.quality}


@pytest.mark.parametrize("channel", [0, -1, 33])
def test_channel_out_of_range(tmp_path, sound, channel):
    path = write(tmp_path / "many.wav", np.tile(sound[:100, None], 32))
    with pytest.raises(CaptureError, match=rf"no channel {channel}; .* 32 channels"):
        read_capture(path, channel=channel, kind=RING_OUT)


@pytest.mark.parametrize(
    "name",
    [
        'vocal wedge\'s "loud" one.wav',
        "two\nlines.wav",
        "-rf.wav",
        "Сцена 舞台 🎤.wav",
        "bell\x07escape\x1b[31m.wav",
        os.fsdecode(b"not utf-8 \xff.wav"),
    ],
)
def test_strange_names_work_and_show_on_one_line(tmp_path, sound, name, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write(Path(name), sound)
    assert read_capture(name, kind=RING_OUT).path == name
    Path(name).unlink()
    assert "no such file" in refusal(name)


def test_missing(tmp_path):
    assert "no such file" in refusal(tmp_path / "none.wav")


def test_folder(tmp_path):
    assert "folder" in refusal(tmp_path)


def test_pipe_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    assert "not a regular file" in refusal(tmp_path / "pipe.wav")


@pytest.mark.parametrize("name", ["nul\0byte.wav", "x" * 300 + ".wav"])
def test_impossible_name(name):
    assert "cannot be opened" in refusal(name)


@pytest.mark.skipif(os.geteuid() == 0, reason="the administrator may read everything")
def test_no_permission(tmp_path, sound):
    path = write(tmp_path / "locked.wav", sound)
    path.chmod(0)
    assert "permission" in refusal(path)


def test_no_permission_reported_by_the_system(tmp_path, sound, monkeypatch):
    path = write(tmp_path / "locked.wav", sound)

    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", deny)
    assert "permission" in refusal(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"this is a shopping list, not a recording at all\n" * 20, "text file"),
        (b"RIFF", "header is damaged"),
        (bytes(range(128, 256)) * 40, "not a recording"),
        (b"\0\0\0\x20ftypM4A " + bytes(1000), "ffmpeg"),
        (b"\x1aE\xdf\xa3" + bytes(1000), "ffmpeg"),
        # ISO/IEC 13818-7 and 14496-3 (from memory): twelve ones, then a layer of two zeros.
        (b"\xff\xf1\x50\x80\x02\x1f\xfc" + bytes(1000), "ffmpeg -i OLD NEW.wav"),
        (b"\xff\xf9\x50\x80\x02\x1f\xfc" + bytes(1000), "ffmpeg -i OLD NEW.wav"),
        (b"ADIF" + bytes(1000), "ffmpeg -i OLD NEW.wav"),
        (b"#!AMR\n" + bytes(1000), "ffmpeg -i OLD NEW.wav"),
        (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11" + bytes(1000), "ffmpeg -i OLD NEW.wav"),
    ],
)
def test_not_audio(tmp_path, content, words):
    path = tmp_path / "capture.wav"
    path.write_bytes(content)
    assert words in refusal(path)


@pytest.mark.debian
@pytest.mark.parametrize("name", ["capture.aac", "capture.m4a", "capture.wma", "capture.mka"])
def test_what_phones_write_is_answered_with_how_to_convert_it(tmp_path, name):
    """As written by an independent encoder; an MP3 with the same first bits is still read."""
    path, other = tmp_path / name, tmp_path / "capture.mp3"
    for out in (path, other):
        subprocess.run(
            ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "sine=440:duration=1", str(out)],
            check=True,
        )
    assert "ffmpeg -i OLD NEW.wav" in refusal(path)
    assert inspect(other).frames > 40_000


@pytest.mark.parametrize("name", ["capture.raw", "CAPTURE.RAW", "capture.gsm", "capture.vox"])
def test_headerless(tmp_path, name):
    (tmp_path / name).write_bytes(bytes(range(256)) * 40)
    assert "raw samples" in refusal(tmp_path / name)


@pytest.mark.parametrize("keep", [3, 11, 12, 20, 36, 40])
def test_truncated_header(tmp_path, sound, keep):
    path = cut(write(tmp_path / "capture.wav", sound), keep)
    assert "damaged" in refusal(path) or "no audio" in refusal(path)


@pytest.mark.parametrize("container", ["WAV", "AIFF", "W64", "CAF", "AU", "RF64"])
def test_zero_frames(tmp_path, container):
    path = write(tmp_path / "none", np.zeros(0), format=container, subtype="PCM_16")
    assert "0 frames" in refusal(path)


def test_zero_frames_followed_by_another_chunk(tmp_path):
    path = write(tmp_path / "none.wav", np.zeros(0))
    path.write_bytes(path.read_bytes() + b"LIST\x04\0\0\0INFO")
    assert "0 frames" in refusal(path)


@pytest.mark.parametrize("size", [0, 2**32 - 1, 0x7FFFF000])
def test_recorder_that_never_filled_in_its_header(tmp_path, sound, size):
    path = write(tmp_path / "crashed.wav", sound)
    edited(path, 40, struct.pack("<I", size))
    message = refusal(path)
    assert "never filled in" in message
    assert str(2 * sound.size) in message
    assert "sox --ignore-length" in message


def test_crashed_recorder_aiff_and_wave64(tmp_path, sound):
    aiff = write(tmp_path / "crashed.aiff", sound)
    edited(aiff, aiff.read_bytes().index(b"SSND") + 4, bytes(4))
    wave64 = write(tmp_path / "crashed.w64", sound)
    edited(wave64, wave64.read_bytes().index(b"data") + 16, bytes(8))
    assert "never filled in" in refusal(aiff)
    assert "never filled in" in refusal(wave64)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "AIFF", "W64", "AU", "CAF"])
def test_silently_short(tmp_path, sound, container):
    path = write(tmp_path / "short", sound, format=container, subtype="PCM_16")
    size = path.stat().st_size
    cut(path, size - sound.size)
    message = refusal(path)
    assert "cut short" in message
    assert "(50.0 %)" in message or "(50.1 %)" in message


def test_big_endian_wav_cut_short(tmp_path, sound):
    path = write(tmp_path / "short.wav", sound, endian="BIG")
    assert path.read_bytes()[:4] == b"RIFX"
    assert "cut short" in refusal(cut(path, path.stat().st_size - 100))


def test_sound_files_over_4_gib_in_a_32_bit_header(tmp_path, sound):
    """A recorder that let the 32-bit size wrap round: the file holds far more than it says."""
    path = write(tmp_path / "long.wav", sound)
    with path.open("rb+") as stream:
        stream.truncate(2**32 + 2**27)  # sparse: takes no room
    assert "never filled in" in refusal(path)


@pytest.mark.parametrize("size", [2**32 - 2, 4_000_000_000, 2_000_000_000])
def test_header_claiming_billions_of_frames(tmp_path, sound, size):
    path = edited(write(tmp_path / "huge.wav", sound), 40, struct.pack("<I", size))
    message = refusal(path)
    assert "cut short" in message


@pytest.mark.parametrize(("rate", "shown"), [(1, "1 Hz"), (7_999, "7999"), (192_001, "192001")])
def test_header_rate_out_of_range(tmp_path, sound, rate, shown):
    path = edited(write(tmp_path / "rate.wav", sound), 24, struct.pack("<I", rate))
    assert shown in refusal(path)
    assert "8000 to 192000" in refusal(path)


@pytest.mark.parametrize("rate", [8_000, 192_000])
def test_extreme_rates_are_read(tmp_path, sound, rate):
    assert inspect(write(tmp_path / "rate.wav", sound, rate)).sample_rate_hz == rate


@pytest.mark.parametrize("channels", [0, 2_000, 65_535])
def test_impossible_number_of_channels(tmp_path, sound, channels):
    path = edited(write(tmp_path / "wide.wav", sound), 22, struct.pack("<H", channels))
    assert "damaged" in refusal(path)


@pytest.mark.parametrize(
    ("container", "encoding", "lost"),
    [
        ("FLAC", "PCM_16", 3),
        ("FLAC", "PCM_16", 100_000),
        ("MP3", "MPEG_LAYER_III", 3),
        ("MP3", "MPEG_LAYER_III", 30_000),
        ("OGG", "VORBIS", 3),
        ("OGG", "VORBIS", 20_000),
        ("OGG", "OPUS", 20_000),
        ("CAF", "ALAC_16", 3),
    ],
)
def test_compressed_file_missing_its_tail(tmp_path, sound, container, encoding, lost):
    path = write(tmp_path / "tail", sound, format=container, subtype=encoding)
    cut(path, path.stat().st_size - lost)
    with pytest.raises(CaptureError, match="cut short"):
        inspect(path)


def test_ogg_missing_exactly_its_last_page(tmp_path, sound):
    path = write(tmp_path / "pages.ogg", sound)
    cut(path, path.read_bytes().rindex(b"OggS"))
    assert "last page" in refusal(path)


@pytest.mark.parametrize("total", [0, 2**36 - 1])
def test_flac_of_unknown_or_absurd_length(tmp_path, sound, total):
    path = write(tmp_path / "total.flac", sound)
    fifth = path.read_bytes()[21] & 0xF0 | total >> 32
    edited(path, 21, bytes([fifth]) + struct.pack(">I", total & 0xFFFFFFFF))
    assert "cut short or damaged" in refusal(path)


def test_flac_damaged_in_the_middle(tmp_path, sound):
    path = write(tmp_path / "middle.flac", sound)
    middle = path.stat().st_size // 2
    edited(path, middle, bytes(2_000))
    inspect(path)  # its header and its end are sound
    message = refusal(path)
    assert "damaged or cut short after" in message
    assert "of 5.0 s" in message


def test_mp3_damage_prints_nothing(tmp_path, sound, capfd):
    """The decoder would write its own warnings to the terminal."""
    path = write(tmp_path / "damaged.mp3", sound)
    edited(path, 5_000, bytes(4_000))
    refusal(path)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite(tmp_path, sound, bad):
    sound[2 * RATE] = bad
    path = write(tmp_path / "nan.wav", np.column_stack((sound, 0.5 * sound)), subtype="FLOAT")
    with pytest.raises(CaptureError, match=r"channel 1 .* not finite .* 2\.000 s"):
        read_capture(path, channel=1, kind=RING_OUT)


def test_channel_that_is_not_finite_is_not_the_loudest(tmp_path, sound):
    broken = sound * np.float32(np.nan)
    path = write(tmp_path / "nan.wav", np.column_stack((broken, sound)), subtype="FLOAT")
    assert read_capture(path, kind=RING_OUT).channel == 2


def test_too_long_for_a_capture(tmp_path, sound, monkeypatch):
    path = write(tmp_path / "evening.wav", sound)
    monkeypatch.setattr(audio, "MAX_CAPTURE_FRAMES", 4 * RATE)
    message = refusal(path)
    assert "too long" in message
    assert "shaping rehearsals" in message
    assert sum(len(block) for block in read_blocks(path)) == sound.size


def test_file_that_shrinks_while_it_is_read(tmp_path, sound):
    path = write(tmp_path / "shrinking.wav", sound)
    blocks = read_blocks(path, block_frames=4_096)
    next(blocks)
    cut(path, 50_000)
    with pytest.raises(CaptureError, match="ends after"):
        list(blocks)


def test_nothing_is_left_open(tmp_path, sound):
    path = write(tmp_path / "open.wav", sound)
    before = len(list(Path("/proc/self/fd").iterdir()))
    blocks = read_blocks(path)
    next(blocks)
    blocks.close()
    read_capture(path, kind=RING_OUT)
    assert len(list(Path("/proc/self/fd").iterdir())) == before
