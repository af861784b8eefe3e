"""Why a sound file is not taken: one typed error for each reason, each with what to do about it.

    AudioRefused
    ├── EmptyFile               empty-file                 no bytes at all
    ├── NotARecording           not-a-recording            text, archive, picture, ...
    ├── UnsupportedEncoding     unsupported-encoding       a sound file that is not measured
    ├── DamagedHeader           damaged-header             the header contradicts itself or stops
    ├── NoSamples               no-samples                 a sound header with nothing behind it
    ├── TooManyChannels         too-many-channels
    ├── SampleRateOutOfRange    sample-rate-out-of-range
    ├── TooLong                 too-long
    └── UnreadableRecording     unreadable-recording       the samples themselves can't be decoded

All of them are about the file, so trying again with the same bytes can't help. A fault of disk or network stays an
`OSError` and may pass.
"""

from typing import ClassVar


class AudioRefused(Exception):
    """A file that can't be measured.

    Parameters
    ----------
    detail : the value found, the limit and the likely cause, in one or two sentences
    advice : one line, what to do; the class has a general one
    """

    code: ClassVar[str] = "audio-refused"
    status: ClassVar[int] = 422
    default_advice: ClassVar[str] = "Export the recording again as WAV (PCM 16 or 24 bits) and send that."

    def __init__(self, detail: str, advice: str | None = None) -> None:
        super().__init__(detail, advice)
        self.detail = detail
        self.advice = advice or self.default_advice

    def __str__(self) -> str:
        return f"{self.detail} {self.advice}"


class EmptyFile(AudioRefused):
    """A file of no bytes."""

    code = "empty-file"
    default_advice = "Look at the file on the recorder or disk it came from, and send it again."


class NotARecording(AudioRefused):
    """Something else than sound."""

    code = "not-a-recording"
    status = 415
    default_advice = "Send the recording itself, as WAV, FLAC or AIFF."


class UnsupportedEncoding(AudioRefused):
    """Sound, in a form that would not be measured rightly."""

    code = "unsupported-encoding"
    status = 415
    default_advice = "Record or export as WAV (PCM or float), FLAC or AIFF; converting a lossy file repairs nothing."


class DamagedHeader(AudioRefused):
    """A header that contradicts itself, or stops too early."""

    code = "damaged-header"


class NoSamples(AudioRefused):
    """A sound header without samples."""

    code = "no-samples"
    default_advice = "Record again: the recorder wrote a header but no sound."


class TooManyChannels(AudioRefused):
    """More channels than the limit."""

    code = "too-many-channels"
    default_advice = "Export only the pickup's channel, or raise the setting max_channels."


class SampleRateOutOfRange(AudioRefused):
    """A sample rate outside the limits."""

    code = "sample-rate-out-of-range"
    default_advice = "Record at 44.1, 48, 88.2 or 96 kHz; if the recording was made so, its header is damaged."


class TooLong(AudioRefused):
    """Longer than the limit."""

    code = "too-long"
    default_advice = "Cut the recording into shorter takes, or raise the setting max_duration_s."


class UnreadableRecording(AudioRefused):
    """Samples that can't be decoded; `__cause__` is the library's own error where there is one."""

    code = "unreadable-recording"
    default_advice = "Play the file to see whether it is whole, then export it again as WAV and send that."
