"""Throw-away certificates for a cluster on this machine."""

from __future__ import annotations

from pathlib import Path

import trustme


def make_certificates(folder: Path) -> tuple[str, str, str]:
    """Write an authority's certificate, a certificate for 127.0.0.1 and its key; return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    authority = trustme.CA()
    own = authority.issue_cert("127.0.0.1", "localhost")
    paths = [folder / name for name in ("ca.pem", "cert.pem", "key.pem")]
    authority.cert_pem.write_to_path(paths[0])
    own.cert_chain_pems[0].write_to_path(paths[1])
    own.private_key_pem.write_to_path(paths[2])
    first, second, third = map(str, paths)
    return first, second, third
