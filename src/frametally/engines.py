"""Takes work and items; gives the results in the items' order, done on this computer's cores or on a Dask cluster.

Only a few items are under way at any time, however many there are. Dask (extra `cluster`) is imported when it is asked for.
"""

from __future__ import annotations

import hashlib
import logging
import pickle
import platform
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import version
from itertools import chain, islice
from typing import Any, Protocol, TypeVar

from frametally.errors import BadInput, ProgramMissing
from frametally.places import CLUSTER_INSTALL
from frametally.workers import in_processes

_Out = TypeVar("_Out")
log = logging.getLogger("frametally")

WORTH_PROCESSES = 40
"""So many items repay the start of processes, which takes about as long as reading ten photos; for fewer there are threads."""

CONNECT_S = 20.0
"""So long a scheduler may take to answer."""

WAIT_FOR_WORKERS_S = 60.0
"""So long a cluster may be without any worker at the start."""

LOST_WORKERS_S = 600.0
"""So long it may be without any in the middle: new ones may be on their way."""

RETRIES = 3
"""How often a task is given out anew after it failed on a worker."""

_LOOK_S = 10.0  # how often a wait for a result looks whether there is still a worker
_COUNT_EVERY = 64  # results, after which the cluster's workers are counted anew


class Engine(Protocol):
    """What does the work.

    `work` is called with an item's parts as its arguments. Work and items are pickled where others do it: what is large belongs
    into the work, which is sent to each worker once.
    """

    def in_order(
        self, work: Callable[..., _Out], items: Iterable[tuple[Any, ...]], *, light: bool = False
    ) -> Generator[_Out, None, None]:
        """Give the work's results in the items' order; `light` work is one that keeps Python itself hardly busy."""
        ...

    def everywhere(self, work: Callable[..., _Out], *item: Any) -> dict[str, _Out]:
        """Give what the work gives on each other computer, by its address; nothing where all is done here."""
        ...


@dataclass(frozen=True)
class LocalEngine:
    """Works on `jobs` cores of this computer: by threads where little is to be done, else by processes.

    Threads wait for one another, as only one of them has Python's interpreter at any time; processes take a while to start.
    """

    jobs: int = 1

    def in_order(
        self, work: Callable[..., _Out], items: Iterable[tuple[Any, ...]], *, light: bool = False
    ) -> Generator[_Out, None, None]:
        """Give the work's results in the items' order, `jobs` at a time."""
        if self.jobs <= 1:
            for item in items:
                yield work(*item)
            return
        left = iter(items)
        first = [] if light else list(islice(left, WORTH_PROCESSES))
        with ExitStack() as stack:
            if len(first) == WORTH_PROCESSES:
                work = stack.enter_context(in_processes(work))
            pool = stack.enter_context(ThreadPoolExecutor(self.jobs))
            running: deque[Future[_Out]] = deque()
            try:
                for item in chain(first, left):
                    running.append(pool.submit(work, *item))
                    if len(running) >= 2 * self.jobs:
                        yield running.popleft().result()
                while running:
                    yield running.popleft().result()
            finally:
                for future in running:
                    future.cancel()

    def everywhere(self, work: Callable[..., _Out], *item: Any) -> dict[str, _Out]:
        """Give nothing: there is no other computer."""
        return {}


@contextmanager
def open_engine(scheduler: str | None, jobs: int = 1) -> Iterator[Engine]:
    """Give the engine: a Dask cluster by its scheduler's address ("tcp://10.0.0.5:8786"), without one `jobs` cores here.

    Raises `ProgramMissing` without the extra `cluster`; `BadInput` where the cluster does not answer, has no workers, or has
    workers whose packages would read the photos otherwise than those here.
    """
    if scheduler is None:
        yield LocalEngine(jobs)
        return
    try:
        import dask
        from distributed import Client
        from distributed.comm import resolve_address
    except ImportError as error:
        raise ProgramMissing(
            f"a cluster needs the Python package dask[distributed], which is not installed ({error}): {CLUSTER_INSTALL}"
        ) from None
    try:
        # A client that cannot even begin is never closed: thrown away while the next begins, it would wait for that for ever.
        resolve_address(scheduler)
        client = Client(scheduler, set_as_default=False, timeout=CONNECT_S)
    except (OSError, ValueError, TypeError) as error:
        raise BadInput(
            f"no Dask scheduler answers at {scheduler} ({error}); start one with `dask scheduler` and give the address it prints"
        ) from None
    try:
        # the work is sent once and holds the reference frame: its size is no mistake
        with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GB"}):
            engine = DaskEngine(client, scheduler)
            engine.check_workers()
            yield engine
    finally:
        client.close()


@dataclass(frozen=True)
class DaskEngine:
    """Works on a Dask cluster; a worker that dies loses nothing, its tasks go to another."""

    client: Any
    scheduler: str

    def in_order(
        self, work: Callable[..., _Out], items: Iterable[tuple[Any, ...]], *, light: bool = False
    ) -> Generator[_Out, None, None]:
        """Give the work's results in the items' order; twice as many are under way as the cluster has threads.

        Raises `BadInput` where scheduler or workers are gone for good; what the work itself raises comes out as it is.
        """
        # A task that gives the packed work, rather than data put on the workers: the scheduler can have it made again.
        with self._cluster_errors():
            packed = self.client.submit(_same, _pack(work), pure=False, retries=RETRIES)
        running: deque[Any] = deque()
        given = 0
        try:
            for item in items:
                with self._cluster_errors():
                    if given % _COUNT_EVERY == 0:
                        width = max(4, 2 * sum(self.client.nthreads().values()))
                    running.append(self.client.submit(_do, packed, item, pure=False, retries=RETRIES))
                given += 1
                if len(running) >= width:
                    yield self._result(running.popleft())
            while running:
                yield self._result(running.popleft())
        finally:
            self.client.cancel([*running, packed])

    def everywhere(self, work: Callable[..., _Out], *item: Any) -> dict[str, _Out]:
        """Give what the work gives on each worker, by its address."""
        with self._cluster_errors():
            return dict(self.client.run(work, *item))

    def check_workers(self) -> None:
        """Raise `BadInput` where there are no workers, or some whose packages differ from those here."""
        try:
            self.client.wait_for_workers(1, timeout=WAIT_FOR_WORKERS_S)
        except TimeoutError:
            raise BadInput(
                f"the Dask scheduler at {self.scheduler} has no workers; start some with `dask worker {self.scheduler}`"
            ) from None
        try:
            found = self.everywhere(versions)
        except ImportError as error:
            raise BadInput(
                f"the workers of {self.scheduler} lack a package ({error}); install on each of them the same frametally as here,"
                f" with {CLUSTER_INSTALL}"
            ) from None
        for worker, theirs in sorted(found.items()):
            _check_versions(worker, theirs, versions())

    def _result(self, future: Any) -> Any:
        """Wait for a result, as long as there is any worker to wait for."""
        alone_since: float | None = None
        while True:
            with self._cluster_errors():
                try:
                    return future.result(timeout=_LOOK_S)
                except TimeoutError:
                    if future.done():
                        raise
                if self.client.nthreads():
                    alone_since = None
                    continue
            if alone_since is None:
                log.warning("All workers of %s are gone; waiting for new ones.", self.scheduler)
                alone_since = time.monotonic()
            elif time.monotonic() - alone_since > LOST_WORKERS_S:
                raise BadInput(f"all workers of {self.scheduler} are gone; {_GO_ON}")

    @contextmanager
    def _cluster_errors(self) -> Iterator[None]:
        """Raise as `BadInput` what says that the cluster, not the work, has failed."""
        from distributed import KilledWorker
        from distributed.comm import CommClosedError

        try:
            yield
        except KilledWorker as error:
            raise BadInput(
                f"workers of {self.scheduler} died one after the other over the same photo, perhaps for want of memory ({error});"
                f" give them more, or read with fewer threads per worker. Then {_GO_ON}"
            ) from None
        except (CommClosedError, CancelledError, ConnectionError) as error:
            raise BadInput(f"the connection to the Dask scheduler at {self.scheduler} is lost ({error}); {_GO_ON}") from None


_GO_ON = "give the same command again: what is read is kept, and it goes on from there"


# --- what runs on the workers ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Packed:
    """Pickled work with its fingerprint, and the versions of what it was made with."""

    mark: str
    data: bytes = field(repr=False, compare=False)
    made_with: dict[str, str] = field(compare=False)


@lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """Give the versions of the packages and programs on which the pixels and what is read of them depend."""
    import cv2

    from frametally.read.ocr import tesseract_version

    names = ("frametally", "numpy", "onnxruntime", "scipy", "simplejpeg", "pillow", "pi-heif")
    return {**{name: version(name) for name in names}, "opencv": cv2.__version__, "Tesseract": tesseract_version()}


def _check_versions(worker: str, theirs: dict[str, str], ours: dict[str, str]) -> None:
    for name in ours:
        there, here = theirs.get(name) or "missing", ours[name] or "missing"
        if there != here:
            raise BadInput(
                f"{name} is {there} on the worker {worker} and {here} where the job was given: the tables would depend on who"
                " read which photo; install the same versions everywhere"
            )


def _pack(work: Callable[..., Any]) -> Packed:
    data = pickle.dumps(work, protocol=pickle.HIGHEST_PROTOCOL)
    return Packed(hashlib.sha256(data).hexdigest(), data, versions())


def _same(packed: Packed) -> Packed:
    return packed


@lru_cache(maxsize=2)
def _unpacked(packed: Packed) -> Callable[..., Any]:
    """Make the work ready, once in each worker's process; workers that came later are checked here."""
    import cv2

    _check_versions(platform.node(), versions(), packed.made_with)
    cv2.setNumThreads(1)  # the worker's threads read photos side by side
    work: Callable[..., Any] = pickle.loads(packed.data)
    return work


def _do(packed: Packed, item: tuple[Any, ...]) -> Any:
    return _unpacked(packed)(*item)
