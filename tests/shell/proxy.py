"""A wire that can be cut and can stand still: forwards TCP between two ports of this machine."""

import contextlib
import socket
import threading
from types import TracebackType
from typing import Self


class Proxy:
    """Listens on a free port; `cut` drops every connection, `flowing` stops and lets go what travels."""

    def __init__(self, to_port: int) -> None:
        self.to_port = to_port
        self.flowing = threading.Event()
        self.flowing.set()
        self.cuts = 0
        self._open: set[socket.socket] = set()
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._door.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """As if a cable was pulled: both ends see the connection end."""
        self.cuts += 1
        for one in list(self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self._open.clear()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._door.accept()
                far = socket.create_connection(("127.0.0.1", self.to_port), timeout=5)
            except OSError:
                if self._door.fileno() < 0:
                    return
                with contextlib.suppress(OSError, UnboundLocalError):
                    near.close()
                continue
            far.settimeout(None)
            self._open |= {near, far}
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(a, b), daemon=True).start()

    def _pump(self, a: socket.socket, b: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := a.recv(65536):
                self.flowing.wait()
                b.sendall(data)
        for one in (a, b):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.flowing.set()
        self._door.close()
        self.cut()
