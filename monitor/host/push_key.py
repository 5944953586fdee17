"""The key by which push services recognise this house (VAPID, RFC 8292): on the curve P-256, made once and kept in the
store. Only where the extra `push` is installed."""

from __future__ import annotations

import base64
from importlib.util import find_spec


def can_sign() -> bool:
    """Whether the library that signs and encrypts is installed."""
    return find_spec("cryptography") is not None


def make() -> str:
    """A new private key, PEM."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    return (
        ec.generate_private_key(ec.SECP256R1())
        .private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        .decode()
    )  # fmt: skip


def public(key: str) -> str:
    """The public half of a private key in the form for browsers: the 65 bytes of the point, base64url without
    padding."""
    from cryptography.hazmat.primitives import serialization

    point = (
        serialization.load_pem_private_key(key.encode(), None)
        .public_key()
        .public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)
    )
    return base64.urlsafe_b64encode(point).rstrip(b"=").decode()
