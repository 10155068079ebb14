"""Bodies of the commands, one function each; heavy modules are imported where they are used."""

from __future__ import annotations

import json
import os
import shlex
import sys
from argparse import Namespace
from pathlib import Path

from config.load import InvalidConfig, default_text, find_config, load_settings
from config.settings import Settings
from daemon.core.exitcodes import OK, SOME_FAILED
from daemon.core.text import one_line


def settings_of(arguments: Namespace) -> Settings:
    """The validated settings that the command line asks for."""
    return load_settings(find_config(arguments.config))


def studio_of(arguments: Namespace) -> Settings:
    """The same, for commands that use the studio's state: its own, and nobody else's."""
    from daemon.core.studio import refuse_shared

    settings = settings_of(arguments)
    if not settings.folders.state.exists():
        from daemon.ledger.adopt import adopt_common_state

        adopt_common_state(settings.folders)
    refuse_shared(settings.folders)
    return settings


def studio_at_work(arguments: Namespace) -> Settings:
    """The same, for commands about what is there: without file and folders they look in the wrong place."""
    settings = studio_of(arguments)
    if find_config(arguments.config) is None and not settings.folders.ready.exists():
        raise InvalidConfig("", ["no settings file was found: name yours with --config PATH"])
    return settings


# --- work ---------------------------------------------------------------------------------


def run(arguments: Namespace) -> int:
    settings = studio_of(arguments)
    from daemon.service.entry import run_service

    return run_service(settings, config_path=find_config(arguments.config), once=arguments.once)


def process(arguments: Namespace) -> int:
    from daemon.batch.process import process_paths
    from daemon.ledger.ledger import ledger_path

    settings = studio_of(arguments)
    ledger = ledger_path(settings.folders.state)
    if arguments.to is not None:
        target = arguments.to.expanduser().resolve()
        folders = settings.folders.model_copy(update={"ready": target, "rejected": target / "rejected"})
        settings = settings.model_copy(update={"folders": folders})
        ledger = target / ".ledger.sqlite3"
    if arguments.jobs is not None:
        if not 1 <= arguments.jobs <= 64:
            raise InvalidConfig("--jobs", [f"--jobs: found {arguments.jobs}, allowed: 1 to 64"])
        work = settings.work.model_copy(update={"max_workers": arguments.jobs})
        settings = settings.model_copy(update={"work": work})
    return process_paths(
        arguments.paths, settings, ledger, again=arguments.again, scheduler=arguments.scheduler
    )


def analyse(arguments: Namespace) -> int:
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from daemon.pipeline.analyse import analyse_path, as_text

    settings = settings_of(arguments)
    failed = False
    for name in arguments.paths:
        line = analyse_path(name, settings)
        failed = failed or "error" in line
        if arguments.json:
            print(json.dumps(line, allow_nan=False), flush=True)
        elif "error" in line:
            print(one_line(line["error"]), file=sys.stderr)
        else:
            print(as_text(line), flush=True)
    return SOME_FAILED if failed else OK


def demo(arguments: Namespace) -> int:
    from demo.show import run_demo

    return run_demo(arguments.to)


# --- looking ------------------------------------------------------------------------------


def status(arguments: Namespace) -> int:
    settings = studio_of(arguments)
    if arguments.name is not None:
        from daemon.core.errors import WrongRequest
        from daemon.ops.standing import print_standing

        if arguments.watch or arguments.accuracy:
            raise WrongRequest("status", "--watch and --accuracy are about all beats", "leave the name out")
        return print_standing(settings, arguments.name, as_json=arguments.json)
    if arguments.accuracy:
        from daemon.ops.accuracy import print_accuracy

        return print_accuracy(settings)
    if arguments.watch:
        from daemon.ops.statuswatch import watch_status

        return watch_status(settings)
    from daemon.ops.status import print_status

    return print_status(settings, as_json=arguments.json)


def serve(arguments: Namespace) -> int:
    from daemon.ops.serve import serve_ready

    return serve_ready(studio_of(arguments), host=arguments.host, port=arguments.port)


# --- correcting ---------------------------------------------------------------------------


def correct(arguments: Namespace) -> int:
    from daemon.pipeline.correct import correct_drop

    return correct_drop(studio_at_work(arguments), arguments.name, vars(arguments))


def undo(arguments: Namespace) -> int:
    from daemon.pipeline.correct import undo_correction

    return undo_correction(studio_at_work(arguments), arguments.name)


def answer(arguments: Namespace) -> int:
    from daemon.service.control import answer_question

    return answer_question(settings_of(arguments), arguments.name, arguments.what)


def retry(arguments: Namespace) -> int:
    from daemon.service.control import retry_rejected

    return retry_rejected(studio_at_work(arguments), arguments.names)


def front(arguments: Namespace) -> int:
    from daemon.service.order import FRONT, ask_order

    return ask_order(studio_at_work(arguments), FRONT, arguments.names)


def hold(arguments: Namespace) -> int:
    from daemon.service.order import HOLD, ask_order

    return ask_order(studio_at_work(arguments), HOLD, arguments.names)


# --- upkeep -------------------------------------------------------------------------------


def init(arguments: Namespace) -> int:
    """Write FOLDER/beatintake.yaml and the three folders; what exists is left alone."""
    from daemon.core.errors import NoPermission
    from daemon.core.oserrors import plainly

    folder: Path = arguments.folder.expanduser().resolve()
    target = folder / "beatintake.yaml"
    if target.exists():
        raise InvalidConfig(
            str(target), [f"{target}: exists already and is left alone; edit it, or name another folder"]
        )
    text = default_text()
    for name in ("incoming", "ready", "rejected"):
        text = text.replace(f"{name}: ~/beatintake/{name}", f"{name}: {name}")
    try:
        for name in ("incoming", "ready", "rejected"):
            (folder / name).mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")
    except OSError as error:
        raise NoPermission(str(folder), plainly(error), "choose a folder that you may write to") from None
    print(one_line(f"wrote {target} and the folders incoming, ready and rejected beside it"))
    print(one_line(f"next: beatintake --config {shlex.quote(str(target))} run"))
    print(one_line(f"or, once: export BEATINTAKE_CONFIG={shlex.quote(str(target))}, and leave --config out"))
    return OK


def check_config(arguments: Namespace) -> int:
    from daemon.core.studio import refuse_shared
    from daemon.ops.units import network_remark

    path = find_config(arguments.config)
    settings = load_settings(path)
    refuse_shared(settings.folders)
    print(one_line(f"{path or 'built-in defaults (no file found)'}: in order"))
    for name, folder in settings.folders.model_dump().items():
        print(
            one_line(
                f"  folders.{name}: {folder}{'' if Path(folder).is_dir() else '  (will be made at start)'}"
            )
        )
    if remark := network_remark(settings):
        print(one_line(f"  note: {remark}"))
    return OK


def pause(arguments: Namespace) -> int:
    from daemon.service.control import pause_service

    return pause_service(studio_of(arguments))


def resume(arguments: Namespace) -> int:
    from daemon.service.control import resume_service

    return resume_service(studio_of(arguments))


def doctor(arguments: Namespace) -> int:
    from daemon.ops.doctor import examine

    return examine(settings_of(arguments))


def service(arguments: Namespace) -> int:
    from daemon.ops.units import manage_unit

    return manage_unit(arguments.action, find_config(arguments.config))
