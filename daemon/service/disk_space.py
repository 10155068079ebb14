"""Is there room for the outputs of a drop? Work waits for it; nobody is to blame."""

from __future__ import annotations

import shutil

from config.settings import Settings
from daemon.core.atomic import machine_error
from daemon.core.problems import Problems

OUTPUTS = 3  # times the drop's size: copy, stems and the rest


def has_space(settings: Settings, problems: Problems, size: int) -> bool:
    """``size``: of the drop, in bytes. Too little is shown as a problem until there is enough."""
    root, need = settings.folders.ready, (settings.limits.free_space_mb << 20) + OUTPUTS * size
    try:
        free = shutil.disk_usage(root).free
    except OSError as error:
        problems.raise_("disk", str(machine_error(error, root)))
        return False
    if free < need:
        text = f"{root}: {free >> 20} MB free, {need >> 20} MB needed; work waits for space"
        problems.raise_("disk", text)
        return False
    problems.clear("disk")
    return True
