"""New outputs in the place of a published folder's old ones.

One by one, each whole, the report last, as the mark that all is there. Other files that people keep in the
folder stay.
"""

from __future__ import annotations

import os
from pathlib import Path

from daemon.core.atomic import patiently, sync_folder, sync_tree
from daemon.report.parts import Files


def replace_in(folder: Path, made_in: Path, before: Files, now: Files) -> None:
    """Move everything in `made_in` into `folder`; what `before` lists and `now` does not is removed.

    Raises OSError.
    """
    sync_tree(made_in)
    files = [path for path in made_in.rglob("*") if path.is_file()]
    for path in sorted(files, key=lambda p: (p.name == now.report, str(p))):
        target = folder / path.relative_to(made_in)
        target.parent.mkdir(exist_ok=True)
        patiently(lambda source=path, target=target: os.replace(source, target))  # type: ignore[misc]
    kept = {str(name) for name in now.model_dump().values() if name}
    for name in before.model_dump().values():
        if name and name not in kept and Path(name).name == name:  # ours, by the old report
            (folder / name).unlink(missing_ok=True)
    sync_folder(folder)
