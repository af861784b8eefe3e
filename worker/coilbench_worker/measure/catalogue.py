"""The catalogue of quantities: the one list that the API, tables, charts, report and documentation read.

`more` and `less` are the words for a pickup that has more or less of a quantity than another. Definitions speak of the
default windows; the settings stored with a measurement say which were used.
"""

from dataclasses import dataclass
from typing import Literal

from coilbench_worker.measure.bands import BALANCE, OCTAVES, THIRDS

Of = Literal["strum", "take", "noise"]
Group = Literal["level", "dynamics", "sustain", "tone", "noise"]

OWN = "our own definition"
BS1770 = "ITU-R BS.1770-5 (11/2023)"
IEC61260 = "IEC 61260-1:2014"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity: what it is called, its unit, what it is a property of, and what it means.

    `parts` names the entries of a vector (empty for a single number); `decimals` is how many are worth showing.
    `calibrated` quantities are not in a stored measurement: they follow from it and the calibration of the chain when
    it is shown (measure/millivolts.py).
    """

    key: str
    name: str
    unit: str
    of: Of
    group: Group
    definition: str
    source: str
    more: str
    less: str
    decimals: int
    parts: tuple[str, ...] = ()
    calibrated: bool = False

    def columns(self) -> tuple[str, ...]:
        """Keys of the columns that the quantity fills in a table: its own, or one for each part."""
        return tuple(f"{self.key}_{part}" for part in self.parts) if self.parts else (self.key,)


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        key="peak_dbfs",
        name="Peak",
        unit="dBFS",
        of="strum",
        group="level",
        definition="Greatest absolute sample in the first 0.5 s of the strum, re full scale.",
        source="20 log10 of the greatest absolute sample",
        more="higher peak",
        less="lower peak",
        decimals=1,
    ),
    Quantity(
        key="true_peak_dbtp",
        name="True peak",
        unit="dBTP",
        of="strum",
        group="level",
        definition="Greatest absolute value of the waveform in the first 0.5 s, between the samples as well as on "
        "them, re full scale. Above 0 the waveform overloads a converter though no sample does.",
        source=f"{BS1770} Annex 2, interpolated to sixteenths of a sample",
        more="higher peak",
        less="lower peak",
        decimals=1,
    ),
    Quantity(
        key="rms_dbfs",
        name="RMS level",
        unit="dBFS",
        of="strum",
        group="level",
        definition="Root mean square of the first 0.5 s, re full scale. A full-scale sine reads -3.01 dBFS; readings "
        "by AES17 are 3.01 dB higher.",
        source="10 log10 of the mean square, full scale = 1",
        more="hotter",
        less="milder",
        decimals=1,
    ),
    Quantity(
        key="loudness_lufs",
        name="Loudness",
        unit="LUFS",
        of="strum",
        group="level",
        definition="Greatest momentary loudness (400 ms, every 10 ms) that starts in the first 0.5 s, as one mono "
        "channel. The same sound in two channels would read 3.01 LU more.",
        source=f"{BS1770} Annex 1; EBU Tech 3341 (11/2023) for the window",
        more="louder",
        less="quieter",
        decimals=1,
    ),
    Quantity(
        key="peak_mv",
        name="Peak voltage",
        unit="mV",
        of="strum",
        group="level",
        definition="Greatest absolute voltage at the input in the first 0.5 s: the peak through the calibration of the "
        "take's chain at its gain. A strum's own value is uncertain by the calibration alone; the take's mean carries "
        "an expanded uncertainty (95 %) of calibration and repeatability. Not given without a calibration.",
        source="1000 sqrt(2) x full scale in V RMS x 10^(peak_dbfs / 20); uncertainty: JCGM 100:2008 (GUM)",
        more="higher peak",
        less="lower peak",
        decimals=1,
        calibrated=True,
    ),
    Quantity(
        key="rms_mv",
        name="RMS voltage",
        unit="mV",
        of="strum",
        group="level",
        definition="Root mean square of the voltage at the input in the first 0.5 s: the RMS level through the "
        "calibration of the take's chain at its gain. The take's figure is the arithmetic mean of its strums' "
        "millivolts, with an expanded uncertainty (95 %) of calibration and repeatability; a strum's own value is "
        "uncertain by the calibration alone. Not given without a calibration.",
        source="1000 sqrt(2) x full scale in V RMS x 10^(rms_dbfs / 20); uncertainty: JCGM 100:2008 (GUM)",
        more="hotter",
        less="milder",
        decimals=1,
        calibrated=True,
    ),
    Quantity(
        key="crest_db",
        name="Crest factor",
        unit="dB",
        of="strum",
        group="dynamics",
        definition="Peak over RMS in the first 0.5 s. A squashed strum has little: a sine has 3.0 dB.",
        source="peak_dbfs - rms_dbfs",
        more="more open",
        less="more squashed",
        decimals=1,
    ),
    Quantity(
        key="attack_ms",
        name="Attack time",
        unit="ms",
        of="strum",
        group="dynamics",
        definition="Time in which the 1 ms RMS level rises from 10 % to 90 % of its greatest value in the first 0.1 s. "
        "It holds the spread of the strings under the pick and each string's own attack, and follows the beats of "
        "ringing strings: read it over many strums. Not given where that greatest value is less than 26 dB above the "
        "noise, nor where what sounded before is above 10 % of it.",
        source=OWN,
        more="slower attack",
        less="quicker attack",
        decimals=1,
    ),
    Quantity(
        key="attack_body_db",
        name="Attack over body",
        unit="dB",
        of="strum",
        group="dynamics",
        definition="RMS level of the first 0.1 s over that from 0.1 to 0.5 s, noise taken off. Not given less than "
        "6 dB above the noise.",
        source=OWN,
        more="punchier",
        less="softer attack",
        decimals=1,
    ),
    Quantity(
        key="decay_db_per_s",
        name="Decay",
        unit="dB/s",
        of="strum",
        group="sustain",
        definition="How fast the strum's energy dies away: slope of the energy that is still to come, noise taken off, "
        "from 3 dB to 23 dB below its start or down to 10 dB above the noise. Not given for less than 10 dB of fall, "
        "nor where the strum is seen to be faded out or bends before its whole range was followed.",
        source="backward integration: Schroeder, J. Acoust. Soc. Am. 37 (1965) 409",
        more="dies away faster",
        less="rings on",
        decimals=1,
    ),
    Quantity(
        key="sustain_20_s",
        name="Sustain to -20 dB",
        unit="s",
        of="strum",
        group="sustain",
        definition="Time from the greatest 50 ms RMS level until it is 20 dB lower, noise taken off. Not given when "
        "the strum ends, is seen to be faded out or comes within 6 dB of the noise before; never extrapolated.",
        source=OWN,
        more="rings on",
        less="dies away faster",
        decimals=2,
    ),
    Quantity(
        key="hold_1s_db",
        name="Hold after 1 s",
        unit="dB",
        of="strum",
        group="sustain",
        definition="The 50 ms RMS level 1.0 s after the onset over the strum's greatest, noise taken off. Not given "
        "less than 6 dB above the noise, nor when the strum ends or is seen to be faded out before 1.025 s.",
        source=OWN,
        more="holds up",
        less="falls off",
        decimals=1,
    ),
    Quantity(
        key="band_decay_db_per_s",
        name="Decay by band",
        unit="dB/s",
        of="strum",
        group="sustain",
        definition="Decay in bass (63-250 Hz octaves), middle (500 Hz-2 kHz) and treble (4-8 kHz), each against its "
        "own noise.",
        source=f"backward integration: Schroeder 1965; bands: {IEC61260}, class 1",
        more="dies away faster",
        less="rings on",
        decimals=1,
        parts=tuple(BALANCE),
    ),
    Quantity(
        key="bass_db",
        name="Bass",
        unit="dB re total",
        of="strum",
        group="tone",
        definition="Energy of the octaves 63, 125 and 250 Hz in the first 0.5 s over that of the eight octaves 63 Hz "
        "to 8 kHz. Noise is taken off; not given less than 6 dB above it.",
        source=f"{IEC61260}, class 1 octaves",
        more="bassier",
        less="leaner",
        decimals=1,
    ),
    Quantity(
        key="middle_db",
        name="Middle",
        unit="dB re total",
        of="strum",
        group="tone",
        definition="Energy of the octaves 500 Hz, 1 and 2 kHz in the first 0.5 s over that of the eight octaves 63 Hz "
        "to 8 kHz. Noise is taken off; not given less than 6 dB above it.",
        source=f"{IEC61260}, class 1 octaves",
        more="more middle",
        less="scooped",
        decimals=1,
    ),
    Quantity(
        key="treble_db",
        name="Treble",
        unit="dB re total",
        of="strum",
        group="tone",
        definition="Energy of the octaves 4 and 8 kHz in the first 0.5 s over that of all eight, 63 Hz to 8 kHz. "
        "Noise is taken off; not given less than 6 dB above it.",
        source=f"{IEC61260}, class 1 octaves",
        more="brighter",
        less="darker",
        decimals=1,
    ),
    Quantity(
        key="centroid_hz",
        name="Spectral centroid",
        unit="Hz",
        of="strum",
        group="tone",
        definition="Mean frequency of the first 0.5 s, weighted by energy, between 45 Hz and 11.2 kHz. Noise is taken "
        "off; not given where it has more than a quarter of the weight.",
        source=OWN,
        more="brighter",
        less="darker",
        decimals=0,
    ),
    Quantity(
        key="tilt_db_per_octave",
        name="Spectral tilt",
        unit="dB/octave",
        of="strum",
        group="tone",
        definition="Slope of the straight line through the octave levels 125 Hz to 8 kHz (least squares). Pink noise "
        "has 0, white noise +3. Not given unless all seven stand 6 dB above the noise of the take.",
        source=f"{OWN}; octaves by {IEC61260}",
        more="brighter",
        less="darker",
        decimals=1,
    ),
    Quantity(
        key="octave_db",
        name="Octave bands",
        unit="dB re total",
        of="strum",
        group="tone",
        definition="Energy of each octave in the first 0.5 s over that of all eight. The last 5 ms fade out, so that "
        "cutting the strum off adds no treble. Noise is taken off; not given less than 6 dB above it.",
        source=f"{IEC61260}, class 1 octaves, base ten",
        more="more in this band",
        less="less in this band",
        decimals=1,
        parts=tuple(band.nominal for band in OCTAVES),
    ),
    Quantity(
        key="third_octave_db",
        name="Third-octave bands",
        unit="dB re total",
        of="strum",
        group="tone",
        definition="Energy of each third of an octave in the first 0.5 s over that of the eight octaves. Not given "
        "where the band's upper edge passes 0.45 of the sample rate, nor less than 6 dB above the noise.",
        source=f"{IEC61260}, class 1 thirds, base ten",
        more="more in this band",
        less="less in this band",
        decimals=1,
        parts=tuple(band.nominal for band in THIRDS),
    ),
    Quantity(
        key="rms_energy_dbfs",
        name="RMS level, energy average",
        unit="dBFS",
        of="take",
        group="level",
        definition="Level of the mean of the strums' mean squares: beside the mean of their levels in dB, which it "
        "exceeds the more, the more the strums differ.",
        source="10 log10 of the mean of mean squares",
        more="hotter",
        less="milder",
        decimals=1,
    ),
    Quantity(
        key="loudness_integrated_lufs",
        name="Integrated loudness",
        unit="LUFS",
        of="take",
        group="level",
        definition="Gated loudness of the whole take as one mono channel. It depends on how long the pauses and the "
        "tails are: compare strums by their own loudness instead.",
        source=f"{BS1770} Annex 1",
        more="louder",
        less="quieter",
        decimals=1,
    ),
    Quantity(
        key="evenness_db",
        name="Evenness of the strums",
        unit="dB",
        of="take",
        group="dynamics",
        definition="Sample standard deviation of the strums' RMS levels: how evenly the take was played.",
        source=OWN,
        more="less even",
        less="more even",
        decimals=2,
    ),
    Quantity(
        key="noise_dbfs",
        name="Noise",
        unit="dBFS",
        of="noise",
        group="noise",
        definition="RMS level of the quiet stretches outside the strums, direct current taken off.",
        source="10 log10 of the variance, full scale = 1",
        more="noisier",
        less="quieter",
        decimals=1,
    ),
    Quantity(
        key="noise_dba_dbfs",
        name="Noise, A-weighted",
        unit="dBFS(A)",
        of="noise",
        group="noise",
        definition="Level of the same stretches as an ear weighs them: hum counts less, hiss counts in full.",
        source="IEC 61672-1:2013 Annex E, on the bins of averaged periodograms",
        more="noisier",
        less="quieter",
        decimals=1,
    ),
    Quantity(
        key="hum_hz",
        name="Mains frequency of the hum",
        unit="Hz",
        of="noise",
        group="noise",
        definition="50 or 60 where steady lines on multiples of the mains frequency stand out of the quiet stretches; "
        "none where they do not, or where no quiet stretch lasts 0.5 s.",
        source=f"{OWN}; mains within 1 % (EN 50160, through secondary texts)",
        more="60 Hz mains",
        less="50 Hz mains",
        decimals=0,
    ),
    Quantity(
        key="hum_dbfs",
        name="Hum",
        unit="dBFS",
        of="noise",
        group="noise",
        definition="RMS sum of the mains lines, fundamental and harmonics up to 1 kHz, in the quiet stretches.",
        source=OWN,
        more="more hum",
        less="less hum",
        decimals=1,
    ),
    Quantity(
        key="snr_db",
        name="Signal over noise",
        unit="dB",
        of="noise",
        group="noise",
        definition="Mean RMS level of the strums over the noise, both unweighted and about the direct current.",
        source="mean of rms_dbfs, direct current taken off, - noise_dbfs",
        more="cleaner",
        less="noisier",
        decimals=1,
    ),
    Quantity(
        key="dc_offset",
        name="Direct current",
        unit="of full scale",
        of="noise",
        group="noise",
        definition="Mean of the quiet stretches, full scale = 1. Where there are none, the median of means of 40 ms; "
        "ringing strums may move that by 0.001. It comes from the converter, not from the pickup.",
        source="arithmetic mean; median of means",
        more="more offset",
        less="less offset",
        decimals=5,
    ),
)

_BY_KEY = {entry.key: entry for entry in QUANTITIES}


def quantity(key: str) -> Quantity:
    """The quantity of that key; KeyError that lists the keys when there is none."""
    try:
        return _BY_KEY[key]
    except KeyError:
        raise KeyError(f"no quantity {key!r}; there are {', '.join(_BY_KEY)}") from None
