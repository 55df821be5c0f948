"""Password hashes against RFC 7914's own test vector, and the brake on guessing."""

import base64

import pytest

from drymon.errors import SetupError
from drymon.views.page.passwords import NOBODY, Brake, check_password, hash_password, is_password, must_be_renewed


def test_a_hash_of_earlier_versions_is_understood() -> None:
    """RFC 7914, section 12, third vector: scrypt("pleaseletmein", "SodiumChloride", N 16384, r 8, p 1), its first 32
    of 64 bytes (PBKDF2 puts out block after block, so a shorter key is the longer one's beginning)."""
    salt = base64.b64encode(b"SodiumChloride").decode()
    digest = base64.b64encode(
        bytes.fromhex("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")
    ).decode()
    stored = f"scrypt:16384:8:1:{salt}:{digest}"
    assert must_be_renewed(stored)
    assert is_password("pleaseletmein", stored)
    assert not is_password("pleaseletmeout", stored)


def test_a_hash_made_elsewhere_is_understood() -> None:
    """RFC 7914, section 12, second vector: scrypt("password", "NaCl", N 1024, r 8, p 16), all of its 64 bytes."""
    digest = (
        "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
        "2eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640"
    )
    assert is_password("password", f"scrypt:1024:8:16$NaCl${digest}")
    assert not is_password("Password", f"scrypt:1024:8:16$NaCl${digest}")


def test_a_new_hash_need_not_be_renewed() -> None:
    assert not must_be_renewed(hash_password("warm tea"))


def test_two_hashes_of_one_password_differ_and_both_fit() -> None:
    first, second = hash_password("warm tea"), hash_password("warm tea")
    assert first != second
    assert is_password("warm tea", first)
    assert is_password("warm tea", second)
    assert not is_password("Warm tea", first)
    assert not is_password("", NOBODY)


@pytest.mark.parametrize("password", ["", "seven77", "x" * 201])
def test_a_password_has_its_lengths(password: str) -> None:
    with pytest.raises(SetupError, match=f"received {len(password)} characters; allowed are 8 to 200"):
        check_password(password)


def test_the_brake_holds_a_name_and_an_address_apart_and_lets_go() -> None:
    now = [0.0]
    brake = Brake(lambda: now[0], free=3, window_s=60)
    for _ in range(3):
        assert brake.wait_s("name ana", "from there") == 0
        brake.failed("name ana", "from there")
        now[0] += 1
    assert 50 < brake.wait_s("name ana") <= 60
    assert brake.wait_s("from there") > 0
    assert brake.wait_s("name bo", "from here") == 0
    now[0] += 61
    assert brake.wait_s("name ana") == 0
    brake.failed("name ana")
    brake.passed("name ana")
    assert brake.wait_s("name ana") == 0
