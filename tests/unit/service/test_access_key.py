"""The form of access keys, and how a secret is held against what was kept."""

from __future__ import annotations

import hmac

import pytest

from coilbench_service import access_key


def test_a_key_is_its_id_and_256_random_bits_and_is_read_back() -> None:
    made = [access_key.make() for _ in range(50)]
    assert len({key.secret for key in made}) == len({key.id for key in made}) == 50
    for key in made:
        assert len(key.secret) == 43  # of 32 bytes in base64 without padding
        assert access_key.parse(key.text) == key


def test_a_key_does_not_show_its_secret_when_it_is_printed() -> None:
    key = access_key.make()
    assert key.secret not in repr(key)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "",
        lambda text: text[:-1],
        lambda text: text + "A",
        lambda text: text.upper(),
        lambda text: text.replace("coil_", "foil_"),
        lambda text: text + "\n",
        lambda text: text[:-1] + "é",
        lambda text: text[:30] + " " + text[31:],
    ],
)
def test_what_has_another_form_is_no_key(change) -> None:
    assert access_key.parse(change(access_key.make().text)) is None


def test_only_the_right_secret_is_the_same() -> None:
    key, other = access_key.make(), access_key.make()
    assert access_key.same(key.secret, access_key.sha256(key.secret))
    assert not access_key.same(other.secret, access_key.sha256(key.secret))
    assert not access_key.same(key.secret, None)


@pytest.mark.parametrize("kept", [None, "0" * 64, access_key.sha256("A" * 43)])
def test_an_unknown_key_takes_the_way_of_a_wrong_one_through_the_constant_time_compare(
    kept: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    compared: list[tuple[str, str]] = []

    def spy(one: str, other: str) -> bool:
        compared.append((one, other))
        return hmac.compare_digest(one, other)

    monkeypatch.setattr(access_key, "hmac", type("Spied", (), {"compare_digest": staticmethod(spy)}))
    access_key.same("A" * 43, kept)
    assert len(compared) == 1
    assert {len(text) for text in compared[0]} == {64}
