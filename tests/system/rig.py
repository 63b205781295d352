"""One bench for one test: a folder, a configuration, and whatever was started on it."""

import contextlib
import json
import os
import signal
import subprocess

import harness
import warm

_HEAD = """\
site = "{site}"
bench = "{bench}"
[journal]
path = "bench.journal"
[broker]
port = {port}
{broker}[log]
form = "{form}"
"""


class Rig:
    """Starts the parts of a bench, and ends all that is left when the test is over."""

    def __init__(self, folder, *, quick=False):
        """With ``quick``, programs of ours are forked where a fresh start is not asked for."""
        self._quick = quick
        self.folder = folder
        self.config = folder / "benchtally.toml"
        self.journal = folder / "bench.journal"
        self.outputs = []
        self._stack = contextlib.ExitStack()
        self._asking = []
        self._number = 0

    # ── parts ────────────────────────────────────────────────────────────────────────────────

    def mosquitto(self, **more):
        return self.own(harness.Mosquitto(self._new("broker"), **more))

    def subscriber(self, broker, **more):
        return self.own(harness.Subscriber(broker.port, **more))

    def simulate(self, *arguments):
        return self.own(harness.Simulator(arguments, self._output("simulator")))

    def counter(self, name, rate, *more, catch_up=False):
        """A stream of numbered lines that waits for a slow host: what is lost, we lost.

        It makes up for the wait only where asked to: in a start of some seconds a slow machine would
        be given more to do than it can deliver in a test.
        """
        link = self.folder / name
        return self.simulate(
            "counter", "--pty", link, "--lossless", "--rate", rate,
            "-o", f"catch_up={'yes' if catch_up else 'no'}", *more,
        ), self.lines(name, port=link)  # fmt: skip

    def daemon(self, *, fresh=False, **more):
        """Start one; ``fresh`` where its start or its signals are what is tested."""
        output = self._output("daemon")
        if self._quick and not fresh and not more:
            more = {"process": warm.start(("run", "--config", self.config), output)}
        return self._asks(harness.Daemon(self.config, output, **more))

    def child(self, *arguments, **more):
        return self._asks(harness.Child(arguments, self._output("child"), **more))

    def staying(self, *arguments):
        """Start a command of ours that goes on until it is told to end."""
        if not self._quick:
            return self.child(*harness.PYTHON, "-m", "capture.cli", *arguments)
        output = self._output("child")
        process = warm.start(arguments, output)
        return self._asks(harness.Child(arguments, output, process=process))

    # ── configuration ────────────────────────────────────────────────────────────────────────

    def configure(self, port, *instruments, form="json", more="", broker=""):
        """Write the configuration; ``broker`` are more lines of that section."""
        names = {"site": harness.SITE, "bench": harness.BENCH}
        head = _HEAD.format(port=port, form=form, broker=broker, **names)
        self.config.write_text(head + more + "".join(instruments), "utf-8")

    @staticmethod
    def instrument(name, driver, link, options):
        def section(values):
            return "".join(f"{key} = {json.dumps(value)}\n" for key, value in values.items())

        return (
            f'[instruments.{name}]\ndriver = "{driver}"\n'
            f"[instruments.{name}.link]\n{section(link)}"
            f"[instruments.{name}.options]\n{section(options)}"
        )

    def lines(self, name, **link):
        """A talk-only ohmmeter: lines such as `R 842.1 mOhm`."""
        link = {"kind": "tcp" if "host" in link else "serial", **_texts(link)}
        return self.instrument(name, "ascii-meter", link, {"profile": "resistance-lines"})

    def scpi(self, name, interval_s=0.05, **link):
        link = {"kind": "tcp" if "host" in link else "serial", **_texts(link)}
        options = {"quantity": "resistance", "interval_s": interval_s}
        return self.instrument(name, "scpi-meter", link, options)

    # ── the command line ─────────────────────────────────────────────────────────────────────

    def command(self, *arguments, given="", code=0, wrap=(), environment=None):
        """Run `benchtally`; give what it printed. It must end with `code`."""
        done = self.run(*arguments, given=given, wrap=wrap, environment=environment)
        assert done.returncode == code, (arguments, done.returncode, done.stdout, done.stderr)
        return done.stdout if code == 0 else done.stderr

    def run(self, *arguments, **more):
        return self.bare(*arguments, "--config", self.config, **more)

    def bare(self, *arguments, given="", wrap=(), environment=None):
        """Run `benchtally` without a configuration of ours."""
        if not wrap and environment is None:
            done = warm.run(arguments, given)
            self._output("command").write_text(done.stdout + done.stderr, "utf-8")
            return done
        done = subprocess.run(
            [*wrap, *harness.PYTHON, "-m", "capture.cli", *map(str, arguments)],
            input=given,
            capture_output=True,
            text=True,
            check=False,
            timeout=2 * harness.LONG,
            env=environment and {**os.environ, **environment},
        )
        self._output("command").write_text(done.stdout + done.stderr, "utf-8")
        return done

    # ── the journal ──────────────────────────────────────────────────────────────────────────

    def entries(self):
        return harness.journal_entries(self.journal)

    def newest(self):
        """The last few entries."""
        return harness.journal_entries(self.journal, after=max(0, self.length() - 5))

    def length(self):
        return harness.journal_length(self.journal)

    def wait_for_length(self, wanted, seconds=harness.LONG):
        harness.wait_until(lambda: self.length() >= wanted, f"{wanted} entries", seconds)

    def to_deliver(self, entries=None):
        """Give the entries that are delivered: what people do in jobs stays at the bench."""
        found = self.entries() if entries is None else entries
        return [each for each in found if each.kind not in ("machine", "job", "audit")]

    def check_delivery(self, subscriber, seconds=harness.LONG):
        """Everything committed is at the subscriber, once or more, in order, the same bytes."""
        everything = self.entries()
        entries = self.to_deliver(everything)
        subscriber.wait_for_ids([each.id for each in entries], seconds)
        verdict = harness.compare(entries, subscriber.entries())
        assert verdict.missing == verdict.foreign == verdict.gaps == 0, verdict
        assert verdict.in_order, verdict
        assert verdict.same_bytes, verdict
        assert harness.chain_holds(everything)
        return verdict

    def stop(self, daemon, subscriber):
        """Stop a daemon when its load has been delivered; check the delivery of everything.

        A stop delivers for three seconds, which a busy machine may not find enough for what piled up
        under a load: the next start would deliver the rest.
        """
        subscriber.wait_for_ids([each.id for each in self.to_deliver()])
        assert daemon.stop() == 0, daemon.said()
        return self.check_delivery(subscriber)

    # ── the end ──────────────────────────────────────────────────────────────────────────────

    def close(self):
        """End everything; what asks before what answers.

        A daemon that outlived its broker or its instruments would knock at ports and open lines that
        the system may have given to another test by then.
        """
        for each in self._asking:
            each.signal_all(signal.SIGKILL)
        self._stack.close()

    def tracebacks(self):
        """Files in which a part printed a traceback."""
        return [
            path
            for path in self.outputs
            if path.exists() and b"Traceback (most recent call last)" in path.read_bytes()
        ]

    def own(self, part, end="end"):
        """Take charge of a part: the last one taken is the first one ended."""
        self._stack.callback(getattr(part, end))
        return part

    def _asks(self, program):
        self._asking.append(program)
        return self.own(program)

    def _new(self, name):
        self._number += 1
        return self.folder / f"{name}-{self._number}"

    def _output(self, name):
        path = self._new(name).with_suffix(".out")
        self.outputs.append(path)
        return path


def _texts(link):
    return {key: value if isinstance(value, int) else str(value) for key, value in link.items()}
