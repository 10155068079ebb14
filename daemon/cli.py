"""The command line: `beatintake COMMAND`. Parsing only; the work is imported when it is needed."""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from io import TextIOWrapper
from pathlib import Path
from typing import Any

DESCRIPTION = """\
beatintake watches a folder for instrumental tracks, finds tempo, bar one, key, levels and
faults of each, and publishes a copy that sits on the session grid, with a map and a report.
"""

EPILOG = """\
exit codes:
  0   done
  2   the command line (a name that fits nothing, too) or the configuration is wrong; nothing was done
  3   done, but at least one drop was rejected or could not be analysed
  4   the machine is in the way: folder, permission, disk space, share
  70  an error of ours; please report it with the lines above it
  75  another beatintake service already works on these folders

configuration:
  --config PATH, else $BEATINTAKE_CONFIG, else ./beatintake.yaml, else beatintake/beatintake.yaml
  in your user configuration folder, else the defaults. 'beatintake init' writes a commented file.

examples:
  beatintake init ~/studio            write ~/studio/beatintake.yaml and the three folders
  beatintake run                      the service, in the foreground, until SIGTERM or Ctrl-C
  beatintake process beat.wav         the same work once, outputs into the ready folder
  beatintake analyse beat.wav --json  one JSON line for each file, nothing written
  beatintake status                   is it running, what is waiting, what needs ears

Look at the level before you listen: beats arrive loud. Follow your studio's own hearing rules.
"""


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from daemon.core.version import version

        print(f"beatintake {version()}")
        parser.exit()


def build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="beatintake",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    parser.add_argument("--config", type=Path, metavar="PATH", help="configuration file to use")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    _add_work(commands)
    _add_looking(commands)
    _add_correcting(commands)
    _add_upkeep(commands)
    return parser


def _command(commands: Any, name: str, text: str, more: str = "") -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=more,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--config", type=Path, metavar="PATH", default=argparse.SUPPRESS, help="configuration file"
    )
    return parser


def _add_work(commands: Any) -> None:
    run = _command(commands, "run", "watch the incoming folder and work until stopped (for systemd, launchd)")
    run.add_argument("--once", action="store_true", help="work on what is there now, then stop")

    process = _command(
        commands,
        "process",
        "do the same work once for the given files or folders",
        "A folder of stems is one drop; any other folder is searched for drops.\n"
        "What is already in the ready folder with the same bytes is not done again.",
    )
    process.add_argument("paths", nargs="+", type=Path, metavar="FILE|FOLDER")
    process.add_argument("--to", type=Path, metavar="FOLDER", help="publish here, not in the ready folder")
    process.add_argument(
        "--jobs", type=int, metavar="N", help="drops side by side (default: work.max_workers)"
    )
    process.add_argument(
        "--scheduler", metavar="tcp://HOST:PORT", help="work on this dask.distributed cluster"
    )
    process.add_argument(
        "--again",
        action="store_true",
        help="do it again even if the same bytes are done; takes the place of what was made",
    )

    analyse = _command(
        commands,
        "analyse",
        "analyse files or stem folders and print what was found; write nothing",
        "With --json one JSON object is printed for each argument; a failure becomes a line with 'error'\n"
        "and the next argument is taken.",
    )
    analyse.add_argument("paths", nargs="+", type=str, metavar="FILE|STEMFOLDER")
    analyse.add_argument("--json", action="store_true", help="machine-readable lines on standard output")

    demo = _command(
        commands, "demo", "synthesise demo beats, drop them on a running service, show truth and result"
    )
    demo.add_argument(
        "--to", type=Path, metavar="FOLDER", help="keep everything here (default: a temporary folder)"
    )


def _add_looking(commands: Any) -> None:
    status = _command(
        commands,
        "status",
        "is the service running, what is waiting, last results, what needs ears; or where one beat stands",
        "NAME is any name that the beat has or came with, or the start of one; case and accents do not\n"
        "count. When several fit, they are listed.",
    )
    status.add_argument("name", nargs="?", metavar="NAME", help="only where this beat stands")
    shape = status.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="machine-readable")
    shape.add_argument(
        "--watch", action="store_true", help="stay and show the progress, with the seconds left, until Ctrl-C"
    )
    status.add_argument(
        "--accuracy", action="store_true", help="how often the analysis was right where you corrected it"
    )

    serve = _command(commands, "serve", "show the board and the reports in a browser, read-only")
    serve.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (default: this machine only)"
    )
    serve.add_argument("--port", type=int, default=8360, help="port (default: 8360)")


def _add_correcting(commands: Any) -> None:
    correct = _command(
        commands,
        "correct",
        "say what is right; copy, map and report are made again",
        "NAME is a folder in the ready folder, or the name of the file that it was made from, or the start\n"
        "of either; case and accents do not count. When several fit, they are listed.\n"
        "A correction is kept by content: the same bytes keep it when they arrive again.",
    )
    correct.add_argument("name", metavar="NAME")
    correct.add_argument("--tempo", type=float, metavar="BPM", help="of the beat: in 6/8 the dotted quarter")
    level = correct.add_mutually_exclusive_group()
    level.add_argument("--half", action="store_true", help="the tempo is half of what was found")
    level.add_argument("--double", action="store_true", help="the tempo is twice what was found")
    correct.add_argument(
        "--key",
        metavar="KEY",
        help="e.g. 'E flat minor', 'blues in A', or with changes: 'C minor, then D minor at bar 13'",
    )
    correct.add_argument(
        "--bar-one",
        metavar="PLACE",
        help="seconds in the producer's file, or from where it is now: +1beat, -2bars, +12ms",
    )
    correct.add_argument(
        "--meter",
        metavar="N/D",
        help="e.g. 3/4; from 3/4 to 6/8 and back the bars stay and the beat changes, else the beat stays",
    )
    correct.add_argument("--tuning", type=float, metavar="CENTS", help="offset from A4 = 440 Hz")

    undo = _command(commands, "undo", "take the last correction of a drop back")
    undo.add_argument("name", metavar="NAME")

    answer = _command(
        commands,
        "answer",
        "say whether a folder or zip of several files holds the stems of one beat or separate beats",
        "NAME is the folder or zip as it was delivered, or the start of its name. The answer is kept by\n"
        "content and may be changed by giving the other one; what is published stays.",
    )
    answer.add_argument("name", metavar="NAME")
    answer.add_argument("what", choices=["stems", "beats"])

    retry = _command(commands, "retry", "take rejected drops again (all, or those named)")
    retry.add_argument("names", nargs="*", metavar="NAME")

    for name, text in (
        ("front", "somebody waits for these: analyse them before all others, halting what runs if need be"),
        ("hold", "do not analyse these until 'front' names them"),
    ):
        order = _command(
            commands,
            name,
            text,
            "NAME is the name of a file or folder in the incoming folder, or the start of it.",
        )
        order.add_argument("names", nargs="+", metavar="NAME")


def _add_upkeep(commands: Any) -> None:
    init = _command(commands, "init", "write a commented configuration and make the three folders")
    init.add_argument("folder", nargs="?", type=Path, default=Path("."), metavar="FOLDER")

    _command(commands, "check-config", "check the configuration and say all that is wrong, with line numbers")
    _command(commands, "pause", "let the service start no new work until 'resume'")
    _command(commands, "resume", "let the service go on after 'pause'")
    _command(
        commands, "doctor", "check folders, permissions, space, watch limits and decoders; say what to do"
    )

    service = _command(commands, "service", "install or remove the service unit of this user")
    service.add_argument("action", choices=["install", "uninstall", "show"])


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code. Errors are one line on standard error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a terminal that lacks a script shows its codes
            stream.reconfigure(errors="backslashreplace")
    arguments = build_parser().parse_args(argv)
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # none is used
    if arguments.command == "run":
        from daemon.core import openssl

        openssl.leave_out()
    gc.disable()  # none of what is loaded now becomes garbage: a seventh of the time of a short command
    from config.load import InvalidConfig
    from daemon import commands
    from daemon.core import exitcodes
    from daemon.core.atomic import machine_error
    from daemon.core.errors import (
        AlreadyRunning,
        BeatintakeError,
        ConfigError,
        DropError,
        MachineError,
        WrongRequest,
    )
    from daemon.core.text import one_line

    gc.enable()
    try:
        return int(getattr(commands, arguments.command.replace("-", "_"))(arguments))
    except InvalidConfig as error:
        print("\n".join(map(one_line, error.problems)), file=sys.stderr)
        return exitcodes.USAGE
    except BeatintakeError as error:
        print(one_line(f"beatintake: {error}"), file=sys.stderr)
        codes = [
            (AlreadyRunning, exitcodes.ALREADY_RUNNING),
            (ConfigError, exitcodes.USAGE),
            (WrongRequest, exitcodes.USAGE),
            (DropError, exitcodes.SOME_FAILED),
            (MachineError, exitcodes.MACHINE),
        ]
        return next((code for kind, code in codes if isinstance(error, kind)), exitcodes.INTERNAL)
    except BrokenPipeError:
        sys.stderr.close()
        return exitcodes.OK
    except OSError as error:
        where = error.filename or "the disk"
        print(one_line(f"beatintake: {machine_error(error, str(where))}"), file=sys.stderr)
        return exitcodes.MACHINE
    except KeyboardInterrupt:
        return exitcodes.INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
