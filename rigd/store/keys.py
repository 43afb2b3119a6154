"""The rig's own key: Ed25519 (RFC 8032), made on the machine, readable by its owner only.

A seal by this key says that *this rig* wrote the record; it is no person's signature. The private key never leaves
its file; the public key, 64 hex digits, is printed in reports and kept by the auditor, and a record is best verified
against that copy and not against the one it carries itself.
"""

import os
import stat
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from rigd.model.errors import CannotCreate, Misconfigured
from rigd.store.disk import DISK, Disk, read_file, write_file

KEY_MODE = 0o600
_HEX = 64


class RigKey:
    """A private key in memory."""

    def __init__(self, raw: bytes) -> None:
        self._key = Ed25519PrivateKey.from_private_bytes(raw)
        self.public = self._key.public_key().public_bytes_raw().hex()

    def sign(self, data: bytes) -> str:
        return self._key.sign(data).hex()


def make_key(path: Path, *, disk: Disk = DISK) -> RigKey:
    """A new key in a new file. Raises CannotCreate when there is a file: a key is never overwritten."""
    if os.path.lexists(path):
        raise CannotCreate(f"{path} is there already; a key is never overwritten: move it away first")
    raw = Ed25519PrivateKey.generate().private_bytes_raw()
    try:
        write_file(path, raw.hex().encode() + b"\n", disk=disk, mode=KEY_MODE)
    except OSError as error:
        raise CannotCreate(f"cannot write the key {path}: {error.strerror or error}") from None
    return RigKey(raw)


def load_key(path: Path) -> RigKey:
    """The key of this file. Raises Misconfigured when others may read it or it is no key."""
    try:
        text = read_file(path, limit=1024).decode("ascii", "replace").strip()
        mode = stat.S_IMODE(path.stat().st_mode)
    except OSError as error:
        raise Misconfigured(f"cannot read the key {path}: {error.strerror or error}") from None
    if mode & 0o077:
        raise Misconfigured(f"the key {path} has mode {mode:04o}, allowed: 0600; it may be known: make a new one")
    if len(text) != _HEX or set(text) - set("0123456789abcdef"):
        raise Misconfigured(f"{path} is not a key: allowed are {_HEX} lower-case hex digits")
    return RigKey(bytes.fromhex(text))


def is_signed(data: bytes, signature: str, public: str) -> bool:
    """Did the owner of this public key sign exactly these bytes?"""
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), data)
    except (InvalidSignature, ValueError):
        return False
    return True
