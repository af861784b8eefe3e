"""The catalogue: complete, unique, and every entry says what it is."""

import pytest

from coilbench_worker.measure.bands import OCTAVES, THIRDS
from coilbench_worker.measure.catalogue import QUANTITIES, quantity

STRUM_KEYS = {
    *(
        "peak_dbfs",
        "true_peak_dbtp",
        "rms_dbfs",
        "loudness_lufs",
        "peak_mv",
        "rms_mv",
        "crest_db",
        "attack_ms",
        "attack_body_db",
    ),
    *("decay_db_per_s", "sustain_20_s", "hold_1s_db", "bass_db", "middle_db", "treble_db", "octave_db"),
    *("third_octave_db", "band_decay_db_per_s", "centroid_hz", "tilt_db_per_octave"),
}
TAKE_KEYS = {"rms_energy_dbfs", "evenness_db", "loudness_integrated_lufs"}
NOISE_KEYS = {"noise_dbfs", "noise_dba_dbfs", "hum_hz", "hum_dbfs", "snr_db", "dc_offset"}


@pytest.mark.parametrize(("of", "keys"), [("strum", STRUM_KEYS), ("take", TAKE_KEYS), ("noise", NOISE_KEYS)])
def test_every_quantity_that_is_measured_is_listed_once(of: str, keys: set[str]) -> None:
    listed = [entry.key for entry in QUANTITIES if entry.of == of]
    assert len(listed) == len(set(listed))
    assert set(listed) == keys


@pytest.mark.parametrize("entry", QUANTITIES, ids=lambda entry: entry.key)
def test_every_quantity_says_what_it_is(entry: object) -> None:
    known = quantity(getattr(entry, "key", ""))
    assert known is entry
    assert known.definition.endswith(".")
    for text in (known.name, known.unit, known.source, known.more, known.less):
        assert text
    assert known.more != known.less
    assert 0 <= known.decimals <= 5


def test_vectors_have_their_parts_and_columns() -> None:
    assert quantity("octave_db").parts == tuple(band.nominal for band in OCTAVES)
    assert len(quantity("octave_db").parts) == 8
    assert len(quantity("third_octave_db").parts) == len(THIRDS) == 26
    assert quantity("band_decay_db_per_s").columns() == (
        "band_decay_db_per_s_bass",
        "band_decay_db_per_s_middle",
        "band_decay_db_per_s_treble",
    )
    assert quantity("rms_dbfs").columns() == ("rms_dbfs",)


def test_unknown_key_is_an_error_that_lists_the_known() -> None:
    with pytest.raises(KeyError, match="no quantity 'sparkle'; there are peak_dbfs"):
        quantity("sparkle")
