"""Asking the daemon from the command line: HTTP over its Unix socket."""

import http.client
import json
import socket
import time
from pathlib import Path
from typing import Any
from urllib.parse import quote

from timer.errors import ServiceError, TreadleError

DEFAULT_SOCKET = "/run/treadle/treadle.sock"
# The instant of asking on the machine's monotonic clock, in nanoseconds: a daemon that stood
# still in between must not start a lamp for somebody who has gone.
ASKED_AT = "X-Asked-At-Ns"
_SECONDS = 30.0


class RemoteError(TreadleError):
    """Raised with the daemon's own sentence and exit code."""

    def __init__(self, sentence: str, exit_code: int) -> None:
        super().__init__(sentence)
        self.exit_code = exit_code


class _Connection(http.client.HTTPConnection):
    def __init__(self, path: Path) -> None:
        super().__init__("localhost", timeout=_SECONDS)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(_SECONDS)
        try:
            self.sock.connect(str(self._path))
        except OSError:
            self.sock.close()
            raise


def no_daemon(path: Path, error: OSError) -> ServiceError:
    """Return the error for a daemon that can't be reached at ``path``."""
    if isinstance(error, PermissionError):
        return ServiceError(
            f"{path}: this user may not reach the daemon; add the user to the group treadle"
        )
    return ServiceError(
        f"{path}: no daemon answers; start it with 'treadle serve' or 'systemctl start treadle',"
        " or name its socket with --socket"
    )


class Client:
    """The daemon behind the socket at ``path``."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def get(self, path: str) -> Any:  # noqa: ANN401 -- JSON
        """Return the answer to a question; RemoteError where the daemon refuses it."""
        return self._ask("GET", path, None)

    def post(self, path: str, **body: object) -> Any:  # noqa: ANN401 -- JSON
        """Have something done and return the answer."""
        return self._ask("POST", path, body)

    def put(self, path: str, **body: object) -> Any:  # noqa: ANN401 -- JSON
        """Have something replaced and return the answer."""
        return self._ask("PUT", path, body)

    def _ask(self, method: str, path: str, body: dict[str, object] | None) -> Any:  # noqa: ANN401
        connection = _Connection(self.path)
        try:
            connection.request(
                method,
                quote(path, safe="/?=&"),
                None if body is None else json.dumps(body),
                {"Content-Type": "application/json", ASKED_AT: str(time.monotonic_ns())},
            )
            response = connection.getresponse()
            answer = json.loads(response.read())
        except (OSError, http.client.HTTPException, ValueError) as error:
            if isinstance(error, OSError):
                raise no_daemon(self.path, error) from None
            raise ServiceError(
                f"{self.path}: what answers there is no Treadle daemon; name its socket with"
                " --socket"
            ) from None
        finally:
            connection.close()
        if response.status >= 400:
            raise RemoteError(str(answer.get("error")), int(answer.get("exit_code", 1)))
        return answer
