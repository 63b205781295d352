"""Runs every command that ends by itself, one after the other, in one process; prints what each said.

Started as ``python -P every_command.py FOLDER [MODULE ...]`` with any Python that has Benchtally. Where
modules are named, no other is imported but the standard library's: so the commands run as they do
where only those are installed. Prints one JSON object: the names of all commands, and a list of runs.
"""

import contextlib
import io
import json
import os
import sys
from importlib.abc import MetaPathFinder
from pathlib import Path

JOB = "01890000-0000-7000-8000-000000000001"

CONFIG = """\
site = "sawmill"
bench = "bench-1"
[journal]
path = "bench.journal"
[broker]
host = "127.0.0.1"
port = 1
[instruments.insulation-tester]
driver = "ascii-meter"
link = { kind = "serial", port = "./not-plugged-in" }
options = { profile = "insulation-series" }
"""
FILES = {
    "benchtally.toml": CONFIG,
    "pages.toml": f"{CONFIG}[web]\nport = 1\n",
    "sparkplug.toml": CONFIG.replace("[broker]\n", "[broker]\nsparkplug = {}\n"),
    "empty.bin": "",
    "record.json": "{}",
    "photo.png": "no picture",
}

#: What is typed; the exit code; the extra that it asks for where none is installed.
COMMANDS = (
    (["--help"], 0, None),
    (["--version"], 0, None),
    (["check"], 1, None),  # the meter is not plugged in
    (["doctor"], 1, None),  # the broker does not answer
    (["ports"], 0, None),
    (["drivers"], 0, None),
    (["schema", "reading"], 0, None),
    (["simulate", "--list"], 0, None),
    (["trace", "./not-plugged-in", "--out", "t.jsonl", "--for", "0.1"], 1, None),
    (["profile", "new", "--trace", "empty.bin", "--out", "new.toml"], 2, None),
    (["profile", "try", "new.toml", "--trace", "empty.bin"], 2, None),
    (["machine", "add", "fan-07", "--rated-volts", "400", "--rated-watts", "15000"], 0, None),
    (["machine", "set", "fan-07", "--year", "2004"], 0, None),
    (["machine", "list"], 0, None),
    (["machine", "show", "fan-07"], 0, None),
    (["key", "--machine", "fan-07", "--point", "U-V", "resistance", "0.84 Ohm"], 0, None),
    (["key", "resistance", "0.84 Ohm", "--photo", "photo.png"], 2, "photo"),
    (["photo", "photo.png", "--quantity", "resistance", "--point", "U-V"], 2, "photo"),
    (["machine", "find", "--photo", "photo.png"], 2, "photo"),
    (["tag", "keyed:last", "--machine", "fan-07", "--point", "V-W"], 0, None),
    (["readings"], 0, None),
    (["follow", "--for", "0.1"], 1, None),  # the broker does not answer
    (["job", "procedures"], 0, None),
    (["job", "procedure", "pulse-three-pairs"], 0, None),
    (["job", "start", "fan-07", "three-pair-resistance", "--job-id", JOB], 0, None),
    (["job", "list"], 0, None),
    (["job", "show", JOB], 0, None),
    (["job", "next", JOB], 0, None),
    (["job", "watch", JOB, "--until", "finished", "--timeout", "0.1"], 1, None),
    (["job", "conditions", JOB, "--rotor", "in", "--winding-celsius", "21"], 0, None),
    (["key", "resistance", "0.84 Ohm", "--job", JOB, "--step", "resistance-u-v"], 0, None),
    (["job", "ramped-down", JOB], 0, None),
    (["job", "redo", JOB, "resistance-u-v", "--reason", "lead was loose"], 0, None),
    (["job", "select", JOB, "resistance-v-w"], 0, None),
    (["job", "take", JOB, "resistance-v-w"], 2, None),  # nothing to take
    (["job", "refuse", JOB, "resistance-v-w", "--reason", "lead was loose"], 2, None),  # same
    (["job", "override", JOB, "resistance-v-w", "power", "--reason", "looked"], 2, None),  # none
    (["job", "note", JOB, "sawdust between the coils"], 0, None),
    (["job", "pause", JOB, "--reason", "lunch"], 0, None),
    (["job", "resume", JOB], 0, None),
    (["job", "skip", JOB, "resistance-v-w", "--reason", "wire is broken"], 0, None),
    (["job", "applied", JOB, "resistance-w-u", "60"], 0, None),
    (["job", "discharged", JOB], 1, None),  # not so soon
    (["job", "finish", JOB], 0, None),
    (["job", "sign-off", JOB], 0, None),
    (["trend", "fan-07"], 0, None),
    (["compare", JOB, JOB], 2, None),  # one job is not two
    (["judge", "record.json"], 2, None),  # no test set
    (["record", "make", JOB, "--json"], 0, None),
    (["record", "make", JOB, "--csv"], 0, None),
    (["record", "make", JOB, "--pdf"], 2, "records"),
    (["record", "make", JOB, "--html"], 2, "records"),
    (["job", "void", JOB, "--reason", "for training only"], 0, None),
    (["record", "verify", "record.json"], 2, None),  # no record
    (["export", "readings", "--form", "csv", "--out", "readings.csv"], 0, None),
    (["export", "results", "--form", "jsonl", "--out", "results.jsonl"], 0, None),
    (["export", "readings", "--form", "xlsx", "--out", "readings.xlsx"], 2, "export"),
    (["export", "readings", "--form", "parquet", "--out", "readings.parquet"], 2, "export"),
    (["journal", "info"], 0, None),
    (["journal", "verify"], 0, None),
    (["journal", "backup", "--out", "copy.journal"], 0, None),
    (["journal", "export", "--out", "all.jsonl"], 0, None),
    (["journal", "import", "all.jsonl", "--journal", "other.journal"], 0, None),
    (["journal", "rebuild"], 0, None),
    (["journal", "trim", "--before", "2026-01-01", "--dry-run"], 0, None),
    (["outbox", "publishers"], 0, None),
    (["outbox", "list"], 0, None),
    (["outbox", "show", "1"], 2, None),  # none was refused
    (["outbox", "retry", "1"], 2, None),  # same
    (["outbox", "drop", "1", "--reason", "not wanted"], 2, None),  # same
    (["outbox", "drop-publisher", "none-such"], 2, None),
    (["historian", "run"], 2, "historian"),
    (["historian", "migrate"], 2, "historian"),
    (["historian", "gaps"], 2, "historian"),
    (["historian", "quarantine"], 2, "historian"),
    (["historian", "status"], 2, "historian"),
    (["historian", "retry"], 2, "historian"),
    (
        [
            "historian",
            "settle",
            "sawmill/bench-1",
            "--state",
            "gone",
            "--why",
            "lost with its disk",
            "--operator",
            "lead",
        ],
        2,
        "historian",
    ),
    (["operator", "list"], 2, "web"),
    (["operator", "add", "foreman", "--stdin"], 2, "web"),
    (["operator", "set-pin", "foreman", "--stdin"], 2, "web"),
    (["operator", "remove", "foreman"], 2, "web"),
    (["run", "--config", "pages.toml"], 2, "web"),
    (["run", "--config", "sparkplug.toml"], 2, "sparkplug"),
    (["demo", "--once"], 2, "demo"),
)


class OnlyThese(MetaPathFinder):
    """Finds nothing else than the standard library and the modules that are named."""

    def __init__(self, modules):
        self._modules = sys.stdlib_module_names | set(modules)

    def find_spec(self, fullname, _path=None, _target=None):
        # What this Python was built with (sysconfig) has the platform in its name.
        named = fullname.partition(".")[0]
        if named not in self._modules and not named.startswith("_sysconfigdata"):
            raise ModuleNotFoundError(f"No module named {fullname!r}", name=fullname)


def leaves(command, above=()):
    """Give the full name of every command that has none below it."""
    if not hasattr(command, "list_commands"):
        return [" ".join(above)]
    below = [(name, command.get_command(None, name)) for name in command.list_commands(None)]
    return [leaf for name, each in below for leaf in leaves(each, (*above, name))]


def run(main, arguments):
    out, err = io.StringIO(), io.StringIO()
    sys.argv, sys.stdin = ["benchtally", *arguments], io.StringIO("482913\n")
    status = None
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main()
        except SystemExit as end:
            status = end.code
    return {"typed": arguments, "status": status, "out": out.getvalue(), "err": err.getvalue()}


if __name__ == "__main__":
    folder, *modules = sys.argv[1:]
    if modules:
        sys.meta_path.insert(0, OnlyThese(modules))
    os.environ["BENCHTALLY_OPERATOR"] = "winder"
    os.chdir(folder)
    for name, text in FILES.items():
        Path(name).write_text(text, "utf-8")

    from typer.main import get_command

    from capture.cli.main import app, main

    runs = [run(main, arguments) for arguments, *_ in COMMANDS]
    json.dump({"commands": leaves(get_command(app)), "runs": runs}, sys.stdout)
