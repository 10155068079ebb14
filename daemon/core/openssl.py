"""A process without OpenSSL, for the service.

It opens no connection, and hashes names only: what producers send is hashed in the workers. Yet the standard
library loads OpenSSL wherever it finds it (`hashlib` for speed; `asyncio`, which the scheduler imports, for
TLS): 4.8 MB that the studio's machine would keep for nothing. Both do without where Python was built so.
"""

from __future__ import annotations

import sys
from importlib.util import find_spec

LOADED_BY = ("_hashlib", "_ssl")
SHA2 = ("_sha2",) if sys.version_info >= (3, 12) else ("_sha256", "_sha512")
OWN = ("_md5", "_sha1", *SHA2, "_sha3", "_blake2")


def leave_out() -> bool:
    """From now on `hashlib` uses Python's own functions, and there is no `ssl`. False, and nothing is done,
    where OpenSSL is loaded already or is the only one that can hash (a build without `OWN`).

    A module that is None in `sys.modules` counts as missing (Python Language Reference, 5.3.1).
    """
    if any(name in sys.modules for name in LOADED_BY) or not all(map(find_spec, OWN)):
        return False
    for name in LOADED_BY:
        sys.modules[name] = None  # type: ignore[assignment]
    return True
