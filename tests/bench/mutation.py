"""Changes the computations in small wrong ways and tells which changes no test notices: `make mutation`.

    python -P tests/bench/mutation.py [MODULE ...] [--quick]

A module is named as `insulation` or `capture.winding.insulation`; without one, all that stand in
`[tool.mutation]` of pyproject.toml are taken. A mutant that survives must stand in
survivors.toml with the reason why it changes nothing that matters; exit 1 for one that does not, and for an
entry whose mutant is gone or gets killed.

A process that has everything imported is forked for each mutant; in the child the code of the changed
function is put in place of the right one, and the tests that call it run, the quick ones first. What survived
that way is tried again in a child that imports the changed module.

This is own work because mutmut 3 leaves alone what stands outside of functions, as tables of standards do,
and knows no list of explained survivors; others start a process, with all its imports, for each mutant.
"""

import argparse
import importlib
import importlib.abc
import importlib.util
import json
import os
import signal
import sys
import tempfile
import time
import tomllib
import types
from collections import Counter
from importlib.machinery import SourceFileLoader
from pathlib import Path

# Before numpy comes: a fork copies no threads.
os.environ["OPENBLAS_NUM_THREADS"] = "1"
# Examples of Hypothesis are not to be kept.
os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = tempfile.mkdtemp()
sys.path.insert(0, str(Path(__file__).parent))
# Imported once, for all children.
for _module in ("numpy", "pint", "pydantic", "scipy.optimize", "scipy.stats", "uncertainties"):
    importlib.import_module(_module)

import hypothesis  # noqa: E402 - after what they must find set
import pytest  # noqa: E402 - after what they must find set
from _pytest.runner import runtestprotocol  # noqa: E402 - after what they must find set
from mutants import mutants  # noqa: E402 - after what they must find set

ROOT = Path(__file__).resolve().parents[2]
SURVIVORS = Path(__file__).with_name("survivors.toml")
KILLED = 1
SHOWN = os.dup(2)  # pytest takes the other one


def fork(work, seconds, *, log=os.devnull):
    """Run work in a child, for so many seconds of processor time; give its exit code, None when out of time."""
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            written = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            os.dup2(written, 1)
            os.dup2(written, 2)
            signal.signal(signal.SIGPROF, signal.SIG_DFL)
            signal.setitimer(signal.ITIMER_PROF, seconds)
            code = work()
        except BaseException:  # noqa: BLE001 - a mutant may break anything, and is found out by it
            code = KILLED
        finally:
            os._exit(code)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return None if code == -signal.SIGPROF else code


class Plugin:
    """Hands over the collected tests instead of running them, and keeps Hypothesis from shrinking."""

    def __init__(self, loop):
        self.loop = loop
        self.code = None

    def pytest_configure(self):
        quick = [p for p in hypothesis.Phase if p.name in ("explicit", "generate")]
        hypothesis.settings.register_profile("mutation", hypothesis.settings(), phases=quick)
        hypothesis.settings.load_profile("mutation")

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session):
        if session.testsfailed:
            self.code = KILLED
            return True
        self.code = self.loop(session.items)
        return True


def run_pytest(paths, loop):
    """Collect the tests and hand them to the loop; give what it gave, KILLED where nothing can be collected."""
    plugin = Plugin(loop)
    options = ["-p", "no:randomly", "--timeout=0", "-q", "--hypothesis-seed=1"]
    # What has been imported here already is no test, and needs no better asserts.
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    pytest.main([*options, *paths], plugins=[plugin])
    return KILLED if plugin.code is None else plugin.code


def run(items):
    """Run tests until one fails."""
    for item, after in zip(items, [*items[1:], None], strict=True):
        if any(report.failed for report in runtestprotocol(item, nextitem=after, log=False)):
            return KILLED
    return 0


def measure(items, paths, into):
    """Write which functions of some files each test calls, and how long each takes."""
    known = {}
    for item, after in zip(items, [*items[1:], None], strict=True):
        called = set()

        def note(frame, event, _, called=called):
            code = frame.f_code
            if event == "call" and code.co_filename in paths:
                called.add(f"{code.co_filename} {code.co_qualname.split('.<locals>')[0]}")

        start = time.perf_counter()
        sys.setprofile(note)
        reports = runtestprotocol(item, nextitem=after, log=False)
        sys.setprofile(None)
        if any(report.failed for report in reports):
            known = {"failed": item.nodeid}
            break
        known[item.nodeid] = [time.perf_counter() - start, sorted(called)]
    into.write_text(json.dumps(known))
    return 0


def put(code, module):
    """Put changed functions and constants in the place of the right ones, where others know them already.

    What a class holds besides methods, and constants that other modules have imported, stay: such
    mutants survive here and are tried again.
    """
    changed = dict(vars(module))
    exec(code, changed)  # the module itself, but for one place

    def follow(old, new):
        for name, value in list(new.items()):
            right = old.get(name)
            for path in ("fget", "__func__", "__wrapped__"):
                right, value = getattr(right, path, right), getattr(value, path, value)  # noqa: PLW2901
            if isinstance(value, types.FunctionType):
                if (
                    value.__module__ == module.__name__
                    and value.__code__.co_filename == module.__file__
                ):
                    right.__code__ = value.__code__
                    right.__defaults__, right.__kwdefaults__ = (
                        value.__defaults__,
                        value.__kwdefaults__,
                    )
            elif isinstance(value, type):
                if value.__module__ == module.__name__ and value is not right:
                    follow(vars(right), vars(value))
            elif isinstance(old, dict) and not name.startswith("__"):
                old[name] = renewed(right, new[name])

    follow(vars(module), changed)


def renewed(right, value):
    """Give what a name stands for from now on; a table that others may hold is filled anew."""
    if not isinstance(right, dict) or not isinstance(value, dict) or right is value:
        return value
    right.clear()
    right.update(value)
    return right


class Changed(SourceFileLoader, importlib.abc.MetaPathFinder):
    """Imports one module changed."""

    def __init__(self, name, path, code):
        super().__init__(name, path)
        self.code = code

    def get_code(self, fullname):
        return self.code

    def find_spec(self, fullname, path, target=None):
        return importlib.util.spec_from_loader(fullname, self) if fullname == self.name else None


def tried_quickly(names, tests):
    """Try all mutants of some modules in forks of one process; give what is known of the tests, and the ends."""
    paths = {name: source_of(name) for name in names}
    every = {name: list(mutants(Path(p).read_text("utf-8"), p)) for name, p in paths.items()}
    facts, ends = Path(tempfile.mkstemp()[1]), Path(tempfile.mkstemp()[1])

    def measured(items):
        for name, path in paths.items():
            # The right module is put in place of itself: doing so must not fail any test.
            put(compile(Path(path).read_text("utf-8"), path, "exec"), importlib.import_module(name))
        return measure(items, set(paths.values()), facts)

    def each(items):
        found = {}
        fork(lambda: measured(items), 3600, log="/dev/stderr")
        known = json.loads(facts.read_text())
        for name in names if "failed" not in known else ():
            module, found[name] = importlib.import_module(name), []
            for mutant in every[name]:
                mine = chosen(items, known, paths[name], mutant)
                todo = lambda m=mutant, t=mine, o=module: put(m.code, o) or run(t)  # noqa: E731
                seconds = 5 + 4 * sum(known[i.nodeid][0] for i in mine)
                end = fork(todo, seconds) if mine else 0
                found[name].append(end)
                if end == 0:
                    said = f"  ({name} {mutant.where}: {mutant.before} → {mutant.after})\n"
                    os.write(SHOWN, said.encode())
            count = Counter(found[name])
            os.write(SHOWN, f"  ({name}: {count[0]} of {len(every[name])})\n".encode())
        ends.write_text(json.dumps(found))
        return 0

    fork(lambda: run_pytest(tests, each), 36_000, log="/dev/stderr")
    known = json.loads(facts.read_text())
    if "failed" in known:
        sys.exit(f"{known['failed']} fails without any change: mend it first")
    found = json.loads(ends.read_text())
    return known, {n: list(zip(every[n], found[n], strict=True)) for n in names}


def source_of(name):
    """Give the path of a module without importing it."""
    top, *rest = name.split(".")
    return str(Path(importlib.util.find_spec(top).submodule_search_locations[0], *rest)) + ".py"


def chosen(items, known, path, mutant):
    """Give the tests that call the changed function, quick ones first.

    Outside of functions, where a test may look at a constant alone: all in the files that call the module.
    """
    mine = [i for i in items if any(c.startswith(path) for c in known[i.nodeid][1])]
    if mutant.inside:
        mine = [i for i in mine if f"{path} {mutant.where}" in known[i.nodeid][1]] or mine
    else:
        files = {i.nodeid.partition("::")[0] for i in mine}
        mine = [i for i in items if i.nodeid.partition("::")[0] in files]
    return sorted(mine, key=lambda i: known[i.nodeid][0])


def tried_anew(name, mutant, known):
    """Run the tests in a process that imports the changed module; give the exit code, None when out of time."""
    path = source_of(name)
    mine = {i for i, one in known.items() if any(c.startswith(path) for c in one[1])}
    files = sorted({i.partition("::")[0] for i in mine})

    def work():
        sys.meta_path.insert(0, Changed(name, path, mutant.code))
        return run_pytest(files, lambda items: run(sorted(items, key=lambda i: known[i.nodeid][0])))

    return fork(work, 20 + 4 * sum(one[0] for one in known.values()))


def explained(name):
    """Give the explained survivors of a module, each as often as it is listed."""
    listed = tomllib.loads(SURVIVORS.read_text("utf-8")).get("survivor", [])
    if poor := [one for one in listed if not one.get("why", "").strip()]:
        sys.exit(f"{SURVIVORS.name}: an entry without why: {poor[0]}")
    mine = [one for one in listed if one["module"] == name]
    return Counter((one["where"], one["before"], one["after"]) for one in mine)


def report(name, tried, known, *, again):
    """Print how the mutants of a module ended; give how many survivors and explanations do not match."""
    words = {None: "timed out", 0: "survived"}
    ends = []
    for mutant, end in tried:
        last = tried_anew(name, mutant, known) if end == 0 and again else end
        ends.append((mutant, words.get(last, "killed")))
    left = Counter(m.key for m, end in ends if end == "survived")
    listed = explained(name)
    for mutant, end in ends:
        if end == "survived" and left[mutant.key] > listed[mutant.key]:
            print(f"  {name}:{mutant.line} {mutant.where}: {mutant.before} → {mutant.after}")
    for where, before, after in listed - left:
        print(f"  {name} {where}: {before} → {after} is explained, but does not survive")
    count = Counter(end for _, end in ends)
    print(
        f"{name}: {len(ends)} mutants, {count['killed']} killed, {count['timed out']} timed out,"
        f" {count['survived']} survived, of them {(left & listed).total()} explained",
        flush=True,
    )
    return (left - listed).total() + (listed - left).total()


def main():
    """Try the modules asked for and hold their survivors against the list."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["mutation"]
    groups = settings["groups"]
    known_names = [module for group in groups for module in group["modules"]]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE")
    parser.add_argument("--quick", action="store_true", help="do not try survivors again; too many")
    asked = parser.parse_args()
    os.chdir(ROOT)
    names = [
        next((m for m in known_names if m == a or m.endswith("." + a)), a)
        for a in asked.modules or known_names
    ]
    if unknown := [name for name in names if name not in known_names]:
        sys.exit(f"not in [tool.mutation] of pyproject.toml: {', '.join(unknown)}")
    wrong = 0
    for group in groups:
        if mine := [name for name in names if name in group["modules"]]:
            known, tried = tried_quickly(mine, group["tests"])
            wrong += sum(report(name, tried[name], known, again=not asked.quick) for name in mine)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
