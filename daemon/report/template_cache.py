"""Compiled templates, kept where Python keeps the compiled modules of this package.

Compiling them costs a seventh of a second, which a process pays whose first page somebody waits for. As with
modules, a folder that cannot be written to is no trouble, and PYTHONDONTWRITEBYTECODE and PYTHONPYCACHEPREFIX
hold. What was kept is used only with the same templates, the same code behind them and the same libraries.
"""

from __future__ import annotations

import hashlib
import sys
from contextlib import suppress
from importlib.metadata import version
from importlib.util import cache_from_source
from pathlib import Path

from jinja2 import FileSystemBytecodeCache
from jinja2.bccache import Bucket


class TemplateCache(FileSystemBytecodeCache):
    """Nothing that is wrong with the kept files keeps a page from being made."""

    def load_bytecode(self, bucket: Bucket) -> None:
        try:
            super().load_bytecode(bucket)
        except Exception:  # cut short by a power cut: pickle and marshal raise many kinds
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        with suppress(OSError):
            super().dump_bytecode(bucket)


def template_cache(*behind: Path) -> TemplateCache | None:
    """Where compiled templates are kept; None where Python keeps nothing either.

    behind : the code whose functions the templates call, which works out their constant parts when they are
        compiled: other code, other files
    """
    if sys.dont_write_bytecode:
        return None
    digest = hashlib.sha256(f"{version('jinja2')} {version('markupsafe')}".encode())
    try:
        for path in behind:
            digest.update(path.read_bytes())
    except OSError:
        return None
    folder = Path(cache_from_source(__file__)).parent
    return TemplateCache(str(folder), f"template-{digest.hexdigest()[:12]}-%s.{sys.implementation.cache_tag}")
