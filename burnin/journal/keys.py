"""The workshop's signing key (Ed25519, RFC 8032), kept in a file only its owner can read."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from burnin.errors import BurninError, InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

DOMAIN = b"burnin seal 1\n"
"""Put before every message signed, so that a signature cannot be used for anything else."""


class SigningKey:
    """A private key in memory.

    Args:
        key: The key.
    """

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key

    @property
    def public_hex(self) -> str:
        """The public key, 32 bytes as hex."""
        return self._key.public_key().public_bytes_raw().hex()

    def sign(self, message: bytes) -> str:
        """Return the signature over ``message``, 64 bytes as hex."""
        return self._key.sign(DOMAIN + message).hex()


def fingerprint(public_hex: str) -> str:
    """Return the SHA-256 of a public key in groups of four hex digits, as printed and compared by people."""
    digest = hashlib.sha256(bytes.fromhex(public_hex)).hexdigest()
    return " ".join(digest[start : start + 4] for start in range(0, 64, 4))


def can_sign() -> bool:
    """Return whether the library for signatures is installed."""
    try:
        import cryptography.hazmat.primitives.asymmetric.ed25519  # noqa: F401 - asked for its presence
    except ImportError:
        return False
    return True


def create_key(path: Path) -> SigningKey:
    """Make a new key in a new file with rights for its owner alone.

    Raises:
        InputError: the file exists or cannot be written.
        BurninError: the library for signatures is not installed.
    """
    _demand_library()
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    data = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise InputError(
            f"{path}: found a file; expected a new name",
            slug="key-exists",
            hint="A key is never overwritten: name another file, or move the old key away.",
        ) from None
    except OSError as error:
        raise InputError(
            f"{path}: cannot be written: {error.strerror}",
            slug="key-not-writable",
            hint="Name a file in a folder you may write in.",
        ) from error
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    return SigningKey(key)


def load_key(path: Path) -> SigningKey:
    """Return the key in a file.

    Raises:
        InputError: there is no such file, others may read it, or it holds no Ed25519 key.
        BurninError: the library for signatures is not installed.
    """
    _demand_library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    data = _read_private(path)
    try:
        key = load_pem_private_key(data, password=None)
    except (ValueError, TypeError) as error:
        raise _no_key(path, "something else") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise _no_key(path, "a key of another kind")
    return SigningKey(key)


def signature_is_good(public_hex: str, signature_hex: str, message: bytes) -> bool | None:
    """Return whether the signature fits key and message; None where the library is not installed."""
    if not can_sign():
        return None
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_hex))
        key.verify(bytes.fromhex(signature_hex), DOMAIN + message)
    except (InvalidSignature, ValueError):
        return False
    return True


def _read_private(path: Path) -> bytes:
    try:
        rights = stat.S_IMODE(path.stat().st_mode)
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read: {error.strerror}",
            slug="key-unreadable",
            hint="Make a key with 'burnin seal-key', or name another file.",
        ) from error
    if os.name == "posix" and rights & 0o077:
        raise InputError(
            f"{path}: found rights {rights:o}; expected 600, readable by its owner alone",
            slug="key-rights",
            hint=f"Run: chmod 600 {path}",
        )
    return data


def _no_key(path: Path, found: str) -> InputError:
    return InputError(
        f"{path}: found {found}; expected a private Ed25519 key in PEM form without a password",
        slug="key-bad",
        hint="Make one with 'burnin seal-key'.",
    )


def _demand_library() -> None:
    if not can_sign():
        raise BurninError(
            "signing needs the library 'cryptography', which is not installed",
            slug="seal-extra",
            hint="Install the extra: pip install 'burnin[seal]'.",
        )
