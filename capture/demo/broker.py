"""A broker for the demonstration: the system's mosquitto, else amqtt inside this process."""

import asyncio
import os
import shutil
import socket
import subprocess
import threading
from pathlib import Path
from typing import Any, Protocol

from capture.demo.kept_port import KeptPort
from capture.errors import PublishError

_START_TIMEOUT = 8.0


class Broker(Protocol):
    """A running broker."""

    name: str
    port: int
    version: str

    def stop(self) -> None:
        """End it."""
        ...


def start_broker(folder: Path) -> Broker:
    """Start a broker on a free port of the loopback interface.

    Raises:
        PublishError: there is neither a mosquitto nor amqtt, or it does not start.
    """
    program = shutil.which(
        "mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin"
    )
    return Mosquitto(program, folder) if program else Amqtt()


class Mosquitto:
    """The system's mosquitto as a child process."""

    def __init__(self, program: str, folder: Path) -> None:
        self.name = "mosquitto"
        self.version = "auto"
        with KeptPort() as kept:
            self.port = kept.number
            self._start(program, folder)

    def _start(self, program: str, folder: Path) -> None:
        config = folder / "mosquitto.conf"
        config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n", "utf-8")
        with (folder / "mosquitto.log").open("wb") as log:
            self._process = subprocess.Popen(
                [program, "-c", str(config)], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        try:
            wait_for_port(self.port, self._process)
        except PublishError:
            self.stop()
            raise

    def stop(self) -> None:
        """End it."""
        self._process.terminate()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def wait_for_port(port: int, process: subprocess.Popen[bytes] | None = None) -> None:
    """Wait until something listens on a loopback port.

    Raises:
        PublishError: nothing does in time, or ``process`` ended.
    """
    from capture.clock import SystemClock

    clock, never = SystemClock(), threading.Event()
    end = clock.monotonic() + _START_TIMEOUT
    while clock.monotonic() < end:
        if process is not None and process.poll() is not None:
            raise PublishError(f"the broker ended at once (exit code {process.returncode})")
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=0.5):
                return
        except OSError:
            clock.wait(never, 0.05)
    raise PublishError(f"no broker listens on port {port}")


class Amqtt:
    """amqtt (MQTT 3.1.1) in a thread of this process.

    Raises PublishError where amqtt is not installed.
    """

    def __init__(self) -> None:
        try:
            from amqtt.broker import Broker as AmqttBroker
        except ImportError as error:
            raise PublishError(
                "the demo needs a broker: install Debian's mosquitto, or this package's extra "
                "'demo' (pip install 'benchtally[demo]')"
            ) from error
        self.name = "amqtt, inside this process"
        self.version = "3.1.1"  # all it speaks; asked for more, it leaves us without an answer
        with KeptPort() as kept:
            self.port = kept.number
            self._begin(AmqttBroker)

    def _begin(self, broker: Any) -> None:
        self._loop = asyncio.new_event_loop()
        config = {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
            },
        }
        self._broker: Any = None
        self._faults: list[Exception] = []
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(broker, config), name="amqtt")
        self._thread.start()
        if not self._ready.wait(_START_TIMEOUT):
            raise PublishError("amqtt does not start: no answer")
        if self._faults:
            raise PublishError(f"amqtt does not start: {self._faults[0]}")

    def stop(self) -> None:
        """End it."""
        future = asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop)
        try:
            future.result(5)
        finally:
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(5)

    def _run(self, make: Any, config: dict[str, Any]) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._start(make, config))
        except Exception as error:  # noqa: BLE001 - told by the waiting thread
            self._faults.append(error)
            self._ready.set()
            return
        self._ready.set()
        self._loop.run_forever()
        self._loop.close()

    async def _start(self, make: Any, config: dict[str, Any]) -> None:
        self._broker = make(config)
        await self._broker.start()
