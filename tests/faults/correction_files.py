"""Leave hostile and broken correction files beside ready beats of a running service, among good ones.

    python -m tests.faults.correction_files [--only TEXT]

Every case lies in a ready folder of its own, two good files sort after all of them, and drops arrive
meanwhile. Promised: the good ones are applied, each bad one is refused once with a reason that shows in
`status` and names no value of another file, the drops are published as fast as without, the worker and the
service stay the same processes, nothing is tried again.
"""

from __future__ import annotations

import argparse
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from config.settings import Settings
from daemon.corrections.files import APPLIED_FILE, CORRECTION_FILE, REASON_FILE, REFUSED_FILE
from daemon.ops.status import as_lines, read_status
from daemon.service.correction_pickup import PERIOD_S
from tests.daemon.sample_report import sample_analysis
from tests.daemon.service_kit import count_events, drop, ready, running, settings_for, wait_for
from tests.faults.kit import REAL, beat, workers_of

SECRET = "tempo: 88\nkey: hush-hush\n"  # in a file that a link points to
GOOD = ("zz-good", "zzz-good")
MOST_S = 60.0


def texts() -> dict[str, bytes]:
    """Contents of a regular file, none of which may be applied."""
    bomb = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
        f"{b}: &{b} [{','.join([f'*{a}'] * 9)}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    merge = "base: &b {tempo: 70}\n<<: *b\n"
    plain = {
        "empty": "",
        "only a comment": "# tempo: 70\n",
        "only blanks": " \n\t\n",
        "no colon": "tempo 70",
        "unknown name": "speed: 70",
        "unknown and known": "tempo: 70\nspeed: 80",
        "twice": "tempo: 70\ntempo: 80",
        "impossible date": "tempo: 2001-99-99",
        "impossible time": "bar one: 2001-12-14t99:59:43.10-05:00",
        "a date": "tempo: 2001-12-14",
        "binary number of nothing": "tempo: 0b_",
        "hexadecimal number of nothing": "tempo: 0x_",
        "octal number of nothing": "tuning: 0o_",
        "infinity": "tempo: .inf",
        "not a number": "tuning: .nan",
        "exponent": "tempo: 1e999",
        "negative": "tempo: -70",
        "zero": "tempo: 0",
        "huge": "tempo: 999999",
        "too many digits": "tempo: " + "7" * 4000,
        "bar one far behind": "bar one: +400 bars",
        "bar one far before": "bar one: -400 bars",
        "bar one with too many digits": "bar one: " + "1" * 4000,
        "bar one with too many beats": "bar one: +" + "9" * 400 + " beats",
        "bar one with too many minutes": "bar one: " + "9" * 400 + ":00",
        "bar one without a direction": "bar one: 2 beats",
        "bar one of other digits": "bar one: +\u0661\u0662\u0663\u0664\u0665\u0666 bars",
        "key of nowhere": "key: H minor",
        "key with a command": "key: $(touch x)",
        "long key": "key: " + "E" * 3000,
        "meter of nothing": "meter: 0/0",
        "long meter": "meter: " + "9" * 3900 + "/4",
        "meter in words": "meter: four",
        "half maybe": "half: maybe",
        "half and double": "half: yes\ndouble: yes",
        "half of a list": "half: [true]",
        "list": "- tempo: 70",
        "list of lists": "[" * 4000,
        "deep map": "{a: " * 1000,
        "deep indentation": "".join(f"{' ' * k}a:\n" for k in range(80)),
        "value on another level": "tempo:\n  is: 70",
        "name of several parts": "? [tempo, key]\n: 70",
        "alias bomb": bomb,
        "anchor": "tempo: &t 70",
        "alias of nothing": "tempo: *t",
        "merge": merge,
        "tag": "tempo: !!float 70",
        "object": "!!python/object/apply:os.system [touch x]",
        "binary": "tempo: !!binary aGVsbG8=",
        "two documents": "tempo: 70\n---\ntempo: 80",
        "directive": "%YAML 9.9\n---\ntempo: 70",
        "open quote": 'key: "E flat',
        "block text": "key: |\n  E flat\n  minor",
        "controls": "key: \x1b[31mE flat",
        "bidirectional": "key: E \u202eflat",
        "longer than allowed": "# " + "x" * 5000 + "\ntempo: 70",
    }
    files = {name: text.encode() for name, text in plain.items()}
    files |= {
        "NUL bytes": b"tempo: 7\0\0",
        "nothing but NUL": b"\0" * 100,
        "not UTF-8": b"key: \xff\xfe\xfd",
        "UTF-16": "tempo: 70".encode("utf-16"),
        "half a character": b"key: E \xe2\x99",
        "lone surrogate": b"key: \xed\xa0\x80",
        "a picture": bytes(range(256)) * 4,
    }
    return files


def others() -> dict[str, Callable[[Path], None]]:
    """What is no plain file, or lies where nothing can be written; each is given its ready folder."""

    def link(folder: Path) -> None:
        secret = folder.parent.parent / "secret.yaml"
        secret.write_text(SECRET)
        (folder / CORRECTION_FILE).symlink_to(secret)

    def in_place_of(name: str) -> Callable[[Path], None]:
        def make(folder: Path) -> None:
            (folder / name / "within").mkdir(parents=True)
            (folder / CORRECTION_FILE).write_text("speed: 70\n")

        return make

    def link_note(folder: Path) -> None:
        (folder / REASON_FILE).symlink_to(folder.parent.parent / "made-by-us")
        (folder / CORRECTION_FILE).write_text("speed: 70\n")

    def sparse(folder: Path) -> None:
        with (folder / CORRECTION_FILE).open("wb") as file:
            file.write(b"tempo: 70\n")
            file.truncate(50_000_000)

    def no_report(folder: Path) -> None:
        for path in folder.glob("*.report.json"):
            path.unlink()
        (folder / CORRECTION_FILE).write_text("tempo: 70\n")

    def pipe_report(folder: Path) -> None:
        no_report(folder)
        os.mkfifo(folder / "x.report.json")

    def torn_report(folder: Path) -> None:
        report = next(folder.glob("*.report.json"))
        report.write_bytes(report.read_bytes()[:5000])
        (folder / CORRECTION_FILE).write_text("tempo: 70\n")

    def unreadable(folder: Path) -> None:
        (folder / CORRECTION_FILE).write_text("speed: 70\n")
        (folder / CORRECTION_FILE).chmod(0)

    def read_only(folder: Path) -> None:
        (folder / CORRECTION_FILE).write_text("speed: 70\n")
        folder.chmod(0o555)

    found: dict[str, Callable[[Path], None]] = {
        "link": link,
        "link to itself": lambda folder: (folder / CORRECTION_FILE).symlink_to(CORRECTION_FILE),
        "link to a device": lambda folder: (folder / CORRECTION_FILE).symlink_to("/dev/zero"),
        "link to nothing": lambda folder: (folder / CORRECTION_FILE).symlink_to("nothing"),
        "folder": lambda folder: (folder / CORRECTION_FILE / "within").mkdir(parents=True),
        "pipe": lambda folder: os.mkfifo(folder / CORRECTION_FILE),
        "folder for the refused file": in_place_of(REFUSED_FILE),
        "folder for the reason": in_place_of(REASON_FILE),
        "folder for the applied file": in_place_of(APPLIED_FILE),
        "link for the reason": link_note,
        "50 MB": lambda folder: _write(folder, b"tempo: 70\n" * 5_000_000),
        "50 MB of nothing": sparse,
        "no report": no_report,
        "a pipe for a report": pipe_report,
        "half a report": torn_report,
        "unreadable": unreadable,
        "read-only folder": read_only,
    }
    if os.geteuid() == 0:
        found["device"] = lambda folder: os.mknod(
            folder / CORRECTION_FILE, stat.S_IFCHR | 0o666, os.makedev(1, 5)
        )
    return found


def _write(folder: Path, data: bytes) -> None:
    (folder / CORRECTION_FILE).write_bytes(data)


def cases() -> dict[str, Callable[[Path], None]]:
    """All by name; each is called with its ready folder."""
    regular = {name: (lambda folder, data=data: _write(folder, data)) for name, data in texts().items()}
    return {**regular, **others()}


def studio(base: Path, names: list[str]) -> Settings:
    """A ready folder for each name, all of one rendered beat."""
    from config.settings import Limits
    from daemon.decode.decoder import decode
    from daemon.pipeline.render import render_drop

    settings = settings_for(base, limits={"max_attempts": 10, "job_timeout_seconds": 300})
    source = settings.folders.incoming / "beat.wav"
    source.write_bytes(beat(1, 8.0))
    analysis = sample_analysis(duration_s=8.0, sections=(), chords=(), flags=())
    first = settings.folders.ready / names[0]
    first.mkdir()
    render_drop(decode(source, limits=Limits()), analysis, settings, first, "beat")
    source.unlink()  # the copies are enough
    for name in names[1:]:
        shutil.copytree(first, settings.folders.ready / name)
    return settings


def hurt(base: Path, chosen: dict[str, Callable[[Path], None]], real: bool = True) -> dict[str, Any]:
    """Run them all. AssertionError when a promise is broken; figures else."""
    settings = studio(base, [*chosen, *GOOD])
    folders = {name: settings.folders.ready / name for name in chosen}
    for name, make in chosen.items():
        make(folders[name])
    for name in GOOD:
        (settings.folders.ready / name / CORRECTION_FILE).write_text("key: C minor\n")
    try:
        with running(settings, **(REAL if real else {})) as process:
            before = wait_for(lambda: {worker.pid for worker in workers_of(process)}, "a worker")
            begun = time.monotonic()
            for number in range(3):
                drop(settings, f"drop {number}.wav", beat(100 + number, 6.0))
            wait_for(lambda: sum(n.startswith("drop ") for n in ready(settings)) == 3, "the drops", MOST_S)
            drops_s = time.monotonic() - begun
            wait_for(lambda: all(_settled(settings, name) for name in chosen), "each its refusal", MOST_S)
            wait_for(lambda: all(_applied(settings, name) for name in GOOD), "the good ones", MOST_S)
            all_s = time.monotonic() - begun
            time.sleep(2 * PERIOD_S + 0.5)  # nothing is tried again
            assert process.poll() is None
            after = {worker.pid for worker in workers_of(process)}
            shown = "\n".join(as_lines(read_status(settings), settings))
        check(settings, chosen, shown)
        assert before <= after, "a worker was lost"
    finally:
        for folder in folders.values():
            with suppress(OSError):
                folder.chmod(0o755)
    return {"cases": len(chosen), "drops_s": drops_s, "all_s": all_s}


def _settled(settings: Settings, name: str) -> bool:
    return any(r["folder"] == name for r in read_status(settings).refused_corrections)


def _applied(settings: Settings, name: str) -> bool:
    return (settings.folders.ready / name / APPLIED_FILE).is_file()


def check(settings: Settings, chosen: dict[str, Any], shown: str) -> None:
    status = read_status(settings)
    reasons = {r["folder"]: r["reason"] for r in status.refused_corrections}
    assert set(reasons) == set(chosen), set(chosen) ^ set(reasons)
    assert "correction files that were refused" in shown
    for name, reason in reasons.items():
        assert 10 < len(reason) < 600, f"{name}: {reason}"
        assert not any(bad in reason for bad in ("hush", "88", "Errno", "Traceback", "\x1b", "\u202e")), (
            reason
        )
    assert count_events(settings, "correction file refused") == len(chosen), "refused more than once"
    assert not (settings.folders.ready.parent / "made-by-us").exists(), "a link was written through"
    for name in texts().keys() & chosen.keys():
        folder = settings.folders.ready / name
        assert (folder / REFUSED_FILE).is_file(), name
        assert (folder / REASON_FILE).read_text().strip() == reasons[name], name
        assert "The correction file was refused." in next(folder.glob("*.report.html")).read_text(), name


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="cases whose name holds this text")
    options = parser.parse_args()
    chosen = {name: make for name, make in cases().items() if options.only in name}
    with tempfile.TemporaryDirectory() as base:
        figures = hurt(Path(base), chosen)
    print(
        f"{figures['cases']} hostile correction files: all refused once, 2 good ones applied, 3 drops ready "
        f"after {figures['drops_s']:.1f} s, all settled after {figures['all_s']:.1f} s, no worker lost"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
