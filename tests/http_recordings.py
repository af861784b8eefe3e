"""Short recordings for tests over HTTP: plain strums and a tone as WAV bytes, and what can be wrong with a file."""

from __future__ import annotations

import numpy as np

from unit.audio.sound_bytes import chunk, fmt, wav

RATE_HZ = 48_000
DBU_V = 0.6**0.5  # 0 dBu in V RMS: 1 mW into 600 ohm
TONE_PEAK = 0.25


def strums(count: int = 3, gap_s: float = 1.0, level_dbfs: float = -12.0) -> np.ndarray:
    """Decaying partials of a low string over faint noise, a strum every `gap_s`; shape (n,), full scale = 1.0."""
    rng = np.random.default_rng(7)
    frames = int((0.5 + count * gap_s) * RATE_HZ)
    samples = 1e-4 * rng.standard_normal(frames)
    time_s = np.arange(int(gap_s * RATE_HZ)) / RATE_HZ
    sound = sum(np.sin(2 * np.pi * 110 * k * time_s) / k * np.exp(-time_s * (1.5 + 0.4 * k)) for k in range(1, 20))
    sound *= 10 ** (level_dbfs / 20) / np.max(np.abs(sound))
    for number in range(count):
        start = int((0.5 + number * gap_s) * RATE_HZ)
        stop = min(start + len(sound), frames)
        samples[start:stop] += sound[: stop - start]
    return samples


def sine(hz: float = 1000.0, seconds: float = 2.0, peak: float = TONE_PEAK) -> np.ndarray:
    """A reference tone, shape (n,), full scale = 1.0."""
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)


def pcm16(samples: np.ndarray) -> bytes:
    """Samples (n,) or (n, channels) as a 16-bit WAV file."""
    shaped = samples.reshape(len(samples), -1)
    codes = np.clip(np.round(shaped * 32767), -32768, 32767).astype("<i2")
    head = fmt(1, shaped.shape[1], RATE_HZ, 16)
    return wav(chunk(b"fmt ", head), chunk(b"data", codes.tobytes()))


def float32(samples: np.ndarray) -> bytes:
    """Samples (n,) as a 32-bit floating-point WAV file."""
    return wav(chunk(b"fmt ", fmt(3, 1, RATE_HZ, 32)), chunk(b"data", samples.astype("<f4").tobytes()))


def strums_wav(**options: float) -> bytes:
    """A good take as bytes."""
    return pcm16(strums(**options))  # type: ignore[arg-type]


def cut(content: bytes, part: float) -> bytes:
    """The first part of a file, as a transfer that broke off leaves it."""
    return content[: 2 * (int(len(content) * part) // 2)]


def with_value(value: float) -> bytes:
    """A floating-point take with one sample of this value."""
    samples = strums()
    samples[50_000] = value
    return float32(samples)
