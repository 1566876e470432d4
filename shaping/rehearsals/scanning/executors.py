"""Where pieces are scanned: here, in processes of this machine, or on a cluster."""

from __future__ import annotations

import logging
import multiprocessing
import os
import re
import signal as signals
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from shaping.errors import ParameterError
from shaping.text.names import briefly

T = TypeVar("T")

_ADDRESS = re.compile(
    r"(?:(?P<scheme>tcp|tls|ws|wss)://)?(?P<host>[^\s:/]+|\[[\da-fA-F:.]+\]):(?P<port>\d{1,5})"
)

_GREETING_S = 10.0  # a choice: a scheduler that lives answers at once
_LONGEST_GREETING = 2**20  # more is no scheduler's greeting

WAIT_S = 60.0
"""How long a cluster may take to answer, and to have a worker, unless said otherwise."""


@dataclass(frozen=True, slots=True)
class Cluster:
    """A Dask cluster whose workers see the same files under the same paths.

    Attributes
    ----------
    address : str
        Of its scheduler.
    wait_s : float
        How long to wait for it, and for its first worker.
    """

    address: str
    wait_s: float = WAIT_S


class Here(Executor):
    """Runs every call at once, in this process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Run a call; return its finished future."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


@contextmanager
def processes(count: int) -> Iterator[Executor]:
    """Yield an executor of so many processes; they end with this one, however it ends."""
    pool = ProcessPoolExecutor(
        count, mp_context=multiprocessing.get_context("spawn"), initializer=_prepare_worker
    )
    try:
        yield pool
    except BaseException:
        running = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in running:
            process.terminate()
        raise
    else:
        pool.shutdown()


@contextmanager
def cluster(address: str, wait_s: float, say: Callable[[str], None]) -> Iterator[Executor]:
    """Yield an executor on a Dask cluster once it has a worker.

    Certificates for ``tls://`` addresses are those of Dask's own configuration.

    Parameters
    ----------
    address : str
        Of its scheduler.
    wait_s : float
        How long to wait for the scheduler, and then for the first worker.
    say : callable
        Is told what is waited for.

    Raises
    ------
    ParameterError
        In one sentence, if there is no such cluster, or it has no worker in time.
    """
    try:
        import distributed  # noqa: F401 - asked for before anything is waited for
    except ImportError:
        raise ParameterError(
            "--cluster needs the extra `cluster`; install it with: pip install 'shaping[cluster]'"
        ) from None
    with _quiet():
        client = _connected(address, wait_s, say)
        try:
            if not _workers(client):
                say(f"waiting for workers at {address}, {wait_s:g} s at most")
                try:
                    client.wait_for_workers(1, timeout=wait_s)
                except Exception:  # its own time-out, or the scheduler gone meanwhile
                    raise ParameterError(
                        f"the cluster at {address} has no worker after {wait_s:g} s; start one "
                        f"with: dask worker {address}"
                    ) from None
            yield client.get_executor()
        finally:
            with suppress(Exception):
                client.close(timeout=2)


def has_workers(executor: Executor) -> bool:
    """Tell whether somebody works for an executor; False where a cluster lost all its workers."""
    client = getattr(executor, "_client", None)
    return client is None or bool(_workers(client))


def cores() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _connected(address: str, wait_s: float, say: Callable[[str], None]) -> Any:
    """Return a client of a scheduler that answers.

    The library's own client is made once, when somebody listens at the address: clients that
    failed are let go at any later moment, and can then block the making of another.
    """
    from distributed import Client
    from distributed.security import Security

    security: Any = Security
    found = _ADDRESS.fullmatch(address)
    if found is None:
        raise ParameterError(
            f"--cluster {briefly(address)}: this is no scheduler's address; give one such as "
            f"tcp://192.0.2.10:8786"
        )
    secured = security().get_connection_args("client")["ssl_context"] is not None
    if (found["scheme"] or "tcp") in ("tls", "wss") and not secured:
        raise ParameterError(
            f"the cluster at {address} wants certificates; name them in Dask's configuration "
            f"(distributed.comm.tls)"
        )
    greets = (found["scheme"] or "tcp") == "tcp"
    place = (found["host"].strip("[]"), int(found["port"]))
    _wait_for_listener(address, place, wait_s, say, greets=greets)
    try:
        return Client(address, timeout=f"{max(wait_s, 5.0):g}s")  # type: ignore[no-untyped-call,unused-ignore]
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        raise _no_scheduler(address, briefly(error)) from None


def _no_scheduler(address: str, why: str) -> ParameterError:
    return ParameterError(
        f"what listens at {address} does not answer as a scheduler ({why}); check the address, "
        f"and that both sides have the same version of Dask"
    )


def _wait_for_listener(
    address: str,
    place: tuple[str, int],
    wait_s: float,
    say: Callable[[str], None],
    *,
    greets: bool,
) -> None:
    began = time.monotonic()
    told = False
    while True:
        try:
            with socket.create_connection(place, timeout=_GREETING_S) as line:
                if greets:
                    _expect_greeting(address, line)
            return
        except (OSError, OverflowError, UnicodeError) as error:
            if time.monotonic() - began >= wait_s:
                raise ParameterError(
                    f"the cluster at {address} does not answer within {wait_s:g} s "
                    f"({briefly(error)}); check the address, and that its scheduler runs"
                ) from None
            if not told:
                say(f"waiting for the cluster at {address}, {wait_s:g} s at most")
                told = True
            time.sleep(min(0.5, wait_s))


def _expect_greeting(address: str, line: socket.socket) -> None:
    """Read what a scheduler says first: a message that begins with its length, in 8 bytes."""
    head = b""
    while len(head) < 8:
        try:
            more = line.recv(8 - len(head))
        except TimeoutError:
            raise _no_scheduler(address, "it says nothing") from None
        if not more:
            raise _no_scheduler(address, "it hangs up")
        head += more
    if int.from_bytes(head, "little") > _LONGEST_GREETING:
        raise _no_scheduler(address, "it speaks another language")


def _workers(client: Any) -> dict[str, int]:
    try:
        found: dict[str, int] = client.nthreads()
    except Exception:  # the scheduler is gone: the futures will say so
        return {}
    return found


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own reports off the screen: ours say what to do."""
    logger = logging.getLogger("distributed")
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    children = [logging.getLogger(f"distributed.{name}") for name in ("client", "comm", "core")]
    levels = [child.level for child in children]
    for child in children:
        child.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(before)
        for child, level in zip(children, levels, strict=True):
            child.setLevel(level)


def _prepare_worker() -> None:
    """Leave Ctrl-C to the parent, and end with the parent however that ends."""
    signals.signal(signals.SIGINT, signals.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def follow() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=follow, daemon=True).start()
