"""Install the service for this user: a systemd user unit or a launchd agent, from the templates in
config/units.

Says which file it writes and what it runs. Windows has no honest equivalent (a system service can neither
show a notification nor see a user's network drives), so there the command says how to use the Task
Scheduler.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from importlib import resources
from pathlib import Path
from string import Template
from typing import Literal
from xml.sax.saxutils import escape

from config.load import load_settings
from config.places import guards_path
from config.settings import Settings
from daemon.core.atomic import atomic_write, machine_error
from daemon.core.folders import make_folders

Action = Literal["install", "uninstall", "show"]
UNIT = "beatintake.service"
LOCK_LINE = "PrivateNetwork=yes"
LOCKED = f"{LOCK_LINE}\nRestrictAddressFamilies=AF_UNIX"
OPEN = "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6"  # notify.needs_network
LABEL = "local.beatintake"
WINDOWS = """\
There is no unit to write on Windows. Let the Task Scheduler start it when you log on:
  schtasks /Create /SC ONLOGON /TN beatintake /TR "{command}"
"""


def manage_unit(action: Action, config_path: Path | None, platform: str = sys.platform) -> int:
    """Write, remove or print the unit. Returns the exit code."""
    command = service_command(config_path)
    if platform == "win32":
        print(WINDOWS.format(command=subprocess.list2cmdline(command)), end="")
        return 0 if action == "show" else 4
    path = unit_path(platform)
    if action == "uninstall":
        return _uninstall(path, platform)
    settings = load_settings(config_path)
    text = render_unit(settings, command, platform)
    if action == "show":
        print(text, end="")
        return 0
    make_folders(settings)
    try:
        guards_path().mkdir(parents=True, exist_ok=True)
        path.parent.mkdir(parents=True, exist_ok=True)
        atomic_write(path, text.encode())
    except OSError as error:
        raise machine_error(error, path) from error
    print(f"wrote {path}")
    if platform != "darwin" and (remark := network_remark(settings)):
        print(f"note: {remark}")
    return _run(_after_install(path, platform))


def service_command(config_path: Path | None) -> list[str]:
    """What starts the service: this interpreter, so that it runs in this environment."""
    chosen = ["--config", str(config_path.resolve())] if config_path else []
    return [sys.executable, "-m", "daemon.cli", *chosen, "run"]


def unit_path(platform: str) -> Path:
    """Where this user's units live."""
    if platform == "darwin":
        return Path.home() / "Library" / "LaunchAgents" / f"{LABEL}.plist"
    base = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    return Path(base) / "systemd" / "user" / UNIT


def render_unit(settings: Settings, command: list[str], platform: str) -> str:
    """The text of the unit for these settings."""
    folders = {name: Path(folder).resolve() for name, folder in settings.folders.model_dump().items()}
    work = settings.work
    if platform == "darwin":
        lines = "\n".join(f"    <string>{escape(part)}</string>" for part in command)
        return _template("beatintake.plist").substitute(
            arguments=lines, nice=work.nice, state=escape(str(folders["state"]))
        )
    return _template(UNIT).substitute(
        {name: quoted(str(folder)) for name, folder in (folders | {"guards": guards_path()}).items()},
        command=" ".join(quoted(part) for part in command),
        nice=work.nice,
        network=OPEN if settings.notify.command and settings.notify.needs_network else LOCKED,
        memory_mb=(work.max_workers + 1) * settings.limits.job_memory_mb + 512,
    )


def network_remark(settings: Settings) -> str | None:
    """What a person who configures a notification must know of the unit; None: nothing."""
    if not settings.notify.command or settings.notify.needs_network:
        return None
    return (
        f"{settings.notify.command[0]} (notify.command) has no network under the systemd unit; "
        "if it sends anything over one, set notify.needs_network: true and run 'beatintake service install'"
    )


def quoted(text: str) -> str:
    """One word of a unit file: quotes for spaces, percent signs doubled (systemd.unit, systemd.syntax)."""
    text = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{text}"' if any(mark in text for mark in " \t'\"\\;#") else text


def _template(name: str) -> Template:
    return Template(resources.files("config").joinpath("units", name).read_text(encoding="utf-8"))


def _after_install(path: Path, platform: str) -> list[list[str]]:
    if platform == "darwin":
        print("macOS may ask once whether it may read the incoming folder; allow it")
        return [["launchctl", "bootstrap", f"gui/{os.getuid()}", str(path)]]
    return [["systemctl", "--user", "daemon-reload"], ["systemctl", "--user", "enable", "--now", UNIT]]


def _uninstall(path: Path, platform: str) -> int:
    if not path.exists():
        print(f"nothing to remove: {path} is not there")
        return 0
    stop = (
        [["launchctl", "bootout", f"gui/{os.getuid()}/{LABEL}"]]
        if platform == "darwin"
        else [["systemctl", "--user", "disable", "--now", UNIT]]
    )
    _run(stop)
    path.unlink()
    print(f"removed {path}; folders, results and ledger stay as they are")
    if platform != "darwin":
        _run([["systemctl", "--user", "daemon-reload"]])
    return 0


def _run(commands: list[list[str]]) -> int:
    """Run them, or say what to run where the service manager cannot be reached (no session, no such
    program).
    """
    for position, command in enumerate(commands):
        cause = _try(command)
        if cause is not None:
            print(f"the service manager cannot be reached from here ({cause}); in your own session run:")
            print(*(f"  {shlex.join(c)}" for c in commands[position:]), sep="\n")
            return 0
        print(f"ran {shlex.join(command)}")
    return 0


def _try(command: list[str]) -> str | None:
    """None when it worked, else why not."""
    if shutil.which(command[0]) is None:
        return f"{command[0]} is not installed"
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode == 0:
        return None
    return (done.stderr or done.stdout).strip().splitlines()[0] if done.stderr or done.stdout else "it failed"
