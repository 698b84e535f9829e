"""Signs a call so that the receiver knows who sent it, and that it is whole and fresh.

HTTP Message Signatures, RFC 9421, with hmac-sha256 (3.3.3) over method, address, content type and
the digest of the body (RFC 9530); ``created`` is the time of the signature. The secret itself is
never sent.
"""

from __future__ import annotations

import hashlib
import hmac
from base64 import b64encode
from collections.abc import Mapping
from typing import Final

__all__ = ["LABEL", "signature", "signed"]

LABEL: Final = "basinward"
_COVERED: Final = ("@method", "@target-uri", "content-type", "content-digest")


def signed(
    url: str, content_type: str, body: bytes, *, secret: str, key_id: str, created_s: int
) -> dict[str, str]:
    """The headers of a signed POST: type, digest, and the signature of both.

    ``key_id`` names the secret (printable ASCII without quotes). ``created_s`` is UTC, s since
    1970.
    """
    digest = f"sha-256=:{_base64(hashlib.sha256(body).digest())}:"
    covered = " ".join(f'"{name}"' for name in _COVERED)
    parameters = f'({covered});created={created_s};keyid="{key_id}";alg="hmac-sha256"'
    values = {
        "@method": "POST",
        "@target-uri": url,
        "content-type": content_type,
        "content-digest": digest,
    }
    return {
        "Content-Type": content_type,
        "Content-Digest": digest,
        "Signature-Input": f"{LABEL}={parameters}",
        "Signature": f"{LABEL}=:{signature(values, parameters, secret.encode())}:",
    }


def signature(values: Mapping[str, str], parameters: str, key: bytes) -> str:
    """The signature, in Base64, of the components in their order; RFC 9421, 2.5."""
    lines = [f'"{name}": {value}' for name, value in values.items()]
    base = "\n".join([*lines, f'"@signature-params": {parameters}'])
    return _base64(hmac.new(key, base.encode(), hashlib.sha256).digest())


def _base64(data: bytes) -> str:
    return b64encode(data).decode("ascii")
