"""The connection pools of urllib3 on bounded sockets, for every library that is built on them."""

from http.client import HTTPException, HTTPResponse
from typing import Any

from requests.adapters import HTTPAdapter
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool, PoolManager
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import ConnectTimeoutError, NewConnectionError
from urllib3.util.ssl_ import create_urllib3_context

from monitor.wire.sockets import BoundedSocket, bounded, connect


def _bounded_link(connection: HTTPConnection) -> BoundedSocket:
    try:
        return connect(connection.host, connection.port or connection.default_port)
    except TimeoutError as error:
        raise ConnectTimeoutError(connection, str(error)) from error
    except UnicodeError as error:
        raise NewConnectionError(connection, f"{connection.host} is no name: {error}") from error
    except OSError as error:
        raise NewConnectionError(connection, str(error)) from error


class _LastLine:
    """Reads lines for a response's head and knows the last one."""

    def __init__(self, source: Any) -> None:
        self._source = source
        self.line = b""

    def readline(self, *args: Any) -> bytes:
        """As of the source."""
        self.line = self._source.readline(*args)
        return self.line

    def close(self) -> None:
        """As of the source."""
        self._source.close()


class _WholeHead(HTTPResponse):
    """A head that breaks off is no answer: the library takes the end of the connection for its end."""

    def begin(self) -> None:
        """As in the standard library."""
        source: Any = self.fp
        head = _LastLine(source)
        self.fp = head  # type: ignore[assignment]
        try:
            super().begin()
        finally:
            if self.fp is not None:
                self.fp = source
        if head.line not in (b"\r\n", b"\n"):
            raise HTTPException("the head of the answer broke off")


class _PlainConnection(HTTPConnection):
    response_class = _WholeHead

    def _new_conn(self) -> BoundedSocket:
        return _bounded_link(self)


class _TlsConnection(HTTPSConnection):
    response_class = _WholeHead

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # One of its own: a context that others share must go on making their sockets.
        self.ssl_context = bounded(create_urllib3_context())
        if not (self.ca_certs or self.ca_cert_dir or self.ca_cert_data):
            self.ssl_context.load_default_certs()

    def _new_conn(self) -> BoundedSocket:
        return _bounded_link(self)


class _PlainPool(HTTPConnectionPool):
    ConnectionCls = _PlainConnection


class _TlsPool(HTTPSConnectionPool):
    ConnectionCls = _TlsConnection


def make_bounded(pools: PoolManager) -> PoolManager:
    """The same manager, whose connections are bounded."""
    pools.pool_classes_by_scheme = {"http": _PlainPool, "https": _TlsPool}
    return pools


class BoundedAdapter(HTTPAdapter):
    """The adapter of requests on bounded connections, also where the environment names a proxy."""

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        """As in requests."""
        super().init_poolmanager(*args, **kwargs)
        make_bounded(self.poolmanager)

    def proxy_manager_for(self, *args: Any, **kwargs: Any) -> Any:
        """As in requests."""
        return make_bounded(super().proxy_manager_for(*args, **kwargs))
