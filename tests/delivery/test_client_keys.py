"""Keys of each form sign what their public half proves."""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey

from service.delivery.client_keys import public_keys, read_client_key
from service.exact_json import write_json
from service.settings import Settings, WrongSettings

PRIVATE_MEMBERS = {"d", "p", "q", "dp", "dq", "qi", "k"}


def _written(folder: Path, name: str, body: bytes) -> Path:
    file = folder / name
    file.write_bytes(body)
    return file


def _files(folder: Path) -> dict[str, tuple[Path, str]]:
    """Return one file of each form with the algorithm that it must be used with."""
    rsa_key, ec_key = RSAKey.generate_key(2048), ECKey.generate_key("P-384")
    return {
        "rsa jwk": (_written(folder, "r.jwk", write_json(rsa_key.as_dict(private=True))), "RS384"),
        "rsa pem": (_written(folder, "r.pem", rsa_key.as_pem(private=True)), "RS384"),
        "ec jwk": (_written(folder, "e.jwk", write_json(ec_key.as_dict(private=True))), "ES384"),
        "ec pem": (_written(folder, "e.pem", ec_key.as_pem(private=True)), "ES384"),
    }


@pytest.mark.parametrize("form", ["rsa jwk", "rsa pem", "ec jwk", "ec pem"])
def test_a_key_of_each_form_signs_what_its_public_half_proves(form: str, tmp_path: Path) -> None:
    file, algorithm = _files(tmp_path)[form]
    key = read_client_key(file, "our-key", "RESUS_X")
    assert (key.kid, key.algorithm) == ("our-key", algorithm)
    shown = key.public()
    assert not PRIVATE_MEMBERS & set(shown)
    assert (shown["kid"], shown["alg"], shown["use"]) == ("our-key", algorithm, "sig")
    token = jwt.decode(key.sign({"sub": "x"}), KeySet.import_key_set({"keys": [shown]}), algorithms=[algorithm])
    assert token.claims == {"sub": "x"}
    assert token.header == {"alg": algorithm, "kid": "our-key", "typ": "JWT"}
    assert "PRIVATE" not in repr(key)
    assert "Key object" not in repr(key)


def test_the_id_comes_from_the_settings_else_from_the_jwk_else_from_the_thumbprint(tmp_path: Path) -> None:
    made = ECKey.generate_key("P-384")
    named = _written(tmp_path, "n.jwk", write_json({**made.as_dict(private=True), "kid": "named"}))
    pem = _written(tmp_path, "p.pem", made.as_pem(private=True))
    assert read_client_key(named, "set", "RESUS_X").kid == "set"
    assert read_client_key(named, None, "RESUS_X").kid == "named"
    assert read_client_key(pem, None, "RESUS_X").kid == made.thumbprint()


def test_a_key_that_cannot_be_used_stops_the_start_and_nothing_of_it_is_repeated(tmp_path: Path) -> None:
    wrong_curve = ECKey.generate_key("P-256").as_dict(private=True)
    public = RSAKey.generate_key(2048).as_dict(private=False)
    short = rsa.generate_private_key(public_exponent=65537, key_size=1024)  # noqa: S505 - it must be refused.
    locked = ec.generate_private_key(ec.SECP384R1())
    bodies = {
        "empty": b"",
        "no json": b'{"kty": "RSA", "d": "secret-part"',
        "no key": b'{"kty": "RSA", "d": "secret-part"}',
        "symmetric": write_json(OctKey.generate_key(256).as_dict(private=True)),
        "another curve": write_json(wrong_curve),
        "public only": write_json(public),
        "a list": b"[1]",
        "short": short.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()),
        "with a password": locked.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"x")),
    }
    for name, body in bodies.items():
        file = _written(tmp_path, "wrong", body)
        with pytest.raises(
            WrongSettings, match=r"^RESUS_X: .*wrong holds no private RSA or EC P-384 key"
        ) as caught:
            read_client_key(file, None, "RESUS_X")
        assert "secret-part" not in str(caught.value), name
    with pytest.raises(WrongSettings, match="cannot be read: FileNotFoundError"):
        read_client_key(tmp_path / "none", None, "RESUS_X")


def test_during_a_rotation_both_public_keys_are_shown_and_they_must_differ_in_their_ids(tmp_path: Path) -> None:
    new = _written(tmp_path, "new.pem", ECKey.generate_key("P-384").as_pem(private=True))
    old = _written(tmp_path, "old.pem", RSAKey.generate_key(2048).as_pem(private=True))
    assert public_keys(Settings()) == {"keys": []}
    both = Settings(
        destination_key_file=new,
        destination_key_id="new",
        destination_previous_key_file=old,
        destination_previous_key_id="old",
    )
    shown = public_keys(both)["keys"]
    assert [(key["kid"], key["alg"]) for key in shown] == [("new", "ES384"), ("old", "RS384")]
    assert all(not PRIVATE_MEMBERS & set(key) for key in shown)
    with pytest.raises(WrongSettings, match="both keys have the same id"):
        public_keys(both.model_copy(update={"destination_previous_key_id": "new"}))
