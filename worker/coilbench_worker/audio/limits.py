"""What a recording may be at most."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AudioLimits:
    """Bounds that are checked before samples are decoded.

    `max_samples` counts frames x channels. It bounds the time that a small, highly packed file can take: the default
    lets through two hours in stereo at 96 kHz.
    """

    max_channels: int = 32
    max_duration_s: float = 7200.0
    min_rate_hz: int = 8_000
    max_rate_hz: int = 384_000
    max_samples: int = 1_500_000_000

    def max_frames(self, rate_hz: int, channels: int) -> int:
        """Frames allowed at this rate and number of channels."""
        return min(int(self.max_duration_s * rate_hz), self.max_samples // channels)
