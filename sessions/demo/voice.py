"""A voice note of the invented season: no voice, but two notes of a tone that the program makes and says to be so."""

from __future__ import annotations

import math
import struct

from django.core.files.base import ContentFile

from sessions.demo import season
from sessions.outings.models import Session
from sessions.outings.voice_files import store_voice_note

RATE_HZ = 8000
BLOCK = 4000
"""Samples of one frame; sound is a whole number of frames, at most 128 (RFC 9639, 9.1.5: one octet counts them)."""
TONES_HZ = (440.0, 660.0)
TONE_S = 1.0
LOUDNESS = 6000
FADE_S = 0.05


def note_voice(session: Session) -> None:
    time_s, caption = season.VOICE_NOTE
    store_voice_note(
        ContentFile(flac_in_mp4(tone()), name="invented.mp4"),
        session=session,
        time_into_session_s=time_s,
        duration_s=TONE_S * len(TONES_HZ),
        caption=caption,
    )


def tone() -> list[int]:
    """Samples of 16 bits: each note swells and fades, so that nothing clicks."""
    count = round(RATE_HZ * TONE_S)
    samples = []
    for frequency_hz in TONES_HZ:
        for index in range(count):
            edge_s = min(index, count - 1 - index) / RATE_HZ
            swell = min(1.0, edge_s / FADE_S)
            samples.append(round(LOUDNESS * swell * math.sin(2.0 * math.pi * frequency_hz * index / RATE_HZ)))
    return samples


def flac_in_mp4(samples: list[int]) -> bytes:
    """One channel of sound as a file that browsers and phones play without a codec of a maker's own.

    Frames by RFC 9639 (2024), their samples written out as they are (9.2.4); boxes by ISO/IEC 14496-12, with the
    sample entry that the FLAC project's "Encapsulation of FLAC in ISO Base Media File Format" describes.
    """
    if len(samples) % BLOCK or not 0 < len(samples) <= 128 * BLOCK:
        raise ValueError(f"samples must be a multiple of {BLOCK} up to {128 * BLOCK}, got {len(samples)}")
    frames = [_frame(number, samples[at : at + BLOCK]) for number, at in enumerate(range(0, len(samples), BLOCK))]
    start = _box(b"ftyp", b"isom", struct.pack(">I", 0), b"isommp41")
    # Its length does not depend on the place of the sound, so it is made twice: first to know that place.
    before = len(start) + len(_movie(frames, len(samples), 0)) + 8
    return start + _movie(frames, len(samples), before) + _box(b"mdat", *frames)


def _frame(number: int, samples: list[int]) -> bytes:
    """RFC 9639, 9.1 to 9.3: fixed blocks, their size in 16 bits, 8 kHz, one channel, 16 bits, one verbatim subframe."""
    header = struct.pack(">HBBBH", 0xFFF8, 0x74, 0x08, number, len(samples) - 1)
    header += bytes([checksum(header, 8, 0x07)])
    frame = header + b"\x02" + struct.pack(f">{len(samples)}h", *samples)
    return frame + checksum(frame, 16, 0x8005).to_bytes(2)


def checksum(octets: bytes, width: int, polynomial: int) -> int:
    """Cyclic redundancy check as RFC 9639, 9.1.8 and 9.3, has it: from 0, the highest bit first."""
    register, top, mask = 0, 1 << (width - 1), (1 << width) - 1
    for octet in octets:
        register ^= octet << (width - 8)
        for _ in range(8):
            register = (register << 1 ^ (polynomial if register & top else 0)) & mask
    return register


def _box(name: bytes, *content: bytes) -> bytes:
    body = b"".join(content)
    return struct.pack(">I", 8 + len(body)) + name + body


def _full(name: bytes, *content: bytes, flags: int = 0) -> bytes:
    """A box with a version, which is 0, and flags."""
    return _box(name, struct.pack(">I", flags), *content)


def _movie(frames: list[bytes], sample_count: int, sound_at: int) -> bytes:
    unity = struct.pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
    # RFC 9639, 8.2: sizes of blocks and frames (0: not stated), rate, channels, bits, samples, no checksum.
    packed = RATE_HZ << 44 | (16 - 1) << 36 | sample_count
    stream = struct.pack(">HH", BLOCK, BLOCK) + bytes(6) + packed.to_bytes(8) + bytes(16)
    entry = _box(
        b"fLaC",
        struct.pack(">6xH8xHH4xI", 1, 1, 16, RATE_HZ << 16),
        _full(b"dfLa", struct.pack(">I", 0x80 << 24 | len(stream)), stream),
    )
    table = _box(
        b"stbl",
        _full(b"stsd", struct.pack(">I", 1), entry),
        _full(b"stts", struct.pack(">3I", 1, len(frames), BLOCK)),
        _full(b"stsc", struct.pack(">4I", 1, 1, len(frames), 1)),
        _full(b"stsz", struct.pack(f">2I{len(frames)}I", 0, len(frames), *map(len, frames))),
        _full(b"stco", struct.pack(">2I", 1, sound_at)),
    )
    data = _box(b"dinf", _full(b"dref", struct.pack(">I", 1), _full(b"url ", flags=1)))
    media = _box(
        b"mdia",
        _full(b"mdhd", struct.pack(">4I2H", 0, 0, RATE_HZ, sample_count, 0x55C4, 0)),
        _full(b"hdlr", struct.pack(">I", 0), b"soun", bytes(12), b"\x00"),
        _box(b"minf", _full(b"smhd", bytes(4)), data, table),
    )
    track = _box(
        b"trak",
        _full(b"tkhd", struct.pack(">5I8x4H", 0, 0, 1, 0, sample_count, 0, 0, 0x0100, 0), unity, bytes(8), flags=3),
        media,
    )
    movie = struct.pack(">4IIH10x", 0, 0, RATE_HZ, sample_count, 0x10000, 0x0100)
    return _box(b"moov", _full(b"mvhd", movie, unity, bytes(24), struct.pack(">I", 2)), track)
