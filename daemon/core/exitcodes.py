"""How a command ends; `beatintake --help` documents them."""

from __future__ import annotations

OK = 0
USAGE = 2  # the command line or the configuration is wrong
SOME_FAILED = 3  # a drop was rejected or could not be analysed
MACHINE = 4  # folder, permission, disk space, share
INTERNAL = 70  # a bug of ours
ALREADY_RUNNING = 75  # another service works on these folders
INTERRUPTED = 130  # Ctrl-C, as shells have it
