"""A service manager's notify socket, for tests: what a unit of Type=notify says, with times."""

import socket
import threading
import time
import uuid


class Manager:
    """Listens on a socket of either kind and remembers every word (sd_notify(3))."""

    def __init__(self, folder, *, abstract=False):
        self._listening = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        if abstract:
            self.address = f"@benchtally-{uuid.uuid4().hex}"
            self._listening.bind("\0" + self.address[1:])
        else:
            self.address = str(folder / "notify")
            self._listening.bind(self.address)
        self._listening.settimeout(0.1)
        self.heard = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="manager")
        self._thread.start()

    def words(self, word):
        """The values that were said for one word, in order."""
        return [
            line.partition("=")[2]
            for _, text in list(self.heard)
            for line in text.splitlines()
            if line.partition("=")[0] == word
        ]

    def times(self, word):
        """When that word was said."""
        return [at for at, text in list(self.heard) if text.startswith(f"{word}=")]

    def end(self):
        self._ended.set()
        self._thread.join(10)
        self._listening.close()

    def _listen(self):
        while not self._ended.is_set():
            try:
                text = self._listening.recv(8192).decode()
            except TimeoutError:
                continue
            self.heard.append((time.monotonic(), text))
